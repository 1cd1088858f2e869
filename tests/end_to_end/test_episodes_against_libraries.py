"""Whole runs with counts and recurrent episodes, their tables computed again by statsmodels and lifelines."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
from lifelines import CoxPHFitter, KaplanMeierFitter
from lifelines.datasets import load_recur
from scipy import stats

import discovery
from discovery.survival.recurrent import andersen_gill

SETTINGS = {"replicates": 30, "permutations": 200, "winsor": False, "phenotypes": False}

CONVICTIONS = """[[outcomes]]
name = "convictions"
label = "Prior convictions"
kind = "count"
column = "prio"
exposure = "years"
"""

EPISODES = """[[outcomes]]
name = "episodes"
label = "Episodes"
kind = "recurrent"
file = "episodes.csv"
time = "months"
followup = "watched"
terminal = "ended"
"""


def run_study(study_text, folder, patients, features, *, outcome, adjust):
    patients.to_csv(folder / "patients.csv", index=False)
    features.to_csv(folder / "features.csv", index=False)
    freeze = features.columns[1:].tolist()
    text = study_text(outcome, name=folder.name, seed=5, adjust_for=adjust, freeze=freeze, **SETTINGS)
    (folder / "study.toml").write_text(text)
    return discovery.run(folder, out=folder / "out")


def scaled(column):
    return (column - column.mean()) / column.std(ddof=1)


# Counts: prior convictions of the recidivism data over the years since 15 (Rossi, Berk & Lenihan 1980).


@pytest.fixture(scope="module")
def convictions(shared, study_text, tmp_path_factory):
    table = pd.read_csv(shared / "datasets" / "rossi.csv", keep_default_na=False, na_values=[""])
    rng = np.random.default_rng(3)
    table = table.assign(
        patient_id=[f"P{k:03d}" for k in range(len(table))],
        years=table["age"] - 15,
        noise=rng.normal(size=len(table)),
    )
    folder = tmp_path_factory.mktemp("convictions")
    features = ["wexp", "mar", "paro", "noise"]
    result = run_study(
        study_text, folder, table[["patient_id", "prio", "years", "race", "fin"]],
        table[["patient_id", *features]], outcome=CONVICTIONS, adjust=["race", "fin"],
    )  # fmt: skip
    return table, features, result


def negative_binomial(table, columns):
    from statsmodels.discrete.discrete_model import NegativeBinomial

    x = np.column_stack([np.ones(len(table)), *columns])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of its first, rougher optimiser
        model = NegativeBinomial(table["prio"].to_numpy(float), x, offset=np.log(table["years"].to_numpy()))
        first = model.fit(method="bfgs", disp=0, maxiter=2000, gtol=1e-9)
        return model.fit(start_params=first.params, method="newton", disp=0, maxiter=100, tol=1e-14)


def test_count_rows(convictions):
    table, features, result = convictions
    rows = result.tables["associations"]
    adjusted = rows[rows["model"] == "adjusted"].set_index("feature")
    base = [table["race"], table["fin"]]
    simple = negative_binomial(table, base)
    p_values = {}
    for name in features:
        fit = negative_binomial(table, [*base, scaled(table[name])])
        row = adjusted.loc[name]
        p_values[name] = stats.chi2.sf(2 * (fit.llf - simple.llf), 1)
        assert row["effect_measure"] == "log rate ratio per 1 SD"
        assert row["estimate"] == pytest.approx(fit.params[3], abs=1e-6)
        assert row["p_value"] == pytest.approx(p_values[name], rel=1e-5)
        half = stats.norm.ppf(0.975) * fit.bse[3]  # profile limits are near Wald's, not on them
        limits = [row["estimate"] - half, row["estimate"] + half]
        np.testing.assert_allclose([row["ci_low"], row["ci_high"]], limits, atol=0.1 * half)
        assert row["n"] == len(table)
        assert row["events"] == table["prio"].sum()
    dispersion = rows[rows["model"] == "dispersion"].iloc[0]
    assert dispersion["estimate"] == pytest.approx(simple.params[-1], abs=1e-5)
    ranked = result.tables["markers"].sort_values("rank")["feature"].tolist()
    assert ranked == sorted(p_values, key=p_values.get)


def test_count_gain_is_the_deviance_explained_by_the_librarys_models(convictions):
    import statsmodels.api as sm

    table, _, result = convictions
    base = [table["race"], table["fin"]]
    y, offset = table["prio"].to_numpy(float), np.log(table["years"].to_numpy())
    simple = negative_binomial(table, base)
    family = sm.families.NegativeBinomial(alpha=simple.params[-1])
    none = sm.GLM(y, np.ones(len(y)), family=family, offset=offset).fit(tol=1e-12).deviance
    known = 1 - family.deviance(y, simple.predict()) / none
    for row in result.tables["markers"].to_dict("records"):
        whole = negative_binomial(table, [*base, scaled(table[row["feature"]])])
        assert row["gain_measure"] == "deviance R2"
        assert row["base_measure"] == pytest.approx(known, abs=1e-6)
        explained = 1 - family.deviance(y, whole.predict()) / none
        assert row["apparent_gain"] == pytest.approx(explained - known, abs=1e-6)
        assert row["gain_low"] <= row["gain"] <= row["gain_high"]


# Recurrent episodes: 400 people of Hosmer, Lemeshow & May, Applied Survival Analysis 2008, kept in lifelines.


@pytest.fixture(scope="module")
def episodes(study_text, tmp_path_factory):
    rows = load_recur()
    rng = np.random.default_rng(4)
    people = rows.groupby("ID").agg(
        age=("AGE", "first"), treated=("TREAT", "first"), watched=("TIME1", "max")
    )
    people = people.reset_index(names="number")
    people.insert(0, "patient_id", [f"P{k:03d}" for k in people["number"]])
    people["ended"] = (rng.random(len(people)) < 0.15).astype(int)  # made up: the data name no terminal event
    people["noise"] = rng.normal(size=len(people))
    happened = rows[rows["CENSOR"] == 1]
    happened = pd.DataFrame(
        {"patient_id": [f"P{k:03d}" for k in happened["ID"]], "months": happened["TIME1"]}
    )
    folder = tmp_path_factory.mktemp("episodes")
    happened.to_csv(folder / "episodes.csv", index=False)
    result = run_study(
        study_text, folder, people[["patient_id", "age", "watched", "ended"]],
        people[["patient_id", "treated", "noise"]], outcome=EPISODES, adjust=["age"],
    )  # fmt: skip
    return rows, people, result


def start_stop(rows, people, feature):
    """The data's own rows, with the feature in the unit of its SD over people."""
    values = people.assign(x=scaled(people[feature]), age=scaled(people["age"])).set_index("number")
    return rows[["ID", "TIME0", "TIME1", "CENSOR"]].join(values[["x", "age"]], on="ID")


def jackknife_error(table):
    """Of the feature's coefficient, leaving out one person at a time; the estimates agree with lifelines."""

    def estimate(rows):
        columns = [rows[name].to_numpy(float) for name in ("TIME0", "TIME1", "CENSOR")]
        return andersen_gill(*columns, rows[["age", "x"]].to_numpy(), rows["ID"].to_numpy()).coef[1]

    left = np.array([estimate(table[table["ID"] != one]) for one in table["ID"].unique()])
    return float(np.sqrt((len(left) - 1) / len(left) * ((left - left.mean()) ** 2).sum()))


def test_recurrent_rows(episodes):
    """Estimates of `CoxPHFitter(entry_col)` on the rows as they came; errors of the jackknife over people.

    The robust errors of lifelines 0.30 are no reference here: with `entry_col` they are a quarter larger than
    the jackknife's, which assumes nothing. R's `coxph(cluster)`, the oracle of `andersen_gill`, agrees.
    """
    rows, people, result = episodes
    found = result.tables["associations"]
    adjusted = found[found["model"] == "adjusted"].set_index("feature")
    for name in ("treated", "noise"):
        table = start_stop(rows, people, name)
        plain = CoxPHFitter().fit(
            table.drop(columns="ID"), "TIME1", "CENSOR", entry_col="TIME0", fit_options={"precision": 1e-9}
        )
        row = adjusted.loc[name]
        assert row["effect_measure"] == "log rate ratio per 1 SD"
        assert row["estimate"] == pytest.approx(plain.params_["x"], abs=1e-6)
        error = (row["ci_high"] - row["ci_low"]) / (2 * stats.norm.ppf(0.975))
        assert error == pytest.approx(jackknife_error(table), rel=0.03)
        assert error != pytest.approx(plain.standard_errors_["x"], rel=0.1)  # as if episodes were people
        z = stats.norm.isf(row["p_value"] / 2)
        assert z == pytest.approx(abs(row["estimate"]) / error, rel=0.05)  # score against Wald
        assert row["n"] == len(people)
        assert row["events"] == rows["CENSOR"].sum()
    ranked = result.tables["markers"].sort_values("rank")["feature"].tolist()
    assert ranked == adjusted["p_value"].sort_values().index.tolist()


def test_hazard_of_the_terminal_event_stands_beside(episodes):
    _, people, result = episodes
    found = result.tables["associations"]
    beside = found[found["model"] == "terminal event: hazard"].set_index("feature")
    for name in ("treated", "noise"):
        table = people.assign(x=scaled(people[name]), age=scaled(people["age"]))
        fit = CoxPHFitter().fit(
            table[["watched", "ended", "x", "age"]], "watched", "ended", fit_options={"precision": 1e-9}
        )
        row = beside.loc[name]
        assert row["effect_measure"] == "log hazard ratio per 1 SD"
        assert row["estimate"] == pytest.approx(fit.params_["x"], abs=1e-6)
        assert row["events"] == people["ended"].sum()
        assert np.isnan(row["q_value"])


def test_mean_number_of_episodes_by_third(episodes):
    """Sum of S(t-) dN(t) / Y(t), S from `KaplanMeierFitter` of the terminal event (Ghosh & Lin 2000)."""
    rows, people, result = episodes
    curves = result.tables["curves"]
    mine = curves[(curves["feature"] == "noise") & curves["group"].str.startswith("highest")]
    assert set(mine["curve"]) == {"mean number of episodes"}
    top = people[people["noise"].rank() > 267]  # the cut, place 266 of 0 to 399, is in the middle third
    happened = rows[(rows["CENSOR"] == 1) & rows["ID"].isin(top["number"])]["TIME1"]
    alive = KaplanMeierFitter().fit(top["watched"], top["ended"])
    mean = 0.0
    for time in np.unique(happened):
        before = alive.survival_function_at_times(time - 1e-6).iloc[0]
        mean += before * (happened == time).sum() / (top["watched"] >= time).sum()
        assert mine.loc[mine["time"] == time, "estimate"].iloc[0] == pytest.approx(mean, rel=1e-9)
    survival = result.tables["survival"]
    gap = survival[(survival["part"] == "mean episodes") & (survival["feature"] == "noise")].iloc[0]
    assert gap["ci_low"] < gap["estimate"] < gap["ci_high"]
    assert gap["n"] < len(people)
    assert (result.folder / "figures" / "episodes_curves_1.svg").exists()
    assert (result.folder / "figures" / "episodes_over_time.svg").exists()
    assert "Mean number of episodes" in (result.folder / "index.html").read_text(encoding="utf-8")


def test_frozen_findings_are_tested_in_a_second_cohort(episodes, convictions, tmp_path):
    """Declared in advance, written down, and found again in the same people: the same estimate, a verdict."""
    for (_, _, result), feature in ((episodes, "treated"), (convictions, "wexp")):
        again = discovery.replicate(
            result.folder / "frozen.json", result.folder.parent, out=tmp_path / result.folder.parent.name
        )
        row = again.tables["replication"].set_index("feature").loc[feature]
        first = result.tables["associations"]
        first = first[(first["model"] == "adjusted") & (first["feature"] == feature)].iloc[0]
        assert row["estimate"] == pytest.approx(first["estimate"], rel=1e-9)
        assert row["ci_low"] == pytest.approx(first["ci_low"], rel=1e-6)
        assert row["p_one_sided"] == pytest.approx(first["p_value"] / 2, rel=1e-6)
        assert row["verdict"]
        assert row["se_null"] == pytest.approx(row["se"], rel=0.25)


@pytest.mark.parametrize("cohort", ["convictions", "episodes"])
def test_nothing_is_left_untested_and_the_words_are_there(cohort, request):
    result = request.getfixturevalue(cohort)[-1]
    methods = (result.folder / "methods.md").read_text(encoding="utf-8")
    assert "described, not tested" not in methods
    assert not len(result.tables["untested"])
    assert "negative binomial" in methods if cohort == "convictions" else "Andersen" in methods
    figures = {path.name for path in (result.folder / "figures").iterdir()}
    assert {f"{cohort}_volcano.svg", f"{cohort}_forest.svg", f"{cohort}_ranks.svg"} <= figures
    board = result.tables["sensitivity"]
    assert set(board["outcome"]) == {cohort}
    assert (board["result"] != "not done").any()
