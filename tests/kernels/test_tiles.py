"""The arithmetic of tiles against numpy's own."""

from __future__ import annotations

import numpy as np
from scipy.special import expit

from discovery.kernels.compiled import compiled
from discovery.kernels.logistic_chunk import bend_rows, bend_rows_at_base, judge_rows
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
    add_squares,
    exp_block,
    exp_of_negative,
    multiply_block,
    predict_rows,
    scale_row,
    zeros_at_line,
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
def linear(into, level, x, z, slope, q):
    predict_rows(into, level, 0, x, CHUNK * WIDE, z, CHUNK, slope, q)


@compiled
def scaled(into, table, place, centre, scale, sign):
    scale_row(into, 0, table, place, centre, 0, scale, 0, sign)


@compiled
def row_by_row(into, left, right, factor):
    add_by_lane(into, WIDE, left, right, CHUNK * WIDE)
    add_squares(into, 2 * WIDE, factor, 8, right, CHUNK * WIDE)


def test_rows_are_summed_by_lane():
    rng = np.random.default_rng(5)
    left, right = rng.normal(size=(CHUNK, WIDE)), rng.normal(size=(2 * CHUNK, WIDE))
    factor, into = rng.normal(size=16), np.zeros((3, WIDE))
    found = into.ravel().copy()
    row_by_row(found, left.ravel(), right.ravel(), factor)
    into[1] = (left * right[CHUNK:]).sum(axis=0)
    into[2] = factor[8:] @ right[CHUNK:] ** 2
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
    level, z = rng.normal(size=(CHUNK, WIDE)), rng.normal(size=(5, CHUNK))
    for q in (0, 1, 4):
        slope, found = rng.normal(size=(q + 1, WIDE)), np.empty(CHUNK * WIDE)
        linear(found, level.ravel(), rows.ravel(), z.ravel(), slope.ravel(), q)
        wanted = level + z[1 : q + 1].T @ slope[:q] + rows[CHUNK:] * slope[q]
        np.testing.assert_allclose(found.reshape(CHUNK, WIDE), wanted, rtol=0, atol=1e-14)
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
def block_sums(into, left, right, product, grown, exps):
    add_inner(into, 8, left, BLOCK, right, 0, 2)
    multiply_block(product, 0, left, BLOCK, right, BLOCK)
    add_block(grown, 0, right, BLOCK, -0.5)
    exp_block(exps, BLOCK, product, 0)
    return zeros_at_line(3)


def test_sums_over_a_block_of_rows_are_inner_products():
    rng = np.random.default_rng(3)
    left, right = rng.normal(size=(2, BLOCK)), rng.normal(size=(2, BLOCK))
    into, product, grown = np.ones(24), np.empty(BLOCK), np.ones(BLOCK)
    exps, left[1], right[1] = np.zeros(2 * BLOCK), -np.abs(left[1]), np.abs(right[1])
    three = block_sums(into, left.ravel(), right.ravel(), product, grown, exps)
    np.testing.assert_allclose(into.reshape(3, 8).sum(axis=1) - 8, [0, *right @ left[1]], atol=1e-12)
    np.testing.assert_array_equal(product, left[1] * right[1])
    np.testing.assert_array_equal(grown, 1.0 - 0.5 * right[1])
    np.testing.assert_allclose(exps, np.append(np.zeros(BLOCK), np.exp(product)), rtol=4e-16)
    assert three.tolist() == [0.0] * 3
    assert three.ctypes.data % 64 == 0


@compiled
def chunk_sums(sums, ratio, u, x, residual, v, vx, weight, bent, spread, third, fourth, by_fourth):
    here = CHUNK * WIDE
    bend_rows_at_base(bent[:here], by_fourth, u, third, CHUNK, fourth, CHUNK)
    step = u.copy()
    judge_rows(sums, ratio, u, x, here, residual, v, vx, weight, CHUNK)
    bend_rows(bent[here:], spread, step, ratio, residual, v, here, weight, CHUNK)


def test_what_a_chunk_adds_is_the_likelihood_and_its_derivatives():
    rng = np.random.default_rng(6)
    u, x = rng.normal(scale=3.0, size=(CHUNK, WIDE)), rng.normal(size=(2 * CHUNK, WIDE))
    u[0, :4] = 1e30, -745.0, 0.0, np.nan
    weight, third, fourth = rng.uniform(1, 2, size=(3, 2 * CHUNK))
    sums, spread, by_fourth = np.ones((4, WIDE)), np.zeros(WIDE), np.zeros(WIDE)
    ratio, vx, bent = np.empty((CHUNK, WIDE)), np.empty((CHUNK, WIDE)), np.empty((2 * CHUNK, WIDE))
    residual, v = np.empty((2 * CHUNK, WIDE)), np.empty((2 * CHUNK, WIDE))
    flat = (part.ravel() for part in (sums, ratio, u, x, residual, v, vx))
    chunk_sums(*flat, weight, bent.ravel(), spread, third, fourth, by_fourth)
    x, w, third, fourth = x[CHUNK:], weight[CHUNK:, None], third[CHUNK:, None], fourth[CHUNK:, None]
    mu, one = expit(u), 1 + np.exp(-abs(u))
    right = {"rtol": 2e-14, "atol": 1e-300}
    np.testing.assert_allclose(ratio, one, **right)
    np.testing.assert_allclose(residual[CHUNK:], expit(-u), **right)
    np.testing.assert_allclose(v[CHUNK:], mu * expit(-u), **right)
    np.testing.assert_allclose(vx, mu * expit(-u) * x, **right)
    loglik, score = (w * np.minimum(u, 0.0)).sum(axis=0), (w * expit(-u) * x).sum(axis=0)
    information = (w * mu * expit(-u) * x**2).sum(axis=0)
    wanted = [one.prod(axis=0), 1 + loglik, 1 + score, 1 + information]
    np.testing.assert_allclose(sums, wanted, rtol=1e-12)
    np.testing.assert_allclose(bent[:CHUNK], third * u**2, **right)
    np.testing.assert_allclose(by_fourth, (fourth * u**4).sum(axis=0), rtol=1e-13)
    slope = w * mu * expit(-u) * (mu - expit(-u))
    np.testing.assert_allclose(bent[CHUNK:], slope * u**2, rtol=1e-11, atol=1e-240)  # e^-708 for less
    np.testing.assert_allclose(spread, (slope * u * one**2).sum(axis=0), rtol=1e-11)
