"""Beat lists: rates, irregularity, ectopy, alternans, pacing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from discovery.seeds import named_rng
from discovery.virtual.pressure_volume import true_beats
from discovery.virtual.rhythm import Rhythm, make_beats


def beats_of(rhythm, seconds=600.0):
    return make_beats(rhythm, 0.0, seconds, named_rng(3, "rhythm", rhythm.kind))


@pytest.mark.parametrize("kind", ["sinus", "fibrillation", "paced", "paced_dissociated"])
def test_the_mean_rate_is_the_one_asked_for(kind):
    beats = beats_of(Rhythm(kind=kind, rate=84.0))
    assert 60.0 / np.diff(beats.onset).mean() == pytest.approx(84.0, rel=0.02)
    assert (np.diff(beats.onset) > 0.25).all()


def test_fibrillation_is_irregular_without_order_and_has_no_atrial_beats():
    beats = beats_of(Rhythm(kind="fibrillation", rate=90.0), 3000.0)
    rr = np.diff(beats.onset)
    assert beats.atrial_onset.size == 0
    assert 0.15 < rr.std() / rr.mean() < 0.35
    assert abs(np.corrcoef(rr[:-1], rr[1:])[0, 1]) < 0.05


def test_an_ectopic_beat_comes_early_is_weak_and_is_followed_by_a_strong_one():
    beats = beats_of(Rhythm(ectopy=0.1))
    share = beats.early.mean()
    assert 0.06 < share < 0.14
    k = np.flatnonzero(beats.early)
    k = k[(k > 1) & (k < beats.onset.size - 1)]
    rr = np.diff(beats.onset)
    assert (rr[k - 1] < 0.8 * np.median(rr)).all()
    assert np.median(rr[k] + rr[k - 1]) == pytest.approx(2 * np.median(rr), rel=0.03)  # compensatory pause
    assert (beats.strength[k] < 0.9).all()
    assert np.median(beats.strength[k + 1]) > 1.03


def test_bigeminy_alternates():
    beats = beats_of(Rhythm(ectopy=0.3, bigeminy=True))
    assert (beats.early[2:40] != beats.early[1:39]).all()


def test_alternans_alternates_the_true_systolic_pressure(run):
    plain = replace(Rhythm(), variability=0.0, sinus_arrhythmia=0.0)
    peaks = true_beats(run(rhythm=replace(plain, alternans=0.1), duration_s=20.0)).peak
    steps = np.diff(peaks)
    assert (steps[1:] * steps[:-1] < 0).mean() > 0.9
    assert np.abs(steps).mean() > 2.0


def test_dissociated_atria_keep_their_own_time():
    beats = beats_of(Rhythm(kind="paced_dissociated", rate=70.0))
    lag = (beats.onset[:, None] - beats.atrial_onset[None, :]).copy()
    lag[lag < 0] = np.nan
    nearest = np.nanmin(lag[5:], axis=1)
    assert nearest.std() > 0.1
