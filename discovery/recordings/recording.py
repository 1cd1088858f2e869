"""A recording: calibrated channels by role, the shape every later stage takes."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np


@dataclass(frozen=True)
class Channel:
    """One signal on a regular grid; sample i was taken at `start_s + i / rate_hz`.

    `samples` is a (n,) float array, NaN where nothing was recorded. Times are seconds from the start
    of the file, so that a piece of a record keeps the times of the whole.
    """

    role: str
    name: str
    unit: str
    rate_hz: float
    start_s: float
    samples: np.ndarray

    @property
    def duration_s(self) -> float:
        return self.samples.size / self.rate_hz

    @property
    def end_s(self) -> float:
        return self.start_s + self.duration_s

    def times(self) -> np.ndarray:
        """Seconds from the start of the file for each sample, (n,)."""
        return self.start_s + np.arange(self.samples.size) / self.rate_hz


@dataclass(frozen=True)
class Recording:
    """One file, or a piece of one: its channels by role (see `units.ROLES`).

    `started` is the clock time at the start of the file as ISO text, where the file or the index
    gives one.
    """

    file: str
    patient_id: str
    visit: int | None
    channels: dict[str, Channel]
    start_s: float = 0.0
    duration_s: float = 0.0
    started: str | None = None
    notes: tuple[str, ...] = field(default=())

    def __getitem__(self, role: str) -> Channel:
        return self.channels[role]

    def __contains__(self, role: object) -> bool:
        return role in self.channels


def join(pieces: list[Recording]) -> Recording:
    """Consecutive pieces of one recording as one, channel by channel."""
    first = pieces[0]
    channels = {
        role: Channel(
            role=role,
            name=channel.name,
            unit=channel.unit,
            rate_hz=channel.rate_hz,
            start_s=channel.start_s,
            samples=np.concatenate([piece.channels[role].samples for piece in pieces]),
        )
        for role, channel in first.channels.items()
    }
    return Recording(
        file=first.file,
        patient_id=first.patient_id,
        visit=first.visit,
        channels=channels,
        start_s=first.start_s,
        duration_s=sum(piece.duration_s for piece in pieces),
        started=first.started,
        notes=tuple(dict.fromkeys(note for piece in pieces for note in piece.notes)),
    )
