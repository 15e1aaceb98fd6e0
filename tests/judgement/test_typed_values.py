"""Values typed in by hand: one contract, one clear error for everything else."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.errors import UsageError
from harness.judgement.comparison import compare_sides
from harness.judgement.typed_values import MAXIMUM_BYTES, read_typed_values, side_from_csv

HEADER = "workload,value,unit,better\n"


def test_lines_become_trials_in_their_order() -> None:
    side = side_from_csv(HEADER + "a,10,fps,higher\nb,3.5,s,lower\na,11,fps,higher\n", "x.csv")
    first, second = side.loads
    assert (first.name, first.unit, first.boots) == ("a", "fps", ((10.0, 11.0),))
    assert (second.lower_is_better, second.boots) == (True, ((3.5,),))
    assert not side.boots_told
    assert side.boot_ids == ()


def test_a_boot_column_groups_the_trials() -> None:
    text = "boot,workload,value,unit,better\n1,a,10,u,higher\n2,a,11,u,higher\n1,a,12,u,higher\n"
    side = side_from_csv(text, "x.csv")
    assert side.loads[0].boots == ((10.0, 12.0), (11.0,))
    assert side.boots_told
    assert len(side.boot_ids) == 2


def test_empty_lines_spaces_and_quotes_do_not_matter() -> None:
    text = HEADER + '\n "a, b" , 10 , u , higher \n\n"a, b",11,u,higher\n'.replace(' "a', '"a')
    assert side_from_csv(text.replace('b" ,', 'b",'), "x.csv").loads[0].name == "a, b"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "1: the header lacks workload"),
        ("workload,value,unit\na,1,u\n", "lacks better"),
        ("workload,value,unit,beter\n", "unknown column 'beter'; did you mean 'better'"),
        ("workload,value,unit,better,unit\n", "names a column twice"),
        (HEADER, "holds no trial"),
        (HEADER + "a,1,u\n", "2: received 3 columns"),
        (HEADER + "a,1,u,higher,x\n", "2: received 5 columns"),
        (HEADER + "a,1,u,higher\na,12 fps,u,higher\n", "3: value is '12 fps'"),
        (HEADER + "a,0,u,higher\n", "must be above 0"),
        (HEADER + "a,-3,u,higher\n", "must be above 0"),
        (HEADER + "a,nan,u,higher\n", "must be above 0"),
        (HEADER + "a,inf,u,higher\n", "must be above 0"),
        (HEADER + "a,1,u,up\n", "must be higher or lower"),
        (HEADER + ",1,u,higher\n", "workload is empty"),
        (HEADER + "a,1,,higher\n", "unit is empty"),
        (HEADER + "a,1,u,higher\na,1,v,higher\n", "differs from line 2"),
        (HEADER + "a,1,u,higher\na,1,u,lower\n", "differs from line 2"),
        (HEADER + 'a,"1,u,higher\n', "not valid CSV"),
        ("workload,value,unit,better,boot\na,1,u,higher,\n", "boot is empty"),
    ],
)
def test_anything_else_is_one_clear_error(text: str, words: str) -> None:
    with pytest.raises(UsageError) as caught:
        side_from_csv(text, "x.csv")
    assert str(caught.value).startswith("x.csv:")
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_file_is_read_as_utf8_with_or_without_a_byte_order_mark(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    path.write_bytes(b"\xef\xbb\xbf" + (HEADER + "ä,1,u,higher\n").encode())
    assert read_typed_values(path).loads[0].name == "ä"
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(UsageError, match="not UTF-8"):
        read_typed_values(path)
    with pytest.raises(UsageError, match="cannot be read"):
        read_typed_values(tmp_path)
    with path.open("wb") as file:
        file.truncate(MAXIMUM_BYTES + 1)
    with pytest.raises(UsageError, match="larger than 10 MB"):
        read_typed_values(path)


def typed(values: tuple[float, ...], better: str = "higher") -> str:
    return HEADER + "".join(f"a,{value},u,{better}\n" for value in values)


@pytest.mark.parametrize(("better", "decision"), [("higher", "faster"), ("lower", "slower")])
def test_typed_values_are_compared_within_one_boot_by_their_direction(
    better: str, decision: str
) -> None:
    before = side_from_csv(typed((100, 100.5, 99.5, 100.2, 99.8), better), "b.csv")
    after = side_from_csv(typed((106, 106.5, 105.5, 106.2, 105.8), better), "a.csv")
    comparison = compare_sides(before, after).comparison
    assert (comparison.scope, comparison.workloads[0].decision) == ("within one boot", decision)


@given(st.text(max_size=200) | st.lists(st.sampled_from(HEADER + "a1.,u\n\"'"), max_size=60).map(
    lambda parts: HEADER + "".join(parts)
))  # fmt: skip
@settings(max_examples=200, deadline=None)
def test_no_text_at_all_makes_the_reader_fail_otherwise(text: str) -> None:
    try:
        side = side_from_csv(text, "x.csv")
    except UsageError:
        return
    assert all(value > 0 for load in side.loads for boot in load.boots for value in boot)
