"""The generator of the synthetic programs: one seed, one program, on every machine."""

from __future__ import annotations

from typing import TypeVar

from workloads.prng import Draws
from workloads.programs import (
    Assign,
    Binary,
    Blend,
    Body,
    Call,
    Choice,
    Compare,
    Constant,
    Element,
    Expression,
    Function,
    If,
    Loop,
    RealLess,
    Statement,
    Store,
    Sweep,
    Switch,
    Test,
    Unit,
    Variable,
    Whole,
)

_Item = TypeVar("_Item")

_INTEGERS = 6
_REALS = 3
_DEEPEST_BLOCK = 2
WEIGHTS = (0.25, 0.5, 0.75, 0.875)
#: Common operators come up more often, as in real programs.
_OPERATORS = ("+", "+", "+", "-", "-", "*", "*", "&", "|", "^", "^", "/", "%")
_SHIFTS = ("<<", ">>", "rotate")
_RELATIONS = ("==", "!=", "<", "<", "s<")
_LOOP_SPANS = (4, 8)


def unit(name: str, seed: int, functions: int) -> Unit:
    """A unit of `functions` functions: two in three are small private ones, the rest entries."""
    draws = Draws(seed)
    made: list[Function] = []
    uncalled: list[int] = []
    for number in range(functions):
        entry = number % 3 == 2 or number == functions - 1
        callees = tuple(at for at, function in enumerate(made) if not function.entry)
        author = _Author(draws, callees if entry else (), uncalled if entry else [])
        made.append(author.function(f"{name}_{number}", entry))
        uncalled = [] if entry else [*uncalled, number]
    return Unit(name, tuple(made))


class _Author:
    """Writes one function."""

    def __init__(self, draws: Draws, callees: tuple[int, ...], must_call: list[int]) -> None:
        self._draws = draws
        self._callees = callees
        self._must_call = must_call
        self._integers = _INTEGERS
        self._counters: list[int] = []
        self._calls_left = 4 if callees else 0

    def function(self, name: str, entry: bool) -> Function:
        body = self._body(self._draws.between(6, 9) if entry else self._draws.between(3, 4), 0)
        body += tuple(self._call(callee) for callee in self._must_call)
        reals = tuple(float(self._draws.below(1000)) for _ in range(_REALS))
        result = self._sum_of_locals()
        starts = tuple(self._draws.below(1 << 20) for _ in range(self._integers - 2))
        return Function(name, starts, reals, body, result, entry)

    def _sum_of_locals(self) -> Expression:
        """Every local counts in the result, so no statement is dead from the start."""
        total: Expression = Variable(0)
        for index in range(1, _INTEGERS):
            total = Binary("+", Binary("*", total, Constant(31)), Variable(index))
        for index in range(_REALS):
            total = Binary("^", total, Binary("<<", Whole(index), Constant(8 * index + 1)))
        return total

    def _body(self, statements: int, depth: int) -> Body:
        return tuple(self._statement(depth) for _ in range(statements))

    def _statement(self, depth: int) -> Statement:
        kind = self._draws.below(100)
        if kind < 12 and self._calls_left and depth < 2:
            self._calls_left -= 1
            return self._call(self._pick(self._callees))
        if kind < 48 or (kind >= 66 and depth == _DEEPEST_BLOCK):
            return Assign(self._draws.below(_INTEGERS), self._expression(2))
        if kind < 52 and depth == 0:
            factor = self._draws.below(1 << 31) | 1
            return Sweep(16 << self._draws.below(3), factor, self._expression(1))
        if kind < 58:
            return Store(self._expression(1), self._expression(2))
        if kind < 66:
            return Blend(self._draws.below(_REALS), self._pick(WEIGHTS), self._expression(2))
        return self._block(kind, depth + 1)

    def _block(self, kind: int, depth: int) -> Statement:
        if kind < 82:
            then = self._body(self._draws.between(1, 3), depth)
            return If(self._test(), then, self._body(self._draws.below(3), depth))
        if kind < 93 and len(self._counters) < 2:
            return self._loop(depth)
        cases = tuple(self._body(self._draws.between(1, 2), depth) for _ in range(4))
        return Switch(self._expression(1), cases)

    def _loop(self, depth: int) -> Loop:
        counter = self._integers
        self._integers += 1
        trips, span = self._expression(1), self._pick(_LOOP_SPANS)
        self._counters.append(counter)
        body = self._body(self._draws.between(2, 4), depth)
        self._counters.pop()
        return Loop(counter, trips, span, body)

    def _call(self, callee: int) -> Call:
        arguments = (self._expression(1), self._expression(1))
        return Call(self._draws.below(_INTEGERS), callee, arguments)

    def _test(self) -> Test:
        if self._draws.one_in(6):
            left = self._draws.below(_REALS)
            return RealLess(left, (left + 1) % _REALS)
        return Compare(self._pick(_RELATIONS), self._expression(1), self._expression(1))

    def _expression(self, depth: int) -> Expression:
        if depth == 0 or self._draws.one_in(5):
            return self._leaf()
        kind = self._draws.below(12)
        if kind == 0:
            return Choice(self._test(), self._expression(depth - 1), self._expression(depth - 1))
        if kind == 1:
            return Element(self._expression(depth - 1))
        if kind < 4:
            amount = Constant(self._draws.between(1, 63))
            return Binary(self._pick(_SHIFTS), self._expression(depth - 1), amount)
        operator = self._pick(_OPERATORS)
        return Binary(operator, self._expression(depth - 1), self._expression(depth - 1))

    def _leaf(self) -> Expression:
        kind = self._draws.below(10)
        if kind < 2:
            return Constant(self._draws.below(1 << self._draws.between(1, 32)))
        if kind == 2:
            return Whole(self._draws.below(_REALS))
        if kind < 5 and self._counters:
            return Variable(self._counters[self._draws.below(len(self._counters))])
        return Variable(self._draws.below(_INTEGERS))

    def _pick(self, among: tuple[_Item, ...]) -> _Item:
        return among[self._draws.below(len(among))]
