"""Whole runs with classes as outcomes, and their tables computed again by statsmodels from the same files."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.miscmodels.ordinal_model import OrderedModel

import discovery

READ = {"keep_default_na": False, "na_values": [""]}
SETTINGS = {"replicates": 30, "permutations": 199, "winsor": False, "phenotypes": False}


def run_study(study_text, folder, table, *, outcome, kind, adjust, features):
    table = table.reset_index(drop=True)
    table.insert(0, "patient_id", [f"P{k:03d}" for k in range(len(table))])
    table[["patient_id", outcome, *adjust]].to_csv(folder / "patients.csv", index=False)
    table[["patient_id", *features]].to_csv(folder / "features.csv", index=False)
    section = f'[[outcomes]]\nname = "{outcome}"\nkind = "{kind}"\ncolumn = "{outcome}"\n'
    text = study_text(section, name=folder.name, seed=5, adjust_for=adjust, **SETTINGS)
    (folder / "study.toml").write_text(text)
    return discovery.run(folder, out=folder / "out")


PENGUIN_FEATURES = ["bill_length_mm", "bill_depth_mm", "flipper_length_mm", "body_mass_g"]


@pytest.fixture(scope="module")
def penguins(shared, study_text, tmp_path_factory):
    """Horst, Hill & Gorman 2020: the island on which a penguin was met, adjusted for sex."""
    table = pd.read_csv(shared / "datasets" / "penguins.csv", **READ)
    table = table[table["sex"].isin(["male", "female"])]
    folder = tmp_path_factory.mktemp("penguins")
    result = run_study(
        study_text,
        folder,
        table,
        outcome="island",
        kind="multiclass",
        adjust=["sex"],
        features=PENGUIN_FEATURES,
    )
    return table, result


@pytest.fixture(scope="module")
def asah(shared, study_text, tmp_path_factory):
    """Turck et al. 2010: outcome scale after haemorrhage, adjusted for age and the grade at admission."""
    table = pd.read_csv(shared / "datasets" / "asah.csv", **READ)
    table["log_s100b"], table["log_ndka"] = np.log(table["s100b"]), np.log(table["ndka"] + 1)
    folder = tmp_path_factory.mktemp("asah")
    result = run_study(
        study_text, folder, table, outcome="gos6", kind="ordinal", adjust=["age", "wfns"],
        features=["log_s100b", "log_ndka"],
    )  # fmt: skip
    return table, result


def scaled(column):
    return (column - column.mean()) / column.std(ddof=1)


def multinomial(y, columns):
    return sm.MNLogit(y, sm.add_constant(columns)).fit(method="newton", disp=0, maxiter=100)


def proportional(y, columns):
    model = OrderedModel(y, columns, distr="logit")
    return model.fit(method="newton", disp=0, maxiter=60, tol=1e-12, warn_convergence=False)


def test_multiclass_rows(penguins):
    table, result = penguins
    rows = result.tables["associations"].set_index(["feature", "term"])
    y, male = np.unique(table["island"], return_inverse=True)[1], (table["sex"] == "male").to_numpy(float)
    base = multinomial(y, male)
    p_values = {}
    for name in PENGUIN_FEATURES:
        fit = multinomial(y, np.column_stack([male, scaled(table[name])]))
        whole = rows.loc[(name, name)]
        p_values[name] = stats.chi2.sf(2 * (fit.llf - base.llf), 2)
        assert whole["p_value"] == pytest.approx(p_values[name], rel=1e-5)
        assert np.isnan(whole["estimate"])
        assert "over all classes" in whole["method"]
        for c, island in enumerate(("Dream", "Torgersen")):
            row = rows.loc[(name, f"{island} against Biscoe")]
            estimate, se = np.asarray(fit.params)[-1, c], np.asarray(fit.bse)[-1, c]
            assert row["effect_measure"] == f"log odds ratio of {island} against Biscoe, per 1 SD"
            assert row["estimate"] == pytest.approx(estimate, abs=1e-6)
            limits = estimate + np.array([-1, 1]) * stats.norm.ppf(0.975) * se
            np.testing.assert_allclose([row["ci_low"], row["ci_high"]], limits, atol=1e-5)
            assert row["p_value"] == pytest.approx(2 * stats.norm.sf(abs(estimate / se)), rel=1e-4)
    ranked = result.tables["markers"].sort_values("rank")["feature"].tolist()
    assert ranked == sorted(p_values, key=p_values.get)
    sex = rows.loc[("", "sex=female")]
    alone = multinomial(y, np.ones(len(y)))
    assert sex["p_value"] == pytest.approx(stats.chi2.sf(2 * (base.llf - alone.llf), 2), rel=1e-5)


def test_multiclass_gain_is_hand_and_tills_measure_of_the_librarys_probabilities(penguins):
    from sklearn.metrics import roc_auc_score

    table, result = penguins
    y, male = np.unique(table["island"], return_inverse=True)[1], (table["sex"] == "male").to_numpy(float)

    def measure(columns):
        return roc_auc_score(y, multinomial(y, columns).predict(), multi_class="ovo")

    for row in result.tables["markers"].to_dict("records"):
        both = measure(np.column_stack([male, scaled(table[row["feature"]])]))
        assert row["gain_measure"] == "mean pairwise AUC"
        assert row["base_measure"] == pytest.approx(measure(male), abs=1e-9)
        assert row["apparent_gain"] == pytest.approx(both - measure(male), abs=1e-9)
        assert row["gain_low"] <= row["gain"] <= row["gain_high"]
        assert row["p_familywise"] == pytest.approx(1 / 200)
        assert row["verdict"].startswith(("strong candidate", "candidate"))
        assert "lfsr" not in row["verdict_rule"]


def test_ordinal_rows(asah):
    table, result = asah
    rows = result.tables["associations"].set_index(["feature", "term"])
    y = np.unique(table["gos6"], return_inverse=True)[1]
    base = np.column_stack([scaled(table["age"]), scaled(table["wfns"])])
    without = proportional(y, base)
    for name in ("log_s100b", "log_ndka"):
        fit = proportional(y, np.column_stack([base, scaled(table[name])]))
        row = rows.loc[(name, name)]
        assert row["effect_measure"] == "log odds ratio of a higher class per 1 SD"
        assert row["estimate"] == pytest.approx(fit.params[2], abs=1e-6)
        assert row["p_value"] == pytest.approx(stats.chi2.sf(2 * (fit.llf - without.llf), 1), rel=1e-4)
        half = stats.norm.ppf(0.975) * fit.bse[2]  # profile limits are near Wald's, not on them
        np.testing.assert_allclose(
            [row["ci_low"], row["ci_high"]], [row["estimate"] - half, row["estimate"] + half], atol=0.1 * half
        )
        assert rows.loc[(name, "proportional odds")]["effect_measure"].endswith("2 df")
    for k, name in enumerate(("age", "wfns")):
        assert rows.loc[("", name)]["estimate"] == pytest.approx(without.params[k], abs=1e-6)
    markers = result.tables["markers"].set_index("feature")
    c = pairs_in_order(y, base @ np.asarray(without.params[:2]))
    assert markers["base_measure"].to_numpy() == pytest.approx(c, abs=1e-6)
    assert set(markers["gain_measure"]) == {"generalised C"}


def pairs_in_order(y, score):
    gap, order = np.sign(score[:, None] - score), np.sign(y[:, None] - y)
    return float(0.5 + 0.5 * (gap * order)[order > 0].mean())


@pytest.mark.parametrize("cohort", ["penguins", "asah"])
def test_nothing_is_left_untested_and_the_words_are_there(cohort, request):
    _, result = request.getfixturevalue(cohort)
    folder = result.folder
    methods = (folder / "methods.md").read_text(encoding="utf-8")
    assert "described, not tested" not in methods
    figures = {path.name for path in (folder / "figures").iterdir()}
    if cohort == "penguins":
        assert "over all of them together" in methods
        assert {
            "island_volcano.svg",
            "island_forest.svg",
            "island_ranks.svg",
            "island_classes.svg",
        } <= figures
        drawn = pd.read_csv(folder / "figures" / "island_volcano.csv")
        assert set(drawn["effect_measure"]) == {"gain in mean pairwise AUC"}
        classes = pd.read_csv(folder / "figures" / "island_classes.csv")
        assert set(classes["label"]) >= {"Dream against Biscoe", "Torgersen against Biscoe"}
    else:
        assert "odds not proportional" in methods
        assert {"gos6_volcano.svg", "gos6_forest.svg", "gos6_ranks.svg"} <= figures
