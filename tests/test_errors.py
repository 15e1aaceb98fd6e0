"""Errors: one line, a place, a remedy, and they survive the way between processes."""

from __future__ import annotations

import pickle

import pytest

from harness import errors


@pytest.mark.parametrize(
    "error",
    [
        errors.ProfileError("bad", path="p.yaml", line=3, key="trials"),
        errors.RecordError("bad", path="r.sqlite3"),
        errors.RefusedStart("no"),
        errors.StorageError("full"),
    ],
)
def test_errors_round_trip_through_pickle(error: errors.RigproofError) -> None:
    copy = pickle.loads(pickle.dumps(error))  # noqa: S301 - our own bytes
    assert type(copy) is type(error)
    assert str(copy) == str(error)
    assert copy.__dict__ == error.__dict__


def test_a_profile_error_begins_with_its_place() -> None:
    assert str(errors.ProfileError("x", path="a.yaml", line=7)) == "a.yaml:7: x"
    assert str(errors.ProfileError("x", path="a.yaml")) == "a.yaml: x"


def test_the_nearest_word_is_the_remedy() -> None:
    assert errors.nearest("trails", ["trials", "seed"]) == "did you mean 'trials'?"
    assert errors.nearest("zzz", ["trials", "seed"]) == "known: seed, trials"


def test_exit_codes_follow_the_outcome_table() -> None:
    assert errors.UsageError("x").exit_code == 2
    assert errors.StorageError("x").exit_code == 5
