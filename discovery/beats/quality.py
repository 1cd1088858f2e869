"""Entries of the signal-quality features; the arithmetic lives with the recordings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from discovery.beats.feature import Feature
from discovery.beats.pressures import identity
from discovery.recordings.beat_quality import level_shift, template_correlation
from discovery.recordings.line_dynamics import damping_class, damping_from_ratio, undamped_frequency
from discovery.recordings.sites import SITES, UNDETERMINED

if TYPE_CHECKING:
    from discovery.recordings.timeline import Assessment


def flatline_fraction(assessed: Assessment) -> float:
    """Share of the samples in runs of at least 0.5 s whose range is below 0.2 mmHg."""
    return _over_time(assessed, "sq_flatline_fraction")


def saturation_fraction(assessed: Assessment) -> float:
    """Share of the samples held at a rail of the record, or beyond -30 / +300 mmHg."""
    return _over_time(assessed, "sq_saturation_fraction")


def spike_rate(assessed: Assessment) -> float:
    """Spikes a minute: samples far off the running median of five, merged within 50 ms."""
    return _over_time(assessed, "sq_spike_rate")


def _over_time(assessed: Assessment, column: str) -> float:
    """Mean of a column of the assessed 10 s windows, each weighted by its length; NaN without one."""
    windows = assessed.windows
    length = (windows["end_s"] - windows["start_s"]).to_numpy()
    return float(np.average(windows[column], weights=length)) if length.sum() > 0 else np.nan


def valid_share(accepted, detected):
    """Accepted over detected beats; missing when none was detected."""
    detected = np.asarray(detected, dtype=float)
    return np.divide(accepted, detected, out=np.full(detected.shape, np.nan), where=detected > 0)


_COMMON = {
    "family": "quality",
    "group": "quality",
    "direction": "quality",
    "channels": ("any",),
    "level": "window",
    "unit": "ratio",
    "low": 0.0,
    "high": 1.0,
    "offset_free": True,
    "source": "own choice, no source",
    "decimals": 3,
}


def _entry(key, label, definition, **changes) -> Feature:
    return Feature(**{**_COMMON, "key": key, "label": label, "definition": definition, **changes})


FEATURES = (
    _entry(
        "sq_flatline_fraction",
        "Flatline fraction",
        "Share of the samples in stretches of half a second or more that move by less than 0.2 mmHg.",
        function=flatline_fraction,
        source="artifact classes: Li Q, Mark RG, Clifford GD, BioMed Eng OnLine 2009;8:13",
    ),
    _entry(
        "sq_saturation_fraction",
        "Saturation fraction",
        "Share of the samples held at a rail of the record, or beyond -30 or +300 mmHg.",
        function=saturation_fraction,
        offset_free=False,
        source="artifact classes: Li Q, Mark RG, Clifford GD, BioMed Eng OnLine 2009;8:13",
    ),
    _entry(
        "sq_spike_rate",
        "Spike rate",
        "Samples further than 10 mmHg and six robust deviations from the running median of five, merged "
        "within 50 ms, a minute.",
        unit="1/min",
        high=200,
        function=spike_rate,
    ),
    _entry(
        "sq_natural_frequency",
        "Line natural frequency (fast flush)",
        "Frequency of the ringing after a flush, corrected for damping; median over flushes.",
        level="event",
        unit="Hz",
        low=2,
        high=100,
        function=undamped_frequency,
        decimals=1,
        source="Gardner RM, Anesthesiology 1981;54:227-236",
    ),
    _entry(
        "sq_damping_coefficient",
        "Line damping coefficient (fast flush)",
        "Damping from the ratio of successive half-cycle excursions after a flush.",
        level="event",
        low=0.01,
        high=1.2,
        function=damping_from_ratio,
        decimals=2,
        source="Gardner RM, Anesthesiology 1981;54:227-236",
    ),
    _entry(
        "sq_damping_class",
        "Damping class",
        "under, adequate or over, from natural frequency and damping, else from falling pulse and slope or "
        "from the whip index.",
        unit="class",
        classes=("under", "adequate", "over"),
        function=damping_class,
    ),
    _entry(
        "sq_whip_index",
        "Whip / resonance index",
        "Depth of the second dip after the steepest fall of the averaged beat, over developed pressure.",
        level="ensemble",
        channels=("RVP",),
        needs=("whip",),
        function=identity,
        caution="above 0.05 derivatives and diastolic shape are not used",
    ),
    _entry(
        "sq_level_shift",
        "Level shift",
        "Equal move of every level by 3 mmHg or more within five beats while the pulse stays.",
        level="event",
        unit="mmHg",
        low=-60,
        high=60,
        offset_free=False,
        function=level_shift,
        decimals=1,
        source="hydrostatics: 0.74 mmHg per cm of water",
    ),
    _entry(
        "sq_sampling_location",
        "Sampling location of the RV lumen",
        "Chamber in which the lumen lies, from the shape of the pressure.",
        unit="class",
        classes=(*SITES, UNDETERMINED),
        channels=("RVP", "PAP", "CVP"),
        source="Mark JB, Atlas of Cardiovascular Monitoring 1998",
    ),
    _entry(
        "sq_template_correlation",
        "Template correlation",
        "Correlation of the beat, on 200 points, with the median beat of its minute; the better of beats "
        "stretched to one length and beats in their own time.",
        level="beat",
        low=-1,
        channels=("RVP",),
        function=template_correlation,
        source="common practice",
    ),
    _entry(
        "sq_valid_beat_fraction",
        "Valid beat fraction",
        "Accepted over detected beats of the window.",
        channels=("RVP",),
        needs=("n_accepted", "n_beats"),
        function=valid_share,
        source="common practice",
    ),
    _entry(
        "sq_coverage",
        "Coverage",
        "Time in valid windows over elapsed time.",
        level="record",
        function=valid_share,
        source="common practice",
    ),
)
