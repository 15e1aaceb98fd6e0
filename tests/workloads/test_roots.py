"""Roots of unity: correctly rounded, exact where they must be, symmetric."""

from __future__ import annotations

from decimal import Decimal, localcontext

import numpy as np
import pytest

from workloads.roots import pi_fixed, roots_of_unity

#: Pi to 60 decimals, OEIS A000796.
PI = Decimal("3.141592653589793238462643383279502884197169399375105820974944")


def decimal_cosine(angle: Decimal) -> Decimal:
    """Taylor's series in 70 digits: another base, another arithmetic."""
    with localcontext() as context:
        context.prec = 70
        total, term, count = Decimal(0), Decimal(1), 0
        while abs(term) > Decimal(10) ** -65:
            total += term
            count += 2
            term = -term * angle * angle / (count * (count - 1))
        return +total


def test_pi_has_the_published_digits() -> None:
    with localcontext() as context:
        context.prec = 70
        assert abs(Decimal(pi_fixed()) / 2**192 - PI) < Decimal(10) ** -54


@pytest.mark.parametrize("count", [8, 64, 1024])
def test_every_root_is_the_correctly_rounded_one(count: int) -> None:
    real, imaginary = roots_of_unity(count)
    with localcontext() as context:
        context.prec = 70
        for k in range(count):
            angle = 2 * PI * k / count
            cosine, sine = decimal_cosine(angle), decimal_cosine(angle - PI / 2)
            # float() of a decimal rounds once; below 1e-50 lies what PI itself leaves out.
            assert real[k] == (float(cosine) if abs(cosine) > Decimal("1e-50") else 0.0)
            assert imaginary[k] == (-float(sine) if abs(sine) > Decimal("1e-50") else 0.0)


@pytest.mark.parametrize("count", [8, 16, 4096, 65536])
def test_quarters_are_exact_and_no_zero_is_negative(count: int) -> None:
    real, imaginary = roots_of_unity(count)
    quarter = count // 4
    assert real[::quarter].tolist() == [1.0, 0.0, -1.0, 0.0]
    assert imaginary[::quarter].tolist() == [0.0, -1.0, 0.0, 1.0]
    assert not np.signbit(real[real == 0.0]).any()
    assert not np.signbit(imaginary[imaginary == 0.0]).any()


@pytest.mark.parametrize("count", [16, 1024, 16384])
def test_they_are_as_close_to_the_unit_circle_as_rounding_allows(count: int) -> None:
    real, imaginary = (table.astype(np.longdouble) for table in roots_of_unity(count))
    assert np.abs(real**2 + imaginary**2 - 1).max() < 2.0**-52
    assert (real[1:] == real[:0:-1]).all()
    assert (imaginary[1:] == -imaginary[:0:-1]).all()


def test_the_tables_are_shared_and_cannot_be_written() -> None:
    assert roots_of_unity(64) is roots_of_unity(64)
    for table in roots_of_unity(64):
        with pytest.raises(ValueError, match="read-only"):
            table[0] = 2.0
