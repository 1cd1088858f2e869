"""From windows to one honest row per patient and visit: value, spread, how much was seen, or why not."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

import numpy as np

from discovery.beats.registry import FEATURES, columns_of, feature_of_column
from discovery.kernels.ordered import quantiles_of_ordered
from discovery.problems import InputError, Problem, nearest

if TYPE_CHECKING:
    import pandas as pd

LEAST_WINDOWS = 3
PERIOD_S = 600.0
KEYS = ("patient_id", "visit")
NEEDED = ("recording", "patient_id", "visit", "start_s", "end_s", "valid")
SHARES = np.array([0.05, 0.25, 0.5, 0.75, 0.95])
STATISTICS = ("iqr", "p05", "p95", "n", "coverage", "baseline", "worst", "last", "reason")
# Record features that add up over the recordings of a visit, and those of which the largest counts.
SUMMED = ("time_above_threshold", "area_above_threshold")
LARGEST = ("longest_episode_above_threshold",)
DESATURATION_SUMMED = (
    "venous_desaturation_episode_count",
    "venous_desaturation_duration",
    "venous_desaturation_area",
    "venous_desaturation_observed_min",
)
REASONS = {
    "": "measured",
    "few windows": "fewer valid windows with a value than the study asks for",
    "no valid window": "no window had 10 accepted beats and half of its beats accepted",
    "rate or line": "the sampling rate or the fluid line cannot carry it",
    "not observed": "a channel that it needs was not recorded, or its landmark was never found",
}


def summarised_columns(windows: pd.DataFrame) -> list[str]:
    """The feature columns of a windows table that are summarised: numeric, of the registry, not quality."""
    known = (
        set(columns_of("beat"))
        | set(columns_of("ensemble"))
        | set(columns_of("window"))
        | set(columns_of("spot"))
    )
    return [
        name
        for name, kind in windows.dtypes.items()
        if name in known
        and not name.startswith("sq_")
        and not (name in FEATURES and FEATURES[name].classes)
        and np.issubdtype(kind, np.number)
    ]


def patient_rows(
    windows: pd.DataFrame,
    records: pd.DataFrame | None = None,
    *,
    confidence: Mapping[str, str] | None = None,
    least_windows: int = LEAST_WINDOWS,
) -> pd.DataFrame:
    """One row a patient and visit.

    Parameters
    ----------
    windows : DataFrame
        Rows of `MeasuredBeats.windows` with recording, patient_id and visit beside them. Recordings of a
        visit are taken in the order in which they stand.
    records : DataFrame, optional
        One row a recording: recording, patient_id, visit and the columns of `MeasuredBeats.record`.
    confidence : dict, optional
        Feature to sure, low or none; explains why a feature is missing.
    least_windows : int
        Valid windows that a value needs.

    Returns
    -------
    DataFrame
        patient_id, visit, minutes_observed, minutes_valid, n_windows, n_beats, n_accepted; for each
        feature its median over valid windows and, behind two underscores, iqr, p05, p95, n (windows),
        coverage (share of the observed time that has a value), baseline (first 10 min of valid windows),
        worst (worst median over 10 min in the direction the registry gives, missing where it gives none),
        last (last 10 min) and reason (empty, or a code of `REASONS`). Then the record features.

    Raises
    ------
    InputError
        When a column is absent.
    """
    import pandas as pd

    return pd.DataFrame(patient_values(windows, records, confidence=confidence, least_windows=least_windows))


def patient_values(
    windows: pd.DataFrame,
    records: pd.DataFrame | None = None,
    *,
    confidence: Mapping[str, str] | None = None,
    least_windows: int = LEAST_WINDOWS,
) -> list[dict[str, object]]:
    """The rows of `patient_rows` as values by column: a table of one row each would take most of the time."""
    absent = [name for name in NEEDED if name not in windows.columns]
    if absent:
        raise InputError(
            [
                Problem(file="windows", column=name, wanted=f"this column; {nearest(name, windows.columns)}")
                for name in absent
            ]
        )
    names = summarised_columns(windows)
    rows: list[dict[str, object]] = []
    for (patient, visit), group in windows.groupby(list(KEYS), sort=True, dropna=False):
        row: dict[str, object] = {"patient_id": patient, "visit": visit}
        row.update(_summary(group, names, confidence or {}, least_windows))
        if records is not None:
            mine = records[(records["patient_id"] == patient) & _same(records["visit"], visit)]
            row.update(combined_records(mine))
        rows.append(row)
    return rows


def _same(column: pd.Series, value: object) -> pd.Series:
    return column.isna() if value != value else column == value


def _summary(
    group, names: Iterable[str], confidence: Mapping[str, str], least_windows: int
) -> dict[str, object]:
    length = (group["end_s"] - group["start_s"]).to_numpy(dtype=float)
    valid = group["valid"].to_numpy(dtype=bool)
    out: dict[str, object] = {
        "minutes_observed": length.sum() / 60.0,
        "minutes_valid": length[valid].sum() / 60.0,
        "n_windows": int(valid.sum()),
    }
    for name in ("n_beats", "n_accepted"):
        if name in group.columns:
            out[name] = int(group[name].sum())
    clock = running_clock(
        group["recording"].to_numpy(), group["start_s"].to_numpy(float), group["end_s"].to_numpy(float)
    )
    table = group[list(names)].to_numpy(dtype=float)
    for j, name in enumerate(names):
        x = np.where(valid, table[:, j], np.nan)
        seen = np.isfinite(x)
        count = int(seen.sum())
        reason = ""
        if count < least_windows:
            found = feature_of_column(name)
            key = found[0].key if found else name
            if confidence.get(key) == "none":
                reason = "rate or line"
            elif not valid.any():
                reason = "no valid window"
            elif count == 0:
                reason = "not observed"
            else:
                reason = "few windows"
        values = dict.fromkeys(STATISTICS[:-1], np.nan)
        middle = np.nan
        if not reason:
            q05, q25, middle, q75, q95 = quantiles_of_ordered(np.sort(x[seen]), SHARES)
            values.update(iqr=q75 - q25, p05=q05, p95=q95)
            values.update(_periods(clock[seen], x[seen], _direction(name)))
        values["n"] = count
        values["coverage"] = length[seen].sum() / length.sum() if length.sum() > 0 else np.nan
        out[name] = middle
        out.update({f"{name}__{statistic}": value for statistic, value in values.items()})
        out[f"{name}__reason"] = reason
    return out


def running_clock(recording: np.ndarray, start_s: np.ndarray, end_s: np.ndarray) -> np.ndarray:
    """Start of each window on one clock that runs through the recordings one after the other, s."""
    clock = np.empty(start_s.size)
    offset, last = 0.0, None
    longest = 0.0
    for i in range(start_s.size):
        if recording[i] != last:
            offset += longest
            last, longest = recording[i], 0.0
        clock[i] = offset + start_s[i]
        longest = max(longest, end_s[i])
    return clock


def _direction(name: str) -> str:
    found = feature_of_column(name)
    if found is None:
        return "unknown"
    feature, other = found
    return FEATURES[other].direction if feature.direction == "inherits" and other else feature.direction


def _periods(clock: np.ndarray, x: np.ndarray, direction: str) -> dict[str, float]:
    """Medians of the first, last and worst ten minutes of the windows that have a value."""
    first = x[clock < clock[0] + PERIOD_S]
    last = x[clock >= clock[-1] - PERIOD_S + 1e-6]
    worst = np.nan
    if direction in ("higher", "lower"):
        stop = np.searchsorted(clock, clock + PERIOD_S)
        full = (stop == clock.size) & (clock[-1] - clock < 0.5 * PERIOD_S)
        full[0] = False  # the whole of a short record is one period
        medians = [_median(x[i:j]) for i, j, short in zip(range(clock.size), stop, full) if not short]
        worst = max(medians) if direction == "higher" else min(medians)
    return {"baseline": _median(first), "worst": worst, "last": _median(last)}


def _median(x: np.ndarray) -> float:
    ordered = np.sort(x)
    return float(0.5 * (ordered[(x.size - 1) // 2] + ordered[x.size // 2]))


def combined_records(records: pd.DataFrame) -> dict[str, float]:
    """Record features of the recordings of one visit put together.

    Times and areas add up, the longest episode is the longest of all, fractions and time-weighted
    averages are weighted by observed time, trends by it too; episodes an hour are recounted.
    """
    out: dict[str, float] = {}
    if not len(records):
        return out
    for name in columns_of("record"):
        if name not in records.columns:
            continue
        found = feature_of_column(name)
        assert found is not None
        feature, other = found
        x = records[name].to_numpy(dtype=float)
        seen = np.isfinite(x)
        if not seen.any():
            out[name] = np.nan
        elif feature.key in SUMMED or name in DESATURATION_SUMMED:
            out[name] = float(x[seen].sum())
        elif feature.key in LARGEST:
            out[name] = float(x[seen].max())
        else:
            weight = _observed(records, other)
            good = seen & (weight > 0)
            out[name] = float(np.average(x[good], weights=weight[good])) if good.any() else np.nan
    if "venous_desaturation_observed_min" in records.columns:
        minutes = float(np.nansum(records["venous_desaturation_observed_min"].to_numpy(dtype=float)))
        out["venous_desaturation_observed_min"] = minutes
        count = out.get("venous_desaturation_episode_count", np.nan)
        out["venous_desaturation_episodes_per_hour"] = 60.0 * count / minutes if minutes > 0 else np.nan
    return out


def _observed(records: pd.DataFrame, key: str) -> np.ndarray:
    """Minutes observed for a burden series in each recording: its time beyond over its fraction."""
    column = f"{key}_observed_min" if key else ""
    if column in records.columns:
        return np.nan_to_num(records[column].to_numpy(dtype=float))
    if "duration_min" in records.columns:
        return np.nan_to_num(records["duration_min"].to_numpy(dtype=float))
    return np.ones(len(records))
