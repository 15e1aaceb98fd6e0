"""The core's true clock, measured anywhere: a chain of operations of known length in cycles.

Every operation needs the result of the one before, so the chain takes as many cycles as it has
operations, whatever else the core could do beside it.

* x86-64 with BMI2: xorshift64 (G. Marsaglia, "Xorshift RNGs", Journal of Statistical Software 8
  (14), 2003) as three pairs of SHLX or SHRX and XOR, six one-cycle operations (A. Fog,
  "Instruction tables", from memory). It is written as machine code, through llvmlite, because a
  compiler would copy a register for each shift, which some processors do for nothing and others
  do not.
* other x86-64, and AArch64: three pairs of ADD and XOR of registers, one cycle each (A. Fog; Arm's
  software optimisation guides; both from memory). The operands are hidden from the compiler, so
  that it has no choice.
* elsewhere: the same pairs, whose cycles are unknown here: a relative clock.

What interrupts a measurement only lengthens it, so the shortest of several counts; the time of
the call itself cancels in the difference of a long and a short run. Proven only against itself
(two chains that agree): the machines this was written on give no counted clock to compare with.
"""

from __future__ import annotations

import ctypes
import platform
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

from harness.clock import NS_PER_SECOND, perf_ns
from harness.errors import BrokenEnvironment

_WORD = (1 << 64) - 1
_SEED = 88_172_645_463_325_252
_UNROLLED = 8
_OPERATIONS = 6
_WINDOWS = 4
#: The short run is this part of the long one.
_SHORT_PART = 5

_ADDEND = 0x9E37
_MASK = 0x7F4B

_XORSHIFT_STEP = """shlx %r9, %rax, %r8
xor %r8, %rax
shrx %r10, %rax, %r8
xor %r8, %rax
shlx %r11, %rax, %r8
xor %r8, %rax
"""
_XORSHIFT_CODE = f"""mov $$13, %r9d
mov $$7, %r10d
mov $$17, %r11d
1:
{_XORSHIFT_STEP * _UNROLLED}sub $$1, $1
jnz 1b""".replace("\n", "\\0A\\09")
_XORSHIFT_MODULE = f"""define i64 @chain(i64 %start, i64 %rounds) {{
  %both = call {{i64, i64}} asm sideeffect "{_XORSHIFT_CODE}",
      "={{rax}},={{rcx}},0,1,~{{r8}},~{{r9}},~{{r10}},~{{r11}},~{{flags}}"(i64 %start, i64 %rounds)
  %end = extractvalue {{i64, i64}} %both, 0
  ret i64 %end
}}
"""


def _add_xor_module() -> str:
    pairs = 3 * _UNROLLED
    steps = [
        f"  %a{it} = add i64 %x{it}, %addend\n  %x{it + 1} = xor i64 %a{it}, %mask"
        for it in range(pairs)
    ]
    return "\n".join(
        [
            f"@addend = internal global i64 {_ADDEND}",
            f"@mask = internal global i64 {_MASK}",
            "define i64 @chain(i64 %start, i64 %rounds) {",
            "entry:",
            "  %addend = load volatile i64, ptr @addend",
            "  %mask = load volatile i64, ptr @mask",
            "  br label %loop",
            "loop:",
            f"  %x0 = phi i64 [%start, %entry], [%x{pairs}, %loop]",
            "  %left = phi i64 [%rounds, %entry], [%less, %loop]",
            *steps,
            "  %less = sub i64 %left, 1",
            "  %done = icmp eq i64 %less, 0",
            "  br i1 %done, label %out, label %loop",
            "out:",
            f"  ret i64 %x{pairs}",
            "}",
        ]
    )


@dataclass(frozen=True)
class Chain:
    """One chain. `module` is LLVM assembly of ``chain(start, rounds)``; a round is eight steps.

    `absolute` says that its operations are known to take one cycle each; `reference` is one step
    in Python.
    """

    name: str
    absolute: bool
    module: str
    reference: Callable[[int], int]


def xorshift(word: int) -> int:
    """One step of xorshift64 with the shifts 13, 7, 17."""
    word ^= (word << 13) & _WORD
    word ^= word >> 7
    return word ^ ((word << 17) & _WORD)


def add_xor(word: int) -> int:
    """One step of the other chain: three times add, then exclusive or."""
    for _ in range(3):
        word = ((word + _ADDEND) & _WORD) ^ _MASK
    return word


XORSHIFT = Chain("xorshift64", True, _XORSHIFT_MODULE, xorshift)
ADD_XOR = Chain("add and xor", True, _add_xor_module(), add_xor)
#: The same chain where nobody here knows its cycles.
RELATIVE = replace(ADD_XOR, name="add and xor, cycles unknown", absolute=False)


@dataclass(frozen=True)
class ClockMeasurement:
    """A core's clock. `absolute` False: cycles per step are unknown, only ratios mean something.

    `spread` is how far the second shortest of the windows lies above the shortest, as a share:
    large when something else ran on the core.
    """

    hz: float
    absolute: bool
    method: str
    spread: float


@dataclass(frozen=True)
class CompiledChain:
    """A chain ready to run; `run(start, rounds)` lets other threads of the process work."""

    chain: Chain
    run: Callable[[int, int], int]
    #: Owns the machine code.
    engine: object

    def measure(self, cycles: int) -> ClockMeasurement:
        """The clock over `cycles` cycles in all, on the CPU the thread is on."""
        per_round = _UNROLLED * _OPERATIONS
        rounds = max(cycles // (_WINDOWS * per_round), 2 * _SHORT_PART)
        short = rounds // _SHORT_PART
        long_ns = sorted(self._time(rounds) for _ in range(_WINDOWS))
        short_ns = min(self._time(short) for _ in range(_WINDOWS))
        elapsed = max(long_ns[0] - short_ns, 1)
        hz = (rounds - short) * per_round * NS_PER_SECOND / elapsed
        spread = (long_ns[1] - long_ns[0]) / long_ns[0]
        return ClockMeasurement(hz, self.chain.absolute, self.chain.name, spread)

    def _time(self, rounds: int) -> int:
        began = perf_ns()
        self.run(_SEED, rounds)
        return perf_ns() - began


def compile_chain(chain: Chain) -> CompiledChain:
    """Translate a chain and check it against its definition. Raises BrokenEnvironment."""
    import llvmlite.binding as llvm

    _start_llvm()
    try:
        module = llvm.parse_assembly(chain.module)
        machine = llvm.Target.from_default_triple().create_target_machine(
            features=llvm.get_host_cpu_features().flatten(), opt=2
        )
        engine = llvm.create_mcjit_compiler(module, machine)
        engine.finalize_object()
    except RuntimeError as error:
        raise BrokenEnvironment(f"the clock probe cannot be compiled: {error}") from error
    kind = ctypes.CFUNCTYPE(ctypes.c_uint64, ctypes.c_uint64, ctypes.c_uint64)
    compiled = CompiledChain(chain, kind(engine.get_function_address("chain")), engine)
    _check(compiled)
    return compiled


def _check(compiled: CompiledChain) -> None:
    expected = _SEED
    for _ in range(2 * _UNROLLED):
        expected = compiled.chain.reference(expected)
    if compiled.run(_SEED, 2) != expected:
        raise BrokenEnvironment(f"the clock probe's chain '{compiled.chain.name}' computes wrongly")


def _start_llvm() -> None:
    import llvmlite.binding as llvm

    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    llvm.initialize_native_asmparser()


def chain_for_this_machine() -> Chain:
    """The best chain for the processor at hand."""
    machine = platform.machine().lower()
    if machine in ("aarch64", "arm64"):
        return ADD_XOR
    if machine not in ("x86_64", "amd64"):
        return RELATIVE
    import llvmlite.binding as llvm

    return XORSHIFT if llvm.get_host_cpu_features().get("bmi2") else ADD_XOR


@lru_cache(maxsize=1)
def _probe() -> CompiledChain:
    return compile_chain(chain_for_this_machine())


def warm_up() -> None:
    """Compile the chain, so that the first measurement takes no longer than the others."""
    _probe()


def measure_clock(cycles_hint: int = 400_000) -> ClockMeasurement:
    """The clock of the CPU that the calling thread is pinned to, over about `cycles_hint` cycles.

    Takes about a tenth of a millisecond by default. Raises BrokenEnvironment.
    """
    return _probe().measure(cycles_hint)


def measure_clock_hz(cycles_hint: int = 400_000) -> float | None:
    """The clock in hertz, or None where only a relative clock can be had. See `measure_clock`."""
    measured = measure_clock(cycles_hint)
    return measured.hz if measured.absolute else None
