"""Synthetic programs as LLVM IR, written the way a front end does: every local on the stack.

Turning those stack slots into registers, inlining the private functions, simplifying, hoisting and
vectorising is then the optimiser's work. Syntax: LLVM Language Reference Manual (opaque pointers,
so LLVM 15 or newer).
"""

from __future__ import annotations

from collections.abc import Callable

from workloads import programs
from workloads.programs import (
    Assign,
    Binary,
    Blend,
    Body,
    Call,
    Choice,
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

#: Name of the driver: ``uint64 rigproof_run(uint64 seed)``.
DRIVER = "rigproof_run"

_INSTRUCTIONS = {
    "+": "add",
    "-": "sub",
    "*": "mul",
    "&": "and",
    "|": "or",
    "^": "xor",
    "<<": "shl",
    ">>": "lshr",
    "/": "udiv",
    "%": "urem",
}
_PREDICATES = {"==": "eq", "!=": "ne", "<": "ult", "s<": "slt"}


def module(units: tuple[Unit, ...]) -> str:
    """The IR of all units and their driver; no triple, so the compiler's target decides."""
    texts = [
        "declare i64 @llvm.fshl.i64(i64, i64, i64)\n",
        f"@memory = internal global [{programs.MEMORY_WORDS} x i64] zeroinitializer\n",
    ]
    for unit in units:
        texts += [_FunctionText(unit, function).text() for function in unit.functions]
    texts.append(_driver(units))
    return "\n".join(texts)


class _FunctionText:
    """The text of one function, built line by line."""

    def __init__(self, unit: Unit, function: Function) -> None:
        self._unit = unit
        self._function = function
        self._lines: list[str] = []
        self._names = 0
        self._block = "entry"

    def text(self) -> str:
        linkage = "" if self._function.entry else "internal "
        head = f"define {linkage}i64 @{self._function.name}(i64 %a0, i64 %a1, ptr %memory) {{"
        self._locals()
        self._run(self._function.body)
        self._line(f"ret i64 {self._value(self._function.result)}")
        return "\n".join([head, "entry:", *self._lines, "}"]) + "\n"

    def _locals(self) -> None:
        integers = ["%a0", "%a1", *map(str, self._function.integers)]
        for index, start in enumerate(integers):
            self._line(f"%v{index} = alloca i64")
            self._line(f"store i64 {start}, ptr %v{index}")
        for index, real in enumerate(self._function.reals):
            self._line(f"%r{index} = alloca double")
            self._line(f"store double {real:.6e}, ptr %r{index}")

    def _line(self, text: str) -> None:
        self._lines.append(f"  {text}")

    def _new(self, text: str) -> str:
        """A line that defines a new name; returns the name."""
        self._names += 1
        self._line(f"%t{self._names} = {text}")
        return f"%t{self._names}"

    def _label(self) -> str:
        self._names += 1
        return f"l{self._names}"

    def _start(self, label: str) -> None:
        self._lines.append(f"{label}:")
        self._block = label

    def _jump(self, label: str) -> None:
        self._line(f"br label %{label}")

    def _fork(self, test: str, yes: str, no: str) -> None:
        self._line(f"br i1 {test}, label %{yes}, label %{no}")

    def _run(self, body: Body) -> None:
        for statement in body:
            self._do(statement)

    def _do(self, statement: Statement) -> None:
        match statement:
            case Assign(variable, value):
                self._line(f"store i64 {self._value(value)}, ptr %v{variable}")
            case Store(place, value):
                address = self._address(place)
                self._line(f"store i64 {self._value(value)}, ptr {address}")
            case Blend():
                self._blend(statement)
            case Sweep():
                self._sweep(statement)
            case If():
                self._if(statement)
            case Loop():
                self._loop(statement)
            case Switch():
                self._switch(statement)
            case Call():
                self._call(statement)

    def _blend(self, blend: Blend) -> None:
        low = self._new(f"and i64 {self._value(blend.value)}, 65535")
        added = self._new(f"uitofp i64 {low} to double")
        old = self._new(f"load double, ptr %r{blend.real}")
        scaled = self._new(f"fmul double {old}, {blend.weight:.6e}")
        total = self._new(f"fadd double {scaled}, {added}")
        self._line(f"store double {total}, ptr %r{blend.real}")

    def _sweep(self, sweep: Sweep) -> None:
        value = self._value(sweep.value)
        head, body, after, before = self._label(), self._label(), self._label(), self._block
        self._jump(head)
        self._start(head)
        at = self._new(f"phi i64 [ 0, %{before} ], [ %{body}.next, %{body} ]")
        self._fork(self._new(f"icmp ult i64 {at}, {sweep.words}"), body, after)
        self._start(body)
        word = self._new(f"getelementptr inbounds i64, ptr %memory, i64 {at}")
        product = self._new(f"mul i64 {self._new(f'load i64, ptr {word}')}, {sweep.factor}")
        self._line(f"store i64 {self._new(f'add i64 {product}, {value}')}, ptr {word}")
        self._line(f"%{body}.next = add i64 {at}, 1")
        self._jump(head)
        self._start(after)

    def _if(self, statement: If) -> None:
        then, otherwise, after = self._label(), self._label(), self._label()
        self._fork(self._holds(statement.test), then, otherwise)
        for label, body in ((then, statement.then), (otherwise, statement.otherwise)):
            self._start(label)
            self._run(body)
            self._jump(after)
        self._start(after)

    def _loop(self, loop: Loop) -> None:
        head, body, after = self._label(), self._label(), self._label()
        trips = self._new(f"urem i64 {self._value(loop.trips)}, {loop.span}")
        trips = self._new(f"add i64 {trips}, 2")
        self._line(f"store i64 0, ptr %v{loop.counter}")
        self._jump(head)
        self._start(head)
        count = self._new(f"load i64, ptr %v{loop.counter}")
        self._fork(self._new(f"icmp ult i64 {count}, {trips}"), body, after)
        self._start(body)
        self._run(loop.body)
        count = self._new(f"load i64, ptr %v{loop.counter}")
        self._line(f"store i64 {self._new(f'add i64 {count}, 1')}, ptr %v{loop.counter}")
        self._jump(head)
        self._start(after)

    def _switch(self, switch: Switch) -> None:
        selector = self._new(f"urem i64 {self._value(switch.selector)}, {len(switch.cases)}")
        labels = [self._label() for _ in switch.cases]
        after = self._label()
        arms = " ".join(f"i64 {case}, label %{label}" for case, label in enumerate(labels))
        self._line(f"switch i64 {selector}, label %{labels[0]} [{arms}]")
        for label, body in zip(labels, switch.cases, strict=True):
            self._start(label)
            self._run(body)
            self._jump(after)
        self._start(after)

    def _call(self, call: Call) -> None:
        first, second = (self._value(argument) for argument in call.arguments)
        callee = self._unit.functions[call.function].name
        answer = self._new(f"call i64 @{callee}(i64 {first}, i64 {second}, ptr %memory)")
        self._line(f"store i64 {answer}, ptr %v{call.variable}")

    def _address(self, place: Expression) -> str:
        index = self._new(f"urem i64 {self._value(place)}, {programs.MEMORY_WORDS}")
        return self._new(f"getelementptr inbounds i64, ptr %memory, i64 {index}")

    def _value(self, expression: Expression) -> str:
        match expression:
            case Constant(value):
                return str(value)
            case Variable(index):
                return self._new(f"load i64, ptr %v{index}")
            case Element(place):
                return self._new(f"load i64, ptr {self._address(place)}")
            case Whole(index):
                real = self._new(f"load double, ptr %r{index}")
                return self._new(f"fptoui double {real} to i64")
            case Binary():
                return self._binary(expression)
            case Choice():
                return self._choice(expression)

    def _binary(self, binary: Binary) -> str:
        left, right = self._value(binary.left), self._value(binary.right)
        if binary.operator == "rotate":
            return self._new(f"call i64 @llvm.fshl.i64(i64 {left}, i64 {left}, i64 {right})")
        if binary.operator in "/%":
            right = self._new(f"or i64 {right}, 1")
        return self._new(f"{_INSTRUCTIONS[binary.operator]} i64 {left}, {right}")

    def _choice(self, choice: Choice) -> str:
        yes, no, after = self._label(), self._label(), self._label()
        self._fork(self._holds(choice.test), yes, no)
        found = []
        for label, value in ((yes, choice.yes), (no, choice.no)):
            self._start(label)
            found.append(f"[ {self._value(value)}, %{self._block} ]")
            self._jump(after)
        self._start(after)
        return self._new(f"phi i64 {', '.join(found)}")

    def _holds(self, test: Test) -> str:
        if isinstance(test, RealLess):
            left = self._new(f"load double, ptr %r{test.left}")
            right = self._new(f"load double, ptr %r{test.right}")
            return self._new(f"fcmp olt double {left}, {right}")
        left, right = self._value(test.left), self._value(test.right)
        return self._new(f"icmp {_PREDICATES[test.relation]} i64 {left}, {right}")


def _driver(units: tuple[Unit, ...]) -> str:
    """Fill the memory, call every entry, mix the memory in: `programs.run` in IR."""
    lines = [f"define i64 @{DRIVER}(i64 %seed) {{", "entry:"]
    total = "%seed"
    lines += _sweep("fill", total, "entry", _fill_step)
    calls = 0
    for unit in units:
        for number, function in enumerate(unit.functions):
            if function.entry:
                call = f"@{function.name}(i64 {total}, i64 {number}, ptr @memory)"
                lines.append(f"  %answer{calls} = call i64 {call}")
                lines += _mix(f"{calls}", total, f"%answer{calls}")
                total, calls = f"%total{calls}", calls + 1
    lines += _sweep("mix", total, "fill.after", _mix_step)
    return "\n".join([*lines, "  ret i64 %mix.state", "}"]) + "\n"


def _sweep(
    name: str, start: str, before: str, step: Callable[[str, str, str], list[str]]
) -> list[str]:
    """A loop over the memory that carries one word of state, %`name`.state afterwards."""
    last = programs.MEMORY_WORDS
    return [
        f"  br label %{name}.head",
        f"{name}.head:",
        f"  %{name}.at = phi i64 [ 0, %{before} ], [ %{name}.next, %{name}.body ]",
        f"  %{name}.state = phi i64 [ {start}, %{before} ], [ %{name}.new, %{name}.body ]",
        f"  %{name}.more = icmp ult i64 %{name}.at, {last}",
        f"  br i1 %{name}.more, label %{name}.body, label %{name}.after",
        f"{name}.body:",
        f"  %{name}.word = getelementptr inbounds i64, ptr @memory, i64 %{name}.at",
        *step(f"%{name}.state", f"%{name}.word", f"%{name}.new"),
        f"  %{name}.next = add i64 %{name}.at, 1",
        f"  br label %{name}.head",
        f"{name}.after:",
    ]


def _fill_step(state: str, word: str, new: str) -> list[str]:
    return [
        f"  %fill.product = mul i64 {state}, {programs.FILL_MULTIPLIER}",
        f"  {new} = add i64 %fill.product, {programs.FILL_INCREMENT}",
        f"  store i64 {new}, ptr {word}",
    ]


def _mix_step(state: str, word: str, new: str) -> list[str]:
    rotated = f"call i64 @llvm.fshl.i64(i64 {state}, i64 {state}, i64 {programs.TOTAL_ROTATION})"
    return [
        f"  %mix.value = load i64, ptr {word}",
        f"  %mix.rotated = {rotated}",
        f"  {new} = xor i64 %mix.rotated, %mix.value",
    ]


def _mix(name: str, total: str, answer: str) -> list[str]:
    rotated = f"call i64 @llvm.fshl.i64(i64 {total}, i64 {total}, i64 {programs.TOTAL_ROTATION})"
    return [f"  %rotated{name} = {rotated}", f"  %total{name} = xor i64 %rotated{name}, {answer}"]
