"""Counts as an outcome of the screen, against statsmodels on open data."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from discovery.association.design import build_design
from discovery.association.effect_modification import effect_modification
from discovery.association.kinds import kind_of
from discovery.association.screen import screen
from discovery.association.spline import restricted_cubic_spline
from discovery.association.spline_curve import shape_of_effects
from discovery.cohort.imputed_screen import impute_screen
from discovery.markers.refit import prepare_refit
from discovery.markers.site_check import check_sites
from discovery.markers.table import rank_markers
from discovery.study import Outcome


def arrests(shared):
    """Prior convictions of the recidivism data over the years since 15 (Rossi 1980)."""
    data = pd.read_csv(shared / "datasets" / "rossi.csv", keep_default_na=False, na_values=[""])
    ids = np.array([f"P{i:03d}" for i in range(len(data))], dtype=object)
    rng = np.random.default_rng(1)
    outcome = Outcome(
        name="prior", kind="count", label="Prior convictions", patient_id=ids,
        value=data["prio"].to_numpy(float), exposure=data["age"].to_numpy(float) - 15,
    )  # fmt: skip
    features = data[["wexp", "mar", "paro"]].astype(float).assign(x=rng.normal(size=len(data)))
    return outcome, data[["race", "fin"]].astype(float).set_axis(ids), features.set_axis(ids)


def reference(y, exposure, x):
    from statsmodels.discrete.discrete_model import NegativeBinomial

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = NegativeBinomial(y, np.column_stack([np.ones(len(y)), x]), offset=np.log(exposure))
        first = model.fit(method="bfgs", disp=0, maxiter=2000, gtol=1e-9)
        return model.fit(start_params=first.params, method="newton", disp=0, maxiter=100, tol=1e-14)


def test_every_row_is_the_negative_binomial_of_statsmodels(shared):
    import statsmodels.api as sm

    design = build_design(*arrests(shared))
    found = screen(design, permutations=200, rng=np.random.default_rng(2))
    rows = found.table[found.table["model"] == "adjusted"].set_index("feature")
    simple = reference(design.y, design.exposure, design.base)
    for j, name in enumerate(design.feature_names):
        whole = reference(design.y, design.exposure, np.column_stack([design.base, design.features[:, j]]))
        assert rows.at[name, "estimate"] == pytest.approx(whole.params[-2], abs=1e-6)
        assert found.fit.se[j] == pytest.approx(whole.bse[-2], rel=1e-4)
        expected = stats.chi2.sf(2 * (whole.llf - simple.llf), 1)
        assert rows.at[name, "p_value"] == pytest.approx(expected, rel=1e-5)
        assert rows.at[name, "ci_low"] < rows.at[name, "estimate"] < rows.at[name, "ci_high"]
        apart = rows.at[name, "ci_low"] > 0 or rows.at[name, "ci_high"] < 0
        assert apart == (rows.at[name, "p_value"] < 0.05)
        assert rows.at[name, "p_familywise"] >= 0.5 * rows.at[name, "p_value"]
    dispersion = found.table[found.table["model"] == "dispersion"].iloc[0]
    assert dispersion["estimate"] == pytest.approx(simple.params[-1], abs=1e-5)
    z = np.column_stack([np.ones(design.n), design.base])
    poisson = sm.GLM(design.y, z, family=sm.families.Poisson(), offset=np.log(design.exposure)).fit()
    expected = 0.5 * stats.chi2.sf(2 * (simple.llf - poisson.llf), 1)
    assert dispersion["p_value"] == pytest.approx(expected, rel=1e-4)


def test_the_gain_is_the_deviance_of_statsmodels(shared):
    """R2 of base and whole model by `GLM(NegativeBinomial(alpha))` deviances at the base model's alpha."""
    import statsmodels.api as sm

    design = build_design(*arrests(shared))
    refit = prepare_refit(design, np.zeros(4, dtype=bool), np.arange(4))
    got = refit(np.ones(design.n))
    simple = reference(design.y, design.exposure, design.base)
    whole = reference(design.y, design.exposure, np.column_stack([design.base, design.features[:, 0]]))
    family, offset = sm.families.NegativeBinomial(alpha=simple.params[-1]), np.log(design.exposure)
    none = sm.GLM(design.y, np.ones(design.n), family=family, offset=offset).fit(tol=1e-12)
    explained = [1 - family.deviance(design.y, fit.predict()) / none.deviance for fit in (simple, whole)]
    assert got.base[0, 0] == pytest.approx(explained[0], abs=1e-6)
    assert got.gain[0, 0] == pytest.approx(explained[1] - explained[0], abs=1e-6)


def test_shape_and_modification_of_a_feature_with_gaps_are_those_of_the_patients_who_have_it(shared):
    """Exposures go with their patients: the same numbers as from a table without the others."""
    outcome, covariates, features = arrests(shared)
    gone = np.arange(len(features)) % 4 == 1
    features["x"] = features["x"].where(~gone)
    group = pd.Series(np.where(np.arange(len(features)) % 3, "a", "b"), index=features.index)
    design = build_design(outcome, covariates, features, winsor=False)
    fewer = replace(
        outcome, patient_id=outcome.patient_id[~gone], value=outcome.value[~gone],
        exposure=outcome.exposure[~gone],
    )  # fmt: skip
    about = {"scaling": design.scaling, "coding": design.coding}
    alone = build_design(fewer, covariates, features, **about)
    assert alone.n == (~gone).sum() < design.n
    for found, wanted in zip(shape_of_effects(design, ["x"]), shape_of_effects(alone, ["x"]), strict=True):
        pd.testing.assert_frame_equal(found, wanted)
    found, wanted = (
        effect_modification(one.take_features(np.array([3])), group.loc[one.patient_id], modifier="g")
        for one in (design, alone)
    )
    pd.testing.assert_frame_equal(found.tests, wanted.tests)
    pd.testing.assert_frame_equal(found.effects, wanted.effects)
    assert np.isfinite(found.tests["p_value"]).all()


def test_the_bends_of_a_long_tailed_feature_are_those_of_statsmodels():
    """Their coefficients are large and cancel each other; no value separates anything."""
    rng = np.random.default_rng(29)
    n = 180
    x = rng.lognormal(0, 0.8, n)
    y = rng.poisson(rng.gamma(1, 1.5 * np.exp(0.3 * np.minimum(x, 3) - 0.3)))
    ids = np.array([f"P{i:03d}" for i in range(n)], dtype=object)
    outcome = Outcome(
        name="o", kind="count", label="o", patient_id=ids, value=y.astype(float), exposure=np.ones(n)
    )
    covariates = pd.DataFrame({"z": rng.normal(size=n)}, index=ids)
    design = build_design(outcome, covariates, pd.DataFrame({"x": x}, index=ids), winsor=False)
    found = screen(design, shape="flexible", permutations=0).shapes
    own = design.features[:, 0]
    basis = restricted_cubic_spline(own, np.quantile(own, [0.05, 0.35, 0.65, 0.95]))
    line, curve = (reference(y, np.ones(n), np.column_stack([design.base, basis[:, :k]])) for k in (1, 3))
    assert found.df[0] == 2
    wanted = stats.chi2.sf(2 * (curve.llf - line.llf), 2)
    assert found.p_nonlinear[0] == pytest.approx(wanted, rel=1e-4)


@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # of statsmodels, whose weights overflow
def test_a_covariate_in_another_unit_in_one_patient_leaves_the_dispersion_untested_and_stops_nothing():
    """Poisson's fit fails where the expected count of that patient runs to 0; the screen's own does not."""
    rng = np.random.default_rng(3)
    x = rng.normal(size=60)
    y = rng.poisson(np.exp(np.clip(-2 * x, -2, 2.5))).astype(float)
    x[0], y[0] = 1000, 0
    ids = np.array([f"P{k:02d}" for k in range(60)], dtype=object)
    outcome = Outcome(name="visits", kind="count", label="Visits", patient_id=ids, value=y)
    covariates = pd.DataFrame({"x": x}, index=ids)
    features = pd.DataFrame({"f": rng.normal(size=60)}, index=ids)
    table = screen(build_design(outcome, covariates, features), permutations=0).table.set_index("model")
    assert np.isnan(table.loc["dispersion", "p_value"])
    assert np.isfinite(table.loc[table["feature"] == "f", "p_value"]).all()


def test_without_a_stable_base_model_nothing_is_assessed_and_the_reason_said():
    """All counts of a group are 0: its rate runs to 0, and no model that holds it has a fit."""
    rng = np.random.default_rng(1)
    ids = np.array([f"P{i:02d}" for i in range(80)])
    rare = np.arange(80) % 8 == 0
    value = np.where(rare, 0, rng.poisson(1.0, 80)).astype(float)
    outcome = Outcome(name="visits", kind="count", label="Visits", patient_id=ids, value=value)
    covariates = pd.DataFrame({"rare": rare.astype(float)}, index=ids)
    features = pd.DataFrame(rng.normal(size=(80, 3)), index=ids, columns=list("xyz"))
    features.iloc[:20, 2] = np.nan
    design = build_design(outcome, covariates, features)
    found = screen(design, permutations=20, rng=rng)
    why = (
        "not assessed: the base model has no stable fit (fewer adjust_for covariates, or more patients with "
        "a count, are wanted)"
    )
    assert not found.assessed.any()
    assert (found.table["note"] == why).all()
    assert set(found.table["model"]) == {"adjusted", "base"}
    assert found.table[["estimate", "p_value"]].isna().all(axis=None)
    imputed = impute_screen(design, found, imputations=2, seed=1)
    assert not imputed.screen.assessed.any()
    markers = rank_markers(
        [design], [imputed.screen], seed=1, replicates=5, completed={"visits": imputed.completed}
    ).table
    assert set(markers["verdict"]) == {"not assessable"}
    assert set(markers["verdict_rule"]) == {why}


def test_groups_that_the_base_model_holds_already_are_told_apart(shared):
    """The interaction of statsmodels, whose model has the group once."""
    outcome, covariates, features = arrests(shared)
    design = build_design(outcome, covariates, features[["x", "wexp"]])
    race = covariates["race"].to_numpy()
    found = effect_modification(design, race.astype(int).astype(str), modifier="race")
    both = np.column_stack([race == 0, race == 1]).astype(float)
    for j, feature in enumerate(design.feature_names):
        x = design.features[:, [j]]
        apart = reference(design.y, design.exposure, np.column_stack([design.base, both * x]))
        alike = reference(design.y, design.exposure, np.column_stack([design.base, x]))
        test = found.tests.set_index("feature").loc[feature]
        assert test["statistic"] == pytest.approx(2 * (apart.llf - alike.llf), abs=1e-5)
        effects = found.effects[found.effects["feature"] == feature]
        np.testing.assert_allclose(effects["estimate"], apart.params[-3:-1], atol=1e-5)


def test_the_site_left_out_may_be_the_one_without_a_column_of_its_own(shared):
    outcome, covariates, features = arrests(shared)
    site = pd.Series(np.array(["a", "b", "c"])[np.arange(len(features)) % 3], index=features.index)
    design = build_design(outcome, covariates, features[["x", "wexp"]], site=site)
    table = check_sites(prepare_refit(design, np.zeros(2, bool), [0, 1]), rng=np.random.default_rng(3)).table
    rest = design.site != "a"
    base = np.column_stack([covariates, design.site == "b"])[rest].astype(float)
    for j in range(2):
        x = design.features[rest, j]
        expected = reference(design.y[rest], design.exposure[rest], np.column_stack([base, x])).params[-2]
        got = table[(table["site_left_out"] == "a") & (table["feature"] == design.feature_names[j])]
        assert got["estimate"].item() == pytest.approx(expected, abs=1e-5)
        assert np.isfinite(got["gain"].item())


def rates_by_other_causes(seed, causes):
    """Counts with a gamma frailty, perhaps three causes that are not modelled, and twenty idle features."""
    rng, n = np.random.default_rng(seed), 120
    pull = rng.normal(size=(n, 3)).sum(axis=1) if causes else rng.normal(size=n) * 0
    value = rng.poisson(2.0 * np.exp(0.8 * pull) * rng.gamma(2.0, 0.5, n)).astype(float)
    ids = np.array([f"P{i:03d}" for i in range(n)], dtype=object)
    outcome = Outcome(name="o", kind="count", label="o", patient_id=ids, value=value)
    index = pd.Index(ids, name="patient_id")
    features = pd.DataFrame(rng.normal(size=(n, 20)), index=index).add_prefix("f")
    return build_design(outcome, pd.DataFrame({"z": rng.normal(size=n)}, index=index), features)


def test_a_row_says_where_its_p_leans_on_the_gamma_distribution():
    """Of features without effect the likelihood ratio rejects too many where other causes drive the rate."""
    said, small = 0, 0
    for seed in range(12):
        found = screen(rates_by_other_causes(seed, causes=True), permutations=0)
        rows = found.table[(found.table["model"] == "adjusted") & (found.table["term"] != "z")]
        doubted = rows["note"].str.contains("p leans on the distribution")
        assert (rows["p_value"][doubted] <= 0.05).all()
        said, small = said + doubted.sum(), small + (rows["p_value"] <= 0.05).sum()
    assert small > 0.08 * 240
    assert said > small / 3
    quiet = [screen(rates_by_other_causes(seed, causes=False), permutations=0).table for seed in range(6)]
    assert sum(t["note"].str.contains("p leans").sum() for t in quiet) <= 3


def test_the_second_p_is_that_of_drawn_signs():
    """Drawn signs of scores made from the model of statsmodels; the saddlepoint is nearest in the tail."""
    design = rates_by_other_causes(3, causes=False)
    found = kind_of("count").p_without_distribution(design)
    columns = np.column_stack([np.ones(design.n), design.base])
    *coef, alpha = reference(design.y, np.ones(design.n), design.base).params
    mu = np.exp(columns @ coef)
    v = mu / (1 + alpha * mu)
    onto = np.linalg.solve((columns.T * v) @ columns, columns.T * v)
    clean = design.features - columns @ (onto @ design.features)
    clean -= clean.mean(axis=0)
    terms = ((design.y - mu) / (1 + alpha * mu) / (1 - np.diag(columns @ onto)))[:, None] * clean
    signs = np.random.default_rng(1).choice([-1.0, 1.0], size=(40_000, design.n))
    drawn = (np.abs(signs @ terms) >= np.abs(terms.sum(axis=0)) - 1e-12).mean(axis=0)
    np.testing.assert_allclose(found, drawn, atol=0.02)
    tail = drawn < 0.3
    assert tail.sum() > 3
    np.testing.assert_allclose(found[tail], drawn[tail], atol=0.008)


def test_a_pooled_row_says_too_where_its_p_leans_on_the_gamma_distribution():
    """The middle one of the copies' p by signs, each of a design with that copy's values."""
    said = 0
    for seed in range(6):
        whole = rates_by_other_causes(seed, causes=True)
        gaps = np.arange(whole.n)[:, None] % 60 == np.arange(20)
        holed = replace(
            whole, features=np.where(gaps, np.nan, whole.features), observed=whole.observed & ~gaps
        )
        pooled = impute_screen(holed, screen(holed, permutations=0), imputations=5, seed=1)
        copies = pooled.completed.copies[:, :, np.argsort(pooled.completed.plan.columns)]
        signs = [kind_of("count").p_without_distribution(replace(whole, features=copy)) for copy in copies]
        doubted = (pooled.screen.p_value <= 0.05) & (np.median(signs, axis=0) > 0.05)
        rows = pooled.screen.table
        rows = rows[(rows["model"] == "adjusted") & (rows["term"] == rows["feature"])]
        assert list(rows["feature"]) == list(whole.feature_names)
        assert (rows["note"].str.contains("p leans").to_numpy() == doubted).all()
        said += doubted.sum()
    assert said > 5


def test_a_draw_expects_no_rate_beyond_those_it_was_learned_from():
    """Without covariates that is the model judged with the outlying value at the edge of what it has seen."""
    rng, n = np.random.default_rng(4), 80
    x = rng.normal(size=n)
    value = rng.poisson(np.exp(1.0 + 0.5 * x)).astype(float)
    x[0], value[0] = 25.0, 3.0
    ids = np.array([f"P{i:03d}" for i in range(n)], dtype=object)
    outcome = Outcome(name="o", kind="count", label="o", patient_id=ids, value=value)
    index = pd.Index(ids, name="patient_id")
    weights = np.ones(n)
    weights[0] = 0.0
    found = []
    for outlying in (25.0, x[1:].max()):
        features = pd.DataFrame({"x": np.where(np.arange(n) == 0, outlying, x)}, index=index)
        design = build_design(outcome, pd.DataFrame(index=index), features, winsor=False)
        refit = prepare_refit(design, np.zeros(1, bool), [0])
        found.append(refit(weights, np.ones((n, 1))).gain.item())
    assert found[0] == pytest.approx(found[1], abs=1e-9)
    assert found[0] > 0
