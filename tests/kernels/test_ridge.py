"""Ridge paths against lifelines and scikit-learn, and against the laws of a penalty."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.kernels.ridge import RidgeCox, ridge_linear, ridge_logistic

INF = np.inf


@pytest.fixture(scope="module")
def lung(dataset):
    table = dataset("lung.csv")[["time", "status", "age", "ph.ecog", "wt.loss", "inst"]].dropna()
    x = table[["age", "ph.ecog", "wt.loss"]].to_numpy(float)
    return table["time"].to_numpy(float), (table["status"] == 2).to_numpy(float), (x - x.mean(0)) / x.std(0)


def test_cox_path_is_lifelines_own(lung):
    """lifelines penalises the mean log likelihood by penalizer / 2 on columns of SD 1 (divisor n - 1)."""
    from lifelines import CoxPHFitter

    time, event, x = lung
    n = len(time)
    x = x * np.sqrt((n - 1) / n)  # SD 1 as lifelines counts it
    found = RidgeCox(time, event, x)(np.ones(n), [[0.1 * n**2 / (n - 1)] * 3, [0.5 * n**2 / (n - 1)] * 3])
    table = pd.DataFrame(x, columns=list("abc")).assign(time=time, event=event)
    for lane, size in enumerate((0.1, 0.5)):
        fit = CoxPHFitter(penalizer=size, l1_ratio=0.0).fit(table, "time", "event")
        np.testing.assert_allclose(found.coef[lane], fit.params_.to_numpy(), rtol=1e-4)
    assert found.converged.all()


def test_without_a_penalty_the_fit_is_the_ordinary_one(lung):
    from discovery.kernels.cox import fit_cox

    time, event, x = lung
    free = RidgeCox(time, event, x)(np.ones(len(time)), [[0.0] * 3])
    fit = fit_cox(time, event, x)
    np.testing.assert_allclose(free.coef[0], fit.coef, rtol=1e-6)
    assert free.loglik[0] == pytest.approx(fit.loglik, rel=1e-10)
    again = RidgeCox(time, event, x).loglik_at(np.ones(len(time)), [free.coef[0], [0.0] * 3])
    assert again == pytest.approx([fit.loglik, fit.loglik_null], rel=1e-10)


def test_an_endless_penalty_leaves_a_column_out(lung):
    time, event, x = lung
    w = np.ones(len(time))
    both = RidgeCox(time, event, x)(w, [[1.0, INF, 2.0]])
    less = RidgeCox(time, event, x[:, [0, 2]])(w, [[1.0, 2.0]])
    assert both.coef[0, 1] == 0
    np.testing.assert_allclose(both.coef[0, [0, 2]], less.coef[0], rtol=1e-6)
    assert both.loglik[0] == pytest.approx(less.loglik[0], rel=1e-9)


def test_weights_are_repetitions_under_breslow_like_times():
    """Without ties a weight of 2 and no weight are two rows (tied) and none, up to the tie's treatment."""
    rng = np.random.default_rng(2)
    x, y = rng.normal(size=(80, 2)), (rng.random(80) < 0.4).astype(float)
    w = rng.integers(0, 3, 80).astype(float)
    rows = np.repeat(np.arange(80), w.astype(int))
    weighted = ridge_logistic(y, x, w, [[1.0, 4.0]])
    repeated = ridge_logistic(y[rows], x[rows], np.ones(rows.size), [[1.0, 4.0]])
    np.testing.assert_allclose(weighted.coef, repeated.coef, rtol=1e-7)
    np.testing.assert_allclose(
        ridge_linear(x[:, 0], x[:, 1:], w, [[2.0]]).coef,
        ridge_linear(x[rows, 0], x[rows, 1:], np.ones(rows.size), [[2.0]]).coef,
    )


def test_logistic_path_is_scikit_learns(dataset):
    from sklearn.linear_model import LogisticRegression

    table = dataset("wdbc.csv")
    y = table["malignant"].to_numpy(float)
    x = table.drop(columns=["malignant"]).select_dtypes("number").iloc[:, :5].to_numpy(float)
    z = (x - x.mean(0)) / x.std(0)
    found = ridge_logistic(y, z, np.ones(len(y)), [[2.0] * 5])
    fit = LogisticRegression(C=0.5, tol=1e-10, max_iter=2000).fit(z, y)
    np.testing.assert_allclose(found.coef[0, 1:], fit.coef_[0], rtol=1e-5)
    assert found.coef[0, 0] == pytest.approx(fit.intercept_[0], rel=1e-5)


def test_linear_path_is_scikit_learns(dataset):
    from sklearn.linear_model import Ridge

    table = dataset("diabetes_lars.csv")
    y = table["progression"].to_numpy(float)
    x = table.drop(columns="progression").to_numpy(float)
    z = (x - x.mean(0)) / x.std(0)
    found = ridge_linear(y, z, np.ones(len(y)), [[30.0] * z.shape[1]])
    fit = Ridge(alpha=30.0).fit(z, y)
    np.testing.assert_allclose(found.coef[0, 1:], fit.coef_, rtol=1e-8)


def test_a_larger_penalty_shrinks_and_a_separated_outcome_still_has_a_fit():
    rng = np.random.default_rng(3)
    x = rng.normal(size=(60, 1))
    y = (x[:, 0] > 0).astype(float)
    found = ridge_logistic(y, x, np.ones(60), [[0.5], [5.0], [50.0]])
    assert found.converged.all()
    assert (np.diff(found.coef[:, 1]) < 0).all()


@pytest.mark.parametrize("ridge", [ridge_logistic, ridge_linear])
def test_each_lane_is_the_fit_of_its_own_columns(ridge):
    """Lanes that leave different columns out, one of them without spread, beside each other and alone."""
    rng = np.random.default_rng(12)
    x, w = rng.normal(size=(80, 5)), rng.integers(0, 3, 80).astype(float)
    x[:, 3] = 2.0
    y = (rng.random(80) < 1 / (1 + np.exp(-x[:, 0]))).astype(float)
    lanes = np.array(
        [[0.1, INF, 3.0, 1.0, INF], [0.1, 2.0, INF, INF, 5.0], [INF] * 5, [1.0, 1.0, 1.0, 1.0, 1.0]]
    )
    together = ridge(y, x, w, lanes)
    for lane, penalty in enumerate(lanes):
        own = np.flatnonzero(np.isfinite(penalty) & (np.arange(5) != 3))
        expected = np.zeros(6)
        if own.size:
            alone = ridge(y, x[:, own], w, penalty[own][None, :])
            expected[np.append(0, 1 + own)] = alone.coef[0]
            assert together.loglik[lane] == pytest.approx(alone.loglik[0], rel=1e-12)
        else:
            share = w @ y / w.sum()
            expected[0] = np.log(share / (1 - share)) if ridge is ridge_logistic else share
        np.testing.assert_allclose(together.coef[lane], expected, rtol=1e-7, atol=1e-9)
