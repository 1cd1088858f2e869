"""Recurrent episodes as rows: a patient is at risk over one row after another, each ended by an episode."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from discovery.association.design import Design


@dataclass(frozen=True, kw_only=True)
class Episodes:
    """m rows of n patients: `patient` (m,) position of the patient, at risk while start < t <= stop, `event`
    (m,) 1 where an episode ends the row. `end` (n,) end of observation, `terminal` (n,) 1 where an event that
    rules out further episodes ended it, None where the study names none."""

    patient: np.ndarray
    start: np.ndarray
    stop: np.ndarray
    event: np.ndarray
    end: np.ndarray
    terminal: np.ndarray | None

    def take(self, rows: np.ndarray) -> Episodes:
        """Of some of the patients (bool mask, or places in any order), renumbered in their order."""
        number = np.full(len(self.end), -1)
        number[rows] = np.arange(len(self.end[rows]))
        patient = number[self.patient]
        order = np.argsort(patient, kind="stable")
        kept = order[patient[order] >= 0]
        return replace(
            self, patient=patient[kept], start=self.start[kept], stop=self.stop[kept],
            event=self.event[kept], end=self.end[rows],
            terminal=None if self.terminal is None else self.terminal[rows],
        )  # fmt: skip

    @property
    def begin(self) -> np.ndarray:
        """(n,) start of observation."""
        first = np.full(len(self.end), np.inf)
        np.minimum.at(first, self.patient, self.start)
        return first


def episode_rows(outcome, rows: np.ndarray) -> Episodes:
    """Rows of the patients `rows` (positions) of a recurrent outcome, renumbered in that order."""
    end = np.asarray(outcome.time, dtype=float)
    entry = np.full(len(end), -1.0)  # before any time, so that an episode at 0 has its risk set
    if outcome.entry is not None:
        given = np.asarray(outcome.entry, dtype=float)
        entry = np.where(given > 0, given, entry)
    parts = []
    order = np.lexsort((outcome.event_time, outcome.event_patient))
    whose, when = np.asarray(outcome.event_patient)[order], np.asarray(outcome.event_time, dtype=float)[order]
    for position, i in enumerate(rows):
        low, high = np.searchsorted(whose, [i, i + 1])
        times = when[low:high]
        times = times[(times > entry[i]) & (times <= end[i])]
        stops = times if len(times) and times[-1] == end[i] else np.append(times, end[i])
        happened = (np.arange(len(stops)) < len(times)).astype(float)
        starts = np.append(entry[i], stops[:-1])
        parts.append(np.column_stack([np.full(len(stops), float(position)), starts, stops, happened]))
    table = np.concatenate(parts) if parts else np.empty((0, 4))
    terminal = None if outcome.status is None else (np.asarray(outcome.status)[rows] == 1).astype(float)
    return Episodes(
        patient=table[:, 0].astype(np.int64), start=table[:, 1], stop=table[:, 2], event=table[:, 3],
        end=end[rows], terminal=terminal,
    )  # fmt: skip


def terminal_design(design: Design) -> Design | None:
    """The same patients with the event that ends their episodes as a survival outcome; None without one."""
    e = design.episodes
    if e is None or e.terminal is None or not e.terminal.any():
        return None
    entry = np.maximum(e.begin, 0.0) if (e.begin > 0).any() else None
    return replace(
        design, kind="survival", y=None, episodes=None, time=e.end, event=e.terminal, status=e.terminal,
        entry=entry,
    )  # fmt: skip
