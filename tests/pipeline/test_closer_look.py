"""A whole run on open cohorts, with invented hospitals: what it says beyond the ranking, and where."""

from __future__ import annotations

import shutil

import numpy as np
import pandas as pd
import pytest

import discovery
from discovery.association.design import design_of
from discovery.pipeline.closer_look import handled_hazards, modifiers_of, more_survival
from discovery.pipeline.survival_wing import survival_tables
from discovery.study import read_study

FEW = "\n[analysis]\nreplicates = 0\npermutations = 50\nimputations = 0\nphenotypes = false\n"


def copied(root, folder, cohort, change, text="", outcome=""):
    shutil.copytree(root / "cohorts" / cohort, folder)
    table = pd.read_csv(folder / "patients.csv")
    change(table)
    table.to_csv(folder / "patients.csv", index=False)
    study = (folder / "study.toml").read_text(encoding="utf-8")
    study = study.replace("adjust_for", f"{text}adjust_for").replace("unit =", f"{outcome}unit =")
    (folder / "study.toml").write_text(study + FEW, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def rotterdam(root, tmp_path_factory):
    """The open cohort with invented hospitals; times from a landmark at 180 days."""

    def hospitals(table):
        rng = np.random.default_rng(3)
        table["hospital"] = rng.choice(["North", "South", "East", "West"], len(table), p=[0.4, 0.3, 0.2, 0.1])

    folder = tmp_path_factory.mktemp("closer")
    cohort = copied(
        root, folder / "cohort", "rotterdam", hospitals, 'site = "hospital"\n', "landmark = 180\n"
    )
    return discovery.run(cohort, out=folder / "out", workers=1)


@pytest.fixture(scope="module")
def mgus(root, tmp_path_factory):
    folder = tmp_path_factory.mktemp("competing")
    cohort = copied(root, folder / "cohort", "mgus2", lambda table: None)
    study = (cohort / "study.toml").read_text(encoding="utf-8")
    first, second = study.split("[[outcomes]]")[1:]
    without = study.replace("[[outcomes]]" + second.split("[analysis]")[0], "")
    assert first in without
    (cohort / "study.toml").write_text(without, encoding="utf-8")
    return discovery.run(cohort, out=folder / "out", workers=1)


def csv(result, name):
    return pd.read_csv(result.folder / f"{name}.csv")


def test_the_landmark_is_where_the_analysis_starts(rotterdam, root):
    patients = pd.read_csv(root / "cohorts" / "rotterdam" / "patients.csv")
    flow = csv(rotterdam, "attrition")
    early = patients["time_days"] <= 180
    gone = flow.set_index("reason")["n_left_out"]
    died = (early & (patients["relapse_or_death"] == 1)).sum()
    assert gone["event before the landmark at 180"] == died
    assert csv(rotterdam, "markers")["n"].max() == (~early).sum()
    survival = csv(rotterdam, "survival")
    contrast = survival[survival["part"] == "landmark"]
    assert set(contrast["model"]) == {"from the landmark at 180", "from time 0"}
    lead = contrast.groupby("model")["events"].max()
    assert lead["from time 0"] == (patients["relapse_or_death"] == 1).sum()
    assert lead["from the landmark at 180"] == lead["from time 0"] - died
    assert "window that ended at 180" in (rotterdam.folder / "methods.md").read_text(encoding="utf-8")


def test_cox_from_the_landmark_is_that_of_lifelines(rotterdam, root):
    from lifelines import CoxPHFitter

    study = read_study(root / "cohorts" / "rotterdam")
    table = pd.concat([study.covariates, study.features["nodes"]], axis=1)
    low, high = table["nodes"].quantile([0.01, 0.99])
    table["nodes"] = table["nodes"].clip(low, high)
    table["nodes"] = (table["nodes"] - table["nodes"].mean()) / table["nodes"].std()
    table = table.assign(time=study.outcomes[0].time - 180, event=study.outcomes[0].status)
    raw = pd.read_csv(root / "cohorts" / "rotterdam" / "patients.csv")
    rng = np.random.default_rng(3)
    site = rng.choice(["North", "South", "East", "West"], len(raw), p=[0.4, 0.3, 0.2, 0.1])
    table = table.assign(site=site)[table["time"].to_numpy() > 0]
    fit = CoxPHFitter().fit(table, "time", "event", strata=["site"])
    found = csv(rotterdam, "markers").set_index("feature")
    assert found.loc["nodes", "estimate"] == pytest.approx(fit.params_["nodes"], abs=2e-4)


def test_prediction_is_judged_on_patients_left_out(rotterdam):
    table = csv(rotterdam, "prediction")
    horizon = table["time"].max()
    at = table[table["time"] == horizon].set_index(["model", "measure"])["estimate"]
    with_lead = "base model with nodes"
    for measure in ("Harrell C", "Uno C", "AUC at"):
        assert at[with_lead, measure] > at["base model", measure]
    assert at[with_lead, "integrated Brier score"] < at["everybody at one risk", "integrated Brier score"]
    assert at[with_lead, "observed / expected risk"] == pytest.approx(1, abs=0.1)
    assert (rotterdam.folder / "figures" / "relapse_or_death_calibration.csv").exists()


def test_sites_are_pooled_and_groups_compared(rotterdam):
    sites = csv(rotterdam, "site_meta_analysis")
    lead = sites[sites["feature"] == "nodes"]
    assert (lead["part"] == "site").sum() == 4
    pooled, new = (lead[lead["part"] == part].iloc[0] for part in ("pooled", "prediction"))
    main = csv(rotterdam, "markers").set_index("feature").loc["nodes", "estimate"]
    assert pooled["ci_low"] < main < pooled["ci_high"]
    assert new["ci_low"] <= pooled["ci_low"]
    assert "few sites" in pooled["note"]
    tests = csv(rotterdam, "effect_modification")
    tests = tests[tests["part"] == "interaction"]
    assert set(tests["modifier"]) == {"hospital"}  # invented at random: no difference
    assert (tests["q_value"] > 0.01).all()


def test_what_was_done_about_changing_hazards_is_said(rotterdam):
    hazards = csv(rotterdam, "proportional_hazards")
    turned = hazards[hazards["violated"]]
    assert len(turned)
    assert turned["handled"].str.contains("given by period|average over the follow-up").all()
    periods = csv(rotterdam, "survival")
    given = set(periods.loc[periods["part"] == "effect by period", "feature"])
    assert set(turned.loc[turned["handled"].str.startswith("given"), "feature"]) == given
    assert (periods["part"] == "restricted mean").any()


def test_everything_with_a_horizon_has_the_same_one_and_the_report_says_why(rotterdam):
    horizon = csv(rotterdam, "prediction")["time"].max()
    survival = csv(rotterdam, "survival")
    means = survival[survival["part"] == "restricted mean"]
    assert set(means["quantity"]) == {"restricted mean time without the event"}
    assert set(means["group"]) == {"lowest third", "highest third", "highest less lowest third"}
    given = means["estimate"].notna()
    assert set(means.loc[given, "period"]) == {f"up to {horizon:g}"}
    assert means.loc[~given, "note"].str.startswith("not given: ").all()
    methods = " ".join((rotterdam.folder / "methods.md").read_text(encoding="utf-8").split())
    assert f"judged at {horizon:g} days (the latest round time with 20 patients" in methods


def test_time_lost_to_each_event_stands_where_events_compete(root):
    study = read_study(root / "cohorts" / "mgus2")
    design = design_of(study, study.outcomes[0])
    turned = pd.DataFrame({"outcome": [design.outcome], "feature": ["hgb"], "violated": [True]})
    leading = {design.outcome: ["hgb"]}
    found = survival_tables(study, [design], leading, turned)["survival"]
    assert set(found.loc[found["part"] == "effect by period", "quantity"]) == {"log hazard ratio"}
    assert handled_hazards(turned, found)["handled"].tolist() == ["given by period (survival.csv)"]
    whole = more_survival(study, [design], leading, found)
    said = "given by period, with the restricted mean time (survival.csv)"
    assert handled_hazards(turned, whole)["handled"].tolist() == [said]
    means = whole[whole["part"] == "restricted mean"].pivot(
        index="quantity", columns="group", values="estimate"
    )
    assert len(means) == 3
    assert "restricted mean time without any event" in means.index
    span = float(whole.loc[whole["part"] == "restricted mean", "period"].iloc[0].removeprefix("up to "))
    sums = means.sum()[["lowest third", "highest third", "highest less lowest third"]]
    np.testing.assert_allclose(sums, [span, span, 0], atol=1e-9)


def test_the_report_shows_each_with_its_table(rotterdam):
    page = rotterdam.report.read_text(encoding="utf-8")
    for heading in (
        "A closer look at the leading features", "Follow-up", "From the landmark", "Straight or bent",
        "Hazards that change over time", "Prediction of patients left out", "Pooled over sites",
        "Do effects differ between groups?", "Mean time without the event",
    ):  # fmt: skip
        assert heading in page
    figures = rotterdam.folder / "figures"
    for name in ("over_time", "shape", "groups", "sites", "prediction", "calibration"):
        drawn = pd.read_csv(figures / f"relapse_or_death_{name}.csv")
        assert len(drawn)
        assert (figures / f"relapse_or_death_{name}.svg").stat().st_size > 5000
    rug = pd.read_csv(figures / "relapse_or_death_shape.csv")
    assert (rug.loc[rug["part"] == "rug", "n"] >= 5).all()


def test_competing_models_stand_side_by_side(mgus):
    survival = csv(mgus, "survival")
    both = survival[survival["part"] == "competing models"]
    first = both[both["outcome"] == "progression"]
    assert first["model"].str.startswith("cause-specific").any()
    assert first["model"].str.startswith("subdistribution").any()
    assert first["estimate"].notna().all()
    table = csv(mgus, "prediction")
    assert "Uno C" not in set(table["measure"])
    brier = table[table["measure"] == "integrated Brier score"].set_index(["outcome", "model"])["estimate"]
    assert brier["progression", "everybody at one risk"] > 0
    page = mgus.report.read_text(encoding="utf-8")
    assert "Beside competing events" in page
    assert "restricted mean time lost to" in set(survival["quantity"].dropna().str.slice(0, 28))
    assert "Mean time without the event, or lost to it" in page
    methods = " ".join((mgus.folder / "methods.md").read_text(encoding="utf-8").split())
    assert "the time lost to each, the area under its Aalen–Johansen curve (Andersen 2013)" in methods


def test_sex_is_a_modifier_by_its_name_and_several_etiologies_go_one_by_one(root, tmp_path):
    def etiologies(table):
        table["cause"] = np.resize(["a;b", "a", "c", "b; c"], len(table))

    folder = copied(root, tmp_path / "cohort", "mgus2", etiologies, 'etiology = "cause"\n')
    found = modifiers_of(read_study(folder))
    assert list(found) == ["cause a", "cause b", "cause c", "sex"]
    assert found["cause a"].value_counts().to_dict() == {
        "a": (np.resize([1, 1, 0, 0], len(found["cause a"]))).sum(),
        "not a": (np.resize([0, 0, 1, 1], len(found["cause a"]))).sum(),
    }
