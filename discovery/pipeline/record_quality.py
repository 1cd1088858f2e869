"""One row of quality.csv: was the recording measured, and if so how good its signal was."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from discovery.beats import MeasuredBeats
    from discovery.recordings.source import RecordingSource
    from discovery.recordings.timeline import Assessment

MEASURED, NO_BEATS = "measured", "no accepted beat"
SITE_SECONDS = ("RV", "PA", "RA", "wedge", "undetermined")
STATE_SECONDS = ("missing", "flush", "zero", "flat", "clipped")
SIGNAL = ("sq_flatline_fraction", "sq_saturation_fraction", "sq_spike_rate", "missing_fraction")
COLUMNS = (
    "recording", "visit", "status", "reason", "channel", "rate_hz", "duration_s",
    "n_windows", "n_valid_windows", "n_beats", "n_accepted", "sq_coverage", "most_common_rejection",
    *(f"seconds_{name.lower()}" for name in SITE_SECONDS), *(f"seconds_{name}" for name in STATE_SECONDS),
    "n_migrations", "n_level_shifts", "n_flushes", "n_flushes_read", "natural_hz", "damping",
    "damping_class", *SIGNAL, "doubts",
)  # fmt: skip
NEVER_THERE = (
    "the channel for 'rv' never shows the right ventricle, but the pulmonary artery; are the channels "
    "swapped, or was the tip beyond the valve?"
)
TEXTS = ("recording", "status", "reason", "channel", "most_common_rejection", "damping_class", "doubts")


def quality_row(
    recording: str,
    visit: int | None,
    *,
    status: str = "",
    reason: str = "",
    assessed: Assessment | None = None,
    beats: MeasuredBeats | None = None,
    source: RecordingSource | None = None,
    main: str = "",
) -> dict[str, Any]:
    """All `COLUMNS`; empty (NaN or "") what a recording that was not measured cannot have."""
    row: dict[str, Any] = {name: "" if name in TEXTS else np.nan for name in COLUMNS}
    row.update(recording=recording, visit=np.nan if visit is None else visit, status=status, reason=reason)
    if assessed is None or beats is None or source is None:
        return row
    windows, segments, accepted = assessed.windows, assessed.segments, beats.beats["accepted"]
    length = (segments["end_s"] - segments["start_s"]).to_numpy()
    rejected = beats.beats.loc[~accepted.astype(bool), "reason"]
    doubts = [problem.sentence() for problem in source.problems]
    row.update(
        status=MEASURED if accepted.any() else NO_BEATS,
        channel=main,
        rate_hz=assessed.rate_hz,
        duration_s=float(windows["end_s"].max() - windows["start_s"].min()) if len(windows) else 0.0,
        n_windows=len(beats.windows),
        n_valid_windows=int(beats.windows["valid"].sum()) if len(beats.windows) else 0,
        n_beats=len(beats.beats),
        n_accepted=int(accepted.sum()),
        sq_coverage=beats.record.get("sq_coverage", np.nan),
        most_common_rejection=_most_common(rejected),
        n_migrations=len(assessed.events),
        n_level_shifts=len(assessed.shifts),
        n_flushes=len(assessed.flushes),
        n_flushes_read=assessed.n_flushes_read,
        natural_hz=assessed.natural_hz,
        damping=assessed.damping,
        damping_class=assessed.damping_class,
        doubts="; ".join(doubts),
    )
    if not accepted.any():
        row["reason"] = _why_no_beat(row, len(beats.beats))
    for name in SITE_SECONDS:
        row[f"seconds_{name.lower()}"] = float(length[segments["sampling_site"] == name].sum())
    if main == "rv" and row["seconds_rv"] == 0 and row["seconds_pa"] > 0:
        row["doubts"] = "; ".join([*doubts, NEVER_THERE])
    for name in STATE_SECONDS:
        row[f"seconds_{name}"] = float(length[segments["line_state"] == name].sum())
    weight = (windows["end_s"] - windows["start_s"]).to_numpy()
    for name in SIGNAL:
        values = windows[name].to_numpy()
        good = np.isfinite(values) & (weight > 0)
        row[name] = float(np.average(values[good], weights=weight[good])) if good.any() else np.nan
    return row


def _most_common(reasons) -> str:
    counts = reasons.value_counts()
    return "" if counts.empty else sorted(counts[counts == counts.max()].index)[0]


def _why_no_beat(row: dict[str, Any], n_beats: int) -> str:
    if n_beats:
        return f"none of {n_beats} beats was accepted, most often: {row['most_common_rejection']}"
    return "no beat of the right ventricle or the pulmonary artery was found"
