"""Covariates with gaps: imputed together with the features, no patient lost, the complete cases beside."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

import discovery
from discovery.association.design import build_design
from discovery.association.screen import screen
from discovery.association.screen_rows import ADJUSTED, BASE, COLUMNS
from discovery.cohort.imputation import completed_designs
from discovery.cohort.imputation_table import IMPUTATION_COLUMNS
from discovery.cohort.incomplete_covariates import complete_covariates, wide_design
from discovery.cohort.pooled_rows import COMPLETE_CASES
from discovery.cohort.pooling import pool
from discovery.cohort.screen_with_covariates import impute_screen_and_covariates
from discovery.markers.bootstrap import bootstrap_refits
from discovery.markers.imputed_refit import ImputedRefit
from discovery.markers.refit import prepare_refit
from discovery.markers.sensitivity import COMPLETE
from discovery.markers.stability import stability_shares
from discovery.markers.table import rank_markers
from discovery.seeds import named_rng
from discovery.study import Outcome

N = 260


def made(kind="continuous", *, gaps=True, seed=3, site=False, more=False):
    """A number, a covariate of two levels and one of three; x depends on all, and so does the outcome."""
    rng = np.random.default_rng(seed)
    ids = np.array([f"p{i:04d}" for i in range(N)])
    index = pd.Index(ids, name="patient_id")
    age = rng.normal(60, 10, N)
    group = rng.choice(["a", "b", "c"], N, p=[0.5, 0.3, 0.2])
    height = pd.Series(group).map({"a": 0.0, "b": 2.5, "c": -2.5}).to_numpy()
    sex = np.where(rng.random(N) < 1 / (1 + np.exp(-0.1 * (age - 60))), "male", "female")
    x = 0.04 * (age - 60) + height + 0.6 * rng.normal(size=N)
    pull = 0.5 * x + 0.03 * (age - 60) + 0.5 * (sex == "male")
    covariates = pd.DataFrame({"age": age, "sex": sex, "group": group}, index=index)
    truth = covariates.copy()
    if gaps:
        for name, share in (("age", 0.1), ("sex", 0.15), ("group", 0.2)):
            covariates[name] = covariates[name].where(rng.random(N) > share)
    features = pd.DataFrame(
        {"x": x, "partly": x + rng.normal(size=N), "noise": rng.normal(size=N)}, index=index
    )
    features.loc[rng.random(N) < 0.1, "partly"] = np.nan
    if more:  # most values missing in one of all patients and of those with all covariates, not in the other
        whole = covariates.notna().all(axis=1).to_numpy()
        draw = np.random.default_rng(7).random(N)
        features["rarer"] = np.where(draw < np.where(whole, 0.3, 0.9), np.nan, x)
        features["commoner"] = np.where(draw < np.where(whole, 0.5, 0.1), np.nan, x)
        features["flat"] = np.where(draw < 0.5, np.nan, 1.0)
    given = {"name": "out", "label": "out", "kind": kind, "patient_id": ids}
    if kind == "survival":
        time = rng.exponential(size=N) * np.exp(-pull)
        given |= {"time": np.minimum(time, 1.5), "status": (time <= 1.5).astype(float)}
    elif kind == "binary":
        given["value"] = (pull + rng.logistic(size=N) > 0.3).astype(float)
    elif kind == "multiclass":
        given["value"] = np.digitize(pull + rng.logistic(size=N), [-0.5, 1.0]).astype(float)
        given["categories"] = ("low", "middle", "high")
    elif kind == "recurrent":
        number = rng.poisson(np.exp(0.3 * pull) * rng.gamma(1.25, 0.8, N))
        given |= {"value": number.astype(float), "time": np.full(N, 2.0)}
        given |= {"event_patient": np.repeat(np.arange(N), number)}
        given |= {"event_time": rng.uniform(0, 2, number.sum())}
    elif kind == "count":
        given["value"] = rng.poisson(np.exp(0.3 * pull)).astype(float)
        given["exposure"] = np.ones(N)
    else:
        given["value"] = pull + rng.normal(size=N)
    where = pd.Series(rng.choice(["north", "south"], N), index=index) if site else None
    outcome = Outcome(**given)
    narrow = build_design(outcome, covariates, features, site=where, winsor=False)
    wide = wide_design(outcome, covariates, features, narrow, site=where)
    return narrow, wide, truth, covariates


def both(kind="continuous", **options):
    narrow, wide, *_ = made(kind, **options)
    before = screen(narrow, permutations=0)
    found = impute_screen_and_covariates(narrow, before, wide, imputations=20, seed=4)
    return narrow, wide, before, found


def row(table, feature, model=ADJUSTED, term=None):
    mine = (table["feature"] == feature) & (table["model"] == model) & (table["term"] == (term or feature))
    assert mine.sum() == 1, (feature, model, term)
    return table[mine].iloc[0]


def test_without_a_gap_in_the_covariates_there_is_nothing_wider():
    narrow, wide, *_ = made(gaps=False)
    assert wide is None
    assert narrow.n == N


def test_every_copy_has_values_that_occur_and_keeps_what_is_known():
    _, wide, _, covariates = made()
    found = complete_covariates(wide, imputations=20, seed=4)
    design, completed = wide.design, found.completed
    assert design.n == N
    assert found.counts == covariates.isna().sum().to_dict()
    names = [term.covariate for term in design.terms]
    for name in ("age", "sex", "group"):
        at = [k for k, other in enumerate(names) if other == name]
        known = covariates[name].notna().to_numpy()
        assert (completed.bases[:, known][:, :, at] == design.base[known][:, at]).all()
        seen = {tuple(values) for values in design.base[known][:, at]}
        drawn = {tuple(values) for values in completed.bases[:, ~known][:, :, at].reshape(-1, len(at))}
        assert drawn <= seen or name == "age"
        assert len(drawn) > 1
    assert found.models == {
        "age": "normal", "sex": "predictive mean matching", "group": "predictive mean matching",
    }  # fmt: skip
    assert (completed.bases[0] != completed.bases[1]).any()
    again = complete_covariates(wide, imputations=20, seed=4)
    np.testing.assert_array_equal(again.completed.bases, completed.bases)


def test_levels_come_from_patients_who_are_alike():
    """x tells the three groups apart (2.5 apart, SD .7): nearly all imputed levels must be the true ones."""
    _, wide, truth, covariates = made()
    found = complete_covariates(wide, imputations=20, seed=4)
    gone = covariates["group"].isna().to_numpy()
    at = [k for k, term in enumerate(wide.design.terms) if term.covariate == "group"]
    levels = np.array([wide.design.terms[k].level for k in at])
    drawn = found.completed.bases[:, gone][:, :, at]
    named = np.where(drawn.any(axis=2), levels[drawn.argmax(axis=2)], wide.design.terms[at[0]].reference)
    assert (named == truth["group"].to_numpy()[gone]).mean() > 0.85


def test_rows_are_the_pooled_least_squares_of_the_copies():
    """Reference: statsmodels in each copy, pooled by Rubin's rules."""
    narrow, wide, before, found = both()
    design, table = wide.design, found.screen.table
    in_sds_of_all = narrow.y.std(ddof=1) / design.y.std(ddof=1)
    completed = complete_covariates(wide, imputations=20, seed=4).completed
    y = (design.y - design.y.mean()) / design.y.std(ddof=1)
    for j, name in enumerate(design.feature_names):
        estimates, variances = [], []
        for copy in range(completed.m):
            x = np.column_stack([np.ones(N), completed.bases[copy], completed.copies[copy, :, j]])
            fit = sm.OLS(y, x).fit()
            estimates.append([fit.params[-1]])
            variances.append([fit.bse[-1] ** 2])
        pooled = pool(estimates, variances, df_complete=N - x.shape[1])
        got = row(table, name)
        assert got["estimate"] == pytest.approx(pooled.estimate[0], abs=1e-9)
        assert got["p_value"] == pytest.approx(pooled.p_value[0], rel=1e-6)
        assert got["n"] == N
        assert "imputed covariates: age, sex, group" in got["note"]
        assert ("imputed in" in got["note"].split("imputed covariates")[0]) == (name == "partly")
        former = row(table, name, COMPLETE_CASES)
        alone = row(before.table, name)["estimate"]
        assert former["estimate"] == pytest.approx(alone * in_sds_of_all, rel=1e-12)
        assert former["n"] == narrow.observed[:, j].sum() < N
    for j, term in enumerate(design.terms):
        estimates = [
            [sm.OLS(y, np.column_stack([np.ones(N), base])).fit().params[1 + j]] for base in completed.bases
        ]
        got = row(table, "", BASE, term.name)
        assert got["estimate"] == pytest.approx(np.mean(estimates), abs=1e-9)
        assert got["n"] == N
        former = row(table, "", COMPLETE_CASES, term.name)
        alone = row(before.table, "", BASE, term.name)["estimate"]
        assert former["estimate"] == pytest.approx(alone * in_sds_of_all, rel=1e-12)


@pytest.mark.parametrize("kind", ["survival", "binary", "multiclass", "count", "recurrent"])
@pytest.mark.parametrize("site", [False, True])
def test_every_kind_of_outcome_has_its_rows(kind, site):
    narrow, _, before, found = both(kind, site=site)
    table = found.screen.table
    assert list(table.columns) == list(COLUMNS)
    for name in narrow.feature_names:
        assert row(table, name)["n"] == N
        assert 0 < row(table, name)["p_value"] <= 1
    if kind != "recurrent":  # frailty drowns what x adds to its groups
        assert row(table, "x")["p_value"] < 0.05
    assert ("robust by patient" in row(table, "x")["method"]) == (kind == "recurrent")
    assert found.screen.fit.coef.shape == before.fit.coef.shape
    assert found.completed.copies.shape[1] == found.design.n == N > narrow.n
    assert [*found.table.columns] == list(IMPUTATION_COLUMNS)
    about = found.table.set_index("feature")
    assert {"partly", "covariate age", "covariate sex", "covariate group"} == set(about.index)
    assert (about["n_known"] + about["n_imputed"] + about["n_not_imputed"] == N).all()
    assert any("estimates, ranks and gains are of all patients" in note for note in found.notes)


def test_a_covariate_that_is_mostly_missing_is_not_imputed_and_its_patients_stay_out():
    *_, covariates = made()
    covariates = covariates.copy()
    covariates.iloc[: int(0.6 * N), 0] = np.nan
    outcome = Outcome(
        name="out", label="out", kind="continuous", patient_id=covariates.index.to_numpy(),
        value=np.random.default_rng(0).normal(size=N),
    )  # fmt: skip
    features = pd.DataFrame({"x": np.random.default_rng(1).normal(size=N)}, index=covariates.index)
    narrow = build_design(outcome, covariates, features, winsor=False)
    wide = wide_design(outcome, covariates, features, narrow)
    found = impute_screen_and_covariates(narrow, screen(narrow, permutations=0), wide, imputations=5, seed=1)
    assert row(found.screen.table, "x")["n"] == covariates["age"].notna().sum()
    assert any("covariate age not imputed" in note for note in found.notes)


def test_patients_whose_covariate_no_one_of_their_site_has_stay_out_of_everything():
    """North never measured age: nothing to impute it from, so its patients leave table and ranking alike."""
    *_, truth, covariates = made("binary", site=True)
    outcome, features, site = parts_of(covariates)
    covariates["age"] = truth["age"].where(site != "north")
    narrow = build_design(outcome, covariates, features, site=site, winsor=False)
    wide = wide_design(outcome, covariates, features, narrow, site=site)
    found = impute_screen_and_covariates(narrow, screen(narrow, permutations=0), wide, imputations=5, seed=1)
    assert set(found.design.site) == {"middle", "south"}
    assert found.design.n == (site != "north").sum() == row(found.screen.table, "x")["n"]
    about = found.table[found.table["feature"] == "covariate sex"].iloc[0]
    assert (about["n"], about["n_not_imputed"]) == (N, (site == "north").sum())
    assert any("age never measured at site north" in note for note in found.notes)
    copies = completed_designs(found.design, found.completed)
    assert np.isfinite(stability_shares(narrow, range(2), rng=named_rng(1, "h"), completed=copies)).all()


def test_sites_are_compared_with_the_same_one_in_both_base_models():
    """The largest site has most gaps, so that another is the largest of the complete cases."""
    _, _, _, covariates = made(gaps=False)
    outcome, features, _ = parts_of(covariates)
    site = pd.Series(np.repeat(["big", "small", "least"], [120, 90, 50]), index=covariates.index)
    lacking = (site == "big") & (np.arange(N) % 2 == 0)
    covariates["age"] = covariates["age"].mask(lacking)
    narrow = build_design(outcome, covariates, features, site=site, winsor=False)
    wide = wide_design(outcome, covariates, features, narrow, site=site)
    assert (
        build_design(outcome, covariates.drop(columns="age"), features, site=site).terms[0].reference == "big"
    )
    found = impute_screen_and_covariates(narrow, screen(narrow, permutations=0), wide, imputations=5, seed=1)
    table = found.screen.table
    of = [
        table[(table["model"] == model) & table["term"].str.startswith("site=")]
        for model in (BASE, COMPLETE_CASES)
    ]
    assert of[0]["term"].tolist() == of[1]["term"].tolist() == ["site=big", "site=least"]
    assert of[0]["effect_measure"].tolist() == of[1]["effect_measure"].tolist()
    assert (of[0]["n"] == N).all()
    assert (of[1]["n"] == N - lacking.sum()).all()
    # with a reference that is not there, the largest is taken
    other = build_design(outcome, covariates, features, site=site, site_reference="elsewhere")
    assert other.terms[0].reference == "small"


def parts_of(covariates):
    rng = np.random.default_rng(5)
    site = pd.Series(rng.choice(["north", "middle", "south"], N), index=covariates.index)
    x = rng.normal(size=N)
    value = (x + rng.logistic(size=N) > 0).astype(float)
    ids = covariates.index.to_numpy()
    outcome = Outcome(name="out", label="out", kind="binary", patient_id=ids, value=value)
    features = pd.DataFrame({"x": x, "noise": rng.normal(size=N)}, index=covariates.index)
    return outcome, features, site


@pytest.mark.parametrize("kind", ["continuous", "binary", "survival", "multiclass", "count", "recurrent"])
def test_the_ranking_is_of_the_patients_of_the_table(kind):
    """Reference: models of each completed copy, as if it were the data."""
    narrow, *_, found = both(kind, site=kind in ("survival", "binary"))
    design, completed = found.design, found.completed
    assert design.n == N > narrow.n
    p = len(design.feature_names)
    firth = found.screen.firth
    near = 1e-3 if kind == "count" else 1e-9  # its gains are judged by one dispersion, the first copy's
    refit = ImputedRefit(design, firth, range(p), completed)
    copies = completed_designs(design, completed)
    w = named_rng(1, "w").multinomial(N, np.ones(N) / N).astype(float)
    for k in (0, 3):
        wanted, got = prepare_refit(copies[k], firth, range(p))(w), refit.in_copy(k)(w)
        for name in ("z", "estimate", "gain", "base"):
            np.testing.assert_allclose(getattr(got, name), getattr(wanted, name), rtol=1e-6, atol=near)
    markers = rank_markers(
        [narrow], [found.screen], seed=1, replicates=8, completed={"out": completed}, wider={"out": design}
    )
    assert (markers.table["n"] == N).all()
    ones = np.ones(N)
    wanted = np.mean([prepare_refit(copy, firth, range(p))(ones).gain[:, 0] for copy in copies], axis=0)
    got = markers.table.set_index("feature").loc[list(design.feature_names), "apparent_gain"]
    np.testing.assert_allclose(got, wanted, atol=max(near, 1e-6))
    two = rank_markers(
        [narrow], [found.screen], seed=1, replicates=8, completed={"out": completed}, wider={"out": design},
        workers=2,
    )  # fmt: skip
    pd.testing.assert_frame_equal(markers.table, two.table)


def test_where_most_patients_lack_some_covariate_all_are_judged_as_they_are_counted():
    """22 of 90 have all three: too few for a model of their own, not for one with covariates imputed."""
    rng = np.random.default_rng(1)
    ids = np.array([f"p{i}" for i in range(90)])
    index = pd.Index(ids, name="patient_id")
    covariates = pd.DataFrame(rng.normal(size=(90, 3)), columns=list("abc"), index=index)
    covariates = covariates.where(rng.random((90, 3)) > 0.36)
    features = pd.DataFrame(rng.normal(size=(90, 3)), columns=list("xyz"), index=index)
    value = rng.poisson(0.9, 90).astype(float)
    outcome = Outcome(
        name="out", label="out", kind="count", patient_id=ids, value=value, exposure=np.ones(90)
    )
    narrow = build_design(outcome, covariates, features)
    wide = wide_design(outcome, covariates, features, narrow)
    before = screen(narrow, permutations=0)
    assert narrow.effective_size / 4 < 5 < 10 < (value > 0).sum() / 4
    found = impute_screen_and_covariates(narrow, before, wide, imputations=5, seed=1)
    notes = found.screen.table.set_index("model")["note"].str.contains("exploratory")
    assert not notes[ADJUSTED].any()
    assert notes[COMPLETE_CASES].any()
    markers = rank_markers(
        [narrow], [found.screen], seed=1, replicates=5, completed={"out": found.completed},
        wider={"out": found.design},
    ).table  # fmt: skip
    assert (markers["n"] == 90).all()
    assert not markers["verdict"].str.contains("not assessable").any()
    assert not markers["flags"].str.contains("fewer than 10 events").any()
    third = (value > 0).cumsum() <= 30  # with 30 of them the warning counts those 30
    fewer = Outcome(
        name="out", label="out", kind="count", patient_id=ids, value=np.where(third, value, 0.0),
        exposure=np.ones(90),
    )  # fmt: skip
    narrow = build_design(fewer, covariates, features)
    wide = wide_design(fewer, covariates, features, narrow)
    found = impute_screen_and_covariates(narrow, screen(narrow, permutations=0), wide, imputations=5, seed=1)
    assert (
        "few events: 30 patients with a count above 0 for 4 coefficients"
        in row(found.screen.table, "x")["note"]
    )


def most_lack_one(seed=2, *, events=40, n=100, share=0.38):
    """Patients of whom `events` have the event, each of three covariates missing in about `share`; x acts."""
    rng = np.random.default_rng(seed)
    ids = np.array([f"p{i:03d}" for i in range(n)])
    index = pd.Index(ids, name="patient_id")
    covariates = pd.DataFrame(rng.normal(size=(n, 3)), columns=list("abc"), index=index)
    features = pd.DataFrame(rng.normal(size=(n, 2)), columns=["x", "y"], index=index)
    time = rng.exponential(size=n) * np.exp(-features["x"].to_numpy())
    last = np.sort(time)[events - 1]
    status = (time <= last).astype(float)
    covariates = covariates.where(rng.random((n, 3)) > share)
    features["y"] = features["y"].where(rng.random(n) > 0.2)
    return covariates, features, np.minimum(time, last), status, ids


def imputed_of(covariates, features, time, status, ids):
    outcome = Outcome(name="out", label="out", kind="survival", patient_id=ids, time=time, status=status)
    narrow = build_design(outcome, covariates, features)
    wide = wide_design(outcome, covariates, features, narrow)
    before = screen(narrow, permutations=20, rng=named_rng(1, "maxt"))
    return narrow, before, impute_screen_and_covariates(narrow, before, wide, imputations=5, seed=1)


def test_the_base_model_is_of_all_patients_though_the_complete_cases_are_too_few():
    covariates, features, time, status, ids = most_lack_one(events=25)
    complete = covariates.notna().all(axis=1).to_numpy()
    assert status[complete].sum() < 10 < 25 == status.sum()
    *_, found = imputed_of(covariates, features, time, status, ids)
    table = found.screen.table
    for name in "abc":
        got = row(table, "", BASE, name)
        assert got["n"] == 100
        assert got["events"] == 25
        assert got["note"] == ""
        assert 0 < got["p_value"] <= 1
        assert row(table, "", COMPLETE_CASES, name)["note"].startswith("not assessed: ")
    for name in ("x", "y"):
        assert row(table, name)["n"] == 100
        assert "not assessed" not in row(table, name)["note"]
    assert found.screen.sizes.tolist() == [25, 25]
    assert row(table, "x")["p_value"] < 0.01


def test_thirty_events_are_counted_in_the_model_of_the_row():
    first = "fewer than 30 events: the familywise p is the primary one"
    for events in (40, 29):
        covariates, features, time, status, ids = most_lack_one(share=0.2, events=events)
        narrow, before, found = imputed_of(covariates, features, time, status, ids)
        assert 10 <= narrow.effective_size < 29
        assert first in row(before.table, "x")["note"]
        assert (first in row(found.screen.table, "x")["note"]) == (events < 30)
        assert first in row(found.screen.table, "x", COMPLETE_CASES)["note"]


def test_a_feature_that_cannot_be_assessed_in_all_says_so_of_all():
    """Nine events among all patients, eight or fewer with all covariates."""
    covariates, features, time, status, ids = most_lack_one(share=0.1, events=9)
    _, before, found = imputed_of(covariates, features, time, status, ids)
    got = row(found.screen.table, "x")
    assert row(before.table, "x")["n"] < 100
    assert got["n"] == 100
    assert got["events"] == 9
    assert got["note"].startswith("not assessed: 9 events, fewer than 10")
    assert np.isnan(got["estimate"])
    assert not found.screen.assessed.any()
    assert row(found.screen.table, "", BASE, "a")["note"] == "not assessed: 9 events, fewer than 10"


def test_gaps_of_a_covariate_that_does_not_vary_leave_its_patients_out():
    covariates, features, time, status, ids = most_lack_one(share=-1)
    covariates["flat"] = np.where(np.arange(len(ids)) > 9, 1.0, np.nan)
    narrow, before, found = imputed_of(covariates, features, time, status, ids)
    assert "flat" not in {term.covariate for term in narrow.terms}
    assert narrow.n == 90
    assert found.design is None
    assert row(found.screen.table, "x")["p_value"] == row(before.table, "x")["p_value"]
    assert "pooled" in row(found.screen.table, "y")["method"]


def test_events_that_only_patients_without_a_covariate_had_have_their_rows():
    covariates, features, time, status, ids = most_lack_one(share=0.2)
    died = np.flatnonzero(covariates.isna().any(axis=1).to_numpy() & (status == 1))
    assert died.size == 15
    status[died[:12]], status[died[12:]] = 2, 3
    narrow, _, found = imputed_of(covariates, features, time, status, ids)
    assert narrow.causes == (1,)
    second, third = (
        row(found.screen.table, "x", f"competing event {cause}: cause-specific hazard") for cause in (2, 3)
    )
    assert (second["n"], second["events"]) == (100, 12)
    assert 0 < second["p_value"] <= 1
    assert np.isnan(second["q_value"])
    assert (third["n"], third["events"]) == (100, 3)
    assert third["note"].startswith("not assessed: 3 events")


def test_the_share_missing_is_that_of_the_ranking_in_every_note():
    narrow, wide, *_ = made(more=True)
    names = ["rarer", "commoner", "flat"]
    inside, shares = (
        {name: 1 - design.observed[:, design.feature_names.index(name)].mean() for name in names}
        for design in (narrow, wide.design)
    )
    assert inside["rarer"] < 0.4 < shares["rarer"]
    assert shares["commoner"] < 0.4 < inside["commoner"]
    before = screen(narrow, permutations=0)
    found = impute_screen_and_covariates(narrow, before, wide, imputations=5, seed=4)
    notes = row(found.screen.table, "rarer")["note"], row(found.screen.table, "commoner")["note"]
    assert notes[0].startswith(f"{100 * shares['rarer']:.0f} % missing: listed, not ranked; not imputed")
    assert notes[0].count("% missing") == 1
    assert "% missing" not in notes[1]
    assert "imputed in" in notes[1]
    assert "% missing" not in row(found.screen.table, "commoner", COMPLETE_CASES)["note"]
    flat = row(found.screen.table, "flat")["note"]
    assert flat.startswith("not assessed: ")
    assert f"; {100 * shares['flat']:.0f} % missing: listed" in flat


def test_every_draw_has_its_own_covariates_from_its_own_patients():
    """Where a draw holds men alone (and donors are among the drawn), nobody else can be imputed."""
    _, wide, _, covariates = made()
    completed = complete_covariates(wide, imputations=3, seed=4).completed
    known = covariates["sex"].notna().to_numpy()
    ones = np.ones(N)
    at = [k for k, term in enumerate(wide.design.terms) if term.covariate == "sex"]
    (x, first), (_, second) = completed.in_draw(ones, 0), completed.in_draw(ones, 1)
    np.testing.assert_array_equal(first, completed.in_draw(ones, 0)[1])
    assert (first[~known][:, at] != second[~known][:, at]).any()
    assert (first[known][:, at] == wide.design.base[known][:, at]).all()
    assert np.isfinite(x).all()
    male = known & (wide.design.base[:, at[0]] == wide.design.base[known][:, at].max())
    _, alone = completed.in_draw(male.astype(float), 0)
    assert (alone[~known][:, at] == wide.design.base[known][:, at].max()).all()


def test_draws_see_what_the_patients_with_gaps_say():
    # reference: draws on the whole data, before values were taken out; complete cases lie further off
    narrow, *_, found = both("continuous")
    whole, *_ = made("continuous", gaps=False)
    keep = np.array([0, 2])  # x and noise, without gaps themselves
    firth = np.zeros(3, dtype=bool)
    wanted = bootstrap_refits([prepare_refit(whole, firth, keep)], replicates=150, seed=1)[0]
    alone = bootstrap_refits([prepare_refit(narrow, firth, keep)], replicates=150, seed=1)[0]
    got = bootstrap_refits(
        [ImputedRefit(found.design, firth, keep, found.completed)], replicates=150, seed=1
    )[0]
    spread = [draws.estimate[:, 0].std() for draws in (wanted, got, alone)]
    assert spread[0] * 0.95 < spread[1] < spread[2]
    error = [abs(draws.estimate[:, 0].mean() - wanted.estimate[:, 0].mean()) for draws in (got, alone)]
    assert error[0] < error[1]


def test_complete_cases_have_one_number_in_the_sds_of_all_patients(tmp_path):
    """Reference: least squares by statsmodels of the outcome in SDs of all patients.

    The outcome is wider in who lacks a covariate, so that the SD of the others is another unit.
    """
    _, wide, _, covariates = made()
    lack = covariates.isna().any(axis=1).to_numpy()
    y = wide.design.y * np.where(lack, 3.0, 1.0)
    whole = wide.design.features[:, :1]  # the others have gaps of their own, or say nothing
    covariates.assign(out=y).reset_index().to_csv(tmp_path / "patients.csv", index=False)
    pd.DataFrame({"patient_id": covariates.index, "rv_x": whole[:, 0]}).to_csv(
        tmp_path / "features.csv", index=False
    )
    (tmp_path / "study.toml").write_text(
        '[study]\nname = "units"\nseed = 1\n[patients]\nfile = "patients.csv"\nid = "patient_id"\n'
        'adjust_for = ["age", "sex", "group"]\n[features]\nfile = "features.csv"\nid = "patient_id"\n'
        '[[outcomes]]\nname = "out"\nkind = "continuous"\ncolumn = "out"\n'
        "[analysis]\nreplicates = 0\npermutations = 0\nphenotypes = false\nwinsor = false\n"
    )
    tables = discovery.run(tmp_path, out=tmp_path / "out", workers=1).tables
    here = covariates[~lack]
    x = pd.get_dummies(here, columns=["sex", "group"], drop_first=True, dtype=float)
    x = sm.add_constant(x.assign(rv_x=(whole[~lack, 0] - whole.mean()) / whole.std(ddof=1)))
    fit = sm.OLS(y[~lack] / y.std(ddof=1), x.to_numpy()).fit()
    wanted = [fit.params[-1], *fit.conf_int()[-1]]
    numbers = ["estimate", "ci_low", "ci_high"]
    found = row(tables["associations"], "rv_x", COMPLETE_CASES)
    np.testing.assert_allclose(found[numbers].astype(float), wanted, rtol=1e-7)
    board = tables["sensitivity"].set_index("alternative").loc[COMPLETE]
    np.testing.assert_allclose(board[numbers].astype(float), wanted, rtol=1e-7)
    assert found["n"] == board["n"] == (~lack).sum()
    age = row(tables["associations"], "", COMPLETE_CASES, term="age")
    base = sm.OLS(y[~lack] / y.std(ddof=1), x.to_numpy()[:, :-1]).fit()
    assert age["estimate"] == pytest.approx(base.params[1] * covariates["age"].std(ddof=1), rel=1e-7)


def test_a_run_loses_no_patient_for_a_covariate(tmp_path):
    narrow, wide, _, covariates = made("binary")
    patients = covariates.assign(out=wide.design.y.astype(int)).reset_index()
    patients.to_csv(tmp_path / "patients.csv", index=False)
    features = pd.DataFrame(wide.design.features[:, [0, 2]], columns=["rv_x", "rv_noise"])
    features.insert(0, "patient_id", patients["patient_id"])
    features.to_csv(tmp_path / "features.csv", index=False)
    (tmp_path / "study.toml").write_text(
        '[study]\nname = "gaps"\nseed = 1\n[patients]\nfile = "patients.csv"\nid = "patient_id"\n'
        'adjust_for = ["age", "sex", "group"]\n[features]\nfile = "features.csv"\nid = "patient_id"\n'
        '[[outcomes]]\nname = "out"\nkind = "binary"\ncolumn = "out"\npositive = 1\n'
        "[analysis]\nreplicates = 20\npermutations = 50\nphenotypes = false\n"
    )
    result = discovery.run(tmp_path, out=tmp_path / "out", workers=1)
    rows = result.tables["associations"]
    assert row(rows, "rv_x")["n"] == N
    assert row(rows, "rv_x", COMPLETE_CASES)["n"] == narrow.n
    markers = result.tables["markers"].set_index("feature")
    assert markers.loc["rv_x", "p_value"] == row(rows, "rv_x")["p_value"]
    assert np.isfinite(markers.loc["rv_x", "gain"])
    methods = (tmp_path / "out" / "methods.md").read_text(encoding="utf-8")
    assert "Missing covariates were imputed in the same chain" in methods
    assert "estimates, ranks and gains are of all" in " ".join(methods.split())
    assert markers.loc["rv_x", "n"] == N
    assert f"{N} patients analysed" in methods
    flow = result.tables["attrition"]
    assert flow.loc[flow["step"] == "analysed", "n"].tolist() == [N]
    assert not flow["reason"].str.contains("covariate").any()
