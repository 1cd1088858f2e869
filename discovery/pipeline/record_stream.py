"""The channels of one recording, piece by piece, brought to the instants of its main pressure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from discovery.recordings.recording import Channel, Recording
from discovery.recordings.source import RecordingSource

CHUNK_S = 600.0
NEIGHBOURS_S = 20.0
LUMENS = ("rv", "pressure", "pa")  # the main pressure is the first of them that was recorded
VENOUS = ("cvp", "ra")


@dataclass(frozen=True)
class Stretch:
    """One piece: samples of the main channel (n,) and of others at the same instants, NaN for missing.

    `ecg` is the piece at its own rate with `NEIGHBOURS_S` on either side, None without one; `whole`
    holds every channel as recorded.
    """

    start_s: float
    main: np.ndarray
    beside: dict[str, np.ndarray]
    ecg: Channel | None
    whole: Recording


def main_role(roles: tuple[str, ...]) -> str | None:
    """The role of the pressure in which beats are sought; None when there is none."""
    return next((role for role in LUMENS if role in roles), None)


def roles_beside(roles: tuple[str, ...], main: str) -> dict[str, str]:
    """Keyword of the measurer to the role that serves it, without the main one."""
    found = {}
    if "pa" in roles and main != "pa":
        found["pa"] = "pa"
    venous = next((role for role in VENOUS if role in roles), None)
    if venous:
        found["cvp"] = venous
    return found


def stretches(
    source: RecordingSource,
    main: str,
    *,
    seconds: float = CHUNK_S,
    beside: tuple[str, ...] = ("pa", "cvp"),
) -> Iterator[Stretch]:
    """The recording from front to back in pieces of `seconds`; at most three of them are held.

    beside : which of the other pressures are wanted, by the measurer's keyword.
    """
    others = {name: role for name, role in roles_beside(source.roles, main).items() if name in beside}
    before: Recording | None = None
    current: Recording | None = None
    for after in _with_end(source.chunks(seconds)):
        if current is not None:
            channel = current[main]
            around = (before, current, after)
            if channel.samples.size:
                yield Stretch(
                    start_s=channel.start_s,
                    main=channel.samples,
                    beside={
                        name: at_instants(_joined(around, role), channel) for name, role in others.items()
                    },
                    ecg=_joined(around, "ecg") if "ecg" in source.roles else None,
                    whole=current,
                )
        before, current = current, after


def _with_end(chunks: Iterator[Recording]) -> Iterator[Recording | None]:
    yield from chunks
    yield None


def _joined(around: tuple[Recording | None, Recording, Recording | None], role: str) -> Channel:
    """A channel over the middle piece, with the last seconds of the piece before and the first after."""
    before, current, after = around
    middle = current[role]
    margin = int(NEIGHBOURS_S * middle.rate_hz)
    head = before[role].samples[-margin:] if before is not None else np.empty(0)
    tail = after[role].samples[:margin] if after is not None else np.empty(0)
    return Channel(
        role=role,
        name=middle.name,
        unit=middle.unit,
        rate_hz=middle.rate_hz,
        start_s=middle.start_s - head.size / middle.rate_hz,
        samples=np.concatenate([head, middle.samples, tail]),
    )


def at_instants(channel: Channel, grid: Channel) -> np.ndarray:
    """`channel` at the instants of `grid`, (n,): straight lines between samples, NaN beyond its ends.

    A faster channel is low-passed below 0.4 of the slower rate first. A slower one gains nothing.
    """
    x, n = channel.samples, grid.samples.size
    if not x.size:
        return np.full(n, np.nan)
    offset = (grid.start_s - channel.start_s) * channel.rate_hz
    if abs(channel.rate_hz - grid.rate_hz) < 1e-9 and abs(offset - round(offset)) < 0.01:
        first = round(offset)
        low, high = max(first, 0), min(first + n, x.size)
        out = np.full(n, np.nan)
        if low < high:
            out[low - first : high - first] = x[low:high]
        return out
    if channel.rate_hz > 1.2 * grid.rate_hz and x.size > 16:
        x = _low_passed(x, channel.rate_hz, 0.4 * grid.rate_hz)
    at = offset + np.arange(n) * (channel.rate_hz / grid.rate_hz)
    return np.interp(at, np.arange(x.size), x, left=np.nan, right=np.nan)


def _low_passed(x: np.ndarray, rate_hz: float, cutoff_hz: float) -> np.ndarray:
    from scipy.signal import butter, sosfiltfilt

    from discovery.beats.filters import bridge_gaps

    bridged, missing = bridge_gaps(x)
    out = sosfiltfilt(butter(4, cutoff_hz, fs=rate_hz, output="sos"), bridged)
    out[missing] = np.nan
    return out


def means_over(channel: Channel, seconds: float) -> tuple[np.ndarray, np.ndarray]:
    """Mean of the finite samples in each `seconds` of a piece: number of the stretch, and mean, (k,).

    Stretches are counted from the start of the file, so pieces cut at whole ones can be put together.
    """
    number = np.floor(channel.times() / seconds + 1e-9).astype(np.int64)
    if not number.size:
        return np.empty(0, dtype=np.int64), np.empty(0)
    good = np.isfinite(channel.samples)
    first = int(number[0])
    size = int(number[-1]) - first + 1
    count = np.bincount(number[good] - first, minlength=size)
    total = np.bincount(number[good] - first, channel.samples[good], minlength=size)
    mean = np.divide(total, count, out=np.full(size, np.nan), where=count > 0)
    return first + np.arange(size), mean
