"""The effect within reach: against sample-size formulas of the literature, and against simulated studies."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from discovery.association.design import build_design
from discovery.association.screen import screen
from discovery.cohort.incomplete_covariates import wide_design
from discovery.cohort.screen_with_covariates import impute_screen_and_covariates
from discovery.kernels.cox import screen_cox
from discovery.kernels.logistic import screen_logistic
from discovery.markers.detectable import detectable_effect, null_standard_errors
from discovery.markers.table import rank_markers
from discovery.study import Outcome

LEVEL = 0.05 / 30


def design_for(kind, x, covariates=None, **values):
    ids = pd.Index([f"P{k:04d}" for k in range(len(x))], name="patient_id")
    features = pd.DataFrame(x, index=ids, columns=[f"f{k}" for k in range(x.shape[1])])
    table = pd.DataFrame(covariates, index=ids) if covariates is not None else pd.DataFrame(index=ids)
    outcome = Outcome(name="o", kind=kind, label="o", patient_id=np.asarray(ids), **values)
    return build_design(outcome, table, features, winsor=False)


def test_cox_is_schoenfeld_s_formula():
    """Schoenfeld, Biometrics 1983;39:499-503: variance of the log hazard ratio is 1 / (D var x)."""
    rng = np.random.default_rng(3)
    n = 4000
    x, died, censored = rng.normal(size=(n, 6)), rng.exponential(size=n), rng.exponential(1.4, n)
    status = (died <= censored).astype(float)
    design = design_for("survival", x, time=np.minimum(died, censored), status=status)
    np.testing.assert_allclose(null_standard_errors(design), 1 / np.sqrt(status.sum()), rtol=0.03)
    # events for a hazard ratio of 1.5 at .05 and power .8, from the same paper's formula: 47.7
    assert np.exp(detectable_effect(1 / np.sqrt(47.74), 0.05)) == pytest.approx(1.5, abs=2e-4)


def test_logistic_is_hsieh_s_formula_with_covariates():
    """Hsieh, Bloch & Larsen, Stat Med 1998;17:1623-1634: 1 / (n p (1 - p)), by 1 - R2 of x on the rest."""
    rng = np.random.default_rng(4)
    n, share = 3000, 0.3
    other = rng.normal(size=n)
    x = np.column_stack([rng.normal(size=n), 0.6 * other + 0.8 * rng.normal(size=n)])
    y = np.zeros(n)
    y[rng.permutation(n)[: int(share * n)]] = 1.0
    plain = null_standard_errors(design_for("binary", x, value=y))
    np.testing.assert_allclose(plain, 1 / np.sqrt((n - 1) * share * (1 - share)), rtol=1e-9)
    given = null_standard_errors(design_for("binary", x, {"other": other}, value=y))
    inflation = 1 / np.sqrt(1 - np.corrcoef(other, x.T)[0, 1:] ** 2)
    np.testing.assert_allclose(given, plain * inflation, rtol=0.01)


def test_linear_is_the_least_squares_formula_without_the_feature():
    rng = np.random.default_rng(5)
    n = 60
    z, x = rng.normal(size=n), rng.normal(size=(n, 1))
    y = 5 + 2 * z + 3 * x[:, 0] + rng.normal(size=n)
    y_unit = (y - y.mean()) / y.std(ddof=1)
    base = np.column_stack([np.ones(n), z])
    x_unit = (x[:, 0] - x.mean()) / x.std(ddof=1)

    def left(v):
        return v - base @ np.linalg.lstsq(base, v, rcond=None)[0]

    expected = np.sqrt((left(y_unit) ** 2).sum() / (n - 2) / (left(x_unit) ** 2).sum())
    assert null_standard_errors(design_for("continuous", x, {"z": z}, value=y))[0] == pytest.approx(expected)


def simulated_power(kind, effect, n, studies, rng):
    """Share of simulated studies with a true `effect` per SD whose likelihood-ratio p is within LEVEL."""
    found = 0
    for _ in range(studies):
        x = rng.normal(size=(n, 1))
        x = (x - x.mean()) / x.std()
        nothing = np.zeros((n, 0))
        if kind == "binary":
            y = (rng.random(n) < 1 / (1 + np.exp(0.5 - effect * x[:, 0]))).astype(float)
            z = screen_logistic(y, nothing, x).z[0]
        else:
            died, censored = rng.exponential(np.exp(-effect * x[:, 0])), rng.exponential(1.5, n)
            event = (died <= censored).astype(float)
            z = screen_cox(np.minimum(died, censored), event, nothing, x).z[0]
        found += 2 * stats.norm.sf(abs(z)) <= LEVEL
    return found / studies


@pytest.mark.parametrize(("kind", "strong"), [("binary", 2.5), ("survival", 0.5)])
def test_a_marker_of_that_size_is_found_in_eight_of_ten_studies(kind, strong):
    """Simulation; the effect is stated by a study whose own marker is stronger than that."""
    rng = np.random.default_rng(6)
    n, studies = 400, 600
    x = rng.normal(size=(n, 1))
    eta = strong * x[:, 0]
    if kind == "binary":
        values = {"value": (rng.random(n) < 1 / (1 + np.exp(0.8 - eta))).astype(float)}
    else:
        died, censored = rng.exponential(np.exp(-eta)), rng.exponential(1.5, n)
        values = {"time": np.minimum(died, censored), "status": (died <= censored).astype(float)}
    design = design_for(kind, x, **values)
    size = float(detectable_effect(null_standard_errors(design), LEVEL)[0])
    power = simulated_power(kind, size, n, studies, rng)
    # binomial error .016; the formula is of first order in the effect: a few hundredths more either way
    assert power == pytest.approx(0.8, abs=0.08)
    if kind == "binary":
        fitted = float(detectable_effect(screen(design, permutations=0).fit.se, LEVEL)[0])
        assert fitted > 1.2 * size


def test_the_column_of_the_table_is_at_the_level_it_states(planted_design, screened):
    first, second = planted_design("binary", 1, name="a"), planted_design("continuous", 1, name="b")
    t = rank_markers([first, second], [screened(first), screened(second)], seed=1, replicates=0).table
    assert t["detectable_level"].to_numpy() == pytest.approx(0.05 / 24)
    factor = stats.norm.isf(0.05 / 48) + stats.norm.ppf(0.8)
    np.testing.assert_allclose(t["detectable_effect"], factor * t["se_null"])
    own = null_standard_errors(first)
    mine = t[t["outcome"] == "a"].set_index("feature")["se_null"]
    np.testing.assert_array_equal(mine.loc[list(first.feature_names)], own)


@pytest.mark.parametrize("kind", ["continuous", "binary", "survival"])
def test_of_imputed_data_it_is_that_of_the_pooled_model(kind):
    """A feature without an effect: its fitted pooled standard error is already the one without an effect."""
    rng = np.random.default_rng(20261126)
    n = 400
    ids = pd.Index([f"P{k:04d}" for k in range(n)], name="patient_id")
    z = pd.DataFrame(rng.normal(size=(n, 2)), index=ids, columns=["a", "b"])
    y = 0.5 * z["a"].to_numpy() + rng.logistic(size=n)
    values = {
        "continuous": {"value": y},
        "binary": {"value": (y > 0.5).astype(float)},
        "survival": {"time": np.minimum(np.exp(-y), 2.0), "status": (np.exp(-y) < 2.0).astype(float)},
    }[kind]
    outcome = Outcome(name="o", kind=kind, label="o", patient_id=np.asarray(ids), **values)
    features = pd.DataFrame(rng.normal(size=(n, 2)), index=ids, columns=["noise", "gaps"])
    features["gaps"] = features["gaps"].where(rng.random(n) > 0.25)
    covariates = z.where(rng.random((n, 2)) > 0.3)
    narrow = build_design(outcome, covariates, features, winsor=False)
    wide = wide_design(outcome, covariates, features, narrow)
    before = screen(narrow, permutations=0)
    found = impute_screen_and_covariates(narrow, before, wide, imputations=20, seed=1)
    table = rank_markers(
        [narrow], [found.screen], seed=1, replicates=0, completed={"o": found.completed},
        wider={"o": found.design},
    ).table.set_index("feature")  # fmt: skip
    pooled = pd.Series(found.screen.fit.se, found.screen.features)[table.index]
    np.testing.assert_allclose(table["se_null"], pooled, rtol=0.04)
    alone = pd.Series(null_standard_errors(narrow), narrow.feature_names)[table.index]
    assert (table["se_null"] < 0.8 * alone).all()  # half of the patients have both covariates
