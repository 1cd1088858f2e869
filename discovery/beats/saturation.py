"""Mixed venous saturation and its episodes below a level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.beats.feature import Feature
from discovery.beats.intervals import difference, ratio
from discovery.beats.pressures import identity

LEVEL_PERCENT = 60.0
LEAST_DURATION_S = 60.0
MOST_GAP_S = 5.0


@dataclass(frozen=True, kw_only=True)
class Desaturation:
    """Episodes of venous desaturation in one record."""

    count: int
    duration_min: float
    area_percent_min: float
    observed_min: float
    starts_s: tuple[float, ...] = ()
    durations_s: tuple[float, ...] = ()

    @property
    def per_hour(self) -> float:
        return 60.0 * self.count / self.observed_min if self.observed_min > 0 else np.nan


def venous_desaturation(
    svo2: np.ndarray,
    rate_hz: float,
    *,
    level: float = LEVEL_PERCENT,
    least_duration_s: float = LEAST_DURATION_S,
    most_gap_s: float = MOST_GAP_S,
) -> Desaturation:
    """Runs of valid samples strictly below a level that last long enough.

    svo2 : array (n_samples,), %; non-finite is missing. A run's duration is its number of valid samples
    times the sampling interval; a gap longer than `most_gap_s` ends it, a sample at or above the level
    ends it (no hysteresis). Below 60 % for a minute is common practice; no source.
    """
    x = np.asarray(svo2, dtype=float)
    valid = np.flatnonzero(np.isfinite(x))
    observed = valid.size / rate_hz / 60.0
    if valid.size == 0:
        return Desaturation(count=0, duration_min=np.nan, area_percent_min=np.nan, observed_min=0.0)
    below = x[valid] < level
    gap = np.diff(valid) > most_gap_s * rate_hz + 1
    change = np.r_[True, (below[1:] != below[:-1]) | gap]
    run = np.cumsum(change) - 1
    length = np.bincount(run) / rate_hz
    first = np.flatnonzero(change)
    kept = below[first] & (length >= least_duration_s * (1 - 1e-9))
    depth = np.bincount(run, np.maximum(level - x[valid], 0.0)) / rate_hz / 60.0
    return Desaturation(
        count=int(kept.sum()),
        duration_min=float(length[kept].sum() / 60.0),
        area_percent_min=float(depth[kept].sum()),
        observed_min=float(observed),
        starts_s=tuple((valid[first[kept]] / rate_hz).tolist()),
        durations_s=tuple(length[kept].tolist()),
    )


def oxygen_extraction(sao2, svo2):
    """(SaO2 - SvO2) / SaO2; dissolved oxygen is left out."""
    return ratio(difference(sao2, svo2), sao2)


_COMMON = {
    "level": "record",
    "family": "saturation",
    "group": "oxygen",
    "channels": ("SvO2",),
    "low": 0.0,
    "direction": "higher",
    "circular_with": ("low_output",),
    "function": venous_desaturation,
    "source": "SvO2 below 60 % for at least a minute: common practice, no source",
}


def _entry(key, label, definition, **changes) -> Feature:
    return Feature(**{**_COMMON, "key": key, "label": label, "definition": definition, **changes})


FEATURES = (
    _entry(
        "svo2",
        "Mixed venous oxygen saturation",
        "Median of the valid samples of each minute.",
        unit="%",
        level="window",
        low=15,
        high=95,
        direction="lower",
        needs=("svo2_median",),
        function=identity,
        source="Holm J et al., Br J Anaesth 2011;107:344-350",
        caution="rises abruptly in wedge position",
    ),
    _entry(
        "oxygen_extraction_ratio",
        "Oxygen extraction ratio",
        "Arterial less venous saturation over arterial saturation.",
        unit="ratio",
        level="window",
        low=0.05,
        high=0.8,
        channels=("SvO2", "SaO2"),
        decimals=3,
        needs=("sao2_spot", "svo2"),
        function=oxygen_extraction,
        source="common practice",
    ),
    _entry(
        "venous_desaturation_episode_count",
        "Venous desaturation episodes",
        "Runs of valid samples strictly below 60 % lasting at least 60 s; a gap over 5 s ends a run.",
        unit="count",
        high=500,
        decimals=0,
    ),
    _entry(
        "venous_desaturation_duration",
        "Venous desaturation time",
        "Summed duration of those episodes.",
        unit="min",
    ),
    _entry(
        "venous_desaturation_area",
        "Venous desaturation area",
        "Integral of the depth below 60 % over those episodes.",
        unit="%.min",
        high=50000,
    ),
)
