"""Measure pressure that is already in memory: plain arrays in, tables out, no files."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from discovery.beats.burden import minute_medians
from discovery.beats.detect import MARGIN_S, detect_r_waves, qrs_onsets
from discovery.beats.feature import keep_inside
from discovery.beats.measurer import MeasuredBeats, Measurer, burden_columns, desaturation_columns
from discovery.beats.options import OPTION_NAMES, Options
from discovery.beats.registry import FEATURES
from discovery.problems import InputError, Problem, nearest

if TYPE_CHECKING:
    import pandas as pd

SITES = ("auto", "RV", "PA")
LEAST_RATE_HZ, MOST_RATE_HZ = 20.0, 10000.0
PIECE_S = 600.0
QUALITY = ("sq_flatline_fraction", "sq_saturation_fraction", "sq_spike_rate")


def measure(
    pressure: np.ndarray | None,
    rate_hz: float,
    *,
    pa: np.ndarray | None = None,
    ecg: np.ndarray | None = None,
    cvp: np.ndarray | None = None,
    svo2: np.ndarray | None = None,
    rates_hz: dict[str, float] | None = None,
    start_s: float = 0.0,
    site: str | Callable[[np.ndarray], np.ndarray] | pd.DataFrame = "auto",
    **options: Any,
) -> MeasuredBeats:
    """Beats, windows and record features of one recording.

    Parameters
    ----------
    pressure : array (n_samples,), mmHg, or None
        The lumen meant for the right ventricle. Non-finite is missing. None when only `pa` was recorded.
    rate_hz : float
        Samples a second of `pressure` (of `pa` when there is no `pressure`).
    pa, cvp : arrays, mmHg, optional
        Pulmonary artery and central venous pressure, starting together with `pressure`.
    ecg : array, optional
        Any unit. R waves then gate the search for upstrokes.
    svo2 : array, %, optional
        Mixed venous saturation.
    rates_hz : dict, optional
        Rates of `pa`, `cvp`, `ecg`, `svo2` where they differ from `rate_hz`; svo2 is 1 Hz by default.
    start_s : float
        Time of the first sample.
    site : "auto", "RV", "PA", a function of times, or a table with start_s, end_s, sampling_site
        Where the lumen of `pressure` lies. "auto" reads it from the shape of the pressure, so that
        nothing is measured from a site where it means nothing; "RV" believes the caller. Short stretches
        that cannot be named are left out.
    **options
        See `Options`: window_s, ventilation, line, micromanometer, pa_delay_s, cardiac_output, pawp, sao2,
        height_cm, weight_kg, unusable_s.

    Returns
    -------
    MeasuredBeats
        Its `beats` table holds t_ed, t_dpdt_max (s), accepted, reason, sampling_site, then features.

    Raises
    ------
    InputError
        With every fault: wrong shape or rate, unknown option or site, no pressure at all.
    """
    rates = {"svo2": 1.0, **(rates_hz or {})}
    given = {"pressure": pressure, "pa": pa, "ecg": ecg, "cvp": cvp, "svo2": svo2}
    arrays = _checked(given, rate_hz, rates, start_s, site, options)
    settings = Options(**options)
    duration = max(arrays[n].size / _rate(n, rate_hz, rates) for n in ("pressure", "pa") if n in arrays)
    size = int(np.floor(duration * rate_hz + 1e-6))
    on_grid = {
        name: onto_grid(arrays[name], _rate(name, rate_hz, rates), rate_hz, size)
        for name in ("pressure", "pa", "cvp")
        if name in arrays
    }
    settings, assessed = _with_site(settings, site, on_grid, rate_hz, start_s)
    r_times = qrs = None
    if "ecg" in arrays:
        r_times, qrs = ecg_times(arrays["ecg"], _rate("ecg", rate_hz, rates))
        r_times, qrs = r_times + start_s, qrs + start_s
    measurer = Measurer(rate_hz, start_s=start_s, options=settings, r_times_s=r_times, qrs_times_s=qrs)
    step = max(1, int(PIECE_S * rate_hz))
    for first in range(0, size, step):
        part = {name: x[first : first + step] for name, x in on_grid.items()}
        measurer.add(part.pop("pressure", None), **part)
    result = measurer.finish()
    if assessed is not None:
        result = replace(result, windows=with_signal_quality(result.windows, assessed.windows))
    if "svo2" in arrays:
        result = with_saturation(result, arrays["svo2"], _rate("svo2", rate_hz, rates), start_s)
    return result


def _rate(name: str, rate_hz: float, rates: dict[str, float]) -> float:
    return float(rates.get(name, rate_hz))


def _checked(given, rate_hz, rates, start_s, site, options) -> dict[str, np.ndarray]:
    problems: list[Problem] = []

    def fault(name: str, wanted: str, found: object = "") -> None:
        problems.append(Problem(file=name, wanted=wanted, found=str(found)))

    arrays: dict[str, np.ndarray] = {}
    for name, value in given.items():
        if value is None:
            continue
        try:
            array = np.asarray(value, dtype=np.float64)
        except (TypeError, ValueError):
            fault(name, "an array of numbers", type(value).__name__)
            continue
        if array.ndim != 1:
            fault(name, "a one-dimensional array", f"shape {array.shape}")
            continue
        arrays[name] = array
    if given["pressure"] is None and given["pa"] is None:
        fault("pressure", "a pressure array; both pressure and pa are missing")
    for name in ("pressure", "pa"):
        if name in arrays and arrays[name].size == 0:
            fault(name, "at least one sample", "an empty array")
    for name, value in {"rate_hz": rate_hz, **{f"rates_hz[{k!r}]": v for k, v in rates.items()}}.items():
        least = 0.001 if "svo2" in name else LEAST_RATE_HZ
        if not isinstance(value, (int, float, np.number)) or not least <= value <= MOST_RATE_HZ:
            fault(name, f"samples a second, a number from {least:g} to {MOST_RATE_HZ:g}", value)
    for name in set(rates) - {"pa", "cvp", "ecg", "svo2"}:
        fault(
            "rates_hz", f"rates of pa, cvp, ecg or svo2; {nearest(name, ['pa', 'cvp', 'ecg', 'svo2'])}", name
        )
    if not np.isfinite(start_s):
        fault("start_s", "a finite time in seconds", start_s)
    if isinstance(site, str) and site not in SITES:
        fault("site", f"one of {', '.join(SITES)}, a function or a table; {nearest(site, SITES)}", site)
    for name in set(options) - set(OPTION_NAMES):
        fault(name, f"a known option; {nearest(name, OPTION_NAMES)}")
    if problems:
        raise InputError(problems)
    return arrays


def onto_grid(samples: np.ndarray, from_hz: float, to_hz: float, size: int) -> np.ndarray:
    """Samples at another rate, array (size,): straight lines between samples, NaN beyond the end.

    A faster channel is low-passed below 0.4 of the slower rate first. A slower one gains nothing.
    """
    x = np.asarray(samples, dtype=float)
    if abs(from_hz - to_hz) < 1e-9:
        return x[:size] if x.size >= size else np.concatenate([x, np.full(size - x.size, np.nan)])
    if from_hz > 1.2 * to_hz and x.size > 16:
        from scipy.signal import butter, sosfiltfilt

        from discovery.beats.filters import bridge_gaps

        bridged, missing = bridge_gaps(x)
        x = sosfiltfilt(butter(4, 0.4 * to_hz, fs=from_hz, output="sos"), bridged)
        x[missing] = np.nan
    place = np.arange(size) * (from_hz / to_hz)
    out = np.interp(place, np.arange(x.size), x, right=np.nan) if x.size else np.full(size, np.nan)
    return out


def _with_site(settings: Options, site, on_grid, rate_hz: float, start_s: float):
    """Options with the sites filled in, and the assessment of the signal when it was made."""
    if callable(site):
        return replace(settings, site_at=site), None
    if not isinstance(site, str):
        from discovery.beats.sites import site_lookup

        return replace(settings, site_at=site_lookup(site)), None
    if site != "auto":
        return replace(settings, site_at=lambda t: np.full(np.shape(t), site, dtype=object)), None
    from discovery.recordings.assessment import assess
    from discovery.recordings.recording import Channel

    name = "pressure" if "pressure" in on_grid else "pa"
    role = "rv" if name == "pressure" else "pa"
    channel = Channel(role, name, "mmHg", float(rate_hz), float(start_s), on_grid[name])
    venous = None
    if "cvp" in on_grid:
        venous = Channel("cvp", "cvp", "mmHg", float(rate_hz), float(start_s), on_grid["cvp"])
    found = assess(channel, venous)
    unusable = found.held if settings.unusable_s is None else settings.unusable_s
    line = settings.line if np.isfinite(settings.line[0]) else (found.natural_hz, found.damping)
    return replace(
        settings, site_at=found.site_at, line_state_at=found.line_state_at, unusable_s=unusable, line=line
    ), found


def ecg_times(ecg: np.ndarray, rate_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """R waves and QRS onsets of a whole ECG, worked through in pieces; arrays (n_r,), s."""
    step, margin = int(PIECE_S * rate_hz), int(MARGIN_S * rate_hz)
    r_all, q_all = [], []
    for first in range(0, ecg.size, step):
        start = max(first - margin, 0)
        part = ecg[start : min(first + step + margin, ecg.size)]
        r = detect_r_waves(part, rate_hz)
        q = qrs_onsets(part, rate_hz, r)
        keep = (r >= (first - start) / rate_hz) & (r < (first - start + step) / rate_hz)
        r_all.append(r[keep] + start / rate_hz)
        q_all.append(q[keep] + start / rate_hz)
    if not r_all:
        return np.empty(0), np.empty(0)
    return np.concatenate(r_all), np.concatenate(q_all)


def with_signal_quality(windows: pd.DataFrame, quality: pd.DataFrame) -> pd.DataFrame:
    """A copy of the windows with the signal quality of the 10 s windows averaged over each."""
    windows = windows.copy()
    if not len(windows) or not len(quality):
        return windows
    middle = 0.5 * (quality["start_s"] + quality["end_s"]).to_numpy()
    place = np.searchsorted(windows["start_s"].to_numpy(), middle, side="right") - 1
    length = (quality["end_s"] - quality["start_s"]).to_numpy()
    for name in QUALITY:
        value = quality[name].to_numpy()
        good = (place >= 0) & np.isfinite(value)
        weight = np.bincount(place[good], length[good], minlength=len(windows))
        total = np.bincount(place[good], (value * length)[good], minlength=len(windows))
        windows[name] = np.divide(total, weight, out=np.full(len(windows), np.nan), where=weight > 0)
    return windows


def with_saturation(result: MeasuredBeats, svo2: np.ndarray, rate_hz: float, start_s: float) -> MeasuredBeats:
    """A copy with the saturation features: median of each window, episodes and burden of the record."""
    feature = FEATURES["svo2"]
    clean = keep_inside(svo2, feature)
    time = start_s + np.arange(clean.size) / rate_hz
    minute, median = minute_medians(time, clean, start_s=start_s)
    record = {**result.record, **desaturation_columns(clean, rate_hz)}
    if median.size:
        record.update(burden_columns("svo2", minute, median, 60.0, above=False))
    windows = result.windows.copy()
    if len(windows):
        starts = windows["start_s"].to_numpy()
        first = np.searchsorted(time, starts)
        last = np.searchsorted(time, windows["end_s"].to_numpy())
        values = [
            float(np.nanmedian(clean[a:b])) if np.isfinite(clean[a:b]).any() else np.nan
            for a, b in zip(first.tolist(), last.tolist())
        ]
        windows["svo2"] = values
    return replace(result, windows=windows, record=record, svo2_minutes=(minute, median))
