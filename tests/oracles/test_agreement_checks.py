"""The agreement rows of statistical_checks.csv, each through our own functions."""

from __future__ import annotations

import json

import numpy as np
import pytest

from discovery.agreement.limits import (
    limits_of_agreement,
    limits_of_repeated_pairs,
    percentage_error,
    repeatability,
    variance_by_subject,
)
from discovery.agreement.lines import deming, passing_bablok
from discovery.agreement.raters import concordance_correlation, intraclass_correlations
from discovery.agreement.trending import four_quadrant


@pytest.fixture(scope="module")
def ratings(dataset):
    return dataset("shrout_fleiss1979.csv").drop(columns="target").to_numpy(float)


@pytest.fixture(scope="module")
def flow(dataset):
    return dataset("pefr1986.csv")


@pytest.fixture(scope="module")
def giavarina(dataset):
    table = dataset("giavarina2015.csv")
    return table["A"].to_numpy(float), table["B"].to_numpy(float)


@pytest.fixture(scope="module")
def output(dataset):
    table = dataset("cardiac_output1999.csv")
    return table["rv"].to_numpy(float), table["ic"].to_numpy(float), table["subject"].to_numpy()


def near(found, row):
    np.testing.assert_allclose(
        np.asarray(found, dtype=float), row["expected"], rtol=0, atol=row["tolerance"] + 1e-13
    )


def test_ag01_intraclass_correlations(check, ratings):
    found = intraclass_correlations(ratings)
    names = ("ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,4)", "ICC(2,4)", "ICC(3,4)")
    near([found[name].estimate for name in names], check("AG01"))


def test_ag02_intervals_of_intraclass_correlations(check, ratings):
    found = intraclass_correlations(ratings)
    near(
        [v for name in ("ICC(2,1)", "ICC(3,1)") for v in (found[name].ci_low, found[name].ci_high)],
        check("AG02"),
    )


def test_ag03_limits_and_their_approximate_intervals(check, flow):
    f = limits_of_agreement(flow["wright1"], flow["mini1"])
    near([f.bias, f.sd, f.lower, f.upper, *f.lower_approximate, *f.upper_approximate], check("AG03"))


def test_ag04_limits_as_printed_with_the_factor_two(check, flow):
    f = limits_of_agreement(flow["wright1"], flow["mini1"], multiplier=2)
    near([f.bias, f.sd, f.lower, f.upper], check("AG04"))


def test_ag05_intervals_as_printed(check, flow):
    """The printed standard error sqrt(3/n) s is ours with z^2 / (2 (n - 1)) rounded to 2 / n."""
    f = limits_of_agreement(flow["wright1"], flow["mini1"], multiplier=2)
    n = f.n_pairs
    printed = np.sqrt(3 / n) / np.sqrt(1 / n + 4 / (2 * (n - 1)))
    half = printed * (f.lower_approximate[1] - f.lower)
    near(
        [f.bias_low, f.bias_high, f.lower - half, f.lower + half, f.upper - half, f.upper + half],
        check("AG05"),
    )


def test_ag06_repeatability(check, flow):
    wright = repeatability(flow[["wright1", "wright2"]])
    mini = repeatability(flow[["mini1", "mini2"]])
    near([wright[0], mini[0], wright[1], mini[1]], check("AG06"))


def test_ag07_concordance_correlation(check, flow):
    near(concordance_correlation(flow["wright1"], flow["mini1"]), check("AG07"))


def test_ag08_limits_with_the_interval_of_the_bias(check, giavarina):
    f = limits_of_agreement(*giavarina)
    near([f.bias, f.sd, f.lower, f.upper, f.bias_low, f.bias_high], check("AG08"))


def test_ag09_limits_of_percentage_differences(check, giavarina):
    f = limits_of_agreement(*giavarina, percent=True)
    near([f.bias, f.sd, f.lower, f.upper], check("AG09"))


def test_ag10_exact_interval_of_a_limit(check, giavarina):
    f = limits_of_agreement(*giavarina)
    near(f.upper_exact, check("AG10"))
    np.testing.assert_allclose(
        f.lower_exact, [2 * f.bias - f.upper_exact[1], 2 * f.bias - f.upper_exact[0]], rtol=1e-12
    )


def test_ag11_deming(check, giavarina):
    a, b = giavarina
    f = deming(b, a)
    near([f.intercept, f.slope, f.se_intercept, f.se_slope], check("AG11"))


def test_ag12_passing_bablok(check, giavarina):
    a, b = giavarina
    f = passing_bablok(b, a)
    near([f.intercept, f.slope, f.intercept_low, f.intercept_high, f.slope_low, f.slope_high], check("AG12"))


def test_ag13_variance_between_and_within_subjects(check, output):
    rv, ic, subject = output
    codes = np.unique(subject, return_inverse=True)[1]
    parts = variance_by_subject(rv - ic, codes)
    inside = [variance_by_subject(method, codes).within for method in (rv, ic)]
    near([parts.mean_square_between, parts.within, parts.n0, parts.between, *inside], check("AG13"))


def test_ag14_limits_where_the_truth_varies(check, output):
    rv, ic, subject = output
    f = limits_of_repeated_pairs(rv, ic, subject)
    error = percentage_error(f.sd, np.concatenate([rv, ic]).mean())
    near([f.bias, f.sd, f.lower, f.upper, error], check("AG14"))


def test_ag15_limits_where_the_truth_is_constant(check, output):
    f = limits_of_repeated_pairs(*output, truth="constant")
    near([f.bias, f.sd, f.lower, f.upper], check("AG15"))


def test_ag16_concordance_of_changes(check):
    row = check("AG16")
    inputs = json.loads(row["dataset_or_inputs"])
    found = [
        four_quadrant(
            inputs["delta_test"], inputs["delta_reference"], exclusion=inputs["exclusion"], zone=zone
        )
        for zone in ("reference", "square")
    ]
    near([v for f in found for v in (f.n_kept, f.concordance)], row)


def test_ag17_percentage_error_of_two_denominators(check):
    """The row rounds the normal quantile to 1.96."""
    row = check("AG17")
    inputs = json.loads(row["dataset_or_inputs"])
    both = (inputs["mean_reference"] + inputs["mean_test"]) / 2
    found = [percentage_error(inputs["sd"], mean) for mean in (both, inputs["mean_reference"])]
    near(np.array(found) * 1.96 / 1.959963984540054, row)
