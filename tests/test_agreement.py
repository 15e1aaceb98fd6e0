"""Which digest is right, who contradicts it, and how many passes make a trial."""

from __future__ import annotations

from harness.agreement import pass_seconds, settle_golden, settle_passes
from harness.lanes.messages import Probed


def probe(lane: int, *digests: int, doubts: tuple[str, ...] = ()) -> Probed:
    return Probed(lane, 0, tuple(0.1 for _ in digests), digests, doubts)


def test_a_shipped_golden_stands_against_every_lane() -> None:
    found = settle_golden([probe(0, 9, 9), probe(1, 9, 9)], shipped=5)
    assert found.golden == 5
    assert [item.lane for item in found.dissents] == [0, 1]


def test_the_majority_outvotes_one_lane() -> None:
    found = settle_golden([probe(0, 5, 5, 5), probe(1, 5, 5, 6)], None)
    assert found.golden == 5
    assert [item.lane for item in found.dissents] == [1]
    assert found.origin == "agreed by 1 of 2 lanes (6 passes)"


def test_a_lane_has_one_vote_however_many_passes_it_made() -> None:
    many, few = probe(0, *([1] * 1000)), [probe(lane, 2, 2, 2) for lane in (1, 2, 3)]
    found = settle_golden([many, *few], None)
    assert found.golden == 2
    assert [item.lane for item in found.dissents] == [0]


def test_one_lane_alone_says_that_nothing_confirms_it() -> None:
    assert "nothing else confirms it" in settle_golden([probe(0, 5, 5)], None).origin


def test_lanes_that_disagree_with_themselves_settle_nothing() -> None:
    assert settle_golden([probe(0, 5, 6), probe(1, 7, 8)], None).golden is None


def test_half_is_no_majority() -> None:
    found = settle_golden([probe(0, 5, 5), probe(1, 6, 6)], None)
    assert found.golden is None
    assert [item.lane for item in found.dissents] == [0, 1]


def test_a_failed_invariant_is_dissent_even_when_the_digests_agree() -> None:
    found = settle_golden([probe(0, 5, 5, doubts=("checksum row 3 off",)), probe(1, 5, 5)], None)
    assert [item.detail for item in found.dissents] == ["checksum row 3 off"]


def test_a_remembered_golden_must_agree() -> None:
    assert not settle_golden([probe(0, 5, 5)], None, remembered=5).dissents
    assert settle_golden([probe(0, 5, 5)], None, remembered=6).dissents


def test_a_remembered_golden_that_differs_is_told_with_both_causes_and_what_to_do() -> None:
    """All lanes may compute wrongly alike, so it stays a failure; but it may be an update too."""
    (dissent,) = settle_golden([probe(0, 5, 5), probe(1, 5, 5)], None, remembered=6).dissents
    assert dissent.lane is None
    assert "0x0000000000000005" in dissent.detail
    assert "0x0000000000000006" in dissent.detail
    assert "wrong on every lane" in dissent.detail
    assert "library or compiler changed" in dissent.detail
    assert "run once with --recalibrate" in dissent.detail


def test_one_pass_is_told_as_one() -> None:
    assert settle_golden([probe(0, 5)], None).origin.startswith("agreed by 1 pass of one lane only")


def test_passes_fill_the_trial_at_each_lanes_own_speed() -> None:
    fast = Probed(0, 0, (0.2, 0.1, 0.1), (1, 1, 1), ())
    slow = Probed(1, 0, (0.2, 0.2, 0.2), (1, 1, 1), ())
    assert settle_passes([fast, slow], 2.0) == {0: 20, 1: 10}


def test_a_trial_has_two_passes_at_least() -> None:
    assert settle_passes([Probed(0, 0, (9.0,), (1,), ())], 1.0) == {0: 2}


def test_the_first_pass_is_left_out_of_the_typical_duration() -> None:
    assert pass_seconds((5.0, 1.0, 1.2, 1.1)) == 1.1
    assert pass_seconds((5.0,)) == 5.0
