"""Least squares against R lm and its HC3 sandwich kept in shared/statistical_checks.csv."""

from __future__ import annotations

import numpy as np

from discovery.kernels.linear import fit_linear, profile_interval_linear, screen_linear


def test_least_squares_as13(dataset, check):
    row, table = check("AS13"), dataset("diabetes_lars.csv")
    columns = table[["age", "sex", "bmi", "bp", "s1", "s2", "s3", "s4", "s5", "s6"]].to_numpy(float)
    fit = fit_linear(table.progression, columns)
    f_statistic = fit.r_squared / 10 / ((1 - fit.r_squared) / fit.df)
    hc3 = np.sqrt(fit.covariance_hc3[3, 3])
    got = [
        *fit.coef,
        fit.r_squared,
        f_statistic,
        np.sqrt(fit.residual_variance),
        np.sqrt(fit.covariance[3, 3]),
        hc3,
    ]
    # rounding of a 15-digit value of size 300 in raw units is far below the tolerance of the row
    np.testing.assert_allclose(got, row.expected, rtol=0, atol=row.tolerance)


def test_a_screen_of_one_feature_is_the_whole_model_as13(dataset, check):
    row, table = check("AS13"), dataset("diabetes_lars.csv")
    names = ["age", "sex", "bp", "s1", "s2", "s3", "s4", "s5", "s6", "bmi"]
    columns = table[names].to_numpy(float)
    fit = screen_linear(table.progression, columns[:, :-1], columns[:, -1])
    np.testing.assert_allclose(fit.coef[0, -1], row.expected[3], rtol=0, atol=row.tolerance)
    np.testing.assert_allclose(fit.se[0], row.expected[14], rtol=0, atol=row.tolerance)
    low, high = profile_interval_linear(table.progression, columns[:, :-1], columns[:, -1], fit)
    from scipy.stats import t

    half = t.ppf(0.975, 442 - 11) * fit.se[0]
    np.testing.assert_allclose(
        [low[0], high[0]], [fit.coef[0, -1] - half, fit.coef[0, -1] + half], rtol=1e-12
    )
