"""Beats of real recordings against beats checked by eye, and rhythms drawn with known onsets."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.beats import measure
from discovery.beats.detect import detect_beats, detect_r_waves, line_delay_s

TOLERANCE_S = 0.040  # the bar of the reference; its times are to the nearest sample of 8 ms


@pytest.fixture(scope="module")
def eye_checked(shared):
    return pd.read_csv(shared / "waveforms" / "real" / "beats.csv")


def matched(found, truth, tolerance=TOLERANCE_S):
    """Truth found, and found true, one to one."""
    found, truth = np.sort(found), np.sort(truth)
    hits, j = 0, 0
    for t in truth:
        while j < found.size and found[j] < t - tolerance - 1e-9:
            j += 1
        if j < found.size and found[j] <= t + tolerance + 1e-9:
            hits += 1
            j += 1
    return hits


def test_beats_of_real_recordings_agree_with_the_eye(eye_checked, measured_real, capsys):
    """shared/waveforms/real/beats.csv: sensitivity and positive predictive value of at least 0.99."""
    hits = true = found_there = 0
    for record, rows in eye_checked.groupby("record"):
        beats = measured_real(record).beats
        t = beats["t_dpdt_max"].dropna().to_numpy()
        start, stop = rows["window_t0"].iloc[0], rows["window_t1"].iloc[0]
        true += len(rows)
        found_there += int(((t >= start) & (t < stop)).sum())
        hits += matched(t, rows["t_upstroke"].to_numpy())
    with capsys.disabled():
        print(
            f"\neye-checked windows: sensitivity {hits / true:.4f} ({hits} of {true}), positive "
            f"predictive value {hits / found_there:.4f} ({hits} of {found_there})",
            end="",
        )
    assert true == 205
    assert hits / true >= 0.99
    assert hits / found_there >= 0.99


def test_no_accepted_rv_beat_where_there_is_no_ventricle(shared, measured_real, capsys):
    """Flat line, wedge, flush and zero: labels by eye, a margin of a second on either side."""
    labels = pd.read_csv(shared / "waveforms" / "real" / "labels.csv")
    nowhere = labels[labels["site"].isin(["flat", "wedge", "flush", "zero"])]
    seconds = 0.0
    for record, rows in nowhere.groupby("record"):
        beats = measured_real(record).accepted
        rv = beats[beats["rv_systolic_pressure"].notna()]["t_dpdt_max"].to_numpy()
        for row in rows.itertuples():
            inside = rv[(rv > row.t0_s + 1) & (rv < row.t1_s - 1)]
            assert inside.size == 0, (record, row.site, inside)
            seconds += max(row.t1_s - row.t0_s - 2, 0)
    with capsys.disabled():
        print(f"\n0 beats of the ventricle in {seconds:.0f} s of flat line, wedge, flush and zero", end="")
    assert seconds > 100


def test_detection_is_the_same_however_the_record_is_cut(real):
    from discovery.beats import Measurer

    pressure = np.tile(real("dev05"), 8)[: 125 * 1300]
    whole = Measurer(125.0)
    whole.add(pressure)
    pieces = Measurer(125.0)
    for part in np.split(pressure, [1, 1000, 70001, 100000]):
        pieces.add(part)
    a, b = whole.finish(), pieces.finish()
    pd.testing.assert_frame_equal(a.beats, b.beats)
    pd.testing.assert_frame_equal(a.windows, b.windows)


def test_a_cut_between_pieces_changes_no_beat(real):
    """Beats near the border of two pieces of 10 min are those of a record that has no border there."""
    pressure = np.tile(real("dev03"), 6)[: 125 * 700]
    long = measure(pressure, 125.0, site="RV").beats
    shifted = measure(pressure[125 * 100 :], 125.0, site="RV", start_s=100.0).beats
    a = long["t_dpdt_max"].to_numpy()
    b = shifted["t_dpdt_max"].to_numpy()
    inside = a[(a > 130) & (a < 690)]
    np.testing.assert_allclose(b[(b > 130) & (b < 690)], inside, atol=1e-9)


@pytest.mark.parametrize("rate", [60.0, 100.0, 125.0, 250.0, 500.0, 1000.0])
@pytest.mark.parametrize("cycle", [0.35, 0.6, 1.0, 1.6])
def test_every_beat_of_a_regular_rhythm(drawn, rate, cycle):
    t, p, onsets = drawn(rate=rate, seconds=30.0, cycle=cycle)
    noisy = p + np.random.default_rng(1).normal(0, 0.3, p.size)
    found = detect_beats(noisy, rate) / rate
    expected = onsets[onsets < t[-1] - 0.3]
    assert matched(found - 0.04, expected, 0.06) == expected.size
    assert abs(found.size - onsets.size) <= 1


def test_alternating_ectopic_and_irregular_rhythms(drawn):
    rng = np.random.default_rng(7)
    intervals = np.clip(rng.normal(0.75, 0.15, 80), 0.45, 1.3)
    intervals[10::9] = 0.42  # an early beat every ninth
    onsets = 0.5 + np.concatenate([[0], np.cumsum(intervals)])[:-1]
    peaks = np.where(np.arange(80) % 2, 34.0, 24.0)
    peaks[10::9] = 17.0  # and it barely ejects
    t, p, _ = drawn(seconds=onsets[-1] + 1.0, onsets=onsets, peaks=peaks)
    found = detect_beats(p + rng.normal(0, 0.3, p.size) + 3 * np.sin(2 * np.pi * 0.25 * t), 250.0) / 250.0
    assert matched(found - 0.04, onsets, 0.06) == onsets.size
    assert found.size == onsets.size


def spikes(onsets, rate, seconds, rng):
    """An ECG with R waves 60 ms before each onset, T waves and noise."""
    t = np.arange(0, seconds, 1 / rate)
    ecg = rng.normal(0, 0.03, t.size)
    for start in onsets:
        ecg += np.exp(-0.5 * ((t - start + 0.06) / 0.012) ** 2)
        ecg += 0.25 * np.exp(-0.5 * ((t - start - 0.24) / 0.05) ** 2)
    return ecg


def test_an_ecg_finds_the_beats_that_pressure_alone_cannot(drawn):
    """Early beats of 4 mmHg are too small to be seen without an ECG and are found with one."""
    rng = np.random.default_rng(3)
    onsets = np.arange(0.5, 59.0, 0.8)
    peaks = np.full(onsets.size, 36.0)
    peaks[5::6] = 12.5
    _t, p, _ = drawn(onsets=onsets, peaks=peaks)
    p = p + rng.normal(0, 0.1, p.size)
    r = detect_r_waves(spikes(onsets, 250.0, 60.0, rng), 250.0)
    assert matched(r + 0.06, onsets, 0.02) == onsets.size == r.size
    alone = detect_beats(p, 250.0) / 250
    gated = detect_beats(p, 250.0, r_times_s=r) / 250
    assert alone.size < onsets.size
    assert matched(gated - 0.04, onsets, 0.06) == onsets.size == gated.size


@pytest.mark.parametrize("lead", ["III", "V"])
def test_r_waves_of_a_real_ecg_have_their_pressure_pulse(shared, lead):
    """Record 041s (open sample of the WFDB library): each R wave is followed by one arterial upstroke.

    R is upright in one lead and inverted in the other; the third lead of the record is drowned in artefact.
    """
    import wfdb

    record = wfdb.rdrecord(str(shared / "waveforms" / "multi_segment" / "041s"), smooth_frames=False)
    names = record.sig_name
    ecg = np.asarray(record.e_p_signal[names.index(lead)])
    abp = np.asarray(record.e_p_signal[names.index("ABP")])
    r = detect_r_waves(ecg, 500.0)
    upstrokes = detect_beats(abp, 125.0) / 125.0
    assert r.size >= 10
    lag = np.array([upstrokes[upstrokes > t][0] - t for t in r if (upstrokes > t).any()])
    assert lag.size >= r.size - 1
    assert lag.std() < 0.02
    assert 0.05 < np.median(lag) < 0.35
    assert abs(upstrokes.size - r.size) <= 1


def test_line_delay_is_what_was_added():
    r = np.arange(0, 60, 0.8)
    assert line_delay_s(r + 0.07 + 0.05, r) == pytest.approx(0.05, abs=1e-9)
    assert line_delay_s(np.empty(0), r) == 0.0


@pytest.mark.parametrize("values", [np.full(5000, 12.0), np.full(5000, np.nan), np.zeros(3), np.empty(0)])
def test_nothing_is_found_in_nothing(values):
    assert detect_beats(values, 250.0).size == 0
    assert detect_r_waves(values, 250.0).size == 0


def test_ringing_after_a_steep_fall_is_no_beat(drawn):
    """A line of 10 Hz and damping 0.15 swings back after every fall; beats are counted once."""
    from scipy.signal import lfilter, lfilter_zi

    _t, p, onsets = drawn(rate=250.0, tau=0.02, peak=60.0, seconds=40.0)
    w, z, step = 2 * np.pi * 10.0, 0.15, 1 / 250.0
    k = 2 / step  # bilinear transform of w^2 / (s^2 + 2 z w s + w^2)
    a = np.array([k * k + 2 * z * w * k + w * w, 2 * w * w - 2 * k * k, k * k - 2 * z * w * k + w * w])
    b = w * w * np.array([1.0, 2.0, 1.0])
    ringing, _ = lfilter(b / a[0], a / a[0], p, zi=lfilter_zi(b / a[0], a / a[0]) * p[0])
    found = detect_beats(ringing, 250.0) / 250
    assert matched(found - 0.05, onsets, 0.08) == onsets.size
    assert found.size == onsets.size
