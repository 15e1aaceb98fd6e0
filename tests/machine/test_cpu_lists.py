"""Lists of CPUs."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.machine.cpu_lists import MOST_CPUS, format_cpu_list, parse_cpu_list


@given(st.sets(st.integers(0, MOST_CPUS - 1), max_size=60))
def test_a_list_gives_back_the_cpus_it_was_made_of(cpus: set[int]) -> None:
    assert parse_cpu_list(format_cpu_list(cpus)) == tuple(sorted(cpus))


@pytest.mark.parametrize(
    ("text", "cpus"), [("0-3,8", (0, 1, 2, 3, 8)), ("", ()), ("5", (5,)), (" 1 , 0 ", (0, 1))]
)
def test_the_kernels_form_is_read(text: str, cpus: tuple[int, ...]) -> None:
    assert parse_cpu_list(text) == cpus


@pytest.mark.parametrize("text", ["a", "3-1", "-1", "0-99999999999", "1-2-3", "0x1"])
def test_anything_else_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r".+"):
        parse_cpu_list(text)
