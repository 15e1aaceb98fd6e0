"""Compiled generators against plain Python, word for word; outside values: tests/published."""

from __future__ import annotations

import numpy as np
import pytest

from workloads import prng

WORD = (1 << 64) - 1
SEEDS = [0, 1, 0x8000000000000000, WORD]


def plain_splitmix64(state: int, count: int) -> list[int]:
    """Straight from Steele, Lea and Flood 2014, figures 14 and 17."""
    outputs = []
    for _ in range(count):
        state = (state + 0x9E3779B97F4A7C15) % 2**64
        word = state
        word = ((word ^ (word >> 30)) * 0xBF58476D1CE4E5B9) % 2**64
        word = ((word ^ (word >> 27)) * 0x94D049BB133111EB) % 2**64
        outputs.append(word ^ (word >> 31))
    return outputs


@pytest.mark.parametrize("seed", SEEDS)
def test_all_three_forms_of_splitmix64_give_the_same_words(seed: int) -> None:
    wanted = plain_splitmix64(seed, 50)
    assert prng.splitmix64(seed, 50).tolist() == wanted
    by_index = [int(prng.splitmix64_at(np.uint64(seed), np.uint64(n))) for n in range(50)]
    assert by_index == wanted
    draws = prng.Draws(seed)
    assert [draws.word() for _ in range(50)] == wanted


def test_a_seed_counts_modulo_two_to_the_64() -> None:
    assert prng.splitmix64(-1, 3).tolist() == prng.splitmix64(WORD, 3).tolist()
    assert prng.Draws((1 << 64) + 5).word() == prng.Draws(5).word()


def test_the_finaliser_is_a_bijection_on_single_bits() -> None:
    outputs = {int(prng.mix64(np.uint64(1 << bit))) for bit in range(64)}
    assert len(outputs) == 64
    assert int(prng.mix64(np.uint64(0))) == 0


def test_draws_below_a_limit_reach_all_of_it_and_nothing_else() -> None:
    draws = prng.Draws(7)
    assert {draws.below(6) for _ in range(500)} == set(range(6))
    assert {draws.between(-1, 1) for _ in range(100)} == {-1, 0, 1}
    assert draws.below(1) == 0


def test_draws_below_a_limit_are_even() -> None:
    """Chi-square with 9 degrees of freedom stays under its 99.99 % quantile, 33.7."""
    draws, counts = prng.Draws(11), [0] * 10
    for _ in range(20_000):
        counts[draws.below(10)] += 1
    assert sum((count - 2000) ** 2 / 2000 for count in counts) < 33.7


def test_one_in_n_comes_about_once_in_n() -> None:
    draws = prng.Draws(3)
    hits = sum(draws.one_in(5) for _ in range(10_000))
    assert abs(hits - 2000) < 5 * 40  # five standard deviations of a binomial
