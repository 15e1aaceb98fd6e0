"""Synthetic programs as C11: a header, one source file a unit, and the driver with ``main``.

Unsigned arithmetic wraps (C11 6.2.5 paragraph 9) and no real overflows, so the program has no
undefined behaviour and one answer. Conversion to a signed type is left to the implementation
(C11 6.3.1.3); GCC and Clang document that they wrap. ``-ffp-contract=off`` keeps multiply and add
apart.
"""

from __future__ import annotations

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

HEADER_NAME = "program.h"
_SIGNATURE = "uint64_t {name}(uint64_t a0, uint64_t a1, uint64_t *memory)"


def header(units: tuple[Unit, ...]) -> str:
    """What the units share: types, the rotation, and the entries' declarations."""
    declared = [
        f"{_SIGNATURE.format(name=function.name)};\n"
        for unit in units
        for function in unit.entries()
    ]
    return (
        "#ifndef PROGRAM_H\n#define PROGRAM_H\n#include <stdint.h>\n"
        f"#define MEMORY_WORDS {programs.MEMORY_WORDS}\n"
        "static inline uint64_t rotate(uint64_t word, unsigned by)\n"
        "{\n  return word << by | word >> (64 - by);\n}\n"
        f"{''.join(declared)}#endif\n"
    )


def source(unit: Unit) -> str:
    """The C source of one unit."""
    functions = "\n".join(_FunctionText(unit, function).text() for function in unit.functions)
    return f'#include "{HEADER_NAME}"\n\n{functions}'


def driver(units: tuple[Unit, ...], seed: int) -> str:
    """`programs.run` in C: prints the answer for `seed` in hexadecimal."""
    calls = "".join(
        f"  total = rotate(total, {programs.TOTAL_ROTATION})"
        f" ^ {function.name}(total, {number}u, memory);\n"
        for unit in units
        for number, function in enumerate(unit.functions)
        if function.entry
    )
    return (
        f'#include <inttypes.h>\n#include <stdio.h>\n#include "{HEADER_NAME}"\n\n'
        "static uint64_t memory[MEMORY_WORDS];\n\nint main(void)\n{\n"
        f"  uint64_t state = {_number(seed)}, total = state;\n"
        "  for (int at = 0; at < MEMORY_WORDS; at++)\n"
        f"    memory[at] = state = state * {_number(programs.FILL_MULTIPLIER)}"
        f" + {_number(programs.FILL_INCREMENT)};\n"
        f"{calls}  for (int at = 0; at < MEMORY_WORDS; at++)\n"
        f"    total = rotate(total, {programs.TOTAL_ROTATION}) ^ memory[at];\n"
        '  printf("0x%016" PRIx64 "\\n", total);\n  return 0;\n}\n'
    )


def _number(value: int) -> str:
    return f"UINT64_C({value})"


class _FunctionText:
    """The text of one function, built line by line."""

    def __init__(self, unit: Unit, function: Function) -> None:
        self._unit = unit
        self._function = function
        self._lines: list[str] = []
        self._indent = 1
        self._names = 0

    def text(self) -> str:
        function = self._function
        linkage = "" if function.entry else "static "
        for index, start in enumerate(["a0", "a1", *map(_number, function.integers)]):
            self._line(f"uint64_t v{index} = {start};")
        for index, real in enumerate(function.reals):
            self._line(f"double r{index} = {real!r};")
        self._run(function.body)
        self._line(f"return {self._value(function.result)};")
        head = linkage + _SIGNATURE.format(name=function.name)
        return "\n".join([head, "{", *self._lines, "}"]) + "\n"

    def _line(self, text: str) -> None:
        self._lines.append("  " * self._indent + text)

    def _new(self) -> str:
        self._names += 1
        return f"t{self._names}"

    def _run(self, body: Body) -> None:
        for statement in body:
            self._do(statement)

    def _block(self, head: str | None, body: Body, tail: str = "}") -> None:
        """`head` opens the braces (None: they are open), `tail` closes them."""
        if head is not None:
            self._line(head)
        self._indent += 1
        self._run(body)
        self._indent -= 1
        self._line(tail)

    def _do(self, statement: Statement) -> None:
        match statement:
            case Assign(variable, value):
                self._line(f"v{variable} = {self._value(value)};")
            case Store(place, value):
                # The place first, as everywhere: both sides are free of side effects.
                self._line(f"memory[{self._place(place)}] = {self._value(value)};")
            case Blend(real, weight, value):
                added = f"(double)({self._value(value)} & 65535u)"
                self._line(f"r{real} = r{real} * {weight!r} + {added};")
            case Sweep():
                self._sweep(statement)
            case If(test, then, otherwise):
                self._block(f"if ({self._holds(test)}) {{", then, "} else {")
                self._block(None, otherwise)
            case Loop():
                self._loop(statement)
            case Switch():
                self._switch(statement)
            case Call(variable, function, (first, second)):
                callee = self._unit.functions[function].name
                arguments = f"{self._value(first)}, {self._value(second)}, memory"
                self._line(f"v{variable} = {callee}({arguments});")

    def _sweep(self, sweep: Sweep) -> None:
        value = self._new()
        self._line(f"const uint64_t {value} = {self._value(sweep.value)};")
        self._line(f"for (int at = 0; at < {sweep.words}; at++)")
        self._line(f"  memory[at] = memory[at] * {_number(sweep.factor)} + {value};")

    def _loop(self, loop: Loop) -> None:
        trips, counter = self._new(), f"v{loop.counter}"
        self._line(f"const uint64_t {trips} = {self._value(loop.trips)} % {loop.span} + 2;")
        self._block(f"for ({counter} = 0; {counter} < {trips}; {counter}++) {{", loop.body)

    def _switch(self, switch: Switch) -> None:
        self._line(f"switch ({self._value(switch.selector)} % {len(switch.cases)}) {{")
        for case, body in enumerate(switch.cases):
            label = f"case {case}: {{" if case else "default: {"
            self._block(label, body, "} break;")
        self._line("}")

    def _place(self, place: Expression) -> str:
        return f"{self._value(place)} % MEMORY_WORDS"

    def _value(self, expression: Expression) -> str:
        match expression:
            case Constant(value):
                return _number(value)
            case Variable(index):
                return f"v{index}"
            case Element(place):
                return f"memory[{self._place(place)}]"
            case Whole(index):
                return f"(uint64_t)r{index}"
            case Binary():
                return self._binary(expression)
            case Choice(test, yes, no):
                return f"({self._holds(test)} ? {self._value(yes)} : {self._value(no)})"

    def _binary(self, binary: Binary) -> str:
        left, right = self._value(binary.left), self._value(binary.right)
        if binary.operator == "rotate":
            return f"rotate({left}, {right})"
        if binary.operator in "/%":
            right = f"({right} | 1)"
        return f"({left} {binary.operator} {right})"

    def _holds(self, test: Test) -> str:
        if isinstance(test, RealLess):
            return f"r{test.left} < r{test.right}"
        left, right = self._value(test.left), self._value(test.right)
        if test.relation == "s<":
            return f"(int64_t){left} < (int64_t){right}"
        return f"{left} {test.relation} {right}"
