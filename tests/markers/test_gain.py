"""Rank-aware correction: Harrell's as a special case, slow versions, what workers and order may change."""

from __future__ import annotations

import numpy as np
import pytest

from discovery.markers.bootstrap import BootstrapDraws, bootstrap_refits, resampling_of
from discovery.markers.gain import corrected_gains, optimism_by_rank, scores_in_draws
from discovery.markers.refit import OutcomeRefit
from discovery.seeds import named_rng


def prepared(design, which=None):
    part = design if which is None else design.take_features(np.asarray(which))
    return OutcomeRefit(part, np.zeros(len(part.feature_names), dtype=bool))


def made_up_draws(seed, b=300, p=6):
    rng = np.random.default_rng(seed)
    apparent = rng.normal(0.03, 0.01, (b, p))
    tested = apparent - rng.normal(0.01, 0.005, (b, p))
    return BootstrapDraws(
        z=rng.normal(1.0, 1.0, (b, p)), estimate=rng.normal(size=(b, p)), apparent=apparent, tested=tested
    )


@pytest.mark.parametrize("kind", ["survival", "binary", "continuous"])
def test_one_feature_gets_harrell_optimism(planted_design, kind):
    refit = prepared(planted_design(kind, 1), [0])
    draws = bootstrap_refits([refit], replicates=40, seed=5)[0]
    apparent = refit(np.ones(refit.design.n)).gain[:, 0]
    got = corrected_gains([np.array([3.0])], [apparent], [draws])[0]
    # Harrell's recipe, written out: the same draws, one at a time
    plan, gaps = resampling_of([refit.design]), []
    for b in range(40):
        w = plan.weights(named_rng(5, "bootstrap", b))[plan.places[0]]
        in_draw, on_original = refit(w).gain[0, 0], refit(w, np.ones((w.size, 1))).gain[0, 0]
        gaps.append(in_draw - on_original)
    assert got.gain[0] == pytest.approx(apparent[0] - np.mean(gaps), abs=1e-12)
    assert got.monte_carlo_error[0] == pytest.approx(np.std(gaps, ddof=1) / np.sqrt(40), rel=1e-9)


def test_optimism_is_taken_from_whoever_holds_the_rank():
    draws = made_up_draws(2)
    want = np.zeros(6)
    for z, a, t in zip(draws.z, draws.apparent, draws.tested):
        for r, j in enumerate(sorted(range(6), key=lambda k: -abs(z[k]))):
            want[r] += (a[j] - t[j]) / 300
    raw, _ = optimism_by_rank(np.abs(draws.z), draws.apparent - draws.tested, smooth=False)
    np.testing.assert_allclose(raw, want, rtol=1e-12)
    smooth, _ = optimism_by_rank(np.abs(draws.z), draws.apparent - draws.tested)
    assert (np.diff(smooth) <= 1e-15).all()
    assert smooth.mean() == pytest.approx(raw.mean(), rel=1e-12)


def test_a_place_is_as_unsure_in_the_draws_as_it_was():
    """Of features that are truly alike, the one at a place is there by luck alone, in the draws as well."""
    rng = np.random.default_rng(8)
    p, draws = 40, 4000
    z = rng.normal(size=p)
    drawn = z + rng.normal(size=(draws, p))
    first = np.abs(drawn).argmax(axis=1)
    settled = scores_in_draws(drawn, z).argmax(axis=1)
    leader = np.abs(z).argmax()
    assert (first == leader).mean() > 0.1  # draws of a sample take its leader for a leader
    assert (settled == leader).mean() < 0.06  # 1 in 40 is luck
    sure = np.where(np.arange(p) == leader, 9.0, z)
    assert (scores_in_draws(sure + rng.normal(size=(draws, p)), sure).argmax(axis=1) == leader).mean() > 0.99
    # a z without direction rises only by luck
    score = scores_in_draws(np.abs(drawn), np.abs(z), directed=False)
    np.testing.assert_array_equal(np.argsort(score[:, 0]), np.argsort(np.abs(drawn[:, 0])))


def test_interval_runs_from_all_the_correction_to_that_of_a_feature_named_in_advance():
    draws = made_up_draws(3)
    z, apparent = np.array([1.0, 5.0, 2.0, 3.0, 0.5, 4.0]), draws.apparent.mean(axis=0)
    got = corrected_gains([z], [apparent], [draws])[0]
    gap = draws.apparent - draws.tested
    curve, _ = optimism_by_rank(scores_in_draws(draws.z, z), gap)
    shift = curve[np.array([4, 0, 3, 2, 5, 1])]
    np.testing.assert_allclose(got.optimism, shift)
    np.testing.assert_allclose(got.low, np.quantile(draws.apparent, 0.025, axis=0) - shift)
    top = np.quantile(draws.apparent, 0.975, axis=0) - np.minimum(shift, gap.mean(axis=0))
    np.testing.assert_allclose(got.high, top)


def test_failed_fits_leave_the_others_and_negative_gains_stay_negative():
    draws = made_up_draws(4)
    gappy = {k: getattr(draws, k).copy() for k in ("z", "estimate", "apparent", "tested")}
    for values in gappy.values():
        values[::3, 2] = np.nan
    got = corrected_gains([np.arange(1.0, 7.0)], [np.full(6, 0.001)], [BootstrapDraws(**gappy)])[0]
    assert np.isfinite(got.gain).all()
    assert (got.gain < 0).all()
    assert (got.low <= got.gain).all()


def test_searching_several_outcomes_never_corrects_less():
    one, two = made_up_draws(5), made_up_draws(6)
    z = [np.random.default_rng(k).normal(size=6) for k in (7, 8)]
    seen = [d.apparent.mean(axis=0) for d in (one, two)]
    alone = [corrected_gains([a], [s], [d])[0] for a, s, d in zip(z, seen, (one, two))]
    together = corrected_gains(z, seen, [one, two])
    for a, t in zip(alone, together):
        assert (t.gain <= a.gain + 1e-15).all()
    best = np.argmax(np.abs(np.concatenate(z)))
    score = np.hstack([scores_in_draws(d.z, zj) for d, zj in zip((one, two), z)])
    joint, _ = optimism_by_rank(score, np.hstack([d.apparent - d.tested for d in (one, two)]))
    largest = max(joint[0], alone[best // 6].optimism[best % 6])
    assert together[best // 6].optimism[best % 6] == pytest.approx(largest, rel=1e-12)


def test_any_number_of_workers_gives_the_same_bytes(planted_design):
    refits = [prepared(planted_design(kind, 9, missing=0.1)) for kind in ("survival", "binary")]
    calls = []
    one = bootstrap_refits(refits, replicates=37, seed=2, workers=1)
    two = bootstrap_refits(refits, replicates=37, seed=2, workers=2, progress=lambda *a: calls.append(a))
    for a, b in zip(one, two):
        for name in ("z", "estimate", "apparent", "tested"):
            assert getattr(a, name).tobytes() == getattr(b, name).tobytes()
    assert calls[-1] == (37, 37)
    assert [done for done, _ in calls] == sorted(done for done, _ in calls)


def test_more_replicates_only_add_draws(planted_design):
    refit = prepared(planted_design("continuous", 9))
    few, many = (bootstrap_refits([refit], replicates=b, seed=2)[0] for b in (5, 12))
    np.testing.assert_array_equal(many.z[:5], few.z)


def test_every_draw_keeps_the_size_of_each_site_and_belongs_to_the_patient(planted_design):
    first, second = planted_design("survival", 10), planted_design("binary", 10)
    rows = np.arange(0, second.n, 2)
    from dataclasses import replace

    half = replace(
        second,
        **{k: getattr(second, k)[rows] for k in ("patient_id", "base", "features", "observed", "y", "site")},
    )
    plan = resampling_of([prepared(first).design, prepared(half).design])
    w = plan.weights(np.random.default_rng(3))
    for site in np.unique(first.site):
        here = first.site == site
        assert w[plan.places[0]][here].sum() == here.sum()
    np.testing.assert_array_equal(w[plan.places[1]], w[plan.places[0]][rows])
