"""Beat-to-beat variability, alternans and respiration, per window."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.beats.feature import Feature
from discovery.beats.respiration import (
    breathing,
    end_expiratory_value,
    respiratory_swing,
)

VARIABLE = (
    "rv_systolic_pressure",
    "rv_end_diastolic_pressure",
    "rv_pulse_pressure",
    "rv_dpdt_max",
    "pa_pulse_pressure",
)
SWINGING = ("rv_systolic_pressure", "rv_end_diastolic_pressure", "rv_minimum_diastolic_pressure")
END_EXPIRATORY = (
    "rv_systolic_pressure",
    "rv_end_diastolic_pressure",
    "rv_minimum_diastolic_pressure",
    "rv_mean_pressure",
    "pa_systolic_pressure",
    "pa_diastolic_pressure",
    "pa_mean_pressure",
)
LEAST_BEATS = 10
ALTERNANS_BEATS = 16
ALTERNANS_INDEX = 0.04
ALTERNANS_SIGNS = 0.9
CONFOUNDED_WITHIN = 0.05


@dataclass(frozen=True, kw_only=True)
class Alternans:
    """Every-other-beat alternation of a quantity."""

    amplitude: float
    index: float
    alternating_sign_fraction: float
    confounded_by_respiration: bool
    detected: bool
    beats: int


def alternans(value: np.ndarray, *, respiratory_to_heart_rate: float = np.nan) -> Alternans:
    """Alternation of consecutive beats, array (n_beats,) without gaps.

    value regressed on [1, k, (-1)^k]; amplitude is twice the size of the last coefficient, index the
    amplitude over the mean. Detected when the index is at least 0.04, 90 % of successive differences
    change sign, and breathing is not within 0.05 of half the heart rate (own thresholds). A drift is
    removed by the linear term.
    """
    x = np.asarray(value, dtype=float)
    n = x.size
    if n < ALTERNANS_BEATS or not np.isfinite(x).all():
        return Alternans(
            amplitude=np.nan,
            index=np.nan,
            alternating_sign_fraction=np.nan,
            confounded_by_respiration=False,
            detected=False,
            beats=n,
        )
    k = np.arange(n, dtype=float)
    design = np.empty((n, 3))
    design[:, 0], design[:, 1], design[:, 2] = 1.0, (k - k.mean()) / n, 1.0 - 2.0 * (k % 2)
    coefficient = np.linalg.solve(design.T @ design, design.T @ x)
    amplitude = float(2.0 * abs(coefficient[2]))
    mean = x.mean()
    index = amplitude / mean if mean > 0 else np.nan
    step = np.diff(x - design[:, :2] @ coefficient[:2])
    signs = float((step[:-1] * step[1:] < 0).mean())
    confounded = bool(abs(respiratory_to_heart_rate - 0.5) <= CONFOUNDED_WITHIN)
    return Alternans(
        amplitude=amplitude,
        index=float(index),
        alternating_sign_fraction=signs,
        confounded_by_respiration=confounded,
        detected=bool(index >= ALTERNANS_INDEX and signs >= ALTERNANS_SIGNS and not confounded),
        beats=n,
    )


def beat_to_beat_sd(value: np.ndarray) -> float:
    """Sample standard deviation (n - 1) of at least 10 beats."""
    x = np.asarray(value, dtype=float)
    x = x[np.isfinite(x)]
    return float(x.std(ddof=1)) if x.size >= LEAST_BEATS else np.nan


def nonrespiratory_sd(time_s: np.ndarray, value: np.ndarray, baseline: np.ndarray) -> float:
    """Standard deviation left after a drifting sine at the respiratory rate, its double and a trend."""
    x, t = np.asarray(value, dtype=float), np.asarray(time_s, dtype=float)
    good = np.isfinite(x) & np.isfinite(t)
    design = breathing(t, baseline).design(t[good])
    if design is None or good.sum() < LEAST_BEATS + design.shape[1]:
        return np.nan
    residual = x[good] - design @ np.linalg.lstsq(design, x[good], rcond=None)[0]
    return float(np.sqrt((residual**2).sum() / (good.sum() - design.shape[1])))


def coefficient_of_variation(value: np.ndarray, *, least_mean: float = 3.0, least_count: int = 2) -> float:
    """Sample standard deviation over |mean|; missing when |mean| is below `least_mean`."""
    x = np.asarray(value, dtype=float)
    x = x[np.isfinite(x)]
    if x.size < least_count or abs(x.mean()) < least_mean:
        return np.nan
    return float(x.std(ddof=1) / abs(x.mean()))


def longest_regular_run(interval_ms: np.ndarray, usable: np.ndarray) -> slice:
    """The longest run of usable beats whose intervals vary by less than 5 % (SD over mean)."""
    usable = np.asarray(usable, dtype=bool)
    edges = np.flatnonzero(np.diff(np.r_[False, usable, False].astype(np.int8)))
    best = slice(0, 0)
    for start, stop in zip(edges[::2], edges[1::2]):
        if stop - start <= best.stop - best.start:
            continue
        rr = np.asarray(interval_ms, dtype=float)[start:stop]
        if np.isfinite(rr).all() and rr.size > 1 and rr.std(ddof=1) < 0.05 * rr.mean():
            best = slice(int(start), int(stop))
    return best


_COMMON = {
    "level": "window",
    "family": "variability",
    "group": "variability",
    "channels": ("RVP",),
    "gate": "level",
    "offset_free": True,
    "source": "common practice",
}


def _entry(key, label, definition, **changes) -> Feature:
    return Feature(**{**_COMMON, "key": key, "label": label, "definition": definition, **changes})


FEATURES = (
    _entry(
        "beat_to_beat_sd",
        "Beat-to-beat SD",
        "Sample standard deviation over the accepted beats of a window, at least 10.",
        unit="unit of x",
        low=0,
        applies_to=VARIABLE,
        function=beat_to_beat_sd,
        caution="mostly breathing unless that is removed",
    ),
    _entry(
        "beat_to_beat_sd_nonrespiratory",
        "Beat-to-beat SD without respiration",
        "The same after a sine at the respiratory rate whose size and phase may drift, its double and a "
        "straight trend are taken out.",
        unit="unit of x",
        low=0,
        applies_to=VARIABLE,
        function=nonrespiratory_sd,
        variant_of="beat_to_beat_sd",
    ),
    _entry(
        "beat_to_beat_cv",
        "Beat-to-beat CV",
        "Standard deviation over the size of the mean; missing below 3 units of mean, and never formed for "
        "end-diastolic or minimum pressure.",
        unit="ratio",
        low=0,
        high=1,
        function=coefficient_of_variation,
        offset_free=False,
        decimals=3,
        applies_to=tuple(key for key in VARIABLE if key != "rv_end_diastolic_pressure"),
    ),
    _entry(
        "respiratory_swing",
        "Respiratory swing",
        "Median over respiratory cycles of the largest less the smallest beat value in the cycle; cycles "
        "from the 0.1 to 0.6 Hz band of the early-diastolic minimum.",
        unit="mmHg",
        low=0,
        high=60,
        direction="covariate",
        applies_to=SWINGING,
        function=respiratory_swing,
    ),
    _entry(
        "end_expiratory_value",
        "End-expiratory value",
        "Median over the beats in the top (spontaneous) or bottom (positive pressure) quarter of the "
        "respiratory baseline; over all beats when the mode is unknown.",
        unit="unit of x",
        direction="inherits",
        offset_free=False,
        applies_to=END_EXPIRATORY,
        function=end_expiratory_value,
        source="Mark JB, Atlas of Cardiovascular Monitoring 1998",
    ),
    _entry(
        "pulsus_alternans_amplitude",
        "RV alternans amplitude",
        "Twice the alternating coefficient of RV systolic pressure regressed on beat number and its parity, "
        "over the longest run of at least 16 regular beats.",
        unit="mmHg",
        low=0,
        high=60,
        direction="higher",
        function=alternans,
        source="regression form: ours",
        caution="alternating beat intervals are bigeminy, not alternans",
    ),
    _entry(
        "pulsus_alternans_index",
        "RV alternans index",
        "Alternans amplitude over mean RV systolic pressure; missing while breathing runs near half the "
        "heart rate.",
        unit="ratio",
        low=0,
        high=1,
        direction="higher",
        offset_free=False,
        function=alternans,
        decimals=3,
        source="thresholds: ours",
        caution="breathing at half the heart rate looks the same",
    ),
)
