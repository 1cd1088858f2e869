"""How far features move when a recording gets worse: sampling, noise, digitiser steps, the fluid line."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
from scipy.signal import bilinear, lfilter, lfilter_zi

from discovery.beats.measuring import measure
from discovery.beats.registry import FEATURES

if TYPE_CHECKING:
    import pandas as pd

RATES_HZ = (60.0, 100.0, 125.0, 200.0, 250.0, 500.0, 1000.0)
NOISE_MMHG = (0.1, 0.3, 0.6, 1.0)
STEPS_MMHG = (0.1, 0.2, 0.4, 0.8)
LINES = tuple((hz, zeta) for hz in (8.0, 10.0, 12.0, 15.0, 20.0, 25.0, 40.0) for zeta in (0.2, 0.3, 0.5, 0.7))


def through_line(pressure: np.ndarray, rate_hz: float, natural_hz: float, damping: float) -> np.ndarray:
    """Pressure as an ideal second-order line shows it, array (n_samples,); at rest before it begins."""
    w = 2 * np.pi * natural_hz
    b, a = bilinear([w * w], [1.0, 2 * damping * w, w * w], fs=rate_hz)
    out, _ = lfilter(b, a, pressure, zi=lfilter_zi(b, a) * pressure[0])
    return out


def degraded(
    pressure: np.ndarray,
    rate_hz: float,
    *,
    to_hz: float | None = None,
    noise_mmhg: float = 0.0,
    step_mmhg: float = 0.0,
    line: tuple[float, float] | None = None,
    rng: np.random.Generator | None = None,
) -> tuple[np.ndarray, float]:
    """A worse recording of the same pressure and its rate: line, then sampling, noise, digitiser.

    Samples are taken by cubic interpolation, without a filter before, as a digitiser does.
    """
    from scipy.interpolate import CubicSpline

    x = np.asarray(pressure, dtype=float)
    if line is not None:
        x = through_line(x, rate_hz, *line)
    rate = rate_hz if to_hz is None else to_hz
    if rate != rate_hz:
        t = np.arange(x.size) / rate_hz
        x = CubicSpline(t, x)(np.arange(0, t[-1], 1 / rate))
    if noise_mmhg:
        assert rng is not None, "noise needs a generator"
        x = x + rng.normal(0, noise_mmhg, x.size)
    if step_mmhg:
        x = np.round(x / step_mmhg) * step_mmhg
    return x, rate


def degradation_table(
    pressure: np.ndarray,
    rate_hz: float,
    features: Iterable[str],
    rng: np.random.Generator,
    *,
    reference_hz: float = 1000.0,
) -> pd.DataFrame:
    """Error of features against sampling rate, noise, digitiser step and line, one factor at a time.

    pressure : array (n_samples,), mmHg, clean RV pressure. The reference is the same pressure at
    `reference_hz` without noise through an ideal line; each factor is then made worse from there (noise,
    steps and lines at 250 samples a second, the ward's usual rate). Rates below a feature's least rate
    show as missing, which is what a user would see.

    Returns factor, value, natural_hz, damping, feature, unit, reference, measured, error, error_share.
    """
    import pandas as pd

    features = list(features)
    fine, _ = degraded(pressure, rate_hz, to_hz=reference_hz)
    truth = _medians(fine, reference_hz, features)
    cases: list[tuple[str, float, tuple[float, float] | None, dict[str, object]]] = []
    cases += [("sampling rate", hz, None, {"to_hz": hz}) for hz in RATES_HZ]
    cases += [("noise", sd, None, {"to_hz": 250.0, "noise_mmhg": sd, "rng": rng}) for sd in NOISE_MMHG]
    cases += [("step", step, None, {"to_hz": 250.0, "step_mmhg": step}) for step in STEPS_MMHG]
    cases += [("line", np.nan, line, {"to_hz": 250.0, "line": line}) for line in LINES]
    rows = []
    for factor, value, line, options in cases:
        worse, rate = degraded(fine, reference_hz, **options)  # type: ignore[arg-type]
        found = _medians(worse, rate, features)
        for key in features:
            error = found[key] - truth[key]
            rows.append(
                {
                    "factor": factor,
                    "value": value,
                    "natural_hz": line[0] if line else np.nan,
                    "damping": line[1] if line else np.nan,
                    "feature": key,
                    "unit": FEATURES[key].unit,
                    "reference": truth[key],
                    "measured": found[key],
                    "error": error,
                    "error_share": error / abs(truth[key]) if truth[key] else np.nan,
                }
            )
    return pd.DataFrame(rows)


def _medians(pressure: np.ndarray, rate_hz: float, features: list[str]) -> dict[str, float]:
    """Medians of the accepted beats, and of the windows for what is measured on averaged beats."""
    got = measure(pressure, rate_hz, site="RV", micromanometer=True)
    out = {}
    for key in features:
        table = got.accepted if FEATURES[key].level == "beat" else got.windows
        values = table[key].to_numpy(dtype=float) if key in table.columns else np.empty(0)
        values = values[np.isfinite(values)]
        out[key] = float(np.median(values)) if values.size else np.nan
    return out
