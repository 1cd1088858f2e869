"""The sensitivity board against lifelines and statsmodels on open cohorts, and E-values against print."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from discovery.association.design import build_design
from discovery.association.screen import screen
from discovery.markers.e_value import e_value, e_values, risk_ratio
from discovery.markers.sensitivity import (
    COMPLETE,
    MAIN,
    Cohort,
    ImputedMain,
    alternatives,
    rank_normal,
    sensitivity_board,
)
from discovery.report.sensitivity_view import sensitivity_views
from discovery.study import Outcome
from discovery.survival.fine_gray import fine_gray


def cohort_of(outcome, covariates, features, **more) -> Cohort:
    parts = {"site": None, "etiology": None, "more": covariates.iloc[:, :0], "reliable": None} | more
    return Cohort(outcome=outcome, covariates=covariates, features=features, **parts)


@pytest.fixture(scope="module")
def mgus(dataset):
    table = dataset("mgus2.csv")
    table.index = [f"p{k}" for k in range(len(table))]
    outcome = Outcome(
        name="progression", kind="survival", label="", unit="months", patient_id=table.index.to_numpy(),
        time=table["etime"].to_numpy(float), status=table["event"].to_numpy(float),
    )  # fmt: skip
    covariates = table[["age"]].astype(float)
    return table, cohort_of(outcome, covariates, table[["mspike", "hgb"]].astype(float))


@pytest.fixture(scope="module")
def board(mgus):
    return sensitivity_board(mgus[1], winsor=None, effect_measure="log hazard ratio per 1 SD")


def lifelines_effect(rows: pd.DataFrame, **names) -> tuple[float, float]:
    from lifelines import CoxPHFitter

    fit = CoxPHFitter().fit(rows, "time", "event", **names)
    return fit.params_["x"], fit.standard_errors_["x"]


def one(board, feature, alternative) -> pd.Series:
    found = board[(board["feature"] == feature) & (board["alternative"] == alternative)]
    assert len(found) == 1
    return found.iloc[0]


def test_unadjusted_complete_and_landmark_rows_are_lifelines_own(mgus, board):
    table, _ = mgus
    scale = table[["mspike", "hgb"]].std()
    x = (table["mspike"] - table["mspike"].mean()) / scale["mspike"]
    age = (table["age"] - table["age"].mean()) / table["age"].std()
    rows = pd.DataFrame({"time": table["etime"], "event": (table["event"] == 1) * 1, "x": x, "age": age})
    seen = x.notna() & (rows["time"] > 0)
    assert one(board, "mspike", MAIN)["estimate"] == pytest.approx(lifelines_effect(rows[seen])[0], abs=2e-5)
    bare = lifelines_effect(rows[seen].drop(columns="age"))[0]
    assert one(board, "mspike", "not adjusted")["estimate"] == pytest.approx(bare, abs=2e-5)
    whole = seen & table["hgb"].notna()
    both = lifelines_effect(rows[whole])[0]
    complete = one(board, "mspike", "complete cases of all leaders")
    assert complete["estimate"] == pytest.approx(both, abs=2e-5)
    assert complete["n"] == whole.sum()
    at = np.quantile(table.loc[table["event"] == 1, "etime"], 0.25)
    later = lifelines_effect(rows[seen & (rows["time"] > at)])[0]
    row = board[(board["feature"] == "mspike") & (board["group"] == "landmark")].iloc[1]
    assert row["estimate"] == pytest.approx(later, abs=2e-5)


def test_without_adjustment_the_patients_are_those_of_the_adjusted_row(mgus):
    """Patients without an age or a site are in neither row; lifelines fits the rest."""
    table, cohort = mgus
    rng = np.random.default_rng(5)
    age = cohort.covariates["age"].mask((table["event"] == 1) & (rng.random(len(table)) < 0.5))
    site = pd.Series(rng.choice(["a", "b"], len(table)), index=table.index).mask(rng.random(len(table)) < 0.1)
    holes = replace(cohort, covariates=age.to_frame(), site=site.astype("category"))
    for given in (None, ImputedMain(rows=filled_rows())):
        found = sensitivity_board(holes, winsor=None, imputed=given)
        beside = one(found, "mspike", MAIN if given is None else COMPLETE)
        bare = one(found, "mspike", "not adjusted")
        kept = (age.notna() & site.notna() & table["mspike"].notna() & (table["etime"] > 0)).to_numpy()
        assert bare["n"] == beside["n"]
        assert bare["events"] == beside["events"] == (table["event"] == 1)[kept].sum()
        x = (table["mspike"] - table["mspike"].mean()) / table["mspike"].std()
        rows = pd.DataFrame({"time": table["etime"], "event": (table["event"] == 1) * 1, "x": x})
        assert bare["estimate"] == pytest.approx(lifelines_effect(rows[kept])[0], abs=2e-5)


def filled_rows() -> pd.DataFrame:
    columns = ["estimate", "ci_low", "ci_high", "p_value", "n", "events"]
    return pd.DataFrame([[0.9, 0.4, 1.4, 1e-4, 1384, 115.0]] * 2, ["mspike", "hgb"], columns)


def test_competing_events_bring_the_subdistribution_row(board):
    rows = board[board["group"] == "competing events"]
    assert list(rows["feature"]) == ["mspike", "hgb"]
    assert rows["estimate"].notna().all()


def test_the_ratio_of_the_subdistribution_row_is_called_what_it_is(board):
    """As in survival.csv; every other row has the measure of the main analysis."""
    beside = board["group"] == "competing events"
    assert set(board.loc[beside, "effect_measure"]) == {"log subdistribution hazard ratio per 1 SD"}
    assert set(board.loc[~beside, "effect_measure"]) == {"log hazard ratio per 1 SD"}
    said = "In the Fine-Gray row the ratio is that of subdistribution hazards."
    (_, view), (_, plain) = (*sensitivity_views(board, {}), *sensitivity_views(board[~beside], {}))
    assert said in view.note
    assert said not in plain.note


def test_the_subdistribution_row_takes_delayed_entry_in(mgus):
    # Reference: the Fine-Gray fit of the same patients, itself checked in tests/survival.
    table, cohort = mgus
    entry = np.random.default_rng(1).uniform(0, 24, len(table))
    late = replace(cohort, outcome=replace(cohort.outcome, entry=entry))
    board = sensitivity_board(late, winsor=None, effect_measure="log hazard ratio per 1 SD")
    row = board[(board["group"] == "competing events") & (board["feature"] == "hgb")].iloc[0]
    rows = table[(entry < table["etime"]) & table["hgb"].notna()]
    fit = fine_gray(
        rows["etime"], rows["event"], rows[["age", "hgb"]], entry=entry[table.index.get_indexer(rows.index)]
    )
    assert row["n"] == len(rows)
    scale = row["estimate"] / fit.coef[1]
    assert scale == pytest.approx(late.features["hgb"].std(), rel=0.02)
    own = fit.table().set_index("term").loc["hgb"]
    assert row["ci_high"] - row["ci_low"] == pytest.approx((own["ci_high"] - own["ci_low"]) * scale)
    assert row["result"] != "not done"


def test_a_subdistribution_row_that_two_patients_decide_is_not_done(mgus):
    table, cohort = mgus
    two = np.zeros(len(table))
    two[np.flatnonzero(table["event"] == 1)[:2]] = 1
    few = replace(cohort, features=pd.DataFrame({"two": two}, index=table.index))
    board = sensitivity_board(few, winsor=None, effect_measure="log hazard ratio per 1 SD")
    row = board[board["group"] == "competing events"].iloc[0]
    assert row[["ci_low", "ci_high", "p_value"]].isna().all()
    assert row["result"] == "not done"
    assert row["note"].startswith("no interval and no p: fewer than 5 patients")
    (_, view), *_ = sensitivity_views(board, {})
    shown = [text for name, text, *_ in view.rows if name.startswith("Fine-Gray")]
    assert [text.startswith("not done: no interval and no p") for text in shown] == [True]


def test_words_follow_sign_and_p(board):
    for row in board.itertuples():
        if np.isnan(row.estimate):
            assert row.result == "not done"
        elif row.ratio_to_main < 0:
            assert row.result == "sign turns"
        else:
            assert row.result == ("holds" if row.p_value <= 0.05 else "weaker")
    held = board.groupby("feature")["result"].agg(lambda words: set(words) <= {"holds", "not done"})
    assert (board["survives_all"] == board["feature"].map(held)).all()


def test_leaving_out_a_site_or_etiology_is_the_analysis_without_its_patients(dataset):
    from statsmodels.api import OLS, add_constant

    table = dataset("diabetes_lars.csv")
    table.index = [f"p{k}" for k in range(len(table))]
    rng = np.random.default_rng(1)
    site = pd.Series(rng.choice(list("abc"), len(table)), index=table.index)
    cause = pd.Series(rng.choice(["u", "v", "u;v"], len(table)), index=table.index)
    outcome = Outcome(
        name="progression", kind="continuous", label="", patient_id=table.index.to_numpy(),
        value=table["progression"].to_numpy(float),
    )  # fmt: skip
    covariates = table[["age"]].astype(float)
    found = sensitivity_board(
        cohort_of(outcome, covariates, table[["bmi"]], site=site, etiology=cause), winsor=None
    )
    names = set(found["alternative"])
    assert {"without site a", "without site b", "without site c", "without etiology u"} <= names
    x = (table["bmi"] - table["bmi"].mean()) / table["bmi"].std()
    y = (table["progression"] - table["progression"].mean()) / table["progression"].std()
    dummies = pd.get_dummies(site, dtype=float)
    for name, keep in (
        ("without site a", site != "a"),
        ("without etiology u", ~cause.str.split(";").map(lambda parts: "u" in parts)),
    ):
        here = dummies[["b"]] if name.endswith("a") else dummies[["b", "c"]]
        columns = add_constant(pd.DataFrame({"x": x, "age": table["age"]}).join(here))
        fit = OLS(y[keep], columns[keep]).fit()
        row = one(found, "bmi", name)
        assert row["estimate"] == pytest.approx(fit.params["x"], rel=1e-9)
        assert row["p_value"] == pytest.approx(fit.pvalues["x"], rel=1e-6)
        assert row["n"] == keep.sum()


def test_a_finding_that_is_one_sites_confounding_does_not_survive():
    rng = np.random.default_rng(4)
    ids = np.array([f"p{k}" for k in range(300)])
    site = pd.Series(rng.choice(list("abc"), 300), index=ids)
    level = site.map({"a": 0.0, "b": 0.0, "c": 2.0}).to_numpy()
    x, y = rng.normal(size=300) + level, rng.normal(size=300) + level
    outcome = Outcome(name="y", kind="continuous", label="", patient_id=ids, value=y)
    empty = pd.DataFrame(index=ids)
    cohort = cohort_of(outcome, empty, pd.DataFrame({"x": x}, index=ids), etiology=site)
    found = sensitivity_board(cohort, winsor=None)
    assert one(found, "x", MAIN)["p_value"] < 1e-4
    assert one(found, "x", "without etiology c")["result"] != "holds"
    assert not found["survives_all"].any()


def test_more_adjustment_and_reliable_records_are_there_when_declared():
    rng = np.random.default_rng(5)
    ids = np.array([f"p{k}" for k in range(120)])
    z, x = rng.normal(size=120), rng.normal(size=120)
    outcome = Outcome(name="y", kind="continuous", label="", patient_id=ids, value=x + z)
    sure = pd.Series(np.arange(120) % 3 > 0, index=ids)
    cohort = cohort_of(
        outcome, pd.DataFrame(index=ids), pd.DataFrame({"x": x}, index=ids),
        more=pd.DataFrame({"z": z}, index=ids), reliable=sure,
    )  # fmt: skip
    names = [alternative.name for alternative in alternatives(cohort, None)]
    assert "adjusted for z too" in names
    assert "reliable records only" in names
    found = sensitivity_board(cohort, winsor=None)
    assert one(found, "x", "reliable records only")["n"] == 80


def test_what_is_too_few_is_named_as_the_kind_of_outcome_counts_it():
    rng = np.random.default_rng(6)
    ids = np.array([f"p{k}" for k in range(80)])
    cause = pd.Series(np.where(np.arange(80) < 40, "u", "v"), index=ids)
    y = np.where((np.arange(80) % 2 == 0) & (cause.to_numpy() == "u"), 1.0, 0.0)
    y[-1] = 1.0  # the only one with the cause v
    outcome = Outcome(name="y", kind="binary", label="", patient_id=ids, value=y)
    x = pd.DataFrame({"x": rng.normal(size=80)}, index=ids)
    found = sensitivity_board(cohort_of(outcome, pd.DataFrame(index=ids), x, etiology=cause), winsor=None)
    said = "1 patient in the rarer class, fewer than 10"
    assert said in one(found, "x", "without etiology u")["note"]


def test_events_are_those_of_the_ranking():
    """Counted and positive, not the patients that limit a model, as `associations.csv` has them."""
    rng = np.random.default_rng(8)
    ids = np.array([f"p{k}" for k in range(80)])
    x = pd.DataFrame({"x": rng.normal(size=80)}, index=ids)
    count = Outcome(
        name="n", kind="count", label="", patient_id=ids, value=rng.poisson(2.0, 80).astype(float)
    )
    often = Outcome(name="y", kind="binary", label="", patient_id=ids, value=(np.arange(80) % 4 > 0) * 1.0)
    for outcome in (count, often):
        board = sensitivity_board(cohort_of(outcome, pd.DataFrame(index=ids), x), winsor=None)
        rows = screen(build_design(outcome, pd.DataFrame(index=ids), x, winsor=False), permutations=0).table
        assert one(board, "x", MAIN)["events"] == outcome.value.sum()
        assert rows.loc[rows["feature"] == "x", "events"].eq(outcome.value.sum()).all()


def test_a_later_start_is_said_on_the_clock_of_the_landmark(mgus):
    late = replace(mgus[1], outcome=replace(mgus[1].outcome, landmark=6.0))
    names = [each.name for each in alternatives(late, None) if each.group == "landmark"]
    assert len(names) == 2
    assert all(name.endswith(" months after the landmark on") for name in names)


def test_classes_without_an_order_are_compared_by_their_p_alone(dataset):
    """Island of Palmer penguins; p values are statsmodels' likelihood ratios."""
    import statsmodels.api as sm
    from scipy import stats

    table = dataset("penguins.csv").dropna(subset=["bill_depth_mm", "body_mass_g", "sex"])
    table.index = [f"p{k}" for k in range(len(table))]
    islands = sorted(table["island"].unique())
    y = table["island"].map(islands.index).to_numpy(float)
    outcome = Outcome(
        name="island", kind="multiclass", label="", patient_id=table.index.to_numpy(), value=y,
        categories=tuple(islands),
    )  # fmt: skip
    features = (
        table[["bill_depth_mm"]].astype(float).assign(noise=np.random.default_rng(0).normal(size=len(table)))
    )
    cohort = cohort_of(outcome, table[["sex"]], features)
    found = sensitivity_board(cohort, winsor=None)
    assert found["estimate"].isna().all()
    female = (table["sex"] == "female").to_numpy(float)
    for name, base in (("main analysis", [female]), ("not adjusted", [])):
        for feature in features:
            whole = np.column_stack([np.ones(len(y)), *base, features[feature]])
            fits = [sm.MNLogit(y, x).fit(method="newton", disp=0) for x in (whole, whole[:, :-1])]
            p = stats.chi2.sf(2 * (fits[0].llf - fits[1].llf), len(islands) - 1)
            assert one(found, feature, name)["p_value"] == pytest.approx(p, rel=1e-5)
    assert set(found.loc[found["feature"] == "bill_depth_mm", "result"]) == {"holds"}
    assert found.loc[found["feature"] == "bill_depth_mm", "survives_all"].all()
    assert set(found.loc[found["feature"] == "noise", "result"]) == {"weaker"}
    assert not found.loc[found["feature"] == "noise", "survives_all"].any()
    heading, view = sensitivity_views(found.assign(label=found["feature"], effect_measure="any"), {})[0]
    assert heading == "Sensitivity analyses: island"
    assert view.lead == "Held under every alternative: bill_depth_mm."
    flags = {
        ("island", "bill_depth_mm"): "nonlinear; suspected leak: alone it all but reproduces the outcome"
    }
    warned = sensitivity_views(found.assign(label=found["feature"], effect_measure="any"), {}, flags)[0][1]
    assert warned.lead == "Held under every alternative: bill_depth_mm (suspected leak)."
    assert view.rows[0][1].startswith("p < 0.0")
    assert "weaker" in view.rows[0][2]
    assert "no single size" in view.note


def test_rank_normal_scores_are_blom_s():
    from scipy.stats import norm

    found = rank_normal(pd.Series([3.0, 1.0, np.nan, 2.0]))
    np.testing.assert_allclose(found[[1, 3, 0]], norm.ppf((np.array([1, 2, 3]) - 0.375) / 3.25))
    assert np.isnan(found[2])


def test_e_values_as_printed():
    """Risk ratio 3.9 (1.8 to 8.7): E-value 7.2, limit 3.0 (VanderWeele & Ding 2017, from memory)."""
    assert e_value(3.9) == pytest.approx(7.26, abs=0.01)
    assert e_value(1.8) == pytest.approx(3.0)
    assert e_value(1 / 3.9) == pytest.approx(e_value(3.9))
    rare = e_values("survival", np.log(3.9), np.log(1.8), np.log(8.7), 0.05)
    assert rare == pytest.approx((7.26, 3.0), abs=0.01)
    assert e_values("survival", 0.2, -0.1, 0.5, 0.05)[1] == 1.0


def test_ratios_of_a_common_outcome_are_brought_closer_to_1():
    assert risk_ratio("binary", np.log(4), 0.4) == pytest.approx(2.0)
    hazard = risk_ratio("survival", np.log(4), 0.4)
    assert hazard == pytest.approx((1 - 0.5**2) / (1 - 0.5**0.5))
    assert np.isnan(risk_ratio("multiclass", 1.0, 0.3))


def test_an_imputed_main_analysis_stands_beside_its_complete_cases(mgus, board):
    columns = ["estimate", "ci_low", "ci_high", "p_value", "n", "events"]
    given = pd.DataFrame(
        [[0.9, 0.4, 1.4, 1e-4, 1384, 115.0], [-0.2, -0.4, 0.0, 0.06, 1384, 115.0]], ["mspike", "hgb"], columns
    )
    beside = sensitivity_board(
        mgus[1], winsor=None, imputed=ImputedMain(rows=given), effect_measure="log hazard ratio per 1 SD"
    )
    for name in ("mspike", "hgb"):
        main, alone = one(beside, name, MAIN), one(beside, name, COMPLETE)
        assert main[columns].tolist() == given.loc[name].tolist()
        assert main["note"] == "values imputed"
        assert main["ratio_to_main"] == 1
        pd.testing.assert_series_equal(
            alone[columns], one(board, name, MAIN)[columns], check_names=False, check_dtype=False
        )
        assert alone["ratio_to_main"] == pytest.approx(alone["estimate"] / main["estimate"])
    assert one(beside, "mspike", MAIN)["e_value"] > one(board, "mspike", MAIN)["e_value"]
    assert one(beside, "hgb", MAIN)["result"] == "weaker"
    others = beside[~beside["alternative"].isin((MAIN, COMPLETE))].reset_index(drop=True)
    before = board[board["alternative"] != MAIN].reset_index(drop=True)
    pd.testing.assert_frame_equal(others[["alternative", *columns]], before[["alternative", *columns]])
    _, view = sensitivity_views(beside, {})[0]
    assert "every other row is of the patients with all values of its model" in view.note
    assert "every other row" not in sensitivity_views(board, {})[0][1].note
