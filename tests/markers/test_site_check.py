"""Site-driven findings: planted confounding by site, planted effects, and left-out fits done by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from discovery.association.design import build_design
from discovery.markers.refit import OutcomeRefit
from discovery.markers.site_check import check_sites, without_site
from discovery.study import Outcome

KINDS = ["survival", "binary", "continuous"]


def confounded(kind, seed=0, n=300):
    """Outcome and feature "device" both differ between sites; "real" acts within sites."""
    rng = np.random.default_rng(seed)
    site = np.repeat(["A", "B", "C"], n // 3)
    level = np.repeat([-1.0, 0.0, 1.0], n // 3)
    device, real = level * 1.5 + rng.normal(size=n), rng.normal(size=n)
    eta = 1.2 * level + 0.8 * real
    ids = pd.Index([f"P{k:03d}" for k in range(n)])
    common = {"name": "o", "kind": kind, "label": "o", "patient_id": np.asarray(ids)}
    if kind == "survival":
        time = rng.exponential(np.exp(-eta))
        outcome = Outcome(**common, time=time, status=np.ones(n))
    elif kind == "binary":
        outcome = Outcome(**common, value=(rng.random(n) < 1 / (1 + np.exp(-eta))).astype(float))
    else:
        outcome = Outcome(**common, value=eta + rng.normal(size=n))
    features = pd.DataFrame({"device": device, "real": real, "noise": rng.normal(size=n)}, index=ids)
    covariates = pd.DataFrame({"age": rng.normal(size=n)}, index=ids)
    return build_design(outcome, covariates, features, site=pd.Series(site, index=ids))


@pytest.mark.parametrize("kind", KINDS)
def test_a_feature_that_only_knows_the_site_is_significant_only_without_it(kind, screened):
    design = confounded(kind)
    found = check_sites(OutcomeRefit(design, np.zeros(3, dtype=bool)), rng=np.random.default_rng(1))
    within = screened(design).p_value
    assert found.q_without_site[0] < 0.001
    assert within[0] > 0.05
    assert found.q_without_site[1] < 0.001
    assert within[1] < 0.001
    assert found.flipped_without[1] == ()


@pytest.mark.parametrize("kind", KINDS)
def test_left_out_estimate_is_that_of_the_other_sites_alone(kind, screened):
    design = confounded(kind, 2)
    found = check_sites(OutcomeRefit(design, np.zeros(3, dtype=bool)), rng=np.random.default_rng(1))
    table = found.table
    assert len(table) == 9
    keep = design.site != "B"
    rows = ("patient_id", "features", "observed", "y", "time", "event", "status", "stratum", "site")
    parts = {k: None if v is None else v[keep] for k in rows for v in [getattr(design, k)]}
    varies = design.base[keep].std(axis=0) > 0
    terms = tuple(t for t, use in zip(design.terms, varies) if use)
    alone = replace(design, **parts, base=design.base[keep][:, varies], terms=terms)
    want = screened(alone).fit.coef[:, -1]
    if kind == "continuous":  # the screen puts its outcome on its own SD
        want = want * alone.y.std(ddof=1) / design.y.std(ddof=1)
    got = table.loc[table["site_left_out"] == "B", "estimate"].to_numpy()
    np.testing.assert_allclose(got, want, rtol=1e-6, atol=1e-8)


def test_the_sign_of_few_complete_cases_does_not_make_a_finding_site_driven():
    """Forty complete cases of three hundred, the sign turned among those outside site A."""
    design = confounded("continuous", 3)
    rng = np.random.default_rng(5)
    few = np.zeros(design.n, dtype=bool)
    few[rng.choice(np.flatnonzero(design.site == "A"), 80, replace=False)] = True
    others = rng.choice(np.flatnonzero(design.site != "A"), 40, replace=False)
    few[others] = True
    y = design.y.copy()
    y[others] -= 1.6 * design.features[others, 1]
    rows = ("patient_id", "features", "observed", "stratum", "site", "base")
    parts = {k: None if v is None else v[few] for k in rows for v in [getattr(design, k)]}
    refit = OutcomeRefit(replace(design, y=y[few], **parts), np.zeros(3, dtype=bool))
    alone = check_sites(refit, rng=np.random.default_rng(1))
    assert "A" in alone.flipped_without[1]
    found = check_sites(refit, rng=np.random.default_rng(1), rests_on=np.full(3, 300))
    assert "A" not in found.flipped_without[1]
    np.testing.assert_array_equal(found.table["estimate"], alone.table["estimate"])


def test_gains_at_a_site_are_counted_in_the_patients_with_the_feature():
    design = confounded("binary", 2)
    seen = design.observed.copy()
    seen[:70, 1] = False
    holes = replace(design, observed=seen)
    found = check_sites(OutcomeRefit(holes, np.zeros(3, dtype=bool)), rng=np.random.default_rng(1))
    own = found.table[found.table["feature"] == "real"]
    assert own["n"].tolist() == [30, 100, 100]
    assert found.gain_left_out_sites[1] == pytest.approx(np.average(own["gain"], weights=[30, 100, 100]))
    assert found.table.loc[found.table["feature"] == "noise", "n"].eq(100).all()


def test_confounding_by_site_inflates_the_gain_in_random_folds_only():
    # methods: a null feature confounded with the site gains in random folds, not in left-out sites
    gaps = []
    for seed in range(6):
        design = without_site(confounded("binary", seed))
        found = check_sites(OutcomeRefit(design, np.zeros(3, dtype=bool)), rng=np.random.default_rng(seed))
        gaps.append(found.gain_random_folds[0] - found.gain_left_out_sites[0])
        assert found.gain_left_out_sites[1] > 0.05
    assert np.mean(gaps) > 0.02


def test_without_site_nothing_of_the_site_is_left():
    for kind in KINDS:
        free = without_site(confounded(kind))
        assert free.stratum is None
        assert free.base.shape[1] == 1
        assert [t.covariate for t in free.terms] == ["age"]


def test_one_site_or_none_has_nothing_to_compare(planted_design):
    design = planted_design("binary", 1, sites=1)
    assert check_sites(OutcomeRefit(design, np.zeros(12, dtype=bool)), rng=np.random.default_rng(1)) is None


@pytest.mark.parametrize("kind", KINDS)
def test_the_effect_when_site_is_ignored_is_that_of_a_general_library(kind):
    """lifelines' Cox model and statsmodels' logistic and linear ones, on the same scale."""
    import statsmodels.api as sm
    from lifelines import CoxPHFitter

    design = confounded(kind)
    found = check_sites(OutcomeRefit(design, np.zeros(3, dtype=bool)), rng=np.random.default_rng(1))
    free = without_site(design)
    table = pd.DataFrame(np.column_stack([free.base, design.features[:, 0]]), columns=["age", "device"])
    if kind == "survival":
        rows = table.assign(time=design.time, event=1)
        fit = CoxPHFitter().fit(rows, "time", "event")
        expected, inside = fit.params_["device"], fit.confidence_intervals_.loc["device"].to_numpy()
    else:
        y = np.asarray(design.y)
        y = (y - y.mean()) / y.std(ddof=1) if kind == "continuous" else y
        model = sm.OLS if kind == "continuous" else sm.Logit
        fit = model(y, sm.add_constant(table)).fit(**({"disp": 0} if kind == "binary" else {}))
        expected, inside = fit.params["device"], fit.conf_int().loc["device"].to_numpy()
    assert found.estimate_without_site[0] == pytest.approx(expected, abs=1e-4)
    # the library's interval is Wald's, ours of the likelihood
    np.testing.assert_allclose([found.low_without_site[0], found.high_without_site[0]], inside, atol=0.05)
    assert found.low_without_site[0] > 0  # the site's own difference, taken for the feature's
