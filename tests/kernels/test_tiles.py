"""The arithmetic of tiles against numpy's own."""

from __future__ import annotations

import numpy as np

from discovery.kernels.compiled import compiled
from discovery.kernels.logistic_pass import log_up_to_two
from discovery.kernels.scales import feature_scales
from discovery.kernels.tiles import (
    BLOCK,
    CHUNK,
    WIDE,
    add_block,
    add_by_lane,
    add_inner,
    add_products,
    add_scaled,
    exp_of_negative,
    multiply_block,
    scale_row,
    scale_rows,
)


@compiled
def exps_and_logs(x, exps, logs):
    for i in range(x.size):
        exps[i] = exp_of_negative(x[i])
        logs[i] = log_up_to_two(1.0 - x[i] / 800.0)


@compiled
def sums_of_three(into, factor, rows):
    add_products(into, WIDE, factor, 8, rows, CHUNK * WIDE, 3, 8, 8, 1)


@compiled
def linear(into, level, x, slope):
    add_scaled(into, level, 0, x, 0, slope, WIDE)


@compiled
def scaled(into, table, place, centre, scale, sign):
    scale_row(into, 0, table, place, centre, 0, scale, 0, sign)


@compiled
def row_by_row(into, left, right, factor):
    scale_rows(left, factor, 8)
    add_by_lane(into, WIDE, left, right, CHUNK * WIDE)


def test_rows_are_scaled_and_summed_by_lane():
    rng = np.random.default_rng(5)
    left, right = rng.normal(size=(CHUNK, WIDE)), rng.normal(size=(2 * CHUNK, WIDE))
    factor, into = rng.normal(size=16), np.zeros((3, WIDE))
    scaled_left, found = left.ravel().copy(), into.ravel().copy()
    row_by_row(found, scaled_left, right.ravel(), factor)
    wanted = factor[8:, None] * left
    np.testing.assert_allclose(scaled_left, wanted.ravel(), rtol=1e-15)
    into[1] = (wanted * right[CHUNK:]).sum(axis=0)
    np.testing.assert_allclose(found, into.ravel(), rtol=1e-13)


def test_exp_and_log_have_every_digit():
    x = np.concatenate([-np.geomspace(1e-300, 708, 4000), np.linspace(-700, 0, 50_001)])
    exps, logs = np.empty(x.size), np.empty(x.size)
    exps_and_logs(x, exps, logs)
    np.testing.assert_allclose(exps, np.exp(x), rtol=4e-16)
    np.testing.assert_allclose(logs, np.log1p(-x / 800.0), rtol=0, atol=3e-16)
    exps_and_logs(np.array([-1e300, -np.inf, 0.0]), exps, logs)
    np.testing.assert_allclose(exps[:3], [np.exp(-708.0)] * 2 + [1.0], rtol=4e-16)


def test_sums_over_a_chunk_are_matrix_products():
    rng = np.random.default_rng(1)
    into, factor = rng.normal(size=(5, WIDE)), rng.normal(size=(4, CHUNK))
    rows = rng.normal(size=(2 * CHUNK, WIDE))
    found = into.ravel().copy()
    sums_of_three(found, factor.ravel(), rows.ravel())
    into[1:4] += factor[1:] @ rows[CHUNK:]
    np.testing.assert_allclose(found.reshape(5, WIDE), into, rtol=1e-13)
    level, slope = rng.normal(size=(CHUNK, WIDE)), rng.normal(size=2 * WIDE)
    found = np.empty(CHUNK * WIDE)
    linear(found, level.ravel(), rows.ravel(), slope)
    np.testing.assert_allclose(found.reshape(CHUNK, WIDE), level + rows[:CHUNK] * slope[WIDE:], rtol=1e-13)
    found = np.empty(WIDE)
    scaled(found, rows.ravel(), WIDE, into[0], into[1], -1.0)
    np.testing.assert_allclose(found, -(rows[1] - into[0]) * into[1], rtol=1e-13)


def test_scales_in_one_walk_are_means_and_deviations_in_any_unit():
    rng = np.random.default_rng(2)
    unit = 10.0 ** np.arange(-300, 301, 50)
    columns = (rng.normal(size=(200, unit.size)) + rng.normal(size=unit.size)) * unit
    columns[0] *= 1e4  # the value that the others are taken from
    columns = np.column_stack([columns, np.full(200, 0.1), 1e8 + rng.normal(size=200), rng.normal(size=200)])
    columns[3, -1] = np.nan
    kept = columns.copy()
    centre, spread, complete = feature_scales(columns, np.isfinite(columns))
    largest = np.nanmax(np.abs(columns), axis=0)
    np.testing.assert_allclose(centre / largest, np.nanmean(columns / largest, axis=0), rtol=1e-10)
    expected = np.nanstd(columns / largest, axis=0)
    expected[-3] = 0.0
    np.testing.assert_allclose(spread / largest, expected, rtol=1e-7)
    assert complete.tolist() == [True] * (unit.size + 2) + [False]
    np.testing.assert_array_equal(columns, kept)


@compiled
def block_sums(into, left, right, product, grown):
    add_inner(into, 8, left, BLOCK, right, 0, 2)
    multiply_block(product, 0, left, BLOCK, right, BLOCK)
    add_block(grown, 0, right, BLOCK, -0.5)


def test_sums_over_a_block_of_rows_are_inner_products():
    rng = np.random.default_rng(3)
    left, right = rng.normal(size=(2, BLOCK)), rng.normal(size=(2, BLOCK))
    into, product, grown = np.ones(24), np.empty(BLOCK), np.ones(BLOCK)
    block_sums(into, left.ravel(), right.ravel(), product, grown)
    np.testing.assert_allclose(into.reshape(3, 8).sum(axis=1) - 8, [0, *right @ left[1]], atol=1e-12)
    np.testing.assert_array_equal(product, left[1] * right[1])
    np.testing.assert_array_equal(grown, 1.0 - 0.5 * right[1])
