"""Limits, moments and scales of many columns against numpy's, one column at a time."""

from __future__ import annotations

import numpy as np
import pytest

from discovery.kernels.winsor import clipped_moments, limits_of_columns, scaled_columns

SHARES = ((0.01, 0.99), (0.0, 1.0), (0.1, 0.8), (0.25, 0.75))


def awkward(n):
    """(n, columns) of many kinds: even, skewed, tied, rising, far from 0, tiny, with gaps, of one value."""
    rng = np.random.default_rng([20261126, n])
    x = rng.normal(size=(n, 14))
    x[:, 1] = np.exp(3 * x[:, 1])
    x[:, 2] = np.round(x[:, 2])
    x[:, 3] = x[:, 3] > 2.5
    x[:, 4].sort()
    x[:, 5] += 1e6
    x[:, 6] *= 1e-150
    x[::3, 7] = np.nan
    x[rng.random(n) < 0.9, 8] = np.nan
    x[:, 9] = 0.1
    x[1:, 10] = np.nan
    x[:: max(n // 128, 1), 11] = 50.0  # the very rows that are looked at first
    x[: n // 2, 12] = np.nan
    x[:, 13] = -np.exp(3 * x[:, 13])
    return x


@pytest.mark.parametrize("n", [1, 2, 5, 60, 300, 1999])
def test_limits_are_the_quantiles_to_the_last_digit(n):
    x = awkward(n)
    for shares in SHARES:
        found = limits_of_columns(np.ascontiguousarray(x.T), *shares)
        for j, column in enumerate(x.T):
            own = column[~np.isnan(column)]
            assert found.seen[j] == len(own)
            wanted = [np.nan] * 4
            if len(own):
                wanted = [*np.quantile(own, shares), own.min(), own.max()]
            np.testing.assert_array_equal([part[j] for part in found[:4]], wanted)


def test_a_column_without_values_and_a_table_without_rows_have_no_limits():
    empty = limits_of_columns(np.full((1, 300), np.nan), 0.01, 0.99)
    assert empty.seen[0] == 0
    assert np.isnan(np.concatenate(empty[:4])).all()
    assert limits_of_columns(np.empty((3, 0)), 0.01, 0.99).seen.tolist() == [0, 0, 0]


@pytest.mark.parametrize("n", [3, 60, 1999])
def test_moments_and_scores_are_those_of_the_clipped_values(n):
    x = awkward(n)
    columns = np.ascontiguousarray(x.T)
    for low, high in ((np.full(14, -np.inf), np.full(14, np.inf)), limits_of_columns(columns, 0.1, 0.8)[:2]):
        limits = limits_of_columns(columns, 0.0, 1.0)
        mean, square = clipped_moments(columns, limits, low, high)
        spread = np.sqrt(square / np.maximum(limits.seen - 1, 1))
        scores = scaled_columns(columns, low, high, mean, np.where(spread > 0, spread, 1.0))
        for j, column in enumerate(x.T):
            own = np.clip(column[~np.isnan(column)], low[j], high[j])
            sd = own.std(ddof=1) if len(own) > 1 else 0.0
            assert mean[j] == pytest.approx(own.mean(), rel=1e-14, abs=1e-14 * sd)
            assert spread[j] == pytest.approx(sd, rel=1e-12, abs=1e-15 * abs(own[0]))
            unit = spread[j] if spread[j] > 0 else 1.0
            wanted = (np.clip(column, low[j], high[j]) - mean[j]) / unit
            np.testing.assert_array_equal(scores[:, j], wanted)
