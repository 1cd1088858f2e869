"""Intervals from contributions freed of patients' own pull: least squares, refits without each patient."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from test_fine_gray_validity import PLAIN, cohort

from discovery.survival.fine_gray import (
    _censoring_terms,
    _entry_terms,
    _newton,
    _own_information,
    _prepare,
    _scores,
    fine_gray,
)
from discovery.survival.small_sample_interval import (
    RESTS_ON_TOO_FEW,
    freed_contributions,
    rests_on_few,
    t_interval,
)

START, LATE = "all at the start", "a third at the start"


def sample(seed, n, entry=START):
    """Time, status, entry and x (n,) of simulated patients, a log subdistribution hazard ratio of .5."""
    time, status, came, x = cohort(np.random.default_rng(seed), entry, "independent", PLAIN, n, 0.5)
    return time, status, came, x[:, 0]


def test_least_squares_have_hc3():
    import statsmodels.api as sm

    rng = np.random.default_rng(1)
    x = np.column_stack([np.ones(30), rng.normal(size=(30, 3))])
    y = x @ [1, 0.5, 0, 2] + rng.normal(size=30) * (1 + x[:, 1] ** 2)
    fit = sm.OLS(y, x).fit()
    freed = freed_contributions(x * fit.resid[:, None], x[:, :, None] * x[:, None, :], x.T @ x)
    np.testing.assert_allclose((freed**2).sum(axis=0), np.diag(fit.cov_HC3), rtol=1e-9)


def test_degrees_of_freedom_match_mean_and_variance_of_the_sum():
    # Two of ten contributions are 2 and eight 1: squares have the mean 1.6 and the variance 1.44.
    parts = np.array([2.0, -2, *[1] * 4, *[-1] * 4])[:, None]
    df = 2 * 16**2 / 14.4
    limits, p = t_interval(np.array([3.0]), parts, conf_level=0.9)
    assert limits[0] == pytest.approx([3 - stats.t.ppf(0.95, df) * 4, 3 + stats.t.ppf(0.95, df) * 4])
    assert p[0] == pytest.approx(2 * stats.t.sf(0.75, df))
    # A sum of squares of n normal values has n degrees of freedom.
    many = np.random.default_rng(2).normal(size=(40_000, 1))
    limits, _ = t_interval(np.zeros(1), many, conf_level=0.95)
    assert limits[0, 1] == pytest.approx(1.96 * 200, rel=0.02)


@pytest.mark.parametrize("how", [START, LATE])
def test_parts_of_the_information_and_scores_add_up(how):
    time, status, entry, x = sample(3, 120, how)
    x = np.column_stack([x, np.random.default_rng(4).normal(size=120)])
    w = _prepare(time, status, status == 1, "event at risk", None if how == START else entry)
    beta, _, _, information, _ = _newton(x, status == 1, w)
    own = _own_information(x, beta, w)
    np.testing.assert_allclose(own.sum(axis=0), information, atol=1e-10)
    assert np.linalg.eigvalsh(own).min() > -1e-12
    np.testing.assert_allclose(_scores(x, status == 1, beta, w).sum(axis=0), 0, atol=1e-7)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("how", [START, LATE])
def test_refits_without_each_patient_are_come_nearer(seed, how):
    # The jackknife itself: the model and its weights estimated anew without one patient after another.
    n = 60
    time, status, entry, x = sample(seed, n, how)
    fit = fine_gray(time, status, x, entry=entry)
    without = [
        fine_gray(*(values[np.arange(n) != i] for values in (time, status, x)), entry=np.delete(entry, i))
        for i in range(n)
    ]
    moved = fit.coef[0] - np.array([other.coef[0] for other in without])
    freed, plain = contributions(time, status, entry, x)
    assert fit.se[0] == pytest.approx(np.sqrt((plain**2).sum()))
    assert np.square(moved - freed[:, 0]).sum() < np.square(moved - plain[:, 0]).sum()
    assert fit.se[0] < np.sqrt((freed**2).sum()) < np.sqrt(np.square(moved).sum())
    limits, p = t_interval(fit.coef, freed, conf_level=0.95)
    np.testing.assert_allclose(fit.limits, limits, rtol=1e-7)
    np.testing.assert_allclose(fit.p_values, p, rtol=1e-6)


def contributions(time, status, entry, x):
    """Contributions (n, 1) to the coefficient in the unit of `x` (n,), freed and as the sandwich has them."""
    z, mine = ((x - x.mean()) / x.std())[:, None], status == 1
    w = _prepare(time, status, mine, "event at risk", entry)
    beta, _, _, information, _ = _newton(z, mine, w)
    scores = _scores(z, mine, beta, w) + _entry_terms(z, time, beta, w, w.late)
    scores += _censoring_terms(z, time, status, beta, w, "event at risk")
    freed = freed_contributions(scores, _own_information(z, beta, w), information)
    return freed / x.std(), scores / information[0, 0] / x.std()


def test_interval_and_p_agree_and_follow_the_unit():
    time, status, _, x = sample(5, 80)
    fit, other = fine_gray(time, status, x), fine_gray(time, status, 7 - x * 1e3)
    np.testing.assert_allclose(other.limits[0] * 1e3, -fit.limits[0, ::-1], rtol=1e-7)
    assert other.p_values[0] == pytest.approx(fit.p_values[0], rel=1e-6)
    at_p = fine_gray(time, status, x, conf_level=1 - fit.p_values[0]).limits[0]
    assert np.abs(at_p).min() == pytest.approx(0, abs=1e-8)
    row = fit.table().iloc[0]
    assert (row["ci_low"], row["ci_high"]) == tuple(fit.limits[0])
    assert row["ci_high"] - row["ci_low"] > 2 * 1.96 * row["se"]
    assert "small-sample t" in row["method"]


def test_a_covariate_known_from_one_patient_ends_without_a_fault():
    time, status, _, x = sample(6, 60)
    alone = np.zeros(60)
    alone[np.flatnonzero(status == 1)[3]] = 1
    fit = fine_gray(time, status, np.column_stack([x, alone]))
    assert np.isfinite(fit.limits[0]).all()
    assert 0 < fit.p_values[0] <= 1


def test_a_category_without_an_event_has_no_interval_and_the_others_keep_theirs():
    # Without competing events a hazard of 0 takes the nine out of every risk set.
    time, status, _, x = sample(7, 80)
    none = np.zeros(80)
    none[np.flatnonzero(status != 1)[:9]] = 1
    event, others = (status == 1).astype(int), none == 0
    fit = fine_gray(time, event, np.column_stack([x, none]))
    assert "did not converge" in fit.note
    assert np.isnan([*fit.limits[1], fit.p_values[1]]).all()
    alone = fine_gray(time[others], event[others], x[others])
    assert fit.coef[0] == pytest.approx(alone.coef[0], rel=1e-7)
    assert fit.se[0] == pytest.approx(alone.se[0], rel=1e-7)
    np.testing.assert_allclose(fit.limits[0], alone.limits[0], atol=0.01)  # nine more count for their df


def carriers(count, rng, n, apart=0.0):
    """A column (n,) of `count` ones among zeros, with a normal error of SD `apart` on all."""
    x = apart * rng.normal(size=n)
    x[rng.choice(n, count, replace=False)] += 1
    return x


def test_how_many_patients_are_behind_a_column():
    # (sum d^2)^2 / sum d^4 of k far off is k, of normal values n E(d^2)^2 / E(d^4) = n / 3.
    rng = np.random.default_rng(11)
    columns = [carriers(k, rng, 60) for k in (1, 4, 5, 30, 56)]
    columns += [carriers(k, rng, 60, apart=1e-3) for k in (1, 3, 5)]
    columns += [rng.normal(size=60), 1e9 + np.arange(60.0)]
    few = [True, True, False, False, True, True, True, False, False, False]
    assert rests_on_few(np.column_stack(columns)).tolist() == few
    normal = rng.normal(size=(12, 2000))  # worth 4 of 12
    assert 0.2 < rests_on_few(normal).mean() < 0.8
    assert not rests_on_few(rng.normal(size=(60, 2000))).any()


def test_one_of_few_carriers_has_no_interval_and_the_others_keep_theirs():
    time, status, _, x = sample(8, 80)
    both = np.column_stack([x, carriers(2, np.random.default_rng(9), 80)])
    fit = fine_gray(time, status, both)
    assert np.isfinite([*fit.limits[0], fit.p_values[0]]).all()
    assert np.isnan([*fit.limits[1], fit.p_values[1]]).all()
    rows = fit.table()
    assert [RESTS_ON_TOO_FEW in note for note in rows["note"]] == [False, True]
    assert rows[["ci_low", "ci_high", "p_value"]].isna().all(axis=1).tolist() == [False, True]


def test_without_an_effect_five_carriers_are_told_of_one_in_twenty(full_validity):
    # A null study: two causes and censoring, none of which depends on the column.
    runs = 4000 if full_validity else 400
    rng = np.random.default_rng(20261127)
    for count, apart in ((5, 0.0), (8, 0.0), (5, 0.01)):
        p = []
        for _ in range(runs):
            first, second = rng.exponential(100, 60), rng.exponential(120, 60)
            censored = rng.uniform(30, 400, 60)
            time = np.minimum(np.minimum(first, second), censored)
            status = np.where(time == first, 1, np.where(time == second, 2, 0))
            p.append(fine_gray(time, status, carriers(count, rng, 60, apart)).p_values[0])
        p = np.array(p)
        assert np.isfinite(p).mean() > 0.9  # without an event among the five there is no maximum
        assert (p <= 0.05).mean() < 0.05 + 3 * np.sqrt(0.05 * 0.95 / runs)
