"""What is measured over the beats of a window: variability, respiration, alternans, flow and load."""

from __future__ import annotations

import numpy as np

from discovery.beats.feature import evaluate, keep_inside
from discovery.beats.options import Options
from discovery.beats.registry import FEATURES, column_name
from discovery.beats.respiration import Breathing, breathing, cycle_swings, end_expiratory
from discovery.beats.variability import (
    ALTERNANS_BEATS,
    END_EXPIRATORY,
    LEAST_BEATS,
    SWINGING,
    VARIABLE,
    alternans,
    longest_regular_run,
)

ENSEMBLE_KEYS = tuple(key for key, f in FEATURES.items() if f.level == "ensemble")
LEAST_BREATH_MMHG = 0.1
WINDOW_KEYS = tuple(
    key
    for key, f in FEATURES.items()
    if f.level in ("window", "spot", "patient")
    and not f.applies_to
    and not key.startswith(("sq_", "pulsus_"))
)


def variability_of_window(
    beats: dict[str, np.ndarray], chosen: np.ndarray, ventilation: str
) -> dict[str, float]:
    """Variability columns from the accepted beats of one window.

    beats : arrays over beats with `t_ed` and beat features; chosen : indices of the accepted beats.
    """
    out: dict[str, float] = {}
    t = beats["t_ed"][chosen]
    baseline = beats["respiratory_baseline"][chosen]
    table = np.column_stack([beats[key][chosen] for key in VARIABLE])
    full = np.isfinite(table)
    count = full.sum(axis=0)
    filled = np.where(full, table, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = filled.sum(axis=0) / count
        sd = np.sqrt(np.where(full, (table - mean) ** 2, 0.0).sum(axis=0) / (count - 1))
    sd[count < LEAST_BEATS] = np.nan
    breath = breathing(t, baseline)
    residual = _without_respiration(t, breath, table)
    sd_feature, rest_feature, cv_feature = (
        FEATURES[name] for name in ("beat_to_beat_sd", "beat_to_beat_sd_nonrespiratory", "beat_to_beat_cv")
    )
    for j, key in enumerate(VARIABLE):
        out[column_name(sd_feature, key)] = float(sd[j])
        out[column_name(rest_feature, key)] = float(residual[j])
        if key in cv_feature.applies_to:
            cv = sd[j] / abs(mean[j]) if abs(mean[j]) >= 3.0 else np.nan
            out[column_name(cv_feature, key)] = float(keep_inside(np.array([cv]), cv_feature)[0])
    cycles = breath.cycles_s
    for key in SWINGING:
        swing = cycle_swings(t, beats[key][chosen], cycles)
        out[column_name(FEATURES["respiratory_swing"], key)] = swing
    keep = end_expiratory(baseline, ventilation, time_s=t, breath=breath)
    for key in END_EXPIRATORY:
        x = beats[key][chosen][keep]
        x = x[np.isfinite(x)]
        middle = float(np.median(x)) if x.size else np.nan
        out[column_name(FEATURES["end_expiratory_value"], key)] = middle
    rate = breath.rate_hz if breath.band.size and breath.band.std() > LEAST_BREATH_MMHG else np.nan
    out["respiratory_rate"] = 60.0 * rate
    out["pulsus_alternans_amplitude"] = out["pulsus_alternans_index"] = np.nan
    run = longest_regular_run(beats["rr_interval"][chosen], _consecutive(chosen, beats, chosen))
    if run.stop - run.start >= ALTERNANS_BEATS:
        heart = 1000.0 / np.median(beats["rr_interval"][chosen][run])
        found = alternans(beats["rv_systolic_pressure"][chosen][run], respiratory_to_heart_rate=rate / heart)
        out["pulsus_alternans_amplitude"] = found.amplitude
        out["pulsus_alternans_index"] = np.nan if found.confounded_by_respiration else found.index
        out["pulsus_alternans_detected"] = float(found.detected)
    return out


def _consecutive(index: np.ndarray, beats: dict[str, np.ndarray], chosen: np.ndarray) -> np.ndarray:
    """Whether each chosen beat follows the chosen one before it without a left-out beat between."""
    if index.size == 0:
        return np.empty(0, dtype=bool)
    follows = np.r_[True, np.diff(index) == 1]
    return follows & np.isfinite(beats["rv_systolic_pressure"][chosen])


def _without_respiration(t: np.ndarray, breath: Breathing, table: np.ndarray) -> np.ndarray:
    """Standard deviation of each column without breathing; see `nonrespiratory_sd`."""
    out = np.full(table.shape[1], np.nan)
    full = np.isfinite(table)
    left = list(range(table.shape[1]))
    while left:  # columns that miss the same beats are solved together
        columns = [j for j in left if (full[:, j] == full[:, left[0]]).all()]
        left = [j for j in left if j not in columns]
        good = full[:, columns[0]]
        design = breath.design(t[good]) if good.any() else None
        if design is None or good.sum() < LEAST_BEATS + design.shape[1]:
            continue
        y = table[np.ix_(good, columns)]
        rest = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
        out[columns] = np.sqrt((rest**2).sum(axis=0) / (good.sum() - design.shape[1]))
    return out


def add_ensemble_features(
    columns: dict[str, np.ndarray], readings: list[dict[str, float]], options: Options, rate_hz: float
) -> None:
    """Features of the averaged beats, added to the window columns in place.

    readings : one dict a window, empty where no beat could be averaged.
    """
    size = len(readings)
    names = dict.fromkeys(name for found in readings for name in found)
    given = {name: np.array([found.get(name, np.nan) for found in readings], dtype=float) for name in names}
    for key in ("pa_mean_pressure", "pa_diastolic_pressure", "rv_pa_diastolic_difference"):
        given[key] = columns[key]
    given["pa_p_notch"] = columns["pa_notch_pressure"]
    found = evaluate(FEATURES, ENSEMBLE_KEYS, given, size)
    for key in ENSEMBLE_KEYS:
        feature = FEATURES[key]
        blank = options.confidence(feature, rate_hz) == "none"
        if feature.classes:
            unknown = np.array([not isinstance(v, str) or blank for v in found[key].tolist()])
            found[key] = np.where(unknown, "", found[key].astype(object))
        elif blank:
            found[key] = np.full(size, np.nan)
        columns[key] = found[key]


def add_flow_and_load(columns: dict[str, np.ndarray], options: Options, rate_hz: float) -> None:
    """Window features that need spot values or several channels, added to the window columns in place."""
    size = columns["start_s"].size
    middle = 0.5 * (columns["start_s"] + columns["end_s"])
    given = dict(columns)
    given["co_spot"] = options.spot("cardiac_output", middle)
    given["pawp_spot"] = options.spot("pawp", middle)
    given["sao2_spot"] = options.spot("sao2", middle)
    given["height_cm"] = np.full(size, options.height_cm)
    given["weight_kg"] = np.full(size, options.weight_kg)
    for name in ("cvp_average", "svo2_median"):
        given.setdefault(name, np.full(size, np.nan))
    for name in WINDOW_KEYS:
        given.pop(name, None)
    found = evaluate(FEATURES, WINDOW_KEYS, given, size)
    for key in WINDOW_KEYS:
        if options.confidence(FEATURES[key], rate_hz) == "none":
            found[key] = np.full(size, np.nan)
        columns[key] = found[key]
