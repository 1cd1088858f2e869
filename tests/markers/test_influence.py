"""The influence-function preview: against refits in the same draws, closed forms, and what it refuses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from discovery.association.design import build_design
from discovery.association.kinds import kind_of
from discovery.association.outcome_models import standardised_outcome
from discovery.association.screen import screen
from discovery.kernels.concordance import auc
from discovery.kernels.score import score_cox, score_linear, score_logistic
from discovery.markers.bootstrap import bootstrap_refits, resampling_of
from discovery.markers.influence import COLUMNS, KINDS, influence_draws, preview
from discovery.markers.ranks import FIRST_TAIL, rank_descending, rank_draws, rank_interval
from discovery.markers.refit import OutcomeRefit
from discovery.problems import InputError
from discovery.seeds import named_rng
from discovery.study import Outcome

DRAWS = 150


def sixty_features(n, seed=4):
    """60 features in 12 blocks of 5 (correlation .8), 4 covariates, 5 causal features of log HR .5 to .2."""
    rng = np.random.default_rng(seed)
    x = np.sqrt(0.8) * np.repeat(rng.normal(size=(n, 12)), 5, axis=1) + np.sqrt(0.2) * rng.normal(
        size=(n, 60)
    )
    z = rng.normal(size=(n, 4))
    eta = z @ [0.4, 0.3, 0.2, 0.0] + x[:, [0, 5, 10, 15, 20]] @ [0.5, 0.4, 0.3, 0.25, 0.2]
    event, censored = rng.exponential(np.exp(-eta)), rng.exponential(1.5, n)
    ids = pd.Index([f"P{k:04d}" for k in range(n)])
    outcome = Outcome(
        name="death", kind="survival", label="death", patient_id=np.asarray(ids),
        time=np.minimum(event, censored), status=(event <= censored).astype(float),
    )  # fmt: skip
    return build_design(
        outcome, pd.DataFrame(z, index=ids).add_prefix("z"), pd.DataFrame(x, index=ids).add_prefix("f")
    )


def weights_of(design, seed, draws):
    plan = resampling_of([design])
    return np.array([plan.weights(named_rng(seed, "bootstrap", b))[plan.places[0]] for b in range(draws)])


def one_pass(design):
    if design.kind == "survival":
        return score_cox(
            design.time, design.event, design.base, design.features,
            stratum=design.stratum, observed=design.observed,
        )  # fmt: skip
    score = score_logistic if design.kind == "binary" else score_linear
    return score(design.y, design.base, design.features, observed=design.observed)


def drawn_alike(quick, slow):
    """(median ratio of standard deviations, median correlation) of the features' draws."""
    both = zip(quick.T, slow.T)
    found = [(q.std() / s.std(), np.corrcoef(q, s)[0, 1]) for q, s in both]
    return np.median(found, axis=0)


# ratio of standard deviations, and correlation, as the project's methods text has them from a simulation
@pytest.mark.parametrize(
    ("n", "ratio", "correlation", "near"), [(150, 0.94, 0.95, 0.004), (500, 0.98, 0.98, 0.001)]
)
def test_draws_move_as_the_refits_in_the_same_draws(n, ratio, correlation, near):
    design = sixty_features(n)
    quick = influence_draws(design, draws=DRAWS, seed=3)
    model = OutcomeRefit(design, np.zeros(60, dtype=bool))
    slow = bootstrap_refits([model], replicates=DRAWS, seed=3)[0]
    got = drawn_alike(quick.drawn_z * (quick.one_step / quick.z), slow.estimate)
    assert got[0] == pytest.approx(ratio, abs=0.05)
    assert got[1] >= correlation - 0.02
    # what is ranked: z, which a refit does not spread as far as its coefficient
    ranked = drawn_alike(quick.drawn_z, slow.z)
    assert ranked[0] == pytest.approx(1.0, abs=0.05)
    assert ranked[1] >= correlation
    # the gain of the first step, and how that of the leading features moves
    led = np.argsort(-np.abs(quick.z))[:5]
    gain = model(np.ones(n)).gain[:, 0]
    assert np.corrcoef(quick.gain, gain)[0, 1] > 0.997
    np.testing.assert_allclose(quick.gain, gain, atol=near)
    ratio, correlation = drawn_alike(quick.drawn_gain[:, led], slow.apparent[:, led])
    assert ratio == pytest.approx(1.05, abs=0.12)  # apparent gains of refits gather near 0 from above
    assert correlation > (0.8 if n == 150 else 0.92)


def test_ranks_and_their_intervals_are_those_of_the_refits_within_a_few_places():
    design = sixty_features(500)
    table = preview(design, draws=DRAWS, seed=3).set_index("feature")
    slow = bootstrap_refits([OutcomeRefit(design, np.zeros(60, dtype=bool))], replicates=DRAWS, seed=3)[0]
    found = screen(design, permutations=0)
    rank = rank_descending(np.abs(found.fit.z))
    low, high = rank_interval(rank_draws(np.abs(slow.z)), first_tail=FIRST_TAIL)
    names = list(design.feature_names)
    assert np.corrcoef(table["rank"][names], rank)[0, 1] > 0.995
    assert np.abs(table["rank_low"][names] - np.minimum(low, rank)).mean() < 2
    assert np.abs(table["rank_high"][names] - np.maximum(high, rank)).mean() < 2


@pytest.mark.parametrize("kind", KINDS)
def test_the_linearised_gain_is_the_derivative_of_the_measure_by_the_weights(planted_design, kind):
    design = planted_design(kind, 3, n=90, missing=0.15)
    found = influence_draws(design, draws=4, seed=1)
    design = standardised_outcome(design)
    judge = kind_of(kind).judge(design, None)
    # the preview's own coefficients, written out: base model of all, and one step for the feature
    null = one_pass(design)
    eta = np.column_stack([np.ones((design.n, kind_of(kind).intercepts)), design.base]) @ null.base_coef
    scores = np.where(design.observed, eta[:, None] + null.clean * null.one_step, np.nan)
    base = np.where(design.observed, eta[:, None], np.nan)
    small = 1e-5
    for draw, w in enumerate(weights_of(design, 1, 4)):
        up, down = 1 + small * (w - 1), 1 - small * (w - 1)
        gains = judge(scores, np.column_stack([up, down]), False) - judge(
            base, np.column_stack([up, down]), False
        )
        moved = (gains[:, 0] - gains[:, 1]) / (2 * small)
        np.testing.assert_allclose(found.drawn_gain[draw], found.gain + moved, atol=1e-8)


def test_without_covariates_draws_of_a_continuous_outcome_have_a_closed_form():
    """z = sqrt(n) r, and in a draw sum w e (x - mean) / (s sqrt(sum (x - mean)^2)), e = y - mean."""
    rng = np.random.default_rng(8)
    n, ids = 120, pd.Index([f"P{k:03d}" for k in range(120)])
    x, y = rng.normal(size=(n, 5)), rng.normal(size=n)
    y += 0.5 * x[:, 1]
    outcome = Outcome(name="y", kind="continuous", label="y", patient_id=np.asarray(ids), value=y)
    design = build_design(
        outcome, pd.DataFrame(index=ids), pd.DataFrame(x, index=ids).add_prefix("f"), winsor=False
    )
    found = influence_draws(design, draws=30, seed=2)
    r = np.array([np.corrcoef(column, y)[0, 1] for column in x.T])
    np.testing.assert_allclose(found.z, np.sqrt(n) * r, rtol=1e-10)
    np.testing.assert_allclose(found.gain, r**2, atol=1e-12)  # least squares in one step
    e, c = y - y.mean(), x - x.mean(axis=0)
    unit = c * e[:, None] / (e.std() * np.sqrt((c**2).sum(axis=0)))
    np.testing.assert_allclose(found.drawn_z, weights_of(design, 2, 30) @ unit, rtol=1e-9, atol=1e-10)


def test_without_covariates_the_gain_of_a_class_has_delongs_variance():
    rng = np.random.default_rng(9)
    n, ids = 80, pd.Index([f"P{k:03d}" for k in range(80)])
    y = (rng.random(n) < 0.4).astype(float)
    x = rng.normal(size=(n, 3)) + 0.8 * y[:, None]
    outcome = Outcome(name="y", kind="binary", label="y", patient_id=np.asarray(ids), value=y)
    design = build_design(
        outcome, pd.DataFrame(index=ids), pd.DataFrame(x, index=ids).add_prefix("f"), winsor=False
    )
    found = influence_draws(design, draws=4000, seed=2)
    known = auc(y, x, influence=True)  # DeLong's components, tested against his variance with the kernels
    np.testing.assert_allclose(found.gain, known.value - 0.5, atol=1e-12)
    np.testing.assert_allclose(
        found.drawn_gain.std(axis=0), np.sqrt((known.influence**2).sum(axis=1)), rtol=0.05
    )


def test_a_feature_with_gaps_is_scored_on_its_own_patients(planted_design, of_patients):
    for kind in KINDS:
        design = planted_design(kind, 5, n=150, missing=0.2)
        rows = np.flatnonzero(design.observed[:, 0])
        alone = influence_draws(of_patients(design, rows), draws=0, seed=1)
        assert influence_draws(design, draws=0, seed=1).z[0] == pytest.approx(alone.z[0], rel=1e-8)
        table = preview(design, draws=20, seed=1)
        assert table["note"].str.contains("% missing").all()
        assert table[["rank_low", "rank_high", "gain_low", "gain_high"]].notna().all(axis=None)


def test_strata_entry_and_competing_events_are_those_of_the_full_models(planted_design):
    """Score and likelihood-ratio roots agree near 0, whatever the risk sets are made of."""
    design = planted_design("survival", 6, n=300)
    assert design.stratum is not None
    rng = np.random.default_rng(1)
    late = replace(design, entry=design.time * rng.choice([0.0, 0.5], design.n))
    other = np.where((design.status == 0) & (rng.random(design.n) < 0.5), 2.0, design.status)
    for changed in (late, replace(design, status=other)):
        found, full = influence_draws(changed, draws=0, seed=1), screen(changed, permutations=0)
        near = np.abs(full.fit.z) < 3
        assert near.sum() >= 4
        np.testing.assert_allclose(found.z[near], full.fit.z[near], atol=0.12)
        refit = OutcomeRefit(changed, np.zeros(12, dtype=bool))(np.ones(design.n))
        np.testing.assert_allclose(found.base, refit.base[:, 0], atol=1e-6)
        np.testing.assert_allclose(found.gain, refit.gain[:, 0], atol=0.004)


@pytest.mark.parametrize("kind", KINDS)
def test_neither_threads_nor_the_order_of_patients_change_a_number(planted_design, kind):
    first = preview(planted_design(kind, 7, missing=0.1), draws=50, seed=4)
    again = preview(planted_design(kind, 7, missing=0.1), draws=50, seed=4, workers=2)
    pd.testing.assert_frame_equal(first, again, check_exact=True)
    turned = preview(
        planted_design(kind, 7, missing=0.1, order=lambda n: np.arange(n)[::-1]), draws=50, seed=4
    )
    pd.testing.assert_frame_equal(first, turned, check_exact=False, rtol=1e-7)
    other = preview(planted_design(kind, 7, missing=0.1), draws=50, seed=5)
    assert not first["rank_high"].equals(other["rank_high"])


def test_blocks_of_draws_leave_no_seam(planted_design, monkeypatch):
    design = planted_design("binary", 2)
    whole = influence_draws(design, draws=23, seed=4)
    monkeypatch.setattr("discovery.markers.influence.DRAWN_TOGETHER", 5 * design.n)
    parts = influence_draws(design, draws=23, seed=4)
    np.testing.assert_allclose(parts.drawn_z, whole.drawn_z, rtol=1e-12)
    np.testing.assert_allclose(parts.drawn_gain, whole.drawn_gain, rtol=1e-9, atol=1e-13)


def test_the_table_reads_as_a_preview(planted_design):
    design = planted_design("survival", 1)
    table = preview(design, draws=60, seed=1)
    assert tuple(table.columns) == COLUMNS
    assert "estimate" not in table.columns
    assert table["note"].str.contains("screening preview").all()
    assert table["note"].str.contains("not an estimate to report").all()
    assert (table["rank"] == np.arange(1, 13)).all()
    assert (table["rank_low"] <= table["rank"]).all()
    assert (table["rank"] <= table["rank_high"]).all()
    assert (table["gain_low"] <= table["apparent_gain"]).all()
    assert (table["apparent_gain"] <= table["gain_high"]).all()
    assert table["probability_in_top"].between(0, 1).all()
    planted = table.set_index("feature")["direction"]
    assert planted["f00"] == 1
    assert planted["f03"] == -1
    bare = preview(design, draws=0, seed=1)
    assert (
        bare[["rank_low", "rank_high", "probability_in_top", "gain_low", "gain_high"]].isna().all(axis=None)
    )
    pd.testing.assert_series_equal(bare["z"], table["z"])


def test_features_without_a_number_say_why(planted_design):
    design = planted_design("binary", 1, n=120)
    x, seen = design.features.copy(), design.observed.copy()
    x[:, 1], x[:, 2] = 1.0, design.base[:, -1]
    seen[:70, 3] = False  # more than 40 % missing: scored, not ranked
    seen[15:, 4] = False  # too few of the rarer class
    table = preview(replace(design, features=x, observed=seen), draws=40, seed=1).set_index("feature")
    for name, words in (
        ("f01", "not assessed: the feature does not vary"),
        ("f02", "not assessed: "),
        ("f03", "not ranked: 58 % missing, more than 40 %"),
        ("f04", "fewer than 10"),
    ):
        assert words in table.loc[name, "note"]
        assert np.isnan(table.loc[name, "rank"])
        assert pd.isna(table.loc[name, "top_k"])
    assert np.isfinite(table.loc["f03", "z"])
    assert table.loc[["f01", "f02", "f04"], ["z", "apparent_gain", "gain_low"]].isna().all(axis=None)
    assert sorted(table["rank"].dropna()) == list(range(1, 9))


def test_a_base_model_that_cannot_be_fitted_leaves_every_feature_without_a_number(planted_design):
    design = planted_design("binary", 1, n=120)
    base = np.column_stack([design.base, design.y])
    table = preview(replace(design, base=base), draws=20, seed=1)
    assert table["note"].str.contains("not assessed: ").all()
    assert table[["rank", "z", "rank_low", "apparent_gain", "gain_high"]].isna().all(axis=None)


def test_refusals_are_in_words_and_all_at_once(planted_design):
    design = planted_design("binary", 1)
    with pytest.raises(InputError) as refused:
        preview(replace(design, kind="ordinal"), draws=-1, seed=-7)
    words = str(refused.value)
    assert "seed" in words
    assert "-7" in words
    assert "a survival, binary or continuous outcome" in words
    assert "ordinal" in words
    assert "draws" in words
    assert "whole number from 0" in words
    with pytest.raises(InputError, match="at least one"):
        preview(design.take_features(np.array([], dtype=int)), seed=1)
