"""Facts in groups: nothing is lost, long lists are folded, unknowns share a row."""

from __future__ import annotations

from reports.fact_groups import fact_groups
from tests.reports import samples

UNKNOWN = {"value": None, "reason": "this system does not give it"}


def test_plain_facts_come_first_and_every_nested_one_gets_its_group() -> None:
    groups = list(fact_groups(samples.passing().facts))
    assert [group.title for group in groups] == ["", "CPU", "board", "firmware"]
    assert ("governor", "performance") in groups[0].rows
    assert ("version", "1.42") in groups[3].rows


def test_every_fact_stands_in_exactly_one_row() -> None:
    facts = samples.passing().facts
    nested = [value for value in facts.values() if isinstance(value, dict)]
    expected = sum(map(len, nested)) + len(facts) - len(nested)
    assert sum(len(group.rows) for group in fact_groups(facts)) == expected


def test_a_long_list_inside_a_group_is_folded_beside_it() -> None:
    mitigations = {f"weakness_{number}": "not affected" for number in range(9)}
    kernel = {"release": "6.18", "mitigations": mitigations, "few": {"a": 1, "b": 2}}
    first, second = fact_groups({"kernel": kernel})
    assert first.rows == (("release", "6.18"), ("few / a", "1"), ("few / b", "2"))
    assert (second.title, second.is_folded, len(second.rows)) == ("kernel: mitigations", True, 9)


def test_facts_unknown_for_one_reason_share_a_row_and_equal_known_ones_do_not() -> None:
    board = {"vendor": UNKNOWN, "name": UNKNOWN, "layers": 4, "slots": 4}
    (group,) = fact_groups({"board": board})
    assert group.rows == (
        ("vendor, name", "not known: this system does not give it"),
        ("layers", "4"),
        ("slots", "4"),
    )


def test_a_quantity_with_its_unit_is_a_fact_and_not_a_group() -> None:
    (group,) = fact_groups({"offset": {"value": -30, "unit": "mV"}, "boost": UNKNOWN})
    assert group.rows == (
        ("offset", "−30 mV"),
        ("boost", "not known: this system does not give it"),
    )


def test_no_facts_give_no_group() -> None:
    assert list(fact_groups({})) == []
