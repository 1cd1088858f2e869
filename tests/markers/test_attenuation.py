"""Attenuation: closed form, least squares on the true values, and coverage on planted error."""

from __future__ import annotations

import numpy as np
import pytest

from discovery.markers.attenuation import correct_attenuation, explained_by_base


def test_without_covariates_it_is_the_classical_division():
    got = correct_attenuation([0.3, -0.2], [0.1, 0.05], [0.6, 0.8], [0.0, 0.0])
    np.testing.assert_allclose(got.estimate, [0.5, -0.25])
    np.testing.assert_allclose(got.high - got.estimate, 1.959963985 * np.array([0.1 / 0.6, 0.05 / 0.8]))


def test_unknown_or_exhausted_reliability_gives_nothing():
    got = correct_attenuation([0.3, 0.3, 0.3], [0.1] * 3, [np.nan, 0.3, 0.9], [0.1, 0.4, 0.4])
    assert np.isnan(got.estimate[:2]).all()
    assert got.reliability[2] == pytest.approx(0.5 / 0.6)


def test_explained_share_equals_statsmodels(planted_design):
    import statsmodels.api as sm

    design = planted_design("survival", 1, missing=0.1)
    got = explained_by_base(design)
    sites = (design.stratum[:, None] == [1, 2]).astype(float)
    for j in (0, 4):
        seen = design.observed[:, j]
        z = sm.add_constant(np.column_stack([design.base, sites])[seen])
        assert got[j] == pytest.approx(sm.OLS(design.features[seen, j], z).fit().rsquared, abs=1e-12)


def test_corrected_intervals_cover_the_true_effect_and_naive_ones_do_not():
    # truth .50, reliability .64 from two sessions of 150 patients; the covariate shares variance with x
    rng = np.random.default_rng(2)
    covered, naive, estimates = 0, 0, []
    runs, n = 400, 150
    for _ in range(runs):
        z = rng.normal(size=n)
        true = 0.5 * z + np.sqrt(0.75) * rng.normal(size=n)
        y = 0.5 * true + 0.4 * z + rng.normal(size=n)
        first, second = (true + 0.75 * rng.normal(size=n) for _ in range(2))
        design = np.column_stack([np.ones(n), z, first])
        coef, rss = np.linalg.lstsq(design, y, rcond=None)[:2]
        se = np.sqrt(rss[0] / (n - 3) * np.linalg.inv(design.T @ design)[2, 2])
        reliability, r2 = np.corrcoef(first, second)[0, 1], np.corrcoef(first, z)[0, 1] ** 2
        got = correct_attenuation([coef[2]], [se], [reliability], [r2], pairs=[n])
        covered += got.low[0] <= 0.5 <= got.high[0]
        naive += abs(coef[2] - 0.5) <= 1.96 * se
        estimates.append(got.estimate[0])
    # binomial error at .95 with 400 runs: .011
    assert 0.95 - 0.033 <= covered / runs <= 0.985
    assert naive / runs < 0.6
    assert np.median(estimates) == pytest.approx(0.5, abs=0.02)
