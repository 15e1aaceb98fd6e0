"""The measured clock: the chains compute what they claim, and agree with one another.

No ground truth of the clock exists on a machine that hides it. What can be tried: the machine
code computes the chain's definition, the time is proportional to the chain's length, and two
chains of different instructions measure the same clock.
"""

from __future__ import annotations

import platform
from dataclasses import replace

import pytest

from harness.errors import BrokenEnvironment
from harness.sensors import clock_probe
from harness.sensors.clock_probe import (
    ADD_XOR,
    RELATIVE,
    XORSHIFT,
    Chain,
    CompiledChain,
    add_xor,
    chain_for_this_machine,
    compile_chain,
    measure_clock,
    measure_clock_hz,
    xorshift,
)

_ON_X86 = platform.machine().lower() in ("x86_64", "amd64")
_SEED = 88_172_645_463_325_252


def _chains_here() -> list[Chain]:
    return [ADD_XOR, *([XORSHIFT] if chain_for_this_machine() is XORSHIFT else [])]


def test_xorshift_is_the_published_generator() -> None:
    """The first value of xorshift64 (13, 7, 17) from the seed its author uses (Marsaglia 2003)."""
    assert xorshift(_SEED) == 8_748_534_153_485_358_512


def test_both_chains_are_reversible_so_that_no_compiler_can_shorten_them() -> None:
    words = [(_SEED * factor) % 2**64 for factor in range(1, 2000)]
    for step in (xorshift, add_xor):
        assert len({step(word) for word in words}) == len(words)


@pytest.mark.parametrize("chain", _chains_here(), ids=lambda it: it.name)
def test_the_machine_code_computes_its_definition(chain: Chain) -> None:
    compiled = compile_chain(chain)
    expected = _SEED
    for _ in range(8 * 25):
        expected = chain.reference(expected)
    assert compiled.run(_SEED, 25) == expected


def test_a_chain_that_computes_something_else_is_refused() -> None:
    wrong = replace(ADD_XOR, reference=xorshift)
    with pytest.raises(BrokenEnvironment, match="computes wrongly"):
        compile_chain(wrong)


def test_two_chains_of_different_instructions_measure_the_same_clock() -> None:
    """Both must call themselves absolute; the best of many tries leaves neighbours out."""
    if not _ON_X86 or chain_for_this_machine() is not XORSHIFT:
        pytest.skip("only one absolute chain exists for this processor")
    first, second = compile_chain(XORSHIFT), compile_chain(ADD_XOR)
    pairs = [(first.measure(200_000).hz, second.measure(200_000).hz) for _ in range(40)]
    best = [max(column) for column in zip(*pairs, strict=True)]
    assert best[0] == pytest.approx(best[1], rel=0.05)


class Metronome:
    """A chain that takes an exact time: a call costs 700 ns, a cycle a third of one."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, disturbed: int = -1) -> None:
        self.now_ns = 0.0
        self.calls = 0
        self.disturbed = disturbed
        monkeypatch.setattr(clock_probe, "perf_ns", lambda: round(self.now_ns))

    def run(self, start: int, rounds: int) -> int:
        self.now_ns += 700 + rounds * 48 / 3.0
        if self.calls == self.disturbed:
            self.now_ns += 5_000_000
        self.calls += 1
        return 0


@pytest.mark.parametrize("disturbed", [-1, 0, 2])
def test_the_call_itself_cancels_and_an_interruption_does_not_count(
    monkeypatch: pytest.MonkeyPatch, disturbed: int
) -> None:
    metronome = Metronome(monkeypatch, disturbed)
    measured = CompiledChain(XORSHIFT, metronome.run, None).measure(400_000)
    assert measured.hz == pytest.approx(3e9, rel=1e-4)
    assert measured.absolute


def test_a_disturbance_shows_in_the_spread(monkeypatch: pytest.MonkeyPatch) -> None:
    metronome = Metronome(monkeypatch)

    def run(start: int, rounds: int) -> int:
        metronome.run(start, rounds)
        metronome.now_ns += metronome.calls * 20_000
        return 0

    assert CompiledChain(XORSHIFT, run, None).measure(400_000).spread > 0.1


def test_a_clock_is_measured_here_in_a_possible_range() -> None:
    measured = measure_clock()
    assert measured.absolute == chain_for_this_machine().absolute
    if measured.absolute:
        assert 2e8 < measured.hz < 1e10
        hz = measure_clock_hz()
        assert hz is not None
        assert hz == pytest.approx(measured.hz, rel=0.9)


def test_where_cycles_are_unknown_no_number_in_hertz_is_given(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    relative = compile_chain(RELATIVE)
    monkeypatch.setattr(clock_probe, "_probe", lambda: relative)
    assert measure_clock_hz() is None
    assert not measure_clock().absolute


@pytest.mark.parametrize(
    ("machine", "chain"),
    [
        ("aarch64", ADD_XOR),
        ("arm64", ADD_XOR),
        ("riscv64", RELATIVE),
        ("ppc64le", RELATIVE),
    ],
)
def test_the_chain_follows_the_processor(
    monkeypatch: pytest.MonkeyPatch, machine: str, chain: Chain
) -> None:
    monkeypatch.setattr(platform, "machine", lambda: machine)
    assert chain_for_this_machine() is chain


@pytest.mark.parametrize(
    ("triple", "mnemonics"),
    [
        ("aarch64-unknown-linux-gnu", ("add\tx", "eor\tx")),
        ("x86_64-unknown-linux-gnu", ("addq\t%", "xorq\t%")),
        ("riscv64-unknown-linux-gnu", ("add\ta", "xor\ta")),
    ],
)
def test_the_compiler_leaves_the_chain_as_long_as_it_is(
    triple: str, mnemonics: tuple[str, str]
) -> None:
    """What cannot run here can still be translated: each round keeps all its operations."""
    import llvmlite.binding as llvm

    llvm.initialize_all_targets()
    llvm.initialize_all_asmprinters()
    features = "+m,+c" if triple.startswith("riscv") else ""
    machine = llvm.Target.from_triple(triple).create_target_machine(features=features, opt=2)
    module = llvm.parse_assembly(ADD_XOR.module)
    module.triple, module.data_layout = triple, str(machine.target_data)
    text = machine.emit_assembly(module)
    assert [text.count(mnemonic) for mnemonic in mnemonics] == [24, 24]


def test_a_round_of_the_xorshift_chain_holds_eight_steps_of_six_operations() -> None:
    code = XORSHIFT.module
    assert (code.count("shlx"), code.count("shrx"), code.count("xor %r8, %rax")) == (16, 8, 24)
