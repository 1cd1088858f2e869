"""The variance of pooled estimates between bootstrap draws, from numbers whose variances are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from discovery.association.design import build_design
from discovery.association.screen import screen
from discovery.association.screen_rows import ADJUSTED
from discovery.cohort.drawn_spread import DRAWS, _spread, spread_of_estimates
from discovery.cohort.imputation import complete, plan_imputation
from discovery.cohort.imputed_screen import impute_screen
from discovery.cohort.pooled_rows import DISAGREE, SPREAD
from discovery.cohort.tipping import tipping_points
from discovery.study import Outcome


def drawn(rng, shape, between, within):
    """Estimates (draws, 2, c) of draws that vary with SD `between`, each filled twice with SD `within`."""
    draws, c = shape
    means = between * rng.normal(size=(draws, 1, c))
    return means + within * rng.normal(size=(draws, 2, c))


def episodes(rng, ids, number):
    """So many of each patient, any time before 1."""
    whose = np.repeat(np.arange(ids.size), number)
    return Outcome(
        name="out", label="out", kind="recurrent", patient_id=ids, value=number.astype(float),
        time=np.ones(ids.size), event_patient=whose, event_time=rng.uniform(size=whose.size),
    )  # fmt: skip


@pytest.mark.parametrize("within", [0.0, 0.1, 0.4])
def test_the_variance_is_that_of_a_mean_over_all_copies(within):
    rng = np.random.default_rng(20261128)
    found = _spread(drawn(rng, (DRAWS, 4000), 0.3, within), 20)
    assert found.variance.mean() == pytest.approx(0.3**2 + within**2 / 20, rel=0.01)
    # degrees of freedom: chi-square of the variance about its mean
    spread = found.variance.var() / found.variance.mean() ** 2
    assert np.median(found.df) == pytest.approx(2 / spread, rel=0.15)
    # a t interval of them covers
    errors = np.sqrt(0.3**2 + within**2 / 20) * rng.normal(size=4000)
    inside = np.abs(errors) < stats.t.ppf(0.975, found.df) * np.sqrt(found.variance)
    assert inside.mean() == pytest.approx(0.95, abs=3.5 * np.sqrt(0.95 * 0.05 / 4000))


def test_fillings_that_vary_more_than_the_draws_leave_no_negative_variance():
    found = _spread(drawn(np.random.default_rng(1), (DRAWS, 300), 0.0, 1.0), 20)
    assert (found.variance >= 0.5 / 20).all()


def test_draws_without_an_estimate_are_left_out_and_too_many_leave_nothing():
    rng = np.random.default_rng(2)
    found = drawn(rng, (DRAWS, 3), 1.0, 0.5)
    found[:10, 0, 1] = np.nan
    found[:25, 1, 2] = np.nan
    got, kept = _spread(found, 20), _spread(found[10:, :, [1]], 20)
    assert got.variance[1] == pytest.approx(kept.variance[0], rel=1e-12)
    assert np.isfinite(got.variance[:2]).all()
    assert np.isnan(got.variance[2])
    assert np.isnan(got.df[2])


def test_a_feature_that_one_patient_has_alone_has_no_spread():
    rng = np.random.default_rng(20261129)
    n = 80
    ids, number = np.array([f"p{i:02d}" for i in range(n)]), rng.poisson(1.5, n)
    number[5] = 2
    outcome = episodes(rng, ids, number)
    x = np.column_stack([rng.normal(size=n), np.arange(n) == 5])
    x[:4] = np.nan
    features = pd.DataFrame(x, index=ids, columns=["plain", "alone"])
    design = build_design(outcome, pd.DataFrame(index=ids), features, winsor=False)
    completed = complete(design, plan_imputation(design), imputations=2, seed=1)
    names = [design.feature_names[j] for j in completed.plan.columns]
    variance = spread_of_estimates(design, completed, np.arange(2)).variance[np.argsort(names)]
    assert np.isnan(variance[0])  # without him there is no estimate: in a third of the draws
    assert np.isfinite(variance[1])
    turned = np.random.default_rng(1).permutation(n)
    moved = build_design(
        replace(
            outcome, patient_id=ids[turned], value=outcome.value[turned], time=outcome.time[turned],
            event_patient=np.argsort(turned)[outcome.event_patient],
        ),
        pd.DataFrame(index=ids[turned]), features.iloc[turned], winsor=False,
    )  # fmt: skip
    again = complete(moved, plan_imputation(moved), imputations=2, seed=1)
    assert [moved.feature_names[j] for j in again.plan.columns] == names
    other = spread_of_estimates(moved, again, np.arange(2)).variance[np.argsort(names)]
    assert other[1] == pytest.approx(variance[1], rel=1e-6)
    part = spread_of_estimates(design, completed, np.array([names.index("plain")]))
    assert part.variance[0] == pytest.approx(variance[1], rel=1e-9)


def test_a_row_says_where_p_and_interval_disagree_about_zero():
    rng = np.random.default_rng(20261130)
    n, p = 70, 60
    ids, x = np.array([f"p{i:02d}" for i in range(n)]), rng.normal(size=(n, p))
    number = rng.poisson(np.exp(0.35 * x[:, :4].sum(axis=1)))
    outcome = episodes(rng, ids, number)
    x[rng.random((n, p)) < 0.3] = np.nan
    features = pd.DataFrame(x, index=ids, columns=[f"f{j}" for j in range(p)])
    design = build_design(outcome, pd.DataFrame(index=ids), features, winsor=False)
    found = impute_screen(design, screen(design, permutations=0), imputations=5, seed=1).screen.table
    rows = found[(found["model"] == ADJUSTED) & found["method"].str.contains("pooled")]
    assert len(rows) > 50  # the others lack more than 40 %
    outside = (rows["ci_low"] > 0) | (rows["ci_high"] < 0)
    disagree = outside != (rows["p_value"] < 0.05)
    assert disagree.any()
    assert not disagree.all()
    assert (rows["note"].str.contains(DISAGREE, regex=False) == disagree).all()
    assert rows["method"].str.contains(SPREAD, regex=False).all()


def test_tipping_points_start_from_the_row_of_the_screen_and_keep_its_spread():
    rng = np.random.default_rng(20261201)
    n = 70
    ids, x = np.array([f"p{i:02d}" for i in range(n)]), rng.normal(size=(n, 2))
    number = rng.poisson(np.exp(0.35 * x[:, 0]))
    outcome = episodes(rng, ids, number)
    x[rng.random((n, 2)) < 0.2] = np.nan
    features = pd.DataFrame(x, index=ids, columns=["a", "b"])
    design = build_design(outcome, pd.DataFrame(index=ids), features, winsor=False)
    found = impute_screen(design, screen(design, permutations=0), imputations=5, seed=1)
    rows = found.screen.table[found.screen.table["model"] == ADJUSTED].set_index("feature")
    table = tipping_points(design, found.completed, found.fits, ["b", "a"])
    assert list(dict.fromkeys(table["feature"])) == ["b", "a"]
    about = found.table.set_index("feature").loc[list(design.feature_names)]
    half = stats.t.ppf(0.975, about["df"]) * about["se"]  # one standard error, that of the interval
    interval = rows.loc[list(design.feature_names)]
    np.testing.assert_allclose(interval["estimate"] - interval["ci_low"], half, rtol=1e-9)
    np.testing.assert_allclose(found.screen.fit.se, about["se"], rtol=1e-12)
    for name, mine in table.groupby("feature"):
        whole = mine.set_index("shift_sd")
        for column in ("estimate", "ci_low", "ci_high", "p_value"):
            assert whole.at[0.0, column] == rows.at[name, column]
        assert np.ptp(whole["ci_high"] - whole["ci_low"]) < 1e-12
        assert whole["estimate"].nunique() == len(whole)
