"""The tables that a recording's two pictures draw: its trace with landmarks, and its averaged beat."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

    from discovery.beats import MeasuredBeats
    from discovery.beats.ensemble import EnsembleBeat
    from discovery.pipeline.record_survey import Surveyed
    from discovery.recordings.source import RecordingSource

EXCERPT_S = 10.0
MOST_BUCKETS = 720
LANDMARKS = {
    "t_ed": "end of diastole, or foot",
    "t_dpdt_max": "steepest rise",
    "t_systolic_peak": "systolic peak",
    "t_dpdt_min": "steepest fall",
    "t_diastolic_minimum": "diastolic minimum",
}
OF_ANY_ARTERY = ("t_ed", "t_dpdt_max", "t_systolic_peak")  # the others mean something in a ventricle alone
COLUMNS = ("part", "name", "start_s", "end_s", "low", "high")


def picture_tables(
    source: RecordingSource, main: str, found: Surveyed, beats: MeasuredBeats
) -> dict[str, pd.DataFrame]:
    """Tables by the name of their picture: `trace` always, `beat` where a window has an averaged beat."""
    tables = {"trace": trace_table(source, main, found, beats)}
    beat = beat_table(beats)
    if beat is not None:
        tables["beat"] = beat
    return tables


def trace_table(source: RecordingSource, main: str, found: Surveyed, beats: MeasuredBeats) -> pd.DataFrame:
    """Rows by `part`: range (lowest and highest pressure of a stretch of the record), site, state, window
    (share of accepted beats in `high`), sample (of the excerpt, in `high`), and landmarks by name:
    accepted or rejected.
    """
    import pandas as pd

    rows = [*_ranges(found.extremes)]
    for segment in found.assessed.segments.itertuples():
        if segment.line_state != "missing":
            rows.append(("site", segment.sampling_site, segment.start_s, segment.end_s, np.nan, np.nan))
        if segment.line_state:
            rows.append(("state", segment.line_state, segment.start_s, segment.end_s, np.nan, np.nan))
    for window in beats.windows.itertuples():
        share = window.n_accepted / window.n_beats if window.n_beats else 0.0
        name = "valid" if window.valid else "not valid"
        rows.append(("window", name, window.start_s, window.end_s, np.nan, share))
    start = excerpt_start(beats.beats, found.extremes)
    time, pressure = _samples(source, main, start)
    rows += [("sample", "", t, t, p, p) for t, p in zip(time.tolist(), pressure.tolist())]
    rows += _landmarks(beats.beats, time, pressure)
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _ranges(extremes: np.ndarray):
    """At most `MOST_BUCKETS` stretches with the lowest and the highest pressure of each."""
    step = max(1, -(-len(extremes) // MOST_BUCKETS))
    for first in range(0, len(extremes), step):
        part = extremes[first : first + step]
        seen = np.isfinite(part[:, 1])
        low = float(part[seen, 1].min()) if seen.any() else np.nan
        high = float(part[seen, 2].max()) if seen.any() else np.nan
        yield ("range", "", float(part[0, 0]), float(part[-1, 0]) + 1.0, low, high)


def excerpt_start(beats: pd.DataFrame, extremes: np.ndarray) -> float:
    """Start of 10 s with accepted beats of the ventricle (else of the artery; else the middle of the record).

    Of the stretches in which the fewest beats were left out, the one nearest to the middle: typical, not
    the finest.
    """
    middle = 0.5 * (extremes[0, 0] + extremes[-1, 0] + 1.0)
    first = float(extremes[0, 0])
    last = max(first, float(extremes[-1, 0]) + 1.0 - EXCERPT_S)
    accepted = beats["accepted"].to_numpy(dtype=bool)
    left_out = np.sort(beats["t_dpdt_max"].to_numpy(dtype=float)[~accepted])
    for site in ("RV", "PA"):
        mine = accepted & (beats["sampling_site"] == site).to_numpy()
        time = beats["t_ed"].to_numpy(dtype=float)[mine]
        time = time[time <= last + 0.5] if (time <= last + 0.5).any() else time
        if time.size:
            end = time + EXCERPT_S
            lost = np.searchsorted(left_out, end) - np.searchsorted(left_out, time)
            few = np.searchsorted(time, end) - np.arange(time.size) < 3
            best = np.flatnonzero((lost + 100 * few) == (lost + 100 * few).min())
            chosen = best[np.argmin(np.abs(time[best] + 0.5 * EXCERPT_S - middle))]
            return float(np.clip(np.floor(time[chosen] * 10.0) / 10.0 - 0.2, first, last))
    return float(np.clip(np.floor(middle - 0.5 * EXCERPT_S), first, last))


def _samples(source: RecordingSource, main: str, start: float) -> tuple[np.ndarray, np.ndarray]:
    """Times and pressures of the excerpt; reads the record up to its end."""
    times, pressures = [], []
    for piece in source.chunks():
        channel = piece[main]
        time = channel.times()
        inside = (time >= start) & (time < start + EXCERPT_S)
        times.append(time[inside])
        pressures.append(channel.samples[inside])
        if time.size and time[-1] >= start + EXCERPT_S:
            break
    return np.concatenate(times), np.concatenate(pressures)


def _landmarks(beats: pd.DataFrame, time: np.ndarray, pressure: np.ndarray) -> list[tuple]:
    """Landmarks inside the excerpt, at the recorded pressure; a rejected beat has its steepest rise alone."""
    rows: list[tuple] = []
    if not time.size or not len(beats):
        return rows
    for column, label in LANDMARKS.items():
        at = beats[column].to_numpy(dtype=float)
        accepted = beats["accepted"].to_numpy(dtype=bool)
        inside = (at >= time[0]) & (at <= time[-1])
        if column not in OF_ANY_ARTERY:
            inside &= (beats["sampling_site"] == "RV").to_numpy()
        for good, t in zip(accepted[inside].tolist(), at[inside].tolist()):
            if good or column == "t_dpdt_max":
                p = float(np.interp(t, time, pressure))
                rows.append(
                    ("accepted" if good else "rejected", label if good else "beat left out", t, t, p, p)
                )
    return rows


def beat_table(beats: MeasuredBeats) -> pd.DataFrame | None:
    """Rows by `part`: beat (mean, `low` and `high` one standard deviation off), landmark, and the two fits.

    The window with the most beats in its average is drawn, of the ventricle where there is one. `time_ms`
    counts from the steepest rise. The name of a fit says what it found.
    """
    import pandas as pd

    chosen = _fullest(beats.ensembles)
    site = "RV"
    if chosen is None:
        chosen, site = _fullest(beats.pa_ensembles), "PA"
    if chosen is None:
        return None
    number, beat = chosen
    start = float(beats.windows["start_s"].iloc[number])
    about = f"{site}, mean of {beat.n_beats} beats from {start:g} s on"
    time = beat.time_s * 1e3
    rows = [
        ("beat", about, t, p, p - s, p + s)
        for t, p, s in zip(time.tolist(), beat.pressure.tolist(), beat.spread.tolist())
    ]
    for column, label in LANDMARKS.items():
        at = float(beat.landmarks[column][0])
        if np.isfinite(at) and (site == "RV" or column in OF_ANY_ARTERY):
            p = float(np.interp(at, np.arange(beat.pressure.size) / beat.rate_hz, beat.pressure))
            rows.append(("landmark", label, (at - beat.anchor / beat.rate_hz) * 1e3, p, p, p))
    if site == "RV":
        rows += _fits(beat, beats, number)
    return pd.DataFrame(rows, columns=["part", "name", "time_ms", "pressure_mmhg", "low", "high"])


def _fullest(ensembles) -> tuple[int, EnsembleBeat] | None:
    there = [(beat.n_beats, -at) for at, beat in enumerate(ensembles) if beat is not None]
    if not there:
        return None
    at = -max(there)[1]
    return at, ensembles[at]


def _fits(beat: EnsembleBeat, beats: MeasuredBeats, number: int) -> list[tuple]:
    """The exponential fall and the raised cosine as fitted to this beat, on a fine grid.

    A fit that the sampling rate or the line cannot carry, or that failed, is not drawn.
    """
    from discovery.beats.ensemble import ensemble_readings, relaxation_samples

    window = beats.windows.iloc[number]
    rows: list[tuple] = []
    edp = float(beat.landmarks["p_ed"][0])
    inside = (
        beats.beats["accepted"].to_numpy(dtype=bool)
        & (beats.beats["t_dpdt_max"].between(window["start_s"], window["end_s"], inclusive="left")).to_numpy()
    )
    rv = inside & (beats.beats["sampling_site"] == "RV").to_numpy()
    diastolic = beats.beats.loc[rv, "rv_end_diastolic_pressure"].dropna()
    next_edp = float(diastolic.median()) if len(diastolic) else edp
    found = ensemble_readings(beat, next_edp)
    anchor = beat.anchor / beat.rate_hz
    tau = float(window.get("rv_tau_exponential", np.nan))
    fitted = relaxation_samples(beat, next_edp)
    if np.isfinite([tau, found["tau_exponential"]]).all() and fitted.stop > fitted.start:
        span = (fitted.stop - 1 - fitted.start) / beat.rate_hz
        t = np.linspace(0.0, span, 60)
        p = found["tau_asymptote"] + found["tau_amplitude"] * np.exp(-t / (1e-3 * found["tau_exponential"]))
        name = f"exponential fall, time constant {found['tau_exponential']:.0f} ms"
        at = (fitted.start / beat.rate_hz + t - anchor) * 1e3
        rows += [("exponential", name, x, y, y, y) for x, y in zip(at.tolist(), p.tolist())]
    peak, period = found["pmax"], found["pmax_period"]
    if np.isfinite([peak, period, float(window.get("rv_pmax", np.nan))]).all():
        t = found["pmax_shift"] + np.linspace(0.0, period, 160)
        p = edp + 0.5 * (peak - edp) * (1.0 - np.cos(2.0 * np.pi * (t - found["pmax_shift"]) / period))
        at = (found["t_ed"] + t - anchor) * 1e3
        name = f"raised cosine through both isovolumic parts, peak {peak:.0f} mmHg"
        rows += [("cosine", name, x, y, y, y) for x, y in zip(at.tolist(), p.tolist())]
    return rows
