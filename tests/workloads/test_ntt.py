"""The number-theoretic transform: golden from products of large integers, invariants, flips."""

from __future__ import annotations

import numpy as np
import pytest
from bit_flips import FLIPS, flip_inputs
from numeric_loads import BY_NAME, flip_between_stages

from workloads.digest import fold
from workloads.ntt import MODULUS, Ntt, operands, root_powers, with_quotients

SPREAD_BITS = 80


def packed(values: list[int]) -> int:
    """Coefficients as digits of one large integer (Kronecker's substitution)."""
    return sum(value << SPREAD_BITS * place for place, value in enumerate(values))


def cyclic_product(a: list[int], b: list[int]) -> list[int]:
    """Cyclic convolution modulo p by one product of two large integers."""
    product, points = packed(a) * packed(b), len(a)
    mask = (1 << SPREAD_BITS) - 1
    digits = [product >> SPREAD_BITS * place & mask for place in range(2 * points - 1)]
    return [sum(digits[place::points]) % MODULUS for place in range(points)]


def power(kernel: list[int], exponent: int) -> list[int]:
    """The kernel convolved with itself, by squaring."""
    result = [1] + [0] * (len(kernel) - 1)
    while exponent:
        if exponent & 1:
            result = cyclic_product(result, kernel)
        kernel, exponent = cyclic_product(kernel, kernel), exponent >> 1
    return result


def oracle(points: int, convolutions: int, seed: int) -> int:
    start, kernel = operands(seed, points)
    factor = power([int(value) for value in kernel], convolutions)
    columns = start.reshape(points, -1).T.tolist()
    results = [cyclic_product(column, factor) for column in columns]
    return fold(np.ascontiguousarray(np.array(results, np.uint32).T))


def test_the_shipped_golden_is_that_of_large_integers() -> None:
    workload = Ntt()
    defaults = workload.complete({})
    assert oracle(1024, 192, 1) == workload.golden(defaults, 1)


@pytest.mark.parametrize("points", [16, 32, 64, 512])
def test_even_and_odd_numbers_of_stages_agree_with_large_integers(points: int) -> None:
    task = Ntt().prepare({"points": points, "convolutions": 4}, 5)
    task.execute()
    assert task.digest() == oracle(points, 4, 5)


def test_the_operands_are_residues_and_the_kernel_has_no_zero_in_its_transform() -> None:
    """A zero in the transform would wipe out whatever stands there, flips included."""
    task = Ntt().prepare(Ntt().complete({}), 1)
    assert int(task.start.max()) < MODULUS
    assert (task.factors[0] != 0).all()


@pytest.mark.parametrize("inverse", [False, True])
def test_the_roots_have_the_order_of_the_transform(inverse: bool) -> None:
    powers = root_powers(1024, inverse=inverse)
    assert len(set(powers)) == 1024
    assert powers[1] * powers[-1] % MODULUS == 1
    assert powers[512] == MODULUS - 1


def test_the_modulus_is_prime_and_3_generates_its_roots() -> None:
    """998244353 = 119 * 2^23 + 1; trial division and Lucas' test of a primitive root."""
    assert MODULUS == 119 * 2**23 + 1
    assert all(MODULUS % divisor for divisor in range(2, 31596))
    for prime in (2, 7, 17):
        assert pow(3, (MODULUS - 1) // prime, MODULUS) != 1


def test_quotients_are_the_rounded_down_ones() -> None:
    values, quotients = with_quotients([0, 1, 2, MODULUS - 1])
    assert values.tolist() == [0, 1, 2, MODULUS - 1]
    assert quotients.tolist() == [value * 2**32 // MODULUS for value in values.tolist()]


def test_a_wrong_number_breaks_both_sums_of_its_sequence() -> None:
    task = BY_NAME["ntt"].task()
    task.execute()
    numbers = task.buffers()["result_sequences"].reshape(64, 32)
    numbers[40, 7] ^= np.uint32(1)
    assert [finding.detail for finding in task.invariants()] == [
        "1 of 32 sequences differ, first 7"
    ] * 2


def test_two_numbers_exchanged_show_in_the_alternating_sum() -> None:
    task = BY_NAME["ntt"].task()
    task.execute()
    numbers = task.buffers()["result_sequences"].reshape(64, 32)
    numbers[[2, 3], 9] = numbers[[3, 2], 9]
    assert [finding.ok for finding in task.invariants()] == [True, False]


@pytest.mark.parametrize(
    ("points", "times", "rule"),
    [
        (100, 4, "points: received 100, must be a power of 2; use 64 or 128"),
        (64, 6, "convolutions: received 6, must be a multiple of 4; use 4 or 8"),
    ],
)
def test_sizes_that_do_not_fit_are_refused(points: int, times: int, rule: str) -> None:
    with pytest.raises(ValueError, match=rule):
        Ntt().complete({"points": points, "convolutions": times})


def test_no_flip_in_the_sequences_ever_heals() -> None:
    """Every step is a bijection modulo an odd prime: 100 %, by theory and by trial."""
    campaign = flip_between_stages(BY_NAME["ntt"].task(), "result", FLIPS)
    assert (campaign.caught, campaign.harmless, campaign.missed) == (campaign.flips, 0, 0)


def test_no_flip_in_an_input_ever_heals() -> None:
    campaign = flip_inputs(BY_NAME["ntt"].task(), FLIPS)
    assert (campaign.caught, campaign.missed) == (campaign.flips, 0)


def test_butterflies_are_counted() -> None:
    task = Ntt().prepare({"points": 64, "convolutions": 4}, 1)
    assert task.work_per_pass == 4 * 2 * 32 * 6 * 32
