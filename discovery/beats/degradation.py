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

RATES_HZ = (60.0, 80.0, 100.0, 125.0, 200.0, 250.0, 500.0, 1000.0)
NOISE_MMHG = (0.1, 0.2, 0.3, 0.6, 1.0)
STEPS_MMHG = (0.1, 0.2, 0.4, 0.8)
LINES_HZ = (6.0, 8.0, 10.0, 12.0, 15.0, 20.0, 25.0, 30.0, 40.0)
DAMPINGS = (0.2, 0.3, 0.35, 0.4, 0.5, 0.7, 0.9)
LINES = tuple((hz, zeta) for hz in LINES_HZ for zeta in DAMPINGS)
WARD_HZ = 250.0  # at which noise, steps and lines are tried
CASE = ["factor", "value", "natural_hz", "damping", "feature", "unit"]


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


def with_exponential_fall(
    pressure: np.ndarray,
    rate_hz: float,
    *,
    first_s: float,
    cycle_s: float,
    tau_s: float,
    asymptote: float,
    to_hz: float = 1000.0,
    rounding_s: float = 0.0,
) -> tuple[np.ndarray, float]:
    """A periodic pressure whose falls are made exponential, and its rate `to_hz`: truth by construction.

    pressure : array (n_samples,), mmHg, beats from `first_s` on, every `cycle_s`. From its steepest point on
    each fall goes exponentially towards `asymptote` (mmHg) until it meets the diastole of the record. The
    steepest point is taken at the same phase of every beat: where the slope is flat its minimum wanders.
    `rounding_s`: SD of a Gaussian that rounds the corner where the fall begins; away from the corner it
    leaves the time constant as it is.
    """
    from scipy.interpolate import CubicSpline
    from scipy.ndimage import gaussian_filter1d

    x = np.asarray(pressure, dtype=float)
    t = np.arange(x.size) / rate_hz
    time = np.arange(0.0, t[-1], 1 / to_hz)
    out = CubicSpline(t, x)(time)
    slope = np.gradient(out, 1 / to_hz)
    starts = np.arange(first_s, time[-1] - cycle_s, cycle_s)
    places = [(round(start * to_hz), round((start + cycle_s) * to_hz)) for start in starts]
    phase = round(float(np.median([slope[a:b].argmin() for a, b in places])))
    for a, b in places:
        fall = a + phase
        lowest = fall + int(out[fall:b].argmin())
        floor = out[fall:b].copy()
        floor[: lowest - fall] = out[lowest]
        since = np.arange(b - fall) / to_hz
        out[fall:b] = np.maximum((out[fall] - asymptote) * np.exp(-since / tau_s) + asymptote, floor)
    return (gaussian_filter1d(out, rounding_s * to_hz) if rounding_s else out), to_hz


def degradation_table(
    pressure: np.ndarray,
    rate_hz: float,
    features: Iterable[str],
    rng: np.random.Generator,
    *,
    pa: np.ndarray | None = None,
    reference_hz: float = 1000.0,
    lines: Iterable[tuple[float, float]] = LINES,
) -> pd.DataFrame:
    """Error of features against sampling rate, noise, digitiser step and line, one factor at a time.

    pressure, pa : arrays (n_samples,), mmHg, clean RV and, optionally, PA pressure. The reference is the same
    pressure at `reference_hz` without noise through an ideal line; each factor is then made worse from there
    (noise, steps and lines at 250 samples a second), for both channels alike. Every gate is lifted, so that
    the table shows how wrong a feature gets where it is not given.

    Returns factor, value, natural_hz, damping, feature, unit, reference, measured, error, error_share.
    """
    import pandas as pd

    features = list(features)
    clean = [pressure] if pa is None else [pressure, pa]
    fine = [degraded(x, rate_hz, to_hz=reference_hz)[0] for x in clean]
    truth = _medians(fine, reference_hz, features)
    cases: list[tuple[str, float, tuple[float, float] | None, dict[str, object]]] = []
    cases += [("sampling rate", hz, None, {"to_hz": hz}) for hz in RATES_HZ]
    cases += [("noise", sd, None, {"to_hz": WARD_HZ, "noise_mmhg": sd, "rng": rng}) for sd in NOISE_MMHG]
    cases += [("step", step, None, {"to_hz": WARD_HZ, "step_mmhg": step}) for step in STEPS_MMHG]
    cases += [("line", np.nan, line, {"to_hz": WARD_HZ, "line": line}) for line in lines]
    rows = []
    for factor, value, line, options in cases:
        worse = [degraded(x, reference_hz, **options) for x in fine]  # type: ignore[arg-type]
        found = _medians([x for x, _ in worse], worse[0][1], features)
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


def over_records(tables: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """The tables of several records as one row a case and feature: how many records had a value, and errors.

    records : with a reference; lost : of those, without a value when made worse; error, error_share :
    medians over records; worst, worst_share : those of the largest size, with their sign.
    """
    import pandas as pd

    rows = pd.concat(list(tables), ignore_index=True)
    rows = rows[rows["reference"].notna()]

    def largest(values: pd.Series) -> float:
        x = values.to_numpy(dtype=float)
        x = x[np.isfinite(x)]
        return float(x[np.abs(x).argmax()]) if x.size else np.nan

    grouped = rows.groupby(CASE, sort=False, dropna=False)
    return pd.DataFrame(
        {
            "records": grouped.size(),
            "lost": grouped["error"].apply(lambda x: int(x.isna().sum())),
            "error": grouped["error"].median(),
            "error_share": grouped["error_share"].median(),
            "worst": grouped["error"].apply(largest),
            "worst_share": grouped["error_share"].apply(largest),
        }
    ).reset_index()


def _medians(channels: list[np.ndarray], rate_hz: float, features: list[str]) -> dict[str, float]:
    """Medians of the accepted beats, and of the windows for what is measured on averaged beats."""
    pa = channels[1] if len(channels) > 1 else None
    got = measure(channels[0], rate_hz, pa=pa, site="RV", ungated=True)
    out = {}
    for key in features:
        table = got.accepted if FEATURES[key].level == "beat" else got.windows
        values = table[key].to_numpy(dtype=float) if key in table.columns else np.empty(0)
        values = values[np.isfinite(values)]
        out[key] = float(np.median(values)) if values.size else np.nan
    return out
