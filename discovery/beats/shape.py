"""Shape of systole on developed pressure, time rescaled to 0..1."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.beats.feature import Feature
from discovery.beats.intervals import difference, ratio
from discovery.beats.pressures import identity

PEAKED_AFTER = 0.5
PEAKED_BELOW = 0.70


@dataclass(frozen=True, kw_only=True)
class SystolicShape:
    """Indices of w(u), developed pressure over systole rescaled to u in 0..1. Offset-free."""

    form_factor: float
    centroid: float
    skewness: float
    half_area_time: float


def systolic_shape(developed: np.ndarray) -> SystolicShape:
    """Shape indices of developed pressure sampled at equal steps from onset to steepest fall.

    Negative values count as 0. w is a chain of straight lines and its moments are exact for it.
    """
    w = np.maximum(np.asarray(developed, dtype=float), 0.0)
    if w.size < 3 or not w.max() > 0:
        return SystolicShape(form_factor=np.nan, centroid=np.nan, skewness=np.nan, half_area_time=np.nan)
    from discovery.beats.shape_loops import moments

    h = 1.0 / (w.size - 1)
    total, centre, variance, third = moments(w)
    running = np.concatenate([[0.0], np.cumsum(h * (w[:-1] + w[1:]) / 2)])
    return SystolicShape(
        form_factor=float(total / w.max()),
        centroid=float(centre),
        skewness=float(third / variance**1.5) if variance > 0 else np.nan,
        half_area_time=_half_area(w, running, h),
    )


def fractional_time_to_half_area(pressure: np.ndarray) -> float:
    """Share of the time at which the running integral of the samples reaches half of the whole."""
    p = np.asarray(pressure, dtype=float)
    if p.size < 3:
        return np.nan
    h = 1.0 / (p.size - 1)
    running = np.concatenate([[0.0], np.cumsum(h * (p[:-1] + p[1:]) / 2)])
    return _half_area(p, running, h) if running[-1] > 0 else np.nan


def _half_area(w: np.ndarray, running: np.ndarray, h: float) -> float:
    half = 0.5 * running[-1]
    i = int(np.clip(np.searchsorted(running, half, side="right") - 1, 0, w.size - 2))
    need, slope = half - running[i], (w[i + 1] - w[i]) / h
    # area to x inside the piece: w_i x + slope x^2 / 2
    root = np.sqrt(max(w[i] ** 2 + 2 * slope * need, 0.0))
    inside = 2 * need / (w[i] + root) if w[i] + root > 0 else 0.0
    return float(i * h + inside)


def augmentation_pressure(systolic, at_inflection):
    """Systolic pressure less pressure at the shoulder; 0 where there is no shoulder."""
    gain = difference(systolic, at_inflection)
    return np.where(np.isfinite(gain), gain, np.where(np.isfinite(systolic), 0.0, np.nan))


def peaked_waveform(at_inflection, time_to_peak, form_factor):
    """1 when there is no shoulder, the peak is late and the form factor low; else 0."""
    known = np.isfinite(time_to_peak) & np.isfinite(form_factor)
    peaked = ~np.isfinite(at_inflection) & (time_to_peak > PEAKED_AFTER) & (form_factor < PEAKED_BELOW)
    return np.where(known, peaked.astype(float), np.nan)


def area_fraction(area_systole, area_beat, negative_share):
    """Systolic part of the pressure integral; missing when negative pressure is over 5 % of it."""
    return np.where(np.asarray(negative_share) <= 0.05, ratio(area_systole, area_beat), np.nan)


_COMMON = {
    "level": "ensemble",
    "family": "shape",
    "group": "shape",
    "unit": "ratio",
    "channels": ("RVP",),
    "gate": "level",
    "offset_free": True,
    "least_rate_hz": 100.0,
    "sure_rate_hz": 200.0,
    "function": identity,
    "source": "closed forms; no clinical source",
    "decimals": 3,
}


def _entry(key, label, definition, **changes) -> Feature:
    return Feature(**{**_COMMON, "key": key, "label": label, "definition": definition, **changes})


FEATURES = (
    _entry(
        "rv_systolic_form_factor",
        "RV systolic form factor",
        "Mean developed pressure of systole over its maximum.",
        low=0.3,
        high=1,
        needs=("shape_form_factor",),
    ),
    _entry(
        "rv_systolic_area_fraction",
        "RV systolic area fraction",
        "Integral of raw pressure over systole divided by the integral over the beat; missing when negative "
        "pressure is more than 5 % of it.",
        level="beat",
        low=0.3,
        high=1,
        direction="lower",
        offset_free=False,
        needs=("area_systole", "area_beat", "negative_share"),
        function=area_fraction,
        source="common practice",
    ),
    _entry(
        "rv_systolic_centroid",
        "RV systolic centroid fraction",
        "First moment of developed pressure over rescaled systole.",
        low=0.2,
        high=0.8,
        direction="higher",
        needs=("shape_centroid",),
    ),
    _entry(
        "rv_systolic_skewness",
        "RV systolic skewness",
        "Third standardised moment of developed pressure taken as a density over rescaled systole.",
        low=-1.5,
        high=1.5,
        direction="lower",
        needs=("shape_skewness",),
    ),
    _entry(
        "rv_fractional_time_to_half_area",
        "RV fractional time to half the systolic area",
        "Share of systole at which half of the developed-pressure area has passed.",
        low=0.2,
        high=0.9,
        direction="higher",
        needs=("shape_half_area",),
        source="PA analogue: Nakayama Y et al., J Am Coll Cardiol 1997;29:1311-1316",
    ),
    _entry(
        "rv_augmentation_pressure",
        "RV augmentation pressure",
        "Systolic pressure less the pressure at the shoulder of the upstroke; 0 when there is no shoulder.",
        unit="mmHg",
        low=0,
        high=80,
        gate="derivative",
        least_rate_hz=250.0,
        sure_rate_hz=250.0,
        needs=("rv_systolic_pressure", "p_inflection"),
        function=augmentation_pressure,
        decimals=1,
        source="Sohn DW et al., Pulm Circ 2019; shoulder rule: Grignola JC et al., World J Cardiol "
        "2011;3:322-329",
        caution="resonance of the line makes false shoulders",
    ),
    _entry(
        "rv_augmentation_ratio",
        "RV augmentation pressure over systolic pressure",
        "Augmentation pressure divided by systolic pressure.",
        low=0,
        high=0.8,
        gate="derivative",
        offset_free=False,
        least_rate_hz=250.0,
        sure_rate_hz=250.0,
        needs=("rv_augmentation_pressure", "rv_systolic_pressure"),
        function=ratio,
        source="Sohn DW et al., Pulm Circ 2019",
        caution="no shoulder with a peaked beat did worst",
    ),
    _entry(
        "rv_peaked_waveform",
        "RV peaked waveform without shoulder",
        "1 when there is no shoulder, the peak comes after half of systole and the form factor is below "
        "0.70; else 0.",
        unit="0/1",
        low=0,
        high=1,
        direction="higher",
        gate="derivative",
        least_rate_hz=250.0,
        sure_rate_hz=250.0,
        needs=("p_inflection", "rv_time_to_peak_fraction", "rv_systolic_form_factor"),
        function=peaked_waveform,
        source="group C of Sohn 2019; thresholds ours",
        decimals=0,
    ),
)
