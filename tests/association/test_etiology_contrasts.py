"""Pairs of etiologies against a general package, planted truth and the promised error rate."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from discovery.association.etiology import etiology_profiles
from discovery.association.etiology_contrasts import COLUMNS, etiology_contrasts, gated_q
from discovery.association.multiplicity import holm

PAIRS = [("a", "b"), ("a", "c"), ("b", "c")]


def cohort(labels, p=6, seed=0):
    rng = np.random.default_rng(seed)
    ids = pd.Index([f"p{i:03}" for i in range(len(labels))], name="patient_id")
    z = pd.DataFrame(rng.normal(size=(len(labels), 2)), index=ids, columns=["z0", "z1"])
    x = pd.DataFrame(rng.normal(size=(len(labels), p)), index=ids, columns=[f"f{j}" for j in range(p)])
    return pd.Series(list(labels), index=ids, dtype=object), z, x


def contrasts(etiology, z, x, **options):
    profiles = etiology_profiles(etiology, z, x, winsor=False, **options).table
    omnibus = profiles.drop_duplicates("feature").set_index("feature")["p_omnibus"]
    return etiology_contrasts(etiology, z, x, omnibus, winsor=False, **options), omnibus


def test_pairs_are_those_of_least_squares_in_a_library(dataset):
    import statsmodels.formula.api as smf

    table = dataset("penguins.csv").dropna(subset=["sex"])
    table.index = pd.Index([f"p{i:03}" for i in range(len(table))], name="patient_id")
    measures = ["bill_length_mm", "bill_depth_mm", "flipper_length_mm", "body_mass_g"]
    found, _ = contrasts(table["species"], table[["sex"]], table[measures])
    assert list(found.columns) == list(COLUMNS)
    assert len(found) == 12
    for name in measures:
        z = (table[name] - table[name].mean()) / table[name].std()
        fit = smf.ols("z ~ 0 + C(species) + C(sex)", table.assign(z=z)).fit()
        for row in found[found["feature"] == name].itertuples():
            test = fit.t_test(f"C(species)[{row.etiology}] - C(species)[{row.against}] = 0")
            assert row.estimate == pytest.approx(float(test.effect[0]), rel=1e-8)
            assert row.p_value == pytest.approx(float(test.pvalue), rel=1e-5, abs=1e-300)
            assert (row.ci_low, row.ci_high) == pytest.approx(tuple(test.conf_int()[0]), rel=1e-7)


def test_several_labels_are_differences_of_a_joint_model():
    import statsmodels.api as sm

    rng = np.random.default_rng(3)
    flags = rng.uniform(size=(120, 3)) < [0.5, 0.4, 0.3]
    flags[~flags.any(axis=1), 0] = True
    etiology, z, x = cohort([";".join(np.array(["a", "b", "c"])[row]) for row in flags])
    found, _ = contrasts(etiology, z, x)
    scaled = (x - x.mean()) / x.std()
    for name in x:
        fit = sm.OLS(scaled[name].to_numpy(), np.column_stack([np.ones(120), flags, z])).fit()
        test = fit.t_test([[0, 1, -1, 0, 0, 0], [0, 1, 0, -1, 0, 0], [0, 0, 1, -1, 0, 0]])
        got = found[found["feature"] == name]
        np.testing.assert_allclose(got["estimate"], test.effect, rtol=1e-8)
        np.testing.assert_allclose(got["p_value"], test.pvalue, rtol=1e-6)
        np.testing.assert_allclose(got["p_holm"], holm(test.pvalue), rtol=1e-6)


def test_a_feature_of_two_values_has_log_odds_that_turn_with_the_pair():
    # with group indicators alone the Firth estimate is the log odds with 1/2 added to each cell (Firth 1993)
    etiology, z, x = cohort(["a"] * 40 + ["b"] * 30 + ["c"] * 20)
    x["f0"] = [1.0] * 10 + [0.0] * 30 + [1.0] * 18 + [0.0] * 12 + [1.0] * 15 + [0.0] * 5
    found = contrasts(etiology, z[[]], x)[0].set_index("feature").loc["f0"]
    odds = {"a": np.log(10.5 / 30.5), "b": np.log(18.5 / 12.5), "c": np.log(15.5 / 5.5)}
    assert [(r.etiology, r.against) for r in found.itertuples()] == PAIRS
    for row in found.itertuples():
        assert row.estimate == pytest.approx(odds[row.etiology] - odds[row.against], abs=1e-6)


def test_gate_by_hand():
    # two of four families picked at .04: a pair inside needs p <= .04 x 2 / 4
    q = gated_q([0.02, 0.001, 0.3, np.nan], [0.04, 0.01, 0.5, 0.01], [0.04, 0.01, 0.5, 0.9])
    assert q[0] == pytest.approx(0.04)
    assert q[1] == pytest.approx(0.01)
    assert q[2] == pytest.approx(0.5)
    assert np.isnan(q[3])


def test_error_rate_over_picked_features_is_as_promised():
    """20 features, in 4 of them etiology a differs by 1 SD, so that b against c is false there: the mean
    share of picked features with a false pair is at most fdr; with nothing true any false pair is as rare."""
    shares, nothing, power = [], [], []
    for run in range(60):
        etiology, z, x = cohort(np.repeat(["a", "b", "c"], 30), p=20, seed=run)
        for true in (4, 0):
            moved = x.copy()
            moved.iloc[:30, :true] += 1.0
            found, _ = contrasts(etiology, z, moved)
            hit = found["q_value"] <= 0.1
            truth = found["feature"].isin([f"f{k}" for k in range(true)]) & (found["etiology"] == "a")
            false = (hit & ~truth).groupby(found["feature"]).any()
            picked = int((found.groupby("feature")["q_omnibus"].first() <= 0.1).sum())
            (shares if true else nothing).append(false.sum() / max(picked, 1))
            if true:
                power.append(hit[truth].mean())
    for rates in (shares, nothing):
        assert np.mean(rates) <= 0.1 + 2.6 * stats.sem(rates)
    assert np.mean(power) > 0.6
