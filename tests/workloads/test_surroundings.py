"""The user's environment survives what is set for lanes. Oracle: a copy taken beforehand."""

from __future__ import annotations

from workloads.surroundings import KEPT_VARIABLE, of_the_user, set_for_lanes

USER = {"PATH": "/bin", "OMP_NUM_THREADS": "6", "LANG": "C"}
LANES = {"OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}


def test_lanes_get_what_is_set_for_them() -> None:
    environment = dict(USER)
    set_for_lanes(LANES, environment)
    assert {name: environment[name] for name in LANES} == LANES
    assert environment["PATH"] == USER["PATH"]


def test_the_user_gets_back_what_was_set_and_what_was_not() -> None:
    environment = dict(USER)
    set_for_lanes(LANES, environment)
    assert of_the_user(environment) == USER


def test_a_second_start_of_lanes_remembers_the_user_and_not_the_first_lanes() -> None:
    environment = dict(USER)
    set_for_lanes(LANES, environment)
    set_for_lanes({**LANES, "EXTRA": "x"}, environment)
    assert of_the_user(environment) == USER


def test_without_lanes_the_environment_is_the_users_already() -> None:
    assert of_the_user(USER) == USER


def test_what_is_kept_is_one_variable_of_text() -> None:
    """Only text passes from process to process."""
    environment: dict[str, str] = dict(USER)
    set_for_lanes(LANES, environment)
    assert set(environment) == {*USER, *LANES, KEPT_VARIABLE}
    assert all(isinstance(value, str) for value in environment.values())
