"""What differs between two sets of facts."""

from __future__ import annotations

import json
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from harness.compared import FactChange
from harness.machine.compare import changed_facts, flatten, same_machine, unread_facts
from harness.machine.fact_values import unknown
from harness.machine.facts import collect_facts
from tests.sysfs_trees import desktop_a, server

_leaf = st.one_of(st.none(), st.booleans(), st.integers(-5, 5), st.sampled_from(["a", "b"]))
_facts = st.dictionaries(
    st.sampled_from(["cpu", "board", "kernel"]),
    st.recursive(_leaf, lambda it: st.dictionaries(st.sampled_from("xyz"), it, max_size=3)),
)


@given(_facts)
def test_facts_do_not_differ_from_themselves(facts: dict[str, object]) -> None:
    assert changed_facts(facts, json.loads(json.dumps(facts))) == ()


@given(_facts, _facts)
def test_the_other_way_round_the_same_facts_differ(
    before: dict[str, object], after: dict[str, object]
) -> None:
    there = {(it.fact, str(it.before), str(it.after)) for it in changed_facts(before, after)}
    back = {(it.fact, str(it.after), str(it.before)) for it in changed_facts(after, before)}
    assert there == back


def test_a_firmware_update_shows_exactly_what_it_changed(tmp_path: Path) -> None:
    tree = desktop_a(tmp_path)
    before = collect_facts(tmp_path)
    tree.dmi({"bios_version": "1902"})
    tree.boot("99999999-0000-0000-0000-000000000000")
    assert changed_facts(before, collect_facts(tmp_path)) == (
        FactChange("firmware.version", "1801", "1902"),
    )


def test_momentary_values_are_no_changes(tmp_path: Path) -> None:
    tree = desktop_a(tmp_path)
    before = collect_facts(tmp_path)
    for cpu in range(16):
        tree.policy(cpu, {"scaling_cur_freq": 800_000})
    tree.memory(32 * 1024**2, 5 * 1024**2)
    tree.stat(5_000, 9_100)
    assert changed_facts(before, collect_facts(tmp_path)) == ()


def test_a_governor_that_was_changed_shows(tmp_path: Path) -> None:
    tree = desktop_a(tmp_path)
    before = collect_facts(tmp_path)
    for cpu in range(16):
        tree.policy(cpu, {"scaling_governor": "powersave"})
    (change,) = changed_facts(before, collect_facts(tmp_path))
    assert change == FactChange("frequency.policies[0].governor", "performance", "powersave")


def test_what_only_one_side_could_read_is_no_change_but_is_named() -> None:
    before = {"memory": {"modules": unknown("root only")}}
    after = {"memory": {"modules": [{"slot": "A1"}]}}
    assert changed_facts(before, after) == ()
    assert unread_facts(before, after) == ("memory.modules",)


def test_a_part_that_is_there_on_one_side_only_is_a_change() -> None:
    (change,) = changed_facts({"a": {"x": 1}}, {"a": {"x": 1, "y": 2}})
    assert change == FactChange("a.y", None, 2)


def test_two_machines_are_told_apart(tmp_path: Path) -> None:
    first = collect_facts(desktop_a(tmp_path / "a").root)
    second = collect_facts(server(tmp_path / "b").root)
    assert same_machine(first, first) is True
    assert same_machine(first, second) is False
    assert same_machine({}, second) is None
    assert any(it.fact == "cpu.model" for it in changed_facts(first, second))


def test_lists_of_parts_are_flattened_by_number() -> None:
    assert dict(flatten({"m": [{"a": 1}, {"a": 2}], "l": [1, 2]})) == {
        "m[0].a": 1,
        "m[1].a": 2,
        "l": [1, 2],
    }
