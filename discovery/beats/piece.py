"""One piece of a record: its beats with reasons, and its windows with their averaged beats."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from discovery.beats.detect import detect_beats
from discovery.beats.ensemble import EnsembleBeat, ensemble_beat, ensemble_readings, pa_ensemble_readings
from discovery.beats.feature import evaluate
from discovery.beats.landmarks import Landmarks, Trace, in_order, mark, onset_is_doubtful
from discovery.beats.options import Options
from discovery.beats.pulmonary_beats import READINGS as PA_READINGS
from discovery.beats.pulmonary_beats import pa_readings, pair
from discovery.beats.registry import FEATURES
from discovery.beats.respiration import end_expiratory
from discovery.beats.variability import END_EXPIRATORY
from discovery.beats.venous import venous_waves
from discovery.beats.window_features import END_COLUMNS, variability_of_window

TEMPLATE_POINTS = 200
LEAST_LIKENESS = 0.9
SURE_LIKENESS = 0.95
REGULAR = (0.8, 1.2)
RUNNING_BEATS = 11
HARD_LIMITS = (
    "heart_rate",
    "rv_systolic_pressure",
    "rv_minimum_diastolic_pressure",
    "rv_end_diastolic_pressure",
    "rv_dpdt_max",
    "rv_dpdt_min",
)
PA_HARD_LIMITS = ("heart_rate", "pa_systolic_pressure", "pa_diastolic_pressure", "pa_dpdt_max")
TIMES = ("t_ed", "t_dpdt_max", "t_systolic_peak", "t_dpdt_min", "t_diastolic_minimum", "t_next_ed")
BEAT_KEYS = tuple(key for key, f in FEATURES.items() if f.level == "beat" and not key.startswith("sq_"))
PLACE = {key: j for j, key in enumerate(BEAT_KEYS)}
RV_BEAT_KEYS = frozenset(
    key for key in BEAT_KEYS if "RVP" in FEATURES[key].channels and key not in ("rr_interval", "heart_rate")
)
FIT_DETAILS = ("tau_r2", "tau_samples", "tau_amplitude", "pmax_r2", "pmax_period", "pmax_shift")


@dataclass
class Piece:
    """Beats and windows of one piece. `beats[name]`: arrays (n_beats,); `windows`: one dict a window."""

    beats: dict[str, np.ndarray]
    windows: list[dict[str, object]]
    ensembles: list[EnsembleBeat | None] = field(default_factory=list)
    pa_ensembles: list[EnsembleBeat | None] = field(default_factory=list)


def measure_piece(
    rate_hz: float,
    first_s: float,
    core: tuple[float, float],
    options: Options,
    *,
    rv: np.ndarray | None = None,
    pa: np.ndarray | None = None,
    cvp: np.ndarray | None = None,
    r_times_s: np.ndarray | None = None,
    qrs_times_s: np.ndarray | None = None,
) -> Piece:
    """Measure the beats whose upstroke lies in `core` (start, stop in s), from samples around it.

    rv, pa, cvp : arrays (n_samples,) at `rate_hz`, the first sample at `first_s` seconds of the record.
    r_times_s, qrs_times_s : R waves and QRS onsets in seconds of the record.
    """
    main = rv if rv is not None else pa
    assert main is not None
    trace = Trace.of(main, rate_hz)
    venous = Trace.of(cvp, rate_hz) if cvp is not None and np.isfinite(cvp).any() else None
    r_here = None if r_times_s is None else _within(r_times_s, first_s, trace.level.size / rate_hz) - first_s
    found = detect_beats(trace.raw, rate_hz, r_times_s=r_here, level=trace.level, slope=trace.slope)
    marks = mark(trace, found, venous=None if venous is None or rv is None else venous.level)
    centre_s = first_s + found / rate_hz
    inside = (centre_s >= core[0]) & (centre_s < core[1])
    window = np.floor((centre_s - core[0]) / options.window_s).astype(np.int64)
    site = _sites(options, centre_s, "RV" if rv is not None else "PA")

    base: dict[str, np.ndarray] = {name: values for name, values in marks.values.items()}
    pa_trace = None
    if rv is not None and pa is not None and np.isfinite(pa).any():
        pa_trace = Trace.of(pa, rate_hz)
        base.update(pair(trace, marks, pa_trace, window=window, delay_s=options.pa_delay_s))
    elif (site == "PA").any():
        own = pa_readings(trace, marks)
        base.update({name: np.where(site == "PA", values, np.nan) for name, values in own.items()})
        pa_trace = trace
    else:
        base.update({name: np.full(found.size, np.nan) for name in PA_READINGS})
    _add_cardiac_cycle(base, r_times_s, qrs_times_s, first_s)
    if venous is not None:
        _add_venous(base, venous, marks, r_here, rate_hz)

    values = evaluate(FEATURES, BEAT_KEYS, base, found.size)
    is_rv = site == "RV"
    for key in BEAT_KEYS:
        if options.confidence(FEATURES[key], rate_hz) == "none":
            values[key][:] = np.nan
        elif key in RV_BEAT_KEYS:
            values[key][~is_rv] = np.nan

    likeness = _likeness(trace, marks, window, inside)
    reason = _reasons(marks, values, base, trace, site, likeness, centre_s, first_s, options)
    regular = _regular(values["rr_interval"])
    beats: dict[str, np.ndarray] = {name: first_s + marks[name] for name in TIMES}
    beats["accepted"] = reason == ""
    beats["reason"] = reason
    beats["sampling_site"] = site
    beats["regular"] = regular
    beats["onset_doubtful"] = onset_is_doubtful(marks, trace)
    beats["end_expiratory"] = np.zeros(found.size, dtype=bool)
    beats["respiratory_baseline"] = _baseline(marks, base, is_rv)
    beats["sq_template_correlation"] = likeness
    beats.update(values)

    table = np.column_stack([values[key] for key in BEAT_KEYS])
    count = round((core[1] - core[0]) / options.window_s + 0.4999)
    windows, ensembles, pa_ensembles = [], [], []
    for w in range(count):
        chosen = np.flatnonzero(inside & (window == w))
        start = core[0] + w * options.window_s
        row: dict[str, object] = {"start_s": start, "end_s": min(start + options.window_s, core[1])}
        averaged, pa_averaged = _window(
            row, chosen, beats, table, base, marks, trace, pa_trace, venous, options, pair_of=rv is not None
        )
        windows.append(row)
        ensembles.append(averaged)
        pa_ensembles.append(pa_averaged)
    return Piece({name: v[inside] for name, v in beats.items()}, windows, ensembles, pa_ensembles)


def _baseline(marks: Landmarks, base: dict[str, np.ndarray], is_rv: np.ndarray) -> np.ndarray:
    """Diastolic baseline of breathing at each beat's systole, array (n_beats,).

    RV: early-diastolic minima, half a beat later than end-diastole, so they are read between neighbours;
    PA: the pressure at the foot.
    """
    out = np.where(is_rv, np.nan, base["pa_p_foot"])
    time, low = marks["t_diastolic_minimum"], base["p_minimum"]
    good = is_rv & np.isfinite(time) & np.isfinite(low)
    if good.any():
        out[good] = np.interp(marks["t_systolic_peak"][good], time[good], low[good])
    return out


def _within(times: np.ndarray, start: float, length: float) -> np.ndarray:
    return times[(times >= start) & (times < start + length)]


def _sites(options: Options, at_s: np.ndarray, otherwise: str) -> np.ndarray:
    if options.site_at is None:
        return np.full(at_s.size, otherwise, dtype=object)
    return np.asarray(options.site_at(at_s), dtype=object)


def _add_cardiac_cycle(base, r_times_s, qrs_times_s, first_s) -> None:
    """QRS onset before each beat, and R to R rate where there are R waves."""
    count = base["t_ed"].size
    base["t_qrs"] = np.full(count, np.nan)
    if r_times_s is None or len(r_times_s) == 0:
        return
    qrs = np.asarray(r_times_s if qrs_times_s is None else qrs_times_s, dtype=float) - first_s
    place = np.searchsorted(qrs, base["t_dpdt_max"], side="right") - 1
    near = (place >= 0) & np.isfinite(base["t_dpdt_max"])
    lag = base["t_dpdt_max"] - qrs[np.clip(place, 0, None)]
    base["t_qrs"] = np.where(near & (lag < 0.4), qrs[np.clip(place, 0, None)], np.nan)


def _add_venous(base, venous: Trace, marks: Landmarks, r_here, rate_hz) -> None:
    """Mean venous pressure over each beat, and its waves where there are R waves."""
    running = np.concatenate([[0.0], np.cumsum(np.nan_to_num(venous.level))])
    seen = np.concatenate([[0], np.cumsum(np.isfinite(venous.level))])
    start = np.nan_to_num(marks["t_ed"] * rate_hz).astype(np.int64)
    stop = np.nan_to_num(marks["t_next_ed"] * rate_hz).astype(np.int64)
    whole = (stop > start) & (seen[stop] - seen[start] == stop - start)
    base["cvp_beat"] = np.where(whole, (running[stop] - running[start]) / np.maximum(stop - start, 1), np.nan)
    if r_here is None or r_here.size < 2:
        return
    a, v, y = venous_waves(venous.level, rate_hz, r_here)
    place = np.searchsorted(r_here, np.nan_to_num(marks["t_dpdt_max"]), side="right") - 1
    good = (place >= 0) & (place < a.size)
    place = np.clip(place, 0, max(a.size - 1, 0))
    for name, wave in (("cvp_a", a), ("cvp_v", v), ("cvp_y", y)):
        base[name] = np.where(good, wave[place], np.nan)


def _likeness(trace: Trace, marks: Landmarks, window: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """Correlation of each beat with the median beat of its window, stretched to one length or not.

    Systole does not stretch with a long diastole, so in an irregular rhythm beats are alike in their own
    time; in a window with a beat below 0.95 the better of the two is taken.
    """
    from discovery.beats.ensemble_loops import from_onset, likeness, resampled

    out = np.full(len(marks), np.nan)
    good = np.flatnonzero(inside & in_order(marks))
    if good.size:
        start, stop = (marks[name][good] * trace.rate_hz for name in ("t_ed", "t_next_ed"))
        group, groups = window[good], int(window[good].max()) + 1
        stretched = likeness(resampled(trace.level, start, stop, TEMPLATE_POINTS), group, groups)
        out[good] = stretched
        doubtful = np.isin(group, group[~(stretched >= SURE_LIKENESS)])
        if doubtful.any():
            start, stop, group = start[doubtful], stop[doubtful], group[doubtful]
            step = float(np.median(stop - start)) / (TEMPLATE_POINTS - 1)
            plain = likeness(from_onset(trace.level, start, stop, step, TEMPLATE_POINTS), group, groups)
            out[good[doubtful]] = np.fmax(stretched[doubtful], plain)
    return out


def _reasons(marks, values, base, trace: Trace, site, likeness, centre_s, first_s, options) -> np.ndarray:
    """Why each beat was not accepted: the first cause that applies; empty for an accepted beat."""
    count = len(marks)
    reason = np.full(count, "", dtype=object)

    def blame(where: np.ndarray, code: str) -> None:
        reason[(reason == "") & where] = code

    blame(~np.isfinite(marks["t_next_ed"]), "no next beat")
    rate = trace.rate_hz
    lost = np.concatenate([[0], np.cumsum(trace.missing)])
    start = np.clip(np.nan_to_num(marks["t_ed"] * rate).astype(np.int64), 0, trace.missing.size)
    stop = np.clip(np.nan_to_num(marks["t_next_ed"] * rate).astype(np.int64) + 1, 0, trace.missing.size)
    blame(lost[stop] > lost[start], "missing samples")
    if options.line_state_at is not None:
        state = np.asarray(options.line_state_at(centre_s), dtype=object)
        for name in sorted({text for text in state.tolist() if text}):
            blame(state == name, f"line {name}")
    if options.unusable_s is not None and len(options.unusable_s):
        spans = np.asarray(options.unusable_s, dtype=float).reshape(-1, 2)
        begin, end = first_s + marks["t_ed"], first_s + marks["t_next_ed"]
        after = np.searchsorted(spans[:, 1], np.nan_to_num(begin), side="right")
        touching = (after < len(spans)) & (spans[np.clip(after, 0, len(spans) - 1), 0] < end)
        blame(touching, "unusable signal")
    blame((site != "RV") & (site != "PA"), "sampling site")
    blame(~in_order(marks), "order of landmarks")
    for keys, where in ((HARD_LIMITS, site == "RV"), (PA_HARD_LIMITS, site == "PA")):
        for key in keys:
            if options.confidence(FEATURES[key], trace.rate_hz) != "none":
                blame(where & ~np.isfinite(values[key]), f"limits of {key}")
    blame(likeness < LEAST_LIKENESS, "template correlation")
    return reason


def _regular(interval_ms: np.ndarray) -> np.ndarray:
    """Beats whose interval is 0.8 to 1.2 of the running median of 11, and that do not follow another."""
    from scipy.ndimage import median_filter

    if interval_ms.size == 0:
        return np.empty(0, dtype=bool)
    known = np.where(np.isfinite(interval_ms), interval_ms, np.nan)
    filled = np.where(np.isfinite(known), known, np.nanmedian(known) if np.isfinite(known).any() else 0.0)
    usual = median_filter(filled, size=min(RUNNING_BEATS, filled.size | 1), mode="nearest")
    good = (filled >= REGULAR[0] * usual) & (filled <= REGULAR[1] * usual) & np.isfinite(known)
    return good & np.r_[True, good[:-1]]


def _window(row, chosen, beats, table, base, marks, trace, pa_trace, venous, options, *, pair_of) -> tuple:
    """Fill one window's row; returns its averaged RV and PA beats (None where there is none)."""
    from discovery.beats.window_loops import column_medians, finite_median

    accepted = chosen[beats["accepted"][chosen]]
    sites = Counter(beats["sampling_site"][chosen].tolist())
    row["sampling_site"] = max(sorted(sites), key=sites.__getitem__) if sites else ""
    row["n_beats"], row["n_accepted"] = int(chosen.size), int(accepted.size)
    row["sq_valid_beat_fraction"] = accepted.size / chosen.size if chosen.size else np.nan
    row["irregular_fraction"] = 1.0 - float(beats["regular"][chosen].mean()) if chosen.size else np.nan
    row["sq_template_correlation"] = finite_median(beats["sq_template_correlation"][accepted])

    kept = accepted
    if options.ventilation != "unknown":
        baseline = beats["respiratory_baseline"][accepted]
        kept = accepted[end_expiratory(baseline, options.ventilation, time_s=beats["t_ed"][accepted])]
    beats["end_expiratory"][kept] = True
    row.update(zip(BEAT_KEYS, column_medians(table, kept).tolist()))
    row.update(zip(END_COLUMNS, [row[key] for key in END_EXPIRATORY]))
    row.update(
        variability_of_window(
            beats["t_ed"], beats["respiratory_baseline"], beats["rr_interval"], table, accepted, PLACE
        )
    )
    if "cvp_beat" in base:
        row["cvp_average"] = finite_median(base["cvp_beat"][kept])
    row["pa_delay_ms"] = (
        finite_median(1000.0 * base["pa_delay_s"][accepted]) if "pa_delay_s" in base else np.nan
    )

    regular = beats["regular"]
    averaged = pa_averaged = None
    for_rv = accepted[regular[accepted] & (beats["sampling_site"][accepted] == "RV")]
    if pair_of and for_rv.size >= 10:
        best = np.intersect1d(kept, for_rv)
        use = best if best.size >= 10 else for_rv
        averaged = ensemble_beat(
            trace,
            marks["t_dpdt_max"][use],
            marks["t_ed"][use],
            marks["t_next_ed"][use],
            venous=None if venous is None else venous.level,
        )
    readings: dict[str, float] = {}
    if averaged is not None:
        readings = ensemble_readings(averaged, finite_median(base["p_next_ed"][use]))
        row["ensemble_beats"] = averaged.n_beats
        for name in FIT_DETAILS:
            row[name] = readings.get(name, np.nan)
    if pa_trace is not None:
        for_pa = accepted[regular[accepted] & np.isfinite(base["t_pa_end"][accepted])]
        if for_pa.size >= 10:
            pa_averaged = ensemble_beat(
                pa_trace,
                base["t_pa_dpdt_max"][for_pa],
                base["t_pa_foot"][for_pa],
                base["t_pa_end"][for_pa],
                level_only=True,
            )
        if pa_averaged is not None:
            readings.update(pa_ensemble_readings(pa_averaged))
    row["readings"] = readings
    return averaged, pa_averaged
