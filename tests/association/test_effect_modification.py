"""Interaction tests against statsmodels, planted differences, shrinking, and groups too small to say."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from discovery.association.effect_modification import drawn_to_common, effect_modification
from discovery.problems import InputError


def made(design_from_arrays, kind, n=300, p=3, seed=0, slopes=(0.0, 0.0, 0.0), features=None):
    rng = np.random.default_rng(seed)
    group = rng.integers(0, 3, n)
    base, x = rng.normal(size=(n, 2)), rng.normal(size=(n, p))
    pull = np.asarray(slopes)[group] * x[:, 0] + 0.3 * base[:, 0]
    if kind == "survival":
        time = rng.exponential(size=n) * np.exp(-pull)
        censor = rng.exponential(2, size=n)
        given = {"time": np.minimum(time, censor), "status": (time <= censor).astype(float)}
    elif kind == "binary":
        given = {"y": (pull + rng.logistic(size=n) > 0).astype(float)}
    else:
        given = {"y": pull + rng.normal(size=n)}
    return design_from_arrays(kind, base, x, **given), np.array(["a", "b", "c"])[group]


@pytest.mark.parametrize("kind", ["survival", "binary", "continuous"])
def test_interaction_and_group_effects_against_statsmodels(kind, design_from_arrays):
    import statsmodels.api as sm

    design, group = made(design_from_arrays, kind, n=600, slopes=(0.6, 0.0, -0.4))
    found = effect_modification(design, group, modifier="etiology")
    indicator = (group[:, None] == np.array(["a", "b", "c"])).astype(float)
    for j, feature in enumerate(design.feature_names):
        x = design.features[:, [j]]
        full = np.column_stack([design.base, indicator[:, 1:], x * indicator])
        small = np.column_stack([design.base, indicator[:, 1:], x])
        test = found.tests.set_index("feature").loc[feature]
        effects = found.effects[found.effects["feature"] == feature]
        if kind == "survival":
            a, b = (sm.PHReg(design.time, z, status=design.event, ties="efron").fit() for z in (full, small))
        elif kind == "binary":
            a, b = (sm.Logit(design.y, sm.add_constant(z)).fit(disp=0, tol=1e-12) for z in (full, small))
        else:
            y = (design.y - design.y.mean()) / design.y.std(ddof=1)
            a, b = (sm.OLS(y, sm.add_constant(z)).fit() for z in (full, small))
        if kind == "continuous":
            statistic, p, _ = a.compare_f_test(b)
        else:
            statistic = 2 * (a.llf - b.llf)
            p = stats.chi2.sf(statistic, 2)
        assert test["statistic"] == pytest.approx(statistic, rel=1e-5)
        assert test["p_value"] == pytest.approx(p, rel=1e-4)
        np.testing.assert_allclose(effects["estimate"], a.params[-3:], rtol=1e-5, atol=1e-7)
        np.testing.assert_allclose(effects[["ci_low", "ci_high"]], a.conf_int()[-3:], rtol=1e-4, atol=1e-6)
        assert list(effects["n"]) == list(indicator.sum(axis=0))


def test_only_the_planted_feature_differs_between_groups(design_from_arrays):
    design, group = made(design_from_arrays, "continuous", n=600, p=10, slopes=(0.6, 0.0, 0.0))
    tests = effect_modification(design, group, modifier="etiology").tests
    assert list(tests["q_value"] <= 0.05) == [True] + [False] * 9
    assert (tests["df"] == 2).all()


def test_level_when_the_effect_is_the_same_everywhere(design_from_arrays):
    p = []
    for run in range(60):
        design, group = made(design_from_arrays, "survival", n=200, p=5, seed=run, slopes=(0.5, 0.5, 0.5))
        p.append(effect_modification(design, group, modifier="sex").tests["p_value"])
    rate = np.mean(np.concatenate(p) <= 0.05)
    assert abs(rate - 0.05) <= 3.5 * np.sqrt(0.05 * 0.95 / 300)


def test_few_events_are_penalised_and_tested_by_wald(design_from_arrays):
    design, group = made(design_from_arrays, "binary", n=60)
    tests = effect_modification(design, group, modifier="etiology").tests
    assert (tests["method"] == "penalised Wald test (Firth)").all()
    assert np.isfinite(tests["p_value"]).all()


def test_site_as_modifier_may_be_in_the_base_model_already(design_from_arrays):
    design, group = made(design_from_arrays, "continuous", slopes=(0.6, 0.0, -0.4))
    indicator = (group[:, None] == np.array(["b", "c"])).astype(float)
    with_sites = design_from_arrays(
        "continuous", np.column_stack([indicator, design.base]), design.features, y=design.y, sites=2
    )
    a = effect_modification(design, group, modifier="site")
    b = effect_modification(with_sites, group, modifier="site")
    np.testing.assert_allclose(a.tests["p_value"], b.tests["p_value"], rtol=1e-8)
    np.testing.assert_allclose(a.effects["estimate"], b.effects["estimate"], rtol=1e-8)
    np.testing.assert_allclose(a.effects["ci_low"], b.effects["ci_low"], rtol=1e-8)


def test_group_effects_are_drawn_towards_the_common_one():
    estimate, variance = np.array([0.9, 0.1, -0.4]), np.array([0.04, 0.04, 0.04])
    shrunk, sd = drawn_to_common(estimate, variance)
    between = np.var(estimate, ddof=1) - 0.04  # equal variances
    np.testing.assert_allclose(shrunk, 0.2 + (estimate - 0.2) * between / (between + 0.04))
    assert sd[1] < np.sqrt(variance[1])
    same, _ = drawn_to_common(np.array([0.30, 0.32]), variance[:2])
    np.testing.assert_allclose(same, 0.31)
    assert np.isnan(drawn_to_common(np.array([0.3, np.nan]), variance[:2])[0]).all()


@pytest.mark.parametrize(("k", "between"), [(3, 0.15), (5, 0.15), (8, 0.4)])
def test_shrunk_group_effects_err_less_and_their_intervals_cover(k, between):
    rng = np.random.default_rng(3)
    better, inside = [], []
    for _ in range(1500):
        truth, se = rng.normal(0.3, between, k), rng.uniform(0.15, 0.4, k)
        estimate = rng.normal(truth, se)
        shrunk, sd = drawn_to_common(estimate, se**2)
        better.append([np.mean((shrunk - truth) ** 2), np.mean((estimate - truth) ** 2)])
        inside.append(np.abs(shrunk - truth) <= 1.96 * sd)
    ours, raw = np.mean(better, axis=0)
    assert ours < 0.9 * raw
    assert 0.92 < np.mean(inside) < 0.985


def test_small_groups_and_missing_labels_are_left_out_and_named(design_from_arrays):
    design, group = made(design_from_arrays, "continuous")
    group = group.astype(object)
    group[:3], group[3:5] = "rare", None
    found = effect_modification(design, group, modifier="etiology")
    assert set(found.effects["group"]) == {"a", "b", "c"}
    assert (found.tests["n"] == 295).all()
    assert "2 patients with unknown etiology left out" in found.notes
    assert "etiology rare left out: 3 patients, fewer than 5" in found.notes
    with pytest.raises(InputError, match="two groups with 5"):
        effect_modification(design, np.full(300, "a"), modifier="etiology")
    with pytest.raises(InputError, match="one for each of 300 patients"):
        effect_modification(design, group[:10], modifier="etiology")


def test_groups_are_counted_in_the_patients_who_have_the_feature(design_from_arrays):
    design, group = made(design_from_arrays, "continuous")
    features = design.features.copy()
    rare = np.flatnonzero(group == "a")
    features[rare[3:], 0] = np.nan  # three of a group are left
    features[np.flatnonzero(group != "c"), 1] = np.nan  # a single group is left
    gaps = design_from_arrays("continuous", design.base, features, y=design.y)
    found = effect_modification(gaps, group, modifier="etiology")
    first, second, third = (found.effects[found.effects["feature"] == f"f{j}"] for j in range(3))
    assert list(first["group"]) == ["b", "c"]
    assert second.empty
    assert list(third["group"]) == ["a", "b", "c"]
    tests = found.tests.set_index("feature")
    assert tests.loc["f0", "note"] == "etiology a left out: 3 patients, fewer than 5"
    assert tests.loc["f0", "df"] == 1
    assert tests.loc["f0", "n"] == (group != "a").sum()
    assert np.isnan(tests.loc["f1", "p_value"])
    assert tests.loc["f1", "note"].startswith("not assessed: ")
    assert tests.loc["f2", "note"] == ""
    whole = effect_modification(design, group, modifier="etiology")
    same = ["estimate", "ci_low", "ci_high", "n"]
    np.testing.assert_array_equal(third[same], whole.effects[whole.effects["feature"] == "f2"][same])
    kept = group != "a"
    part = design_from_arrays("continuous", design.base[kept], design.features[kept], y=design.y[kept])
    alone = effect_modification(part, group[kept], modifier="etiology").tests.set_index("feature")
    assert tests.loc["f0", "p_value"] == pytest.approx(alone.loc["f0", "p_value"], rel=1e-9)


def test_classes_without_an_order_have_the_test_of_statsmodels_over_all_of_them(design_from_arrays):
    import statsmodels.api as sm

    rng = np.random.default_rng(5)
    n = 500
    group, base, x = rng.integers(0, 3, n), rng.normal(size=(n, 1)), rng.normal(size=(n, 2))
    pull = np.column_stack([np.zeros(n), np.array([1.0, 0, 0])[group] * x[:, 0], 0.5 * base[:, 0]])
    y = (pull + rng.gumbel(size=(n, 3))).argmax(axis=1).astype(float)
    member = (group[:, None] == np.arange(3)).astype(float)
    # the base model has the groups already, as it has the sites
    design = design_from_arrays("multiclass", np.column_stack([base, member[:, 1:]]), x, y=y)
    found = effect_modification(design, np.array(["a", "b", "c"])[group], modifier="site")
    for j in range(2):
        feature = design.features[:, [j]]
        apart, alike = (
            sm.MNLogit(y, sm.add_constant(np.column_stack([design.base, slopes]))).fit(disp=0, tol=1e-12)
            for slopes in (feature * member, feature)
        )
        row = found.tests.iloc[j]
        assert row["statistic"] == pytest.approx(2 * (apart.llf - alike.llf), abs=1e-6)
        assert row["df"] == 4
        assert row["p_value"] == pytest.approx(stats.chi2.sf(row["statistic"], 4), rel=1e-9)
    assert found.tests["p_value"][0] < 0.01
    assert found.effects.empty
    few = effect_modification(design.take_patients(np.arange(n) < 80), group[:80].astype(str), modifier="x")
    rarest = np.bincount(y[:80].astype(int)).min()
    words = f"exploratory: {rarest} patients in the rarest class for 6 coefficients"
    assert set(few.tests["note"]) == {words}
