"""The screen against general regression packages, and its manners with features it cannot fit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from discovery.association.design import design_of
from discovery.association.multiplicity import benjamini_hochberg, combine_by_cauchy, selected_cells
from discovery.association.screen import adjust_screens, screen
from discovery.association.screen_rows import COLUMNS
from discovery.association.shape import curvature_tests
from discovery.association.spline import default_knots, restricted_cubic_spline
from discovery.problems import InputError
from discovery.study import read_study


@pytest.fixture(scope="module")
def cohort(root):
    def read(name, outcome=0):
        study = read_study(root / "cohorts" / name / "study.toml")
        return design_of(study, study.outcomes[outcome])

    return read


def main_rows(found):
    rows = found.table[(found.table["model"] == "adjusted") & (found.table["term"] == found.table["feature"])]
    return rows.set_index("feature")


def simulated(design_from_arrays, kind, n=200, p=4, seed=0, **fields):
    rng = np.random.default_rng(seed)
    base, features = rng.normal(size=(n, 2)), rng.normal(size=(n, p))
    if kind == "survival":
        fields = {
            "time": rng.exponential(5, n).round(1) + 0.1,
            "status": rng.integers(0, 2, n).astype(float),
        } | fields
    elif kind == "binary":
        fields = {"y": rng.integers(0, 2, n).astype(float)} | fields
    else:
        fields = {"y": rng.normal(size=n)} | fields
    return design_from_arrays(kind, base, features, **fields)


def test_logistic_screen_against_statsmodels(cohort):
    import statsmodels.api as sm

    design = cohort("wdbc").take_features(np.arange(6))
    found = screen(design, permutations=0)
    rows = main_rows(found)
    assert not found.firth.any()
    for j, name in enumerate(design.feature_names):
        x = np.column_stack([np.ones(design.n), design.base, design.features[:, j]])
        full = sm.Logit(design.y, x).fit(disp=0, tol=1e-12)
        null = sm.Logit(design.y, x[:, :-1]).fit(disp=0, tol=1e-12)
        assert rows.at[name, "estimate"] == pytest.approx(full.params[-1], rel=1e-6)
        chi2 = 2 * (full.llf - null.llf)
        assert np.log(rows.at[name, "p_value"]) == pytest.approx(stats.chi2.logsf(chi2, 1), rel=1e-6)
        # at each end of the profile interval the likelihood has fallen by half the 95 % quantile
        for end in ("ci_low", "ci_high"):
            held = sm.GLM(
                design.y, x[:, :-1], family=sm.families.Binomial(), offset=x[:, -1] * rows.at[name, end]
            ).fit(tol=1e-12)
            assert 2 * (full.llf - held.llf) == pytest.approx(stats.chi2.ppf(0.95, 1), abs=1e-4)


def test_cox_screen_against_lifelines(cohort):
    from lifelines import CoxPHFitter

    design = cohort("rotterdam")
    keep = np.random.default_rng(0).choice(design.n, 500, replace=False)
    part = replace(
        design,
        **{
            k: getattr(design, k)[keep]
            for k in ("patient_id", "base", "features", "observed", "time", "event", "status")
        },
    )
    rows = main_rows(screen(part, permutations=0))
    table = pd.DataFrame(part.base, columns=[f"z{j}" for j in range(part.base.shape[1])]).assign(
        time=part.time, event=part.event
    )
    null = CoxPHFitter().fit(table, "time", "event", fit_options={"precision": 1e-11})
    for j, name in enumerate(part.feature_names[:3]):
        full = CoxPHFitter().fit(
            table.assign(x=part.features[:, j]), "time", "event", fit_options={"precision": 1e-11}
        )
        assert rows.at[name, "estimate"] == pytest.approx(full.params_["x"], abs=1e-6)
        chi2 = 2 * (full.log_likelihood_ - null.log_likelihood_)
        assert np.log(rows.at[name, "p_value"]) == pytest.approx(stats.chi2.logsf(chi2, 1), rel=1e-5)
        assert rows.at[name, "ci_low"] < rows.at[name, "estimate"] < rows.at[name, "ci_high"]


def test_linear_screen_against_statsmodels_t(cohort):
    import statsmodels.api as sm

    design = cohort("diabetes_lars")
    rows = main_rows(screen(design, permutations=0))
    y = (design.y - design.y.mean()) / design.y.std(ddof=1)
    for j, name in enumerate(design.feature_names):
        fit = sm.OLS(y, np.column_stack([np.ones(design.n), design.base, design.features[:, j]])).fit()
        got = rows.loc[name]
        assert got["estimate"] == pytest.approx(fit.params[-1], rel=1e-9)
        assert np.log(got["p_value"]) == pytest.approx(np.log(fit.pvalues[-1]), rel=1e-7)
        np.testing.assert_allclose([got["ci_low"], got["ci_high"]], fit.conf_int()[-1], rtol=1e-8)
    assert set(rows["effect_measure"]) == {"standardised slope (outcome SD per 1 SD)"}
    assert rows["events"].isna().all()


def test_base_model_rows_test_each_covariate_given_the_others(cohort):
    import statsmodels.api as sm

    design = cohort("diabetes_lars")
    found = screen(design, permutations=0)
    base = found.table[found.table["model"] == "base"].set_index("term")
    y = (design.y - design.y.mean()) / design.y.std(ddof=1)
    fit = sm.OLS(y, np.column_stack([np.ones(design.n), design.base])).fit()
    np.testing.assert_allclose(base["estimate"], fit.params[1:], rtol=1e-9)
    np.testing.assert_allclose(base["p_value"], fit.pvalues[1:], rtol=1e-6)
    assert (base["feature"] == "").all()
    assert base["q_value"].isna().all()
    assert list(base["effect_measure"]) == [
        "standardised slope (outcome SD per 1 SD)",
        "standardised slope (outcome SD, sex 2 against sex 1)",
    ]


def test_table_has_the_promised_columns_and_a_row_per_feature(design_from_arrays):
    design = simulated(design_from_arrays, "survival")
    found = screen(design, permutations=200, rng=np.random.default_rng(0))
    assert tuple(found.table.columns) == COLUMNS
    assert list(main_rows(found).index) == list(design.feature_names)
    np.testing.assert_allclose(found.q_value, benjamini_hochberg(found.p_value))
    assert (found.p_familywise >= 1 / 201).all()
    assert (main_rows(found)["n"] == 200).all()


def test_a_familywise_p_below_the_other_is_said_to_be_of_another_test(design_from_arrays):
    design = simulated(design_from_arrays, "survival")
    seen = set()
    for j in range(len(design.feature_names)):
        alone = design.take_features(np.array([j]))
        row = main_rows(screen(alone, permutations=2000, rng=np.random.default_rng(j))).iloc[0]
        below = row["p_familywise"] < row["p_value"]
        assert ("the familywise p is below p: it permutes scores, another test" in row["note"]) == below
        seen.add(bool(below))
    assert seen == {True, False}


def test_missing_rows_of_one_feature_are_left_out_of_its_model_only(design_from_arrays):
    design = simulated(design_from_arrays, "binary")
    features = design.features.copy()
    features[:90, 1] = np.nan
    gap = design_from_arrays("binary", design.base, features, y=design.y)
    found, whole = screen(gap, permutations=0), screen(design, permutations=0)
    rows, other = main_rows(found), main_rows(whole)
    pd.testing.assert_frame_equal(
        rows.drop(index="f1").drop(columns="q_value"), other.drop(index="f1").drop(columns="q_value")
    )
    assert rows.at["f1", "n"] == 110
    assert rows.at["f1", "n_left_out"] == 90
    assert "45 % missing: listed, not ranked" in rows.at["f1", "note"]
    part = design_from_arrays("binary", design.base[90:], design.features[90:], y=design.y[90:])
    alone = main_rows(screen(part, permutations=0))
    assert rows.at["f1", "estimate"] == pytest.approx(alone.at["f1", "estimate"], abs=1e-7)
    assert rows.at["f1", "events"] == alone.at["f1", "events"]


@pytest.mark.parametrize("kind", ["survival", "binary", "continuous"])
def test_a_feature_that_cannot_be_fitted_is_empty_with_a_reason_and_the_others_carry_on(
    kind, design_from_arrays
):
    design = simulated(design_from_arrays, kind, p=6)
    features = design.features.copy()
    features[:, 1] = 0.0
    features[:, 2] = design.base[:, 0] * 3 - design.base[:, 1]
    features[:, 3] = np.nan
    features[15:, 4] = np.nan
    given = {k: getattr(design, k) for k in ("y", "time", "status")}
    broken = design_from_arrays(kind, design.base, features, **given)
    found = screen(broken, permutations=300, rng=np.random.default_rng(1))
    rows = main_rows(found)
    fine = main_rows(screen(design.take_features(np.array([0, 5])), permutations=0))
    for name in ("f0", "f5"):
        for column in ("estimate", "p_value", "ci_low", "ci_high"):
            assert rows.at[name, column] == pytest.approx(fine.at[name, column], rel=1e-9)
        assert np.isfinite(rows.at[name, "p_familywise"])
    assert "does not vary" in rows.at["f1", "note"]
    assert "linear combination of the covariates" in rows.at["f2", "note"]
    assert "fewer than 10" in rows.at["f3", "note"]
    failed = ["f1", "f2", "f3"] + ([] if kind == "continuous" else ["f4"])
    for name in failed:
        assert (
            rows.loc[name, ["estimate", "ci_low", "ci_high", "p_value", "q_value", "p_familywise"]]
            .isna()
            .all()
        )
        assert rows.at[name, "note"].startswith("not assessed")


def test_fewer_than_ten_events_means_no_regression_at_all(design_from_arrays):
    status = np.r_[np.ones(9), np.zeros(191)]
    design = simulated(design_from_arrays, "survival", status=status)
    found = screen(design, permutations=100, rng=np.random.default_rng(0))
    assert not found.assessed.any()
    assert found.table["estimate"].isna().all()
    assert found.table["p_value"].isna().all()
    assert (main_rows(found)["note"] == "not assessed: 9 events, fewer than 10").all()
    assert set(found.table["model"]) == {"adjusted", "base"}


def test_the_penalty_follows_the_count_of_events(design_from_arrays):
    def with_events(kind, count):
        marks = np.r_[np.ones(count), np.zeros(200 - count)][np.random.default_rng(3).permutation(200)]
        key = "status" if kind == "survival" else "y"
        return screen(simulated(design_from_arrays, kind, **{key: marks}), permutations=0)

    # three coefficients: Cox is penalised below 15 events, logistic below 60
    assert with_events("survival", 14).firth.all()
    assert not with_events("survival", 15).firth.any()
    assert with_events("binary", 59).firth.all()
    assert not with_events("binary", 60).firth.any()
    assert with_events("binary", 141).firth.all()  # the rarer class counts
    note = main_rows(with_events("survival", 14)).at["f0", "note"]
    assert note.startswith("exploratory: 14 events for 3 coefficients")
    assert "Firth" in main_rows(with_events("survival", 14)).at["f0", "method"]
    assert main_rows(with_events("survival", 20)).at["f0", "note"].startswith("few events: 20 events")
    assert main_rows(with_events("survival", 30)).at["f0", "note"] == ""


def test_below_thirty_events_the_permutation_p_is_named_as_primary(design_from_arrays):
    for count, named in ((29, True), (30, False)):
        marks = np.r_[np.ones(count), np.zeros(200 - count)][np.random.default_rng(3).permutation(200)]
        design = simulated(design_from_arrays, "survival", status=marks)
        note = main_rows(screen(design, permutations=50, rng=np.random.default_rng(0))).at["f0", "note"]
        assert ("the familywise p is the primary one" in note) == named


@pytest.mark.parametrize("kind", ["survival", "binary"])
def test_a_separating_feature_gets_a_finite_penalised_estimate(kind, design_from_arrays):
    rng = np.random.default_rng(4)
    marks = np.r_[np.ones(100), np.zeros(100)]
    x = np.column_stack([marks, rng.normal(size=200)])
    if kind == "survival":  # every event happens to a patient with x = 1
        design = design_from_arrays(kind, np.empty((200, 0)), x, time=rng.exponential(size=200), status=marks)
    else:
        design = design_from_arrays(kind, np.empty((200, 0)), x, y=marks)
    found = screen(design, permutations=0)
    row = main_rows(found).loc["f0"]
    assert list(found.firth) == [True, False]
    assert "Firth" in row["method"]
    assert 2 < row["estimate"] < 20
    assert row["ci_low"] > 0
    assert 0 < row["p_value"] < 1e-10
    if kind == "binary":  # the 2x2 table with .5 added to each cell, exactly
        assert row["estimate"] == pytest.approx(2 * np.log(100.5 / 0.5), rel=1e-6)


def test_competing_events_have_their_own_rows_outside_the_q_values(design_from_arrays):
    rng = np.random.default_rng(6)
    status = rng.integers(0, 3, 200).astype(float)
    design = simulated(design_from_arrays, "survival", status=status)
    found = screen(design, permutations=0)
    other = found.table[found.table["model"] == "competing event 2: cause-specific hazard"].set_index(
        "feature"
    )
    assert list(other.index) == list(design.feature_names)
    assert other["q_value"].isna().all()
    swapped = replace(design, status=None, event=(status == 2).astype(float))
    alone = main_rows(screen(swapped, permutations=0))
    np.testing.assert_allclose(other["estimate"], alone["estimate"], rtol=1e-10)
    np.testing.assert_allclose(other["p_value"], alone["p_value"], rtol=1e-10)
    assert (other["events"] == (status == 2).sum()).all()
    assert "cause-specific" in main_rows(found)["method"].iloc[0]


def test_several_outcomes_share_the_error_rate_by_cells(design_from_arrays):
    screens = {
        "one": screen(simulated(design_from_arrays, "binary", seed=1), permutations=0),
        "two": screen(
            simulated(design_from_arrays, "continuous", seed=2).take_features(np.array([0, 2, 3])),
            permutations=0,
        ),
    }
    both = adjust_screens(screens, multiplicity="selected-cells")
    p = {name: s.p_value for name, s in screens.items()}
    for name, q in selected_cells(p).items():
        np.testing.assert_allclose(both[name].q_value, q)
        np.testing.assert_allclose(main_rows(both[name])["q_value"], q)
    first = adjust_screens(screens, multiplicity="features-first")
    table = np.vstack([p["one"], np.insert(p["two"], 1, np.nan)])
    expected = selected_cells({str(j): table[:, j] for j in range(4)})
    np.testing.assert_allclose(first["one"].q_value, [expected[str(j)][0] for j in range(4)])
    np.testing.assert_allclose(first["two"].q_value, [expected[str(j)][1] for j in (0, 2, 3)])


def test_flexible_shape_finds_a_u_shape_that_a_line_misses(design_from_arrays):
    design = simulated(design_from_arrays, "continuous", n=300)
    y = design.y + 0.6 * design.features[:, 0] ** 2 + 0.8 * design.features[:, 1]
    design = replace(design, y=y)
    line = main_rows(screen(design, permutations=0))
    found = screen(design, shape="flexible", permutations=0)
    rows = main_rows(found)
    assert list(found.nonlinear) == [True, False, False, False]
    assert rows.at["f0", "p_value"] < 1e-6
    assert "nonlinear" in rows.at["f0", "note"]
    # the line's own numbers are still what estimate and interval show
    pd.testing.assert_series_equal(rows["estimate"], line["estimate"])
    np.testing.assert_allclose(
        found.p_value, combine_by_cauchy(np.column_stack([found.shapes.p_linear, found.shapes.p_spline]))
    )
    bends = found.table[found.table["term"] == "nonlinear part"]
    assert list(bends["feature"]) == list(design.feature_names)
    assert (bends["effect_measure"] == "likelihood-ratio test, 2 df").all()


@pytest.mark.parametrize("kind", ["survival", "binary", "continuous"])
def test_curvature_tests_against_general_packages(kind, design_from_arrays):
    import statsmodels.api as sm

    design = simulated(design_from_arrays, kind, n=400, p=1, seed=5)
    x = design.features[:, 0]
    knots = default_knots(x, events=design.effective_size)
    np.testing.assert_allclose(knots, np.quantile(x, [0.05, 0.35, 0.65, 0.95]))
    basis = restricted_cubic_spline(x, knots)
    found = screen(design, shape="flexible", permutations=0).shapes
    small, big = (np.column_stack([design.base, basis[:, :k]]) for k in (1, 3))
    if kind == "continuous":
        fits = [sm.OLS(design.y, sm.add_constant(z)).fit() for z in (big, small)]
        p = fits[0].compare_f_test(fits[1])[1]
    elif kind == "binary":
        fits = [sm.Logit(design.y, sm.add_constant(z)).fit(disp=0, tol=1e-12) for z in (big, small)]
        p = stats.chi2.sf(2 * (fits[0].llf - fits[1].llf), 2)
    else:
        fits = [sm.PHReg(design.time, z, status=design.event, ties="efron").fit() for z in (big, small)]
        p = stats.chi2.sf(2 * (fits[0].llf - fits[1].llf), 2)
    assert found.p_nonlinear[0] == pytest.approx(p, rel=1e-5)


def test_too_few_values_for_a_curve_keeps_the_line(design_from_arrays):
    design = simulated(design_from_arrays, "binary", p=2)
    features = design.features.copy()
    features[:, 0] = features[:, 0] > 0
    found = screen(replace(design, features=features), shape="flexible", permutations=0)
    assert found.shapes.df[0] == 0
    assert found.p_value[0] == found.shapes.p_linear[0]
    assert "too few distinct values for a curve" in main_rows(found).at["f0", "note"]


def test_spline_is_straight_beyond_the_outer_knots_and_smooth_at_each():
    knots = np.array([-1.5, -0.2, 0.7, 2.0])
    far = restricted_cubic_spline(np.array([-9.0, -6.0, -3.0, 3.0, 6.0, 9.0]), knots)
    np.testing.assert_allclose(np.diff(far[:3], 2, axis=0), 0, atol=1e-12)
    np.testing.assert_allclose(np.diff(far[3:], 2, axis=0), 0, atol=1e-10)
    step = 1e-4
    for knot in knots:
        near = restricted_cubic_spline(knot + step * np.arange(-2, 3), knots)
        second = np.diff(near, 2, axis=0) / step**2
        assert np.abs(np.diff(second, axis=0)).max() < 0.01  # no jump in the second derivative
    with pytest.raises(InputError, match="three or more rising knots"):
        restricted_cubic_spline([1.0], [0.0, 1.0])


def test_order_of_patients_changes_nothing(design_from_arrays):
    design = simulated(design_from_arrays, "survival")
    shuffle = np.random.default_rng(7).permutation(design.n)
    turned = replace(
        design,
        **{
            k: getattr(design, k)[shuffle]
            for k in ("patient_id", "base", "features", "observed", "time", "event", "status")
        },
    )
    one, two = screen(design, permutations=0), screen(turned, permutations=0)
    np.testing.assert_allclose(one.p_value, two.p_value, rtol=1e-8)
    np.testing.assert_allclose(one.fit.coef, two.fit.coef, rtol=1e-8, atol=1e-10)


def test_the_same_seed_gives_the_same_table(design_from_arrays):
    design = simulated(design_from_arrays, "binary")
    tables = [screen(design, permutations=300, rng=np.random.default_rng(3)).table for _ in range(2)]
    assert tables[0].to_csv() == tables[1].to_csv()


def test_faults_are_told(design_from_arrays):
    design = simulated(design_from_arrays, "binary")
    with pytest.raises(InputError, match="rng, or permutations=0") as fault:
        screen(design, shape="curved")
    assert len(fault.value.problems) == 2
    with pytest.raises(InputError, match="did you mean 'storey'"):
        screen(design, multiplicity="story", permutations=0)
    with pytest.raises(InputError, match="one of survival, binary, continuous"):
        screen(replace(design, kind="graded"), permutations=0)


def test_curvature_is_only_tested_where_the_line_was(design_from_arrays):
    design = simulated(design_from_arrays, "binary", p=2)
    from discovery.association.outcome_models import fit_columns

    fits = fit_columns(design.response, design.base, design.features)
    found = curvature_tests(design, fits, np.array([False, True]))
    assert list(found.df) == [0, 2]
    assert np.isnan(found.p_combined[0])


def test_a_row_without_base_model_says_that_it_is_not_adjusted(cohort):
    design = cohort("wdbc").take_features(np.arange(2))
    alone = replace(design, base=design.base[:, :0], terms=())
    rows = screen(alone, permutations=0).table
    assert rows["method"].str.endswith("not adjusted").all()
    with_base = replace(design, base=design.features[:, [1]], terms=()).take_features(np.arange(1))
    assert not screen(with_base, permutations=0).table["method"].str.contains("not adjusted").any()
