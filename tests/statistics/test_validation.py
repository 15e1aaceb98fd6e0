"""What callers may not hand in, and how they are told."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from harness.statistics.validation import require_confidence, require_finite, require_positive


@pytest.mark.parametrize("confidence", [0.0, 1.0, 95.0, -0.1, float("nan")])
def test_a_confidence_lies_between_nought_and_one(confidence: float) -> None:
    with pytest.raises(ValueError, match=r"confidence=.*: must lie between 0 and 1, as in 0.95"):
        require_confidence(confidence)


def test_the_first_value_that_is_no_number_is_named_by_place() -> None:
    with pytest.raises(
        ValueError, match=r"times\[2\]=nan: must be finite; leave out what is absent"
    ):
        require_finite([1.0, 2.0, float("nan")], "times")


@pytest.mark.parametrize("value", [0.0, -1.0, float("inf"), float("nan")])
def test_a_positive_quantity_is_above_nought_and_finite(value: float) -> None:
    with pytest.raises(ValueError, match=r"power_watts=.*: must be a finite number above 0"):
        require_positive(value, "power_watts")


@pytest.mark.parametrize(
    ("check", "arguments"),
    [
        (require_confidence, (0.95,)),
        (require_finite, ([],)),
        (require_finite, ([0.0, -1e308],)),
        (require_positive, (1e-9, "x")),
    ],
)
def test_good_values_pass_in_silence(
    check: Callable[..., object], arguments: tuple[object, ...]
) -> None:
    assert said(check, *arguments) == ""


def said(check: Callable[..., object], *arguments: object) -> str:
    """What a check objects to; empty where nothing."""
    try:
        check(*arguments)
    except ValueError as refusal:
        return str(refusal)
    return ""
