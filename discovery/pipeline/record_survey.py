"""The first reading of a recording: its quality and sites, R waves, and slow channels."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from discovery.pipeline.record_stream import means_over, stretches
from discovery.problems import InputError, Problem

if TYPE_CHECKING:
    from discovery.recordings.source import RecordingSource
    from discovery.recordings.timeline import Assessment


@dataclass(frozen=True)
class Surveyed:
    """What the first reading found: quality and sites, R waves, and the slow channels."""

    assessed: Assessment
    r_times_s: np.ndarray | None
    qrs_times_s: np.ndarray | None
    spots: dict[str, np.ndarray]
    svo2: tuple[float, np.ndarray] | None
    extremes: np.ndarray  # (k, 3): second, lowest, highest pressure


def survey(source: RecordingSource, main: str) -> Surveyed:
    """The first reading: everything that must be known before a beat is measured."""
    from discovery.recordings.assessment import Assessor

    assessor: Assessor | None = None
    waves: list[tuple[np.ndarray, np.ndarray]] = []
    slow: dict[str, list[tuple[np.ndarray, np.ndarray]]] = {}
    extremes = []
    for piece in stretches(source, main, beside=("cvp",)):
        if assessor is None:
            assessor = Assessor(source.rates_hz[main], start_s=piece.start_s)
        assessor.add(piece.main, piece.beside.get("cvp"))
        if piece.ecg is not None:
            waves.append(r_waves(piece.ecg, piece.whole["ecg"]))
        for role, seconds in (("svo2", 1.0), ("co", 60.0), ("pawp", 60.0)):
            if role in piece.whole:
                slow.setdefault(role, []).append(means_over(piece.whole[role], seconds))
        extremes.append(_extremes(piece.whole[main]))
    if assessor is None:
        wanted = "a recording with samples is wanted"
        raise InputError([Problem(file=source.file, found="an empty one", wanted=wanted)])
    series = {role: _continuous(parts) for role, parts in slow.items()}
    spots = {
        option: np.column_stack([(series[role][0] + 0.5) * 60.0, series[role][1]])
        for role, option in (("co", "cardiac_output"), ("pawp", "pawp"))
        if role in series and np.isfinite(series[role][1]).any()
    }
    svo2 = series.get("svo2")
    return Surveyed(
        assessed=assessor.finish(),
        r_times_s=np.concatenate([r for r, _ in waves]) if waves else None,
        qrs_times_s=np.concatenate([q for _, q in waves]) if waves else None,
        spots=spots,
        svo2=(float(svo2[0][0]), svo2[1]) if svo2 is not None and svo2[0].size else None,
        extremes=np.concatenate(extremes),
    )


def _extremes(channel) -> np.ndarray:
    """Second, lowest and highest pressure of each second of a piece, (k, 3)."""
    n, rate, start = channel.samples.size, channel.rate_hz, channel.start_s
    second = np.arange(np.floor(start + 1e-9), np.floor(start + (n - 1) / rate + 1e-9) + 1.0)
    first = np.ceil((second - start) * rate - 1e-6).astype(np.int64).clip(0, n - 1)
    if first.size > 1:  # a rate below 1 Hz leaves seconds without a sample
        own = np.diff(first, append=n) > 0
        second, first = second[own], first[own]
    low = np.fmin.reduceat(channel.samples, first)
    high = np.fmax.reduceat(channel.samples, first)
    return np.column_stack([second, low, high])


def _continuous(parts: list[tuple[np.ndarray, np.ndarray]]) -> tuple[np.ndarray, np.ndarray]:
    """Numbered means of consecutive pieces as one series without a hole in its numbers."""
    number = np.concatenate([part[0] for part in parts])
    mean = np.concatenate([part[1] for part in parts])
    if not number.size:
        return number, mean
    whole = np.arange(number.min(), number.max() + 1)
    out = np.full(whole.size, np.nan)
    out[number - whole[0]] = mean
    return whole, out


def r_waves(around, piece) -> tuple[np.ndarray, np.ndarray]:
    """R waves and QRS onsets of one piece of ECG, s from the start of the file, found with its neighbours."""
    from discovery.beats.detect import detect_r_waves, qrs_onsets

    if around.samples.size < around.rate_hz:
        return np.empty(0), np.empty(0)
    r = detect_r_waves(around.samples, around.rate_hz)
    q = qrs_onsets(around.samples, around.rate_hz, r)
    mine = (r + around.start_s >= piece.start_s) & (r + around.start_s < piece.end_s)
    return r[mine] + around.start_s, q[mine] + around.start_s
