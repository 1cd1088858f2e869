"""Time and area beyond a level, longest episode, and trend over a record."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.beats.feature import Feature

# x: (level, beyond means above). Confirmed levels; the gradient's and PAPi's have sources in the dictionary.
LEVELS_OF = {
    "cvp_mean": (16.0, True),
    "rv_end_diastolic_pressure": (16.0, True),
    "rv_diastolic_pressure_gradient": (4.0, True),
    "rv_systolic_pressure": (35.0, True),
    "pa_mean_pressure": (20.0, True),
    "svo2": (60.0, False),
    "pulmonary_artery_pulsatility_index": (1.85, False),
}
RAW_GAP_MIN = 0.5
MEDIAN_GAP_MIN = 2.0
LEAST_TREND_MIN = 30.0
MOST_TREND_POINTS = 1500


@dataclass(frozen=True, kw_only=True)
class Burden:
    """How much of a series lay beyond a level. The observed time travels with the numbers."""

    time_min: float
    area: float  # unit x min
    longest_min: float
    observed_min: float

    @property
    def fraction(self) -> float:
        return self.time_min / self.observed_min if self.observed_min > 0 else np.nan

    @property
    def time_weighted_average(self) -> float:
        return self.area / self.observed_min if self.observed_min > 0 else np.nan


def burden(
    time_min: np.ndarray,
    value: np.ndarray,
    level: float,
    *,
    above: bool = True,
    max_gap_min: float = RAW_GAP_MIN,
) -> Burden:
    """Time and area strictly beyond a level, the series being straight lines between samples.

    time_min, value : arrays (n,), minutes and unit; a non-finite value is missing. Neighbours further
    apart than `max_gap_min` are a gap: neither beyond nor observed, and it ends an episode. With nothing
    observed, time and area are NaN.
    """
    t, x = np.asarray(time_min, dtype=float), np.asarray(value, dtype=float)
    seen = np.isfinite(t) & np.isfinite(x)
    t, x = t[seen], x[seen]
    step = np.diff(t)
    joined = step <= max_gap_min * (1 + 1e-9)
    observed = float(step[joined].sum())
    if observed <= 0:
        return Burden(time_min=np.nan, area=np.nan, longest_min=np.nan, observed_min=0.0)
    depth = (x - level) if above else (level - x)
    start, end = depth[:-1], depth[1:]
    with np.errstate(divide="ignore", invalid="ignore"):
        cross = np.where(start * end < 0, start / (start - end), np.nan)  # share of the step
    enters = (start <= 0) & (end > 0)
    leaves = (start > 0) & (end <= 0)
    share = np.where((start > 0) & (end > 0), 1.0, 0.0)
    share = np.where(enters, 1.0 - np.nan_to_num(cross, nan=0.0), share)
    share = np.where(leaves, np.nan_to_num(cross, nan=1.0), share)
    height = (np.maximum(start, 0.0) + np.maximum(end, 0.0)) / 2.0
    beyond = np.where(joined, share * step, 0.0)
    longest = running = 0.0
    for i in range(step.size):
        if not joined[i]:
            running = 0.0
            continue
        if enters[i]:
            running = beyond[i]
        elif leaves[i]:
            running += beyond[i]
            longest = max(longest, running)
            running = 0.0
        elif share[i] > 0:
            running += beyond[i]
        else:
            running = 0.0
        longest = max(longest, running)
    return Burden(
        time_min=float(beyond.sum()),
        area=float((beyond * height).sum()),
        longest_min=float(longest),
        observed_min=observed,
    )


def trend_slope(time_min: np.ndarray, value: np.ndarray, *, breaks_min: np.ndarray | None = None) -> float:
    """Theil-Sen slope per hour: the median slope over pairs of points.

    Pairs across a break (a re-zeroing) are left out. Missing below 30 min, or when under half of the
    minutes spanned were observed. Longer series are first averaged in equal blocks to 1500 points.
    """
    t, x = np.asarray(time_min, dtype=float), np.asarray(value, dtype=float)
    seen = np.isfinite(t) & np.isfinite(x)
    t, x = t[seen], x[seen]
    if t.size < 3 or t[-1] - t[0] < LEAST_TREND_MIN - 1.0:
        return np.nan
    step = np.median(np.diff(t))
    if t.size * step < 0.5 * (t[-1] - t[0]):
        return np.nan
    piece = (
        np.searchsorted(np.sort(breaks_min), t, side="right") if breaks_min is not None else np.zeros(t.size)
    )
    if t.size > MOST_TREND_POINTS:
        block = np.arange(t.size) * MOST_TREND_POINTS // t.size
        count = np.bincount(block)
        t, x = np.bincount(block, t) / count, np.bincount(block, x) / count
        piece = piece[np.searchsorted(block, np.arange(count.size))]
    i, j = np.triu_indices(t.size, 1)
    same = (piece[i] == piece[j]) & (t[j] > t[i])
    if not same.any():
        return np.nan
    i, j = i[same], j[same]
    return float(60.0 * np.median((x[j] - x[i]) / (t[j] - t[i])))


def minute_medians(
    time_s: np.ndarray, value: np.ndarray, *, start_s: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    """Median of the finite values in each minute; minutes (centre, min) that have any, and medians."""
    t, x = np.asarray(time_s, dtype=float), np.asarray(value, dtype=float)
    seen = np.isfinite(t) & np.isfinite(x)
    t, x = t[seen], x[seen]
    if t.size == 0:
        return np.empty(0), np.empty(0)
    minute = np.floor((t - start_s) / 60.0).astype(np.int64)
    order = np.lexsort((x, minute))
    minute, x = minute[order], x[order]
    which, first, count = np.unique(minute, return_index=True, return_counts=True)
    low, high = first + (count - 1) // 2, first + count // 2
    return which + 0.5 + start_s / 60.0, 0.5 * (x[low] + x[high])


_COMMON = {
    "level": "record",
    "family": "burden",
    "group": "burden",
    "channels": ("as x",),
    "direction": "inherits",
    "applies_to": tuple(LEVELS_OF),
    "low": 0.0,
    "source": "common practice",
    "function": burden,
}


def _entry(key, label, definition, **changes) -> Feature:
    return Feature(**{**_COMMON, "key": key, "label": label, "definition": definition, **changes})


FEATURES = (
    _entry(
        "time_above_threshold",
        "Time beyond the level",
        "Minutes during which the series of one-minute medians lies strictly beyond its level, crossings "
        "placed by straight lines; gaps count for nothing.",
        unit="min",
    ),
    _entry(
        "fraction_time_above_threshold",
        "Fraction of time beyond the level",
        "Minutes beyond the level over observed minutes.",
        unit="ratio",
        high=1.0,
        decimals=3,
    ),
    _entry(
        "area_above_threshold",
        "Area beyond the level",
        "Integral of the distance beyond the level.",
        unit="unit.min",
        source="depth-duration area, as used for hypotension",
    ),
    _entry(
        "time_weighted_average_above_threshold",
        "Time-weighted average beyond the level",
        "Area beyond the level over observed minutes.",
        unit="unit",
        decimals=2,
        source="Anesthesiology 2020;133:1214 (below a level, hypotension)",
    ),
    _entry(
        "longest_episode_above_threshold",
        "Longest episode beyond the level",
        "Longest uninterrupted stay beyond the level; a gap ends it.",
        unit="min",
    ),
    _entry(
        "trend_slope",
        "Trend slope",
        "Theil-Sen slope of one-minute medians, pairs across re-zeroing left out; needs 30 min, half of them "
        "observed.",
        unit="unit/h",
        low=-np.inf,
        offset_free=True,
        function=trend_slope,
        decimals=2,
        source="Theil-Sen estimator",
    ),
)
