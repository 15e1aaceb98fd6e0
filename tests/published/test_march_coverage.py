"""March tests find the faults they are published to find.

Oracle: van de Goor (1991), "Testing Semiconductor Memories", and van de Goor (1993), "Using march
tests to test SRAMs", IEEE Design & Test 10(1):8-14. Published coverage:

    MATS+      SAF, AF
    MATS++     SAF, AF, TF
    March X    SAF, AF, TF, CFin
    March Y    SAF, AF, TF, CFin
    March C-   SAF, AF, TF, CFin, CFid, CFst

Every single fault of these kinds among three one-bit cells is simulated, from each initial content;
a fault counts as found when the test finds it whatever the content was. The sequences of the
memory-march workload are read from the workload itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import permutations, product

import pytest

from workloads.march import SEQUENCES, Element, parse

CELLS = 3
OTHER_SEQUENCES = {
    "mats-plus-plus": "{any(w0); up(r0,w1); down(r1,w0,r0)}",
    "march-y": "{any(w0); up(r0,w1,r1); down(r1,w0,r0); any(r0)}",
}
ALL = {**SEQUENCES, **OTHER_SEQUENCES}

PUBLISHED = {
    "mats-plus": ("SAF", "AF"),
    "mats-plus-plus": ("SAF", "AF", "TF"),
    "march-x": ("SAF", "AF", "TF", "CFin"),
    "march-y": ("SAF", "AF", "TF", "CFin"),
    "march-c-minus": ("SAF", "AF", "TF", "CFin", "CFid", "CFst"),
}
LENGTHS = {
    "mats-plus": 5,
    "mats-plus-plus": 6,
    "march-x": 6,
    "march-y": 8,
    "march-c-minus": 10,
}


class Memory:
    """Three healthy cells; faults override what happens at an access."""

    def __init__(self, content: tuple[int, ...]) -> None:
        self.cells = list(content)

    def write(self, address: int, value: int) -> None:
        self.store(address, value)

    def read(self, address: int) -> int:
        return self.cells[address]

    def store(self, cell: int, value: int) -> None:
        self.cells[cell] = value


class StuckAt(Memory):
    def __init__(self, content: tuple[int, ...], cell: int, value: int) -> None:
        super().__init__(content)
        self.cell, self.value = cell, value
        self.cells[cell] = value

    def store(self, cell: int, value: int) -> None:
        super().store(cell, self.value if cell == self.cell else value)


class NoTransition(Memory):
    """A cell that cannot change to `value`."""

    def __init__(self, content: tuple[int, ...], cell: int, value: int) -> None:
        super().__init__(content)
        self.cell, self.value = cell, value

    def store(self, cell: int, value: int) -> None:
        if not (cell == self.cell and value == self.value):
            super().store(cell, value)


class NoCell(Memory):
    """An address that reaches no cell; it reads as `floating`."""

    def __init__(self, content: tuple[int, ...], address: int, floating: int) -> None:
        super().__init__(content)
        self.address, self.floating = address, floating

    def write(self, address: int, value: int) -> None:
        if address != self.address:
            super().write(address, value)

    def read(self, address: int) -> int:
        return self.floating if address == self.address else super().read(address)


class WrongCell(Memory):
    """An address that reaches another's cell instead of its own."""

    def __init__(self, content: tuple[int, ...], address: int, cell: int) -> None:
        super().__init__(content)
        self.map = {address: cell}

    def write(self, address: int, value: int) -> None:
        super().write(self.map.get(address, address), value)

    def read(self, address: int) -> int:
        return super().read(self.map.get(address, address))


class TwoCells(Memory):
    """An address that reaches another's cell too; a read gives the AND or the OR of both."""

    def __init__(self, content: tuple[int, ...], address: int, cell: int, gate: int) -> None:
        super().__init__(content)
        self.address, self.cell, self.either = address, cell, bool(gate)

    def write(self, address: int, value: int) -> None:
        super().write(address, value)
        if address == self.address:
            super().write(self.cell, value)

    def read(self, address: int) -> int:
        own = super().read(address)
        if address != self.address:
            return own
        other = super().read(self.cell)
        return own | other if self.either else own & other


class Coupling(Memory):
    """Base: `aggressor` acts on `victim` when it changes to `cause`."""

    def __init__(
        self, content: tuple[int, ...], aggressor: int, victim: int, cause: int, effect: int = 0
    ) -> None:
        super().__init__(content)
        self.aggressor, self.victim, self.cause, self.effect = aggressor, victim, cause, effect

    def store(self, cell: int, value: int) -> None:
        changes = self.cells[cell] != value
        super().store(cell, value)
        if cell == self.aggressor and changes and value == self.cause:
            self.cells[self.victim] = self.forced()

    def forced(self) -> int:
        return self.effect


class Inversion(Coupling):
    def forced(self) -> int:
        return 1 - self.cells[self.victim]


class StateCoupling(Coupling):
    """The victim is forced to `effect` for as long as the aggressor holds `cause`."""

    def store(self, cell: int, value: int) -> None:
        self.cells[cell] = value
        if self.cells[self.aggressor] == self.cause:
            self.cells[self.victim] = self.effect


@dataclass(frozen=True)
class Fault:
    kind: type[Memory]
    arguments: tuple[int, ...]

    def memory(self, content: tuple[int, ...]) -> Memory:
        return self.kind(content, *self.arguments)


def faults(model: str) -> list[Fault]:
    each = [(cell, value) for cell in range(CELLS) for value in (0, 1)]
    pairs = list(permutations(range(CELLS), 2))
    with_bit = [(*pair, bit) for pair in pairs for bit in (0, 1)]
    with_bits = [(*pair, *bits) for pair in pairs for bits in product((0, 1), repeat=2)]
    kinds: dict[str, list[tuple[type[Memory], list[tuple[int, ...]]]]] = {
        "SAF": [(StuckAt, list(each))],
        "TF": [(NoTransition, list(each))],
        "AF": [(NoCell, list(each)), (WrongCell, list(pairs)), (TwoCells, list(with_bit))],
        "CFin": [(Inversion, list(with_bit))],
        "CFid": [(Coupling, list(with_bits))],
        "CFst": [(StateCoupling, list(with_bits))],
    }
    return [Fault(kind, place) for kind, places in kinds[model] for place in places]


def accesses(elements: tuple[Element, ...], any_order: str) -> Iterator[tuple[int, str]]:
    """Address and operation, in the order in which a march performs them."""
    for element in elements:
        order = any_order if element.order == "any" else element.order
        addresses = range(CELLS) if order == "up" else range(CELLS - 1, -1, -1)
        for address in addresses:
            for operation in element.operations:
                yield address, operation


def finds(elements: tuple[Element, ...], memory: Memory, any_order: str = "up") -> bool:
    for address, operation in accesses(elements, any_order):
        value = int(operation[1])
        if operation[0] == "w":
            memory.write(address, value)
        elif memory.read(address) != value:
            return True
    return False


def found(elements: tuple[Element, ...], model: str, any_order: str = "up") -> tuple[int, int]:
    contents = list(product((0, 1), repeat=CELLS))
    every = faults(model)
    sure = [
        all(finds(elements, fault.memory(content), any_order) for content in contents)
        for fault in every
    ]
    return sum(sure), len(every)


@pytest.mark.parametrize("name", ALL)
def test_a_march_on_healthy_memory_finds_nothing_whatever_the_content(name: str) -> None:
    for content in product((0, 1), repeat=CELLS):
        assert not finds(parse(ALL[name]), Memory(content))


@pytest.mark.parametrize("name", ALL)
def test_a_sequence_has_as_many_operations_per_cell_as_published(name: str) -> None:
    assert sum(len(element.operations) for element in parse(ALL[name])) == LENGTHS[name]


@pytest.mark.parametrize("any_order", ["up", "down"])
@pytest.mark.parametrize(
    ("name", "model"), [(name, model) for name, models in PUBLISHED.items() for model in models]
)
def test_every_fault_of_a_published_kind_is_found(name: str, model: str, any_order: str) -> None:
    hits, total = found(parse(ALL[name]), model, any_order)
    assert hits == total


@pytest.mark.parametrize(
    ("name", "model", "hits"),
    [
        ("mats-plus", "TF", 3),
        ("mats-plus", "CFin", 9),
        ("mats-plus", "CFid", 9),
        ("mats-plus", "CFst", 18),
        ("mats-plus-plus", "CFin", 9),
        ("mats-plus-plus", "CFid", 9),
        ("mats-plus-plus", "CFst", 18),
        ("march-x", "CFid", 12),
        ("march-x", "CFst", 18),
        ("march-y", "CFid", 12),
        ("march-y", "CFst", 18),
    ],
)
def test_the_simulation_tells_sequences_apart_where_coverage_is_partial(
    name: str, model: str, hits: int
) -> None:
    # Own exhaustive count (not published): shows that the simulator can miss a fault at all.
    total = {"TF": 6, "CFin": 12, "CFid": 24, "CFst": 24}[model]
    assert found(parse(ALL[name]), model) == (hits, total)


@pytest.mark.parametrize("name", SEQUENCES)
def test_a_sequence_of_the_workload_leaves_background_0_for_the_next_visit(name: str) -> None:
    memory = Memory((1, 0, 1))
    finds(parse(SEQUENCES[name]), memory)
    assert memory.cells == [0] * CELLS


def test_the_read_before_a_visit_finds_the_transition_faults_that_mats_plus_misses() -> None:
    # The workload reads the background left by the visit before; two visits are simulated.
    visit = (Element("any", ("r0",)), *parse(SEQUENCES["mats-plus"]))
    for fault in faults("TF"):
        memory = fault.memory((0,) * CELLS)
        assert finds(visit, memory) or finds(visit, memory)
