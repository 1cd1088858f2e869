"""Steps of rounding against decimal arithmetic of the standard library."""

from __future__ import annotations

from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Context, Decimal

import numpy as np
import pytest

from discovery.cohort.masked_digits import power_of_ten, step_of_digits, to_step, up_to_step
from discovery.pipeline.masked_measures import to_spread

NUMBERS = [3.14159, 999.6, 1000.0, 1.0, 0.1, 0.001, 52_345.678, 1e-12, 7e8, 0.000998, 2.5, 99.95]


@pytest.mark.parametrize("digits", [2, 3])
@pytest.mark.parametrize("number", NUMBERS)
def test_digits_are_those_of_decimal_arithmetic(number, digits):
    step = step_of_digits(number, digits)
    assert step == pytest.approx(10.0 ** (Decimal(number).adjusted() - digits + 1))
    for rounding, own in ((ROUND_HALF_EVEN, to_step), (ROUND_CEILING, up_to_step)):
        want = Context(prec=digits, rounding=rounding).create_decimal(Decimal(number))
        if rounding == ROUND_CEILING:  # the nearest number in binary may lie a hair above what is written
            want = Context(prec=digits, rounding=rounding).create_decimal(repr(number))
        assert own(number, step) == pytest.approx(float(want), rel=1e-12)


def test_what_has_no_size_stays_as_it_is():
    for size in (0.0, -1.0, np.nan, np.inf):
        assert step_of_digits(size, 2) == 0
    assert to_step(3.14159, 0.0) == up_to_step(3.14159, 0.0) == 3.14159
    assert np.isnan(to_step(np.nan, 0.1))
    assert np.isnan(up_to_step(np.nan, 0.1))
    assert to_step(-np.inf, 0.1) == -np.inf
    assert str(to_step(-0.001, 0.1)) == "0.0"


def test_a_p_value_is_never_made_smaller():
    rng = np.random.default_rng(1)
    for p in 10 ** rng.uniform(-12, 0, 500):
        shown = up_to_step(p, step_of_digits(p, 2))
        assert p <= shown < p * 1.11


@pytest.mark.parametrize("size", [5000.0, 52_345.678, 1e6])
def test_a_mean_in_large_numbers_has_three_digits_of_its_sd_too(size):
    """It had all digits before the point, by which a sum of whole numbers tells of how many it is."""
    assert to_spread(123_456.7, size) == pytest.approx(123_456.7, abs=size / 200)
    assert to_spread(123_456.7, size) % 10 == 0
    assert len(f"{to_spread(size, size):.0f}".rstrip("0")) <= 3


def test_a_size_of_a_power_of_ten_has_no_digit_more():
    assert to_spread(12.3456, 1.0) == 12.35
    assert to_spread(12.3456, 9.99) == 12.35
    assert to_spread(12.3456, 10.0) == 12.3
    assert power_of_ten(step_of_digits(10.0, 3)) == pytest.approx(0.1)
