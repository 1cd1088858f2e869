"""A screen answered by imputation: its rows, the complete cases beside them, tipping points."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from discovery.association.design import build_design
from discovery.association.kinds import kind_of
from discovery.association.outcome_models import fit_columns
from discovery.association.screen import screen
from discovery.association.screen_rows import ADJUSTED, COLUMNS
from discovery.cohort.imputation import complete, plan_imputation
from discovery.cohort.imputation_table import IMPUTATION_COLUMNS
from discovery.cohort.imputed_fits import fit_imputed
from discovery.cohort.imputed_screen import impute_screen, screen_with
from discovery.cohort.pooled_classes import pool_classes
from discovery.cohort.pooled_rows import COMPLETE_CASES, model_of
from discovery.cohort.tipping import SHIFTS, tipping_points
from discovery.markers.table import rank_markers
from discovery.seeds import named_rng
from discovery.study import Outcome
from discovery.study.limits import Limits


def made(kind="survival", *, n=240, seed=5, effect=0.7):
    rng = np.random.default_rng(seed)
    ids = np.array([f"p{i:04d}" for i in range(n)])
    index = pd.Index(ids, name="patient_id")
    z = rng.normal(size=n)
    x = 0.4 * z + rng.normal(size=n)
    features = pd.DataFrame(
        {
            "x": x,
            "helper": x + 0.5 * rng.normal(size=n),
            "rare": rng.normal(size=n),
            "noise": rng.normal(size=n),
        },
        index=index,
    )
    pull = effect * x + 0.4 * z
    given = {"name": "out", "label": "out", "kind": kind, "patient_id": ids}
    if kind == "survival":
        time = rng.exponential(size=n) * np.exp(-pull)
        other = rng.exponential(3, size=n)
        first = np.minimum(time, other)
        status = np.where(first > 2, 0.0, np.where(time <= other, 1.0, 2.0))
        given |= {"time": np.minimum(first, 2.0), "status": status}
    elif kind == "binary":
        given["value"] = (pull + rng.logistic(size=n) > 0).astype(float)
    elif kind in ("ordinal", "multiclass"):
        given["value"] = np.digitize(pull + rng.logistic(size=n), [-1.0, 1.0]).astype(float)
        given["categories"] = ("low", "middle", "high")
    else:
        given["value"] = pull + rng.normal(size=n)
    features.loc[rng.random(n) < 0.15, "x"] = np.nan
    features.loc[rng.random(n) < 0.1, "noise"] = np.nan
    features.loc[rng.random(n) < 0.6, "rare"] = np.nan
    return build_design(Outcome(**given), pd.DataFrame({"z": z}, index=index), features)


def screened(design, **options):
    return screen(design, permutations=50, rng=named_rng(1, "maxt"), **options)


def row(table, feature, model=ADJUSTED):
    return table[(table["feature"] == feature) & (table["model"] == model) & (table["term"] == feature)].iloc[
        0
    ]


@pytest.mark.parametrize("kind", ["survival", "binary", "continuous", "ordinal"])
def test_rows_of_features_with_gaps_are_pooled_and_the_others_stay(kind):
    design = made(kind)
    before = screened(design)
    found = impute_screen(design, before, imputations=20, seed=3)
    table = found.screen.table
    assert list(table.columns) == list(COLUMNS)
    for name in ("helper", "rare"):
        pd.testing.assert_series_equal(
            row(table, name).drop("q_value"), row(before.table, name).drop("q_value"), check_names=False
        )
    pooled = fit_imputed(design, complete(design, plan_imputation(design), imputations=20, seed=3))
    for c, j in enumerate(plan_imputation(design).columns):
        name = design.feature_names[j]
        got = row(table, name)
        assert got["estimate"] == pooled.coef[c, -1]
        assert got["p_value"] == pooled.p_value[c]
        assert got["n"] == design.n
        assert got["ci_low"] < got["estimate"] < got["ci_high"]
        assert "20 imputations pooled by Rubin's rules" in got["method"]
        assert f"imputed in {design.n - design.observed[:, j].sum()} patients" in got["note"]
        alone = row(table, name, COMPLETE_CASES)
        former = row(before.table, name)
        same = ["estimate", "ci_low", "ci_high", "p_value", "n", "n_left_out", "method"]
        pd.testing.assert_series_equal(alone[same], former[same], check_names=False)
        assert np.isnan(alone["q_value"])
        assert found.screen.fit.coef[j, -1] == got["estimate"]
        assert np.sign(found.screen.fit.z[j]) == np.sign(got["estimate"])
    assert "missing: listed, not ranked" in row(table, "rare")["note"]


def test_a_screen_without_gaps_or_with_imputation_off_is_the_same_object():
    design = made()
    before = screened(design)
    assert impute_screen(design, before, imputations=0, seed=3).screen is before
    whole = design.take_features(np.array([1]))
    before = screened(whole)
    found = impute_screen(whole, before, imputations=20, seed=3)
    assert found.screen is before
    assert found.completed is None


def test_a_familywise_p_below_the_pooled_one_is_said_to_be_of_other_patients():
    design = made("continuous")
    before = screened(design)
    main = (before.table["model"] == ADJUSTED) & (before.table["term"] == before.table["feature"])
    familywise = before.table["p_familywise"].where(~main | (before.table["feature"] != "noise"), 1e-9)
    before = replace(before, table=before.table.assign(p_familywise=familywise))
    table = impute_screen(design, before, imputations=5, seed=3).screen.table
    assert row(table, "noise")["p_familywise"] == 1e-9
    below = "the familywise p is below p: it is of the patients with all values"
    assert below in row(table, "noise")["note"]
    assert row(table, "x")["p_familywise"] > row(table, "x")["p_value"]
    assert "familywise" not in row(table, "x")["note"]
    for name in ("x", "noise"):
        assert row(table, name)["method"].endswith("; familywise p by permutation in complete cases")
    assert "familywise" not in row(table, "helper")["method"]


def test_few_events_are_counted_in_the_model_of_the_row():
    """Of 27 events about 23 have a value of x: few for two coefficients or not, by who is in the model."""
    design = made("survival", n=90)
    assert design.event.sum() > 20
    last = np.sort(design.time[design.event == 1])[20]
    short = replace(design, event=np.where(design.time <= last, design.event, 0.0))
    short = replace(short, status=short.event)
    before = screened(short)
    found = impute_screen(short, before, imputations=5, seed=3).screen
    j = short.feature_names.index("x")
    assert before.sizes[j] < 20 < 21 == found.sizes[j]
    assert f"few events: {before.sizes[j]} events for 2 coefficients" in row(before.table, "x")["note"]
    assert "few events" not in row(found.table, "x")["note"]
    assert "few events" in row(found.table, "x", COMPLETE_CASES)["note"]
    markers = rank_markers(
        [short], [found], seed=1, replicates=0,
        completed={"out": impute_screen(short, before, imputations=5, seed=3).completed},
    ).table.set_index("feature")  # fmt: skip
    assert "fewer than 10 events" not in markers.loc["x", "flags"]


def test_an_estimate_without_an_interval_says_why():
    design = made("continuous")
    before, completed = screened(design), complete(design, plan_imputation(design), imputations=5, seed=3)
    fits = fit_imputed(design, completed)
    names = [design.feature_names[j] for j in completed.plan.columns]
    nothing = np.where(np.array(names) == "noise", np.nan, 1.0)
    fits = replace(fits, ci_low=fits.ci_low * nothing, ci_high=fits.ci_high * nothing)
    table = screen_with(design, before, completed, fits, 0.05, "bh").table
    said = "no interval: the estimate hangs on very few patients"
    assert said in row(table, "noise")["note"]
    assert said not in row(table, "x")["note"]
    classes = made("multiclass")
    table = impute_screen(classes, screened(classes), imputations=2, seed=3).screen.table
    assert not table["note"].str.contains(said).any()


def test_what_was_imputed_as_a_table():
    design = made()
    found = impute_screen(design, screened(design), imputations=20, seed=3)
    table = found.table.set_index("feature")
    assert [*found.table.columns] == list(IMPUTATION_COLUMNS)
    assert set(table.index) == {"x", "noise", "rare"}
    assert table.loc["rare", "n_imputed"] == 0
    assert table.loc["rare", "note"].startswith("not imputed: ")
    assert (table["n_known"] + table["n_imputed"] + table["n_not_imputed"] == design.n).all()
    # x is nearly known from its helper: less information is missing than values are, and more than for noise
    gone = 1 - design.observed[:, 0].mean()
    assert 0 < table.loc["x", "fraction_missing_information"] < gone
    assert table.loc["x", "monte_carlo_error"] < 0.2 * table.loc["x", "se"]
    assert table.loc["x", "model"] == "predictive mean matching"


def test_classes_without_an_order_are_pooled_over_all_contrasts():
    """D1 of the copies' contrasts, computed here from statsmodels' multinomial fits."""
    import statsmodels.api as sm

    from discovery.cohort.pooling import pool, pool_wald

    design = made("multiclass")
    before = screened(design)
    found = impute_screen(design, before, imputations=20, seed=3)
    table, plan = found.screen.table, found.completed.plan
    for c, j in enumerate(plan.columns):
        name = design.feature_names[j]
        estimates, covariances, statistics = [], [], []
        for copy in found.completed.copies:
            x = np.column_stack([np.ones(design.n), design.base, copy[:, c]])
            fit = sm.MNLogit(design.y, x).fit(method="newton", disp=0, tol=1e-12)
            alone = sm.MNLogit(design.y, x[:, :-1]).fit(method="newton", disp=0, tol=1e-12)
            k, own = x.shape[1], [x.shape[1] - 1, 2 * x.shape[1] - 1]
            estimates.append(np.asarray(fit.params)[k - 1])
            covariances.append(np.asarray(fit.cov_params())[np.ix_(own, own)])
            statistics.append(2 * (fit.llf - alone.llf))
        estimates, covariances = np.array(estimates), np.array(covariances)
        wald = np.einsum("mi,mij,mj->m", estimates, np.linalg.inv(covariances), estimates)
        scale = np.where(np.array(statistics) >= 2, wald / np.array(statistics), 1.0)
        test = pool_wald(estimates, covariances * scale[:, None, None])
        got = row(table, name)
        assert got["p_value"] == pytest.approx(test.p_value, rel=1e-5)
        assert found.screen.p_value[j] == got["p_value"]
        assert got["n"] == design.n
        assert np.isnan(got["estimate"])
        each = pool(estimates, np.diagonal(covariances, axis1=1, axis2=2))
        low, high = each.interval()
        for k, other in enumerate(("middle", "high")):
            mine = table[(table["feature"] == name) & (table["term"] == f"{other} against low")]
            mine = mine.set_index("model").loc[ADJUSTED]
            assert mine["estimate"] == pytest.approx(each.estimate[k], abs=1e-7)
            assert mine["ci_low"] == pytest.approx(low[k], abs=1e-6)
            assert mine["ci_high"] == pytest.approx(high[k], abs=1e-6)
            assert mine["p_value"] == pytest.approx(each.p_value[k], rel=1e-5)
        former = row(table, name, COMPLETE_CASES)
        assert former["p_value"] == row(before.table, name)["p_value"]
        assert former["n"] == design.observed[:, j].sum()
        assert (table[table["model"] == COMPLETE_CASES]["feature"] == name).sum() == 3
        assert 2 * stats.norm.sf(found.screen.fit.z[j]) == pytest.approx(got["p_value"], rel=1e-9)
    about = found.table.set_index("feature")
    assert np.isnan(about.loc["x", "estimate"])
    assert 0 < about.loc["x", "fraction_missing_information"] < 1 - design.observed[:, 0].mean()


def test_pooling_over_classes_is_the_likelihood_ratio_where_nothing_is_missing():
    design = made("multiclass").take_features(np.array([1]))
    fit = fit_columns(design.response, design.base, design.features, intervals=False)
    pooled = pool_classes([fit.fit] * 20, [kind_of("multiclass").likelihood_ratio(fit.fit)] * 20)
    assert pooled.p_value[0] == pytest.approx(fit.p_value[0], rel=1e-6)


def test_competing_rows_are_pooled_too():
    design = made()
    before = screened(design)
    found = impute_screen(design, before, imputations=20, seed=3).screen.table
    model = "competing event 2: cause-specific hazard"
    assert row(found, "x", model)["n"] == design.n
    assert "imputations pooled" in row(found, "x", model)["method"]
    assert row(found, "helper", model)["estimate"] == row(before.table, "helper", model)["estimate"]
    assert (found["model"] == COMPLETE_CASES).sum() == 2


def test_a_flexible_shape_combines_the_pooled_line_with_the_curve():
    design = made("continuous")
    before = screened(design, shape="flexible")
    found = impute_screen(design, before, imputations=20, seed=3)
    pooled = found.table.set_index("feature").loc["x", "p_value"]
    got = row(found.screen.table, "x")["p_value"]
    assert got == pytest.approx(found.screen.p_value[0])
    assert got != pooled
    spline = before.shapes.p_spline[0]
    # half the sum of the two Cauchy scores (Liu & Xie 2020)
    score = np.mean(1 / np.tan(np.pi * np.array([pooled, spline])))
    assert got == pytest.approx(np.arctan2(1, score) / np.pi)


def test_limits_of_the_device_reach_the_table():
    design = made("continuous")
    scale = design.scaling.table.loc["x"]
    top = np.nanquantile(np.where(design.observed[:, 0], design.features[:, 0], np.nan), 0.9)
    cut = top * scale["sd"] + scale["mean"]
    above = pd.DataFrame(np.nan, index=design.patient_id, columns=["x"])
    above.loc[design.patient_id[~design.observed[:, 0]][:10], "x"] = cut
    found = impute_screen(
        design, screened(design), imputations=20, seed=3, limits=Limits(below=above.iloc[:, :0], above=above)
    )
    table = found.table.set_index("feature")
    assert table.loc["x", "n_beyond_limit"] == 10
    assert table.loc["x", "model"] == "normal, truncated at limits"
    assert "10 of them known only to lie beyond a limit" in row(found.screen.table, "x")["note"]


def test_tipping_points_shift_the_missing_values_alone():
    design = made("continuous")
    completed = complete(design, plan_imputation(design), imputations=20, seed=3)
    table = tipping_points(design, completed, fit_imputed(design, completed), ["x", "noise", "helper"])
    assert list(dict.fromkeys(table["feature"])) == ["x", "noise"]
    x = table[table["feature"] == "x"].set_index("shift_sd")
    assert list(x.index) == list(SHIFTS)
    assert (
        x.loc[0.0, "estimate"]
        == fit_imputed(design, completed).coef[list(completed.plan.columns).index(0), -1]
    )
    # by hand: a regression on the copy with d added where the value is missing
    copy = completed.copies[0][:, list(completed.plan.columns).index(0)]
    moved = np.where(design.observed[:, 0], copy, copy + 0.5)
    y = (design.y - design.y.mean()) / design.y.std(ddof=1)
    by_hand = np.linalg.lstsq(np.column_stack([np.ones(design.n), design.base, moved]), y, rcond=None)[0][-1]
    one = type(completed)(
        plan=completed.plan, copies=completed.copies[[0, 0]], seed=completed.seed, outcome=completed.outcome
    )
    assert fit_imputed(design, one, shift=0.5).coef[
        list(completed.plan.columns).index(0), -1
    ] == pytest.approx(by_hand)
    assert x["holds"].all()
    assert x["finding"].iloc[0].startswith("holds if the missing values are up to 1 SD")
    noise = table[table["feature"] == "noise"].iloc[0]
    assert noise["tipping_shift_sd"] == 0
    assert noise["finding"] == "does not hold with the values as imputed"


def test_a_finding_that_tips_says_where():
    design = made("continuous", n=120, effect=0.28, seed=21)
    completed = complete(design, plan_imputation(design), imputations=20, seed=3)
    fits = fit_imputed(design, completed)
    table = tipping_points(design, completed, fits, ["x"], level=0.05).set_index("shift_sd")
    lost = [shift for shift in SHIFTS if not table.loc[shift, "holds"]]
    nearest = min(lost, key=lambda shift: (abs(shift), shift)) if lost else np.nan
    np.testing.assert_equal(table["tipping_shift_sd"].iloc[0], nearest)
    assert table.loc[0.0, "holds"] == (table.loc[0.0, "p_value"] <= 0.05)


COX, ODDS, RATE = "Cox regression (Efron ties)", "logistic regression", "negative binomial regression"
RATIO, LATE = "likelihood-ratio test, profile-likelihood interval", "delayed entry, stratified by site"


@pytest.mark.parametrize(
    ("kind", "firth", "method", "words"),
    [
        ("survival", False, f"{COX}, {RATIO}, {LATE}", f"{COX}, {LATE}"),
        ("binary", True, f"{ODDS}, {RATIO}; p by two tests, combined", f"{ODDS}, Firth penalty"),
        ("binary", False, f"{ODDS}, Firth penalty, penalised {RATIO}, site as fixed effect",
         f"{ODDS}, site as fixed effect"),
        ("count", False, f"{RATE}, log exposure as offset, {RATIO}", f"{RATE}, log exposure as offset"),
    ],
)  # fmt: skip
def test_a_pooled_row_keeps_what_its_model_makes_of_sites_and_outcome(kind, firth, method, words):
    assert model_of(kind, method, firth=firth) == words
