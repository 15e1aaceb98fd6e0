"""Seeded synthetic programs for the compile workloads: a small language, a generator, a meaning.

A program is a tree of 64-bit unsigned integer expressions, array accesses, branches, loops, calls
and some double-precision arithmetic: what optimisers spend their time on. `workloads.programs_ir`
writes it as LLVM IR, `workloads.programs_c` as C; :class:`Evaluation` runs the tree itself, so
what the compiled program must answer is known without any compiler.

Integers wrap modulo 2^64. Reals stay in [0, 2^19], where every language converts them alike; they
are only multiplied, added and compared, which IEEE 754 defines to the last bit.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

MASK = 0xFFFFFFFFFFFFFFFF
#: Words of the array every function reads and writes; a power of two.
MEMORY_WORDS = 256
#: Multiplier and increment of the driver's congruential fill (Knuth, TAOCP 2, section 3.3.4).
FILL_MULTIPLIER = 6364136223846793005
FILL_INCREMENT = 1442695040888963407
#: The driver mixes each call's result into its total: rotate by this, then exclusive or.
TOTAL_ROTATION = 7


@dataclass(frozen=True)
class Constant:
    """A 64-bit number."""

    value: int


@dataclass(frozen=True)
class Variable:
    """Local integer number `index`; 0 and 1 are the function's arguments."""

    index: int


@dataclass(frozen=True)
class Element:
    """The memory word at `place` modulo the memory's size."""

    place: Expression


@dataclass(frozen=True)
class Whole:
    """Local real number `index`, cut to an integer."""

    index: int


@dataclass(frozen=True)
class Binary:
    """An operator of :data:`OPERATORS`; divisors get their lowest bit set, so never are zero."""

    operator: str
    left: Expression
    right: Expression


@dataclass(frozen=True)
class Choice:
    """`yes` where the test holds, else `no`."""

    test: Test
    yes: Expression
    no: Expression


Expression = Constant | Variable | Element | Whole | Binary | Choice


@dataclass(frozen=True)
class Compare:
    """`relation` is ``==``, ``!=``, ``<`` (unsigned) or ``s<`` (signed)."""

    relation: str
    left: Expression
    right: Expression


@dataclass(frozen=True)
class RealLess:
    """Whether one local real is less than another."""

    left: int
    right: int


Test = Compare | RealLess


@dataclass(frozen=True)
class Assign:
    """Local integer becomes the expression's value."""

    variable: int
    value: Expression


@dataclass(frozen=True)
class Store:
    """The memory word at `place` modulo the memory's size becomes `value`."""

    place: Expression
    value: Expression


@dataclass(frozen=True)
class Blend:
    """real = real * weight + (value modulo 2^16); weight is below 7/8, so reals stay bounded."""

    real: int
    weight: float
    value: Expression


@dataclass(frozen=True)
class Sweep:
    """The first `words` memory words each become word * factor + value: work for vectorisers."""

    words: int
    factor: int
    value: Expression


@dataclass(frozen=True)
class If:
    """Two-way branch."""

    test: Test
    then: Body
    otherwise: Body


@dataclass(frozen=True)
class Loop:
    """`body` runs (trips modulo `span`) + 2 times; local `counter` counts from 0."""

    counter: int
    trips: Expression
    span: int
    body: Body


@dataclass(frozen=True)
class Switch:
    """Case number (selector modulo the number of cases, a power of two)."""

    selector: Expression
    cases: tuple[Body, ...]


@dataclass(frozen=True)
class Call:
    """Local integer becomes the result of function `function` of the same unit."""

    variable: int
    function: int
    arguments: tuple[Expression, Expression]


Statement = Assign | Store | Blend | Sweep | If | Loop | Switch | Call
Body = tuple[Statement, ...]


@dataclass(frozen=True)
class Function:
    """``uint64 name(uint64, uint64, uint64 *memory)``; locals start at the given values."""

    name: str
    integers: tuple[int, ...]
    reals: tuple[float, ...]
    body: Body
    result: Expression
    #: Called from the driver; the others are private to their unit and open to inlining.
    entry: bool


@dataclass(frozen=True)
class Unit:
    """Functions that are compiled together; a function calls only functions before it."""

    name: str
    functions: tuple[Function, ...]

    def entries(self) -> tuple[Function, ...]:
        """The functions the driver calls."""
        return tuple(function for function in self.functions if function.entry)


def rotate_left(word: int, by: int) -> int:
    """`word` rotated left by 1 to 63 bits."""
    return (word << by | word >> 64 - by) & MASK


#: What each operator means; shifts and rotations have a constant of 1 to 63 on their right.
OPERATORS: Mapping[str, Callable[[int, int], int]] = {
    "+": lambda left, right: left + right & MASK,
    "-": lambda left, right: left - right & MASK,
    "*": lambda left, right: left * right & MASK,
    "&": lambda left, right: left & right,
    "|": lambda left, right: left | right,
    "^": lambda left, right: left ^ right,
    "<<": lambda left, right: left << right & MASK,
    ">>": lambda left, right: left >> right,
    "rotate": rotate_left,
    "/": lambda left, right: left // (right | 1),
    "%": lambda left, right: left % (right | 1),
}


def _signed(word: int) -> int:
    return word - (1 << 64) if word >> 63 else word


RELATIONS: Mapping[str, Callable[[int, int], bool]] = {
    "==": lambda left, right: left == right,
    "!=": lambda left, right: left != right,
    "<": lambda left, right: left < right,
    "s<": lambda left, right: _signed(left) < _signed(right),
}


def first_memory(seed: int) -> list[int]:
    """The memory as the driver fills it: a linear congruential sequence after `seed`."""
    words, state = [], seed & MASK
    for _ in range(MEMORY_WORDS):
        state = state * FILL_MULTIPLIER + FILL_INCREMENT & MASK
        words.append(state)
    return words


def run(units: tuple[Unit, ...], seed: int) -> int:
    """What the driver of `units` must answer: every entry called, results and memory mixed."""
    memory = first_memory(seed)
    total = seed & MASK
    for unit in units:
        for number, function in enumerate(unit.functions):
            if function.entry:
                answer = Evaluation(unit, function, (total, number), memory).answer()
                total = rotate_left(total, TOTAL_ROTATION) ^ answer
    for word in memory:
        total = rotate_left(total, TOTAL_ROTATION) ^ word
    return total


class Evaluation:
    """One call of one function, evaluated straight from the tree."""

    def __init__(
        self, unit: Unit, function: Function, arguments: tuple[int, int], memory: list[int]
    ) -> None:
        self._unit = unit
        self._function = function
        self._memory = memory
        self._integers = [*arguments, *function.integers]
        self._reals = list(function.reals)

    def answer(self) -> int:
        """Run the body, return the result."""
        self._run(self._function.body)
        return self._value(self._function.result)

    def _run(self, body: Body) -> None:
        for statement in body:
            self._do(statement)

    def _do(self, statement: Statement) -> None:
        match statement:
            case Assign(variable, value):
                self._integers[variable] = self._value(value)
            case Store(place, value):
                self._memory[self._value(place) % MEMORY_WORDS] = self._value(value)
            case Blend(real, weight, value):
                self._reals[real] = self._reals[real] * weight + float(self._value(value) & 0xFFFF)
            case Sweep():
                self._sweep(statement)
            case If(test, then, otherwise):
                self._run(then if self._holds(test) else otherwise)
            case Loop():
                self._loop(statement)
            case Switch(selector, cases):
                self._run(cases[self._value(selector) % len(cases)])
            case Call():
                self._integers[statement.variable] = self._call(statement)

    def _sweep(self, sweep: Sweep) -> None:
        value = self._value(sweep.value)
        for at in range(sweep.words):
            self._memory[at] = self._memory[at] * sweep.factor + value & MASK

    def _loop(self, loop: Loop) -> None:
        trips = self._value(loop.trips) % loop.span + 2
        for count in range(trips):
            self._integers[loop.counter] = count
            self._run(loop.body)
        self._integers[loop.counter] = trips

    def _call(self, call: Call) -> int:
        first, second = call.arguments
        arguments = (self._value(first), self._value(second))
        callee = self._unit.functions[call.function]
        return Evaluation(self._unit, callee, arguments, self._memory).answer()

    def _holds(self, test: Test) -> bool:
        if isinstance(test, RealLess):
            return self._reals[test.left] < self._reals[test.right]
        return RELATIONS[test.relation](self._value(test.left), self._value(test.right))

    def _value(self, expression: Expression) -> int:
        match expression:
            case Constant(value):
                return value
            case Variable(index):
                return self._integers[index]
            case Element(place):
                return self._memory[self._value(place) % MEMORY_WORDS]
            case Whole(index):
                return int(self._reals[index])
            case Binary(operator, left, right):
                return OPERATORS[operator](self._value(left), self._value(right))
            case Choice(test, yes, no):
                return self._value(yes if self._holds(test) else no)
