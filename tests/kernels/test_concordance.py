"""Pair counting against slow pair-by-pair versions, lifelines, scikit-learn, DeLong, numeric derivatives."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from discovery.kernels.concordance import (
    auc,
    class_pairs,
    concordance,
    explained_variance,
    linear_scores,
    listed,
    ordinal_concordance,
    pair_discrimination,
    survival_pairs,
)


def slow_concordance(time, event, score, weights, entry, stratum, horizon):
    """Every pair looked at: the definition, word for word."""
    free_until = np.where(event > 1, np.inf, time)
    concordant = comparable = 0.0
    for i in np.flatnonzero((event == 1) & (time <= horizon)):
        for j in range(time.size):
            later = free_until[j] > time[i] or (free_until[j] == time[i] and event[j] == 0)
            if i != j and later and stratum[i] == stratum[j] and entry[j] < time[i]:
                pair = weights[i] * weights[j]
                comparable += pair
                concordant += pair * ((score[i] > score[j]) + 0.5 * (score[i] == score[j]))
    return concordant / comparable if comparable else np.nan


def tied_cohort(seed, n=45):
    rng = np.random.default_rng(seed)
    time = rng.integers(1, 12, n).astype(float)
    return {
        "time": time,
        "event": rng.integers(0, 3, n),
        "scores": rng.integers(0, 6, (n, 3)).astype(float),
        "weights": rng.integers(0, 4, n).astype(float),
        "entry": np.floor(0.99 * time * rng.random(n)),
        "stratum": rng.integers(0, 3, n),
    }


@pytest.mark.parametrize("seed", range(12))
def test_c_equals_the_pair_by_pair_count_with_ties_strata_entry_and_competing_events(seed):
    d = tied_cohort(seed)
    got = concordance(**d, horizon=9.0).value
    want = [
        slow_concordance(d["time"], d["event"], s, d["weights"], d["entry"], d["stratum"], 9.0)
        for s in d["scores"].T
    ]
    np.testing.assert_allclose(got, want, rtol=1e-13)


@pytest.mark.parametrize("seed", range(12))
def test_pairs_that_are_listed_are_those_counted_one_by_one(seed):
    """Rows of some patients come again, as episodes do; scores and weights are those of patients."""
    d = tied_cohort(seed)
    rng = np.random.default_rng([seed, 1])
    patient = rng.permutation(np.concatenate([np.arange(30), rng.integers(0, 30, 15)]))
    scores = rng.integers(0, 6, (30, 11)).astype(float)
    scores[rng.random(scores.shape) < 0.1] = np.nan
    weights = np.column_stack([rng.integers(0, 4, 30), np.ones(30), rng.uniform(0.5, 2.0, 30)])
    pairs = survival_pairs(
        d["time"], d["event"], entry=d["entry"], stratum=d["stratum"], horizon=9.0, patient=patient
    )
    assert listed(pairs).table is not None
    assert pairs.table is None
    got = pair_discrimination(listed(pairs), scores, weights).value
    merged = pair_discrimination(pairs, scores, weights).value
    np.testing.assert_array_equal(got[:, :2], merged[:, :2])  # whole weights: to the last digit
    for c in range(scores.shape[1]):
        seen = np.flatnonzero(~np.isnan(scores[patient, c]))
        rows = {name: d[name][seen] for name in ("time", "event", "entry", "stratum")}
        for v in range(3):
            want = slow_concordance(
                score=scores[patient[seen], c], weights=weights[patient[seen], v], horizon=9.0, **rows
            )
            np.testing.assert_allclose([got[c, v], merged[c, v]], want, rtol=1e-12)


def test_many_patients_are_merged_and_not_listed():
    rng = np.random.default_rng(6)
    assert listed(class_pairs(rng.integers(0, 2, 400))).table is not None
    assert listed(class_pairs(rng.integers(0, 2, 1200))).table is None


@pytest.mark.parametrize("seed", range(6))
def test_influence_is_the_numeric_derivative_by_each_weight(seed):
    d = tied_cohort(seed)
    d["weights"] = np.random.default_rng(seed).uniform(0.5, 2.0, d["time"].size)
    found = concordance(**d, influence=True)
    for i in range(0, d["time"].size, 5):
        step = np.zeros(d["time"].size)
        step[i] = 1e-5
        up = concordance(**{**d, "weights": d["weights"] + step}).value
        down = concordance(**{**d, "weights": d["weights"] - step}).value
        np.testing.assert_allclose(found.influence[:, i], (up - down) / 2e-5, atol=1e-8)
    # C does not change when every weight is multiplied: Euler's relation
    np.testing.assert_allclose(found.influence @ d["weights"], 0.0, atol=1e-14)


def test_c_agrees_with_lifelines_on_an_open_cohort(dataset):
    from lifelines.utils import concordance_index

    table = dataset("rossi.csv")
    for name in ("age", "prio", "wexp"):
        want = concordance_index(table["week"], -table[name], table["arrest"])
        got = concordance(table["week"], table["arrest"], table[name].to_numpy(float)).value[0]
        assert got == pytest.approx(want, abs=1e-12)


def test_published_c_of_the_lung_cohort(check, dataset):
    row = check("RK01")
    table = dataset("lung.csv").dropna()
    names = ["age", "ph.ecog", "ph.karno", "pat.karno", "meal.cal", "wt.loss"]
    died = (table["status"] == 2).astype(int)
    # there a high value means a longer survival, here a higher score an earlier event
    got = concordance(table["time"], died, -table[names].to_numpy(float)).value
    np.testing.assert_allclose(got, row["expected"], atol=row["tolerance"], rtol=0)


def test_auc_agrees_with_scikit_learn_with_weights_and_ties(dataset):
    from sklearn.metrics import roc_auc_score

    table = dataset("asah.csv")
    poor = (table["outcome"] == "Poor").to_numpy(float)
    weights = np.random.default_rng(3).integers(1, 5, poor.size).astype(float)
    for name in ("wfns", "s100b", "ndka"):
        score = table[name].to_numpy(float)
        assert auc(poor, score).value[0] == pytest.approx(roc_auc_score(poor, score), abs=1e-12)
        want = roc_auc_score(poor, score, sample_weight=weights)
        assert auc(poor, score, weights=weights).value[0] == pytest.approx(want, abs=1e-12)


def test_auc_influence_gives_delong_variance_exactly():
    rng = np.random.default_rng(4)
    y = (np.arange(70) < 28).astype(float)
    score = np.round(y + rng.normal(size=70), 1)
    psi = auc(y, score, influence=True).influence[0]
    cases, controls = score[y == 1], score[y == 0]
    above = (cases[:, None] > controls) + 0.5 * (cases[:, None] == controls)
    delong = above.mean(1).var(ddof=1) / cases.size + above.mean(0).var(ddof=1) / controls.size
    n1, n0 = cases.size, controls.size
    got = (psi[y == 1] ** 2).sum() * n1 / (n1 - 1) + (psi[y == 0] ** 2).sum() * n0 / (n0 - 1)
    assert got == pytest.approx(delong, rel=1e-12)


def test_ordinal_c_is_somers_d_rescaled():
    rng = np.random.default_rng(5)
    level = rng.integers(0, 4, 80)
    score = np.round(level + rng.normal(size=80), 1)
    # Somers' D of the score given the level: (concordant - discordant) / pairs untied in the level
    want = (stats.somersd(level, score).statistic + 1) / 2
    assert ordinal_concordance(level, score).value[0] == pytest.approx(want, abs=1e-12)


def test_r2_is_the_squared_correlation_of_a_least_squares_fit_and_may_be_negative():
    rng = np.random.default_rng(6)
    x = rng.normal(size=50)
    y = x + rng.normal(size=50)
    w = rng.uniform(0.2, 2.0, 50)
    slope, intercept = np.polyfit(x, y, 1, w=np.sqrt(w))
    got = explained_variance(y, intercept + slope * x, weights=w).value[0]
    mx, my = np.average(x, weights=w), np.average(y, weights=w)
    r = np.average((x - mx) * (y - my), weights=w) / np.sqrt(
        np.average((x - mx) ** 2, weights=w) * np.average((y - my) ** 2, weights=w)
    )
    assert got == pytest.approx(r**2, rel=1e-10)
    assert explained_variance(y, -5 * x).value[0] < 0


def test_r2_influence_is_the_numeric_derivative():
    rng = np.random.default_rng(7)
    y, f, w = rng.normal(size=20), rng.normal(size=(20, 2)), rng.uniform(0.5, 2.0, 20)
    f[4, 1] = np.nan
    psi = explained_variance(y, f, weights=w, influence=True).influence
    for i in range(20):
        step = np.zeros(20)
        step[i] = 1e-5
        up = explained_variance(y, f, weights=w + step).value
        down = explained_variance(y, f, weights=w - step).value
        np.testing.assert_allclose(psi[:, i], (up - down) / 2e-5, atol=1e-8)


def test_integer_weights_are_repeated_rows():
    d = tied_cohort(20)
    rows = np.repeat(np.arange(d["time"].size), d["weights"].astype(int))
    repeated = {k: v[rows] for k, v in d.items() if k != "weights"}
    np.testing.assert_allclose(concordance(**d).value, concordance(**repeated).value, rtol=1e-13)
    y, w = d["event"] % 2, d["weights"]
    np.testing.assert_allclose(
        auc(y, d["scores"], weights=w).value, auc(y[rows], d["scores"][rows]).value, rtol=1e-13
    )


def test_several_weight_vectors_share_the_sort_and_change_nothing():
    d = tied_cohort(21)
    pairs = survival_pairs(d["time"], d["event"], entry=d["entry"], stratum=d["stratum"])
    vectors = np.random.default_rng(8).uniform(0, 2, (d["time"].size, 5))
    together = pair_discrimination(pairs, d["scores"], vectors).value
    for u in range(5):
        alone = pair_discrimination(pairs, d["scores"], vectors[:, u]).value
        np.testing.assert_array_equal(together[:, u], alone)


def test_a_missing_score_leaves_that_row_out_of_that_column_only():
    d = tied_cohort(22)
    gappy = d["scores"].copy()
    gappy[[3, 10, 11, 30], 1] = np.nan
    got = concordance(**{**d, "scores": gappy}).value
    seen = ~np.isnan(gappy[:, 1])
    part = {k: v[seen] for k, v in d.items()}
    whole = concordance(**d).value
    assert got[1] == pytest.approx(concordance(**part).value[1], rel=1e-13)
    np.testing.assert_array_equal(got[[0, 2]], whole[[0, 2]])


def test_order_of_patients_and_monotone_transforms_change_nothing():
    d = tied_cohort(23)
    shuffled = np.random.default_rng(9).permutation(d["time"].size)
    moved = {k: v[shuffled] for k, v in d.items()}
    np.testing.assert_allclose(concordance(**d).value, concordance(**moved).value, rtol=1e-13)
    stretched = {**d, "scores": np.exp(d["scores"])}
    np.testing.assert_array_equal(concordance(**d).value, concordance(**stretched).value)
    turned = {**d, "scores": -d["scores"]}
    np.testing.assert_allclose(concordance(**turned).value, 1 - concordance(**d).value, rtol=1e-12)


def test_no_comparable_pair_gives_nan_not_a_number():
    assert np.isnan(concordance([1.0, 2.0], [0, 0], [0.1, 0.2]).value[0])
    assert np.isnan(auc([1, 1], [0.1, 0.2]).value[0])
    assert np.isnan(explained_variance([1.0, 1.0], [0.5, 0.6]).value[0])
    assert np.isnan(pair_discrimination(class_pairs([0, 1]), [np.nan, 0.3]).value[0])


def test_linear_scores_are_the_plain_matrix_product():
    rng = np.random.default_rng(10)
    base, x, coef = rng.normal(size=(9, 3)), rng.normal(size=(9, 4)), rng.normal(size=(4, 4))
    np.testing.assert_allclose(
        linear_scores(base, x, coef), base @ coef[:, :3].T + x * coef[:, 3], rtol=1e-12
    )


def test_wrong_shapes_are_refused():
    with pytest.raises(ValueError, match="expected 3 rows"):
        concordance([1.0, 2.0, 3.0], [1, 1, 0], [0.1, 0.2])
    with pytest.raises(ValueError, match="single weight vector"):
        auc([0, 1], [0.1, 0.2], weights=np.ones((2, 2)), influence=True)
