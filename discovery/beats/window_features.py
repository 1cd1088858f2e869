"""What is measured over the beats of a window: variability, respiration, alternans, flow and load."""

from __future__ import annotations

import numpy as np

from discovery.beats.feature import evaluate
from discovery.beats.options import Options
from discovery.beats.registry import FEATURES, column_name
from discovery.beats.respiration import breathing
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
LONGEST_BREATH_S = 12.0
SD_COLUMNS = tuple(column_name(FEATURES["beat_to_beat_sd"], key) for key in VARIABLE)
REST_COLUMNS = tuple(column_name(FEATURES["beat_to_beat_sd_nonrespiratory"], key) for key in VARIABLE)
CV_COLUMNS = tuple(
    column_name(FEATURES["beat_to_beat_cv"], key) if key in FEATURES["beat_to_beat_cv"].applies_to else ""
    for key in VARIABLE
)
SWING_COLUMNS = tuple(column_name(FEATURES["respiratory_swing"], key) for key in SWINGING)
END_COLUMNS = tuple(column_name(FEATURES["end_expiratory_value"], key) for key in END_EXPIRATORY)
WINDOW_KEYS = tuple(
    key
    for key, f in FEATURES.items()
    if f.level in ("window", "spot", "patient")
    and not f.applies_to
    and not key.startswith(("sq_", "pulsus_"))
)


def variability_of_window(
    time_s: np.ndarray,
    baseline: np.ndarray,
    interval_ms: np.ndarray,
    table: np.ndarray,
    chosen: np.ndarray,
    place: dict[str, int],
) -> dict[str, float]:
    """Variability columns from the accepted beats of one window.

    time_s, baseline, interval_ms : arrays (n_beats,); table : (n_beats, n_features), the column of a
    feature being `place[key]`; chosen : indices of the accepted beats.
    """
    from discovery.beats import window_loops as loops

    out: dict[str, float] = {}
    t = time_s[chosen]
    breath = breathing(t, baseline[chosen])
    columns = np.array([place[key] for key in VARIABLE])
    mean, sd, count = loops.column_spreads(table, chosen, columns)
    sd[count < LEAST_BEATS] = np.nan
    design = breath.design(t)
    rest = np.full(columns.size, np.nan)
    if design is not None:
        rest = loops.residual_spread(design, table, chosen, columns, LEAST_BEATS)
    with np.errstate(divide="ignore", invalid="ignore"):
        cv = np.where(np.abs(mean) >= 3.0, sd / np.abs(mean), np.nan)
    cv[~(cv <= FEATURES["beat_to_beat_cv"].high)] = np.nan
    out.update(zip(SD_COLUMNS, sd.tolist()))
    out.update(zip(REST_COLUMNS, rest.tolist()))
    out.update((name, value) for name, value in zip(CV_COLUMNS, cv.tolist()) if name)
    columns = np.array([place[key] for key in SWINGING])
    swings = loops.median_swings(t, table, chosen, columns, breath.cycles_s, LONGEST_BREATH_S)
    out.update(zip(SWING_COLUMNS, swings.tolist()))
    rate = breath.rate_hz if breath.band.size and breath.band.std() > LEAST_BREATH_MMHG else np.nan
    out["respiratory_rate"] = 60.0 * rate
    out["pulsus_alternans_amplitude"] = out["pulsus_alternans_index"] = np.nan
    systolic = table[chosen, place["rv_systolic_pressure"]]
    rr = interval_ms[chosen]
    follows = np.append(True, np.diff(chosen) == 1)[: chosen.size] & np.isfinite(systolic)
    run = longest_regular_run(rr, follows)
    if run.stop - run.start >= ALTERNANS_BEATS:
        heart = 1000.0 / loops.finite_median(rr[run])
        found = alternans(systolic[run], respiratory_to_heart_rate=rate / heart)
        out["pulsus_alternans_amplitude"] = found.amplitude
        out["pulsus_alternans_index"] = np.nan if found.confounded_by_respiration else found.index
        out["pulsus_alternans_detected"] = float(found.detected)
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
