"""One outcome of all study patients as arrays."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np


@dataclass(frozen=True, kw_only=True, eq=False)
class Outcome:
    """One outcome of all study patients, in the order of the study.

    `value` (n,): binary 0/1, continuous, count, or position in `categories` (ordinal, multiclass);
    NaN is missing. `time`, `entry` (n,) in `unit`; `status` (n,): 0 censored, 1 event, 2, 3, …
    competing events in the order listed, NaN missing. `exposure` (n,) is the time a count was taken
    over. A recurrent outcome has `event_patient` (e,), positions of patients, and `event_time` (e,), each
    time of a patient once; its `time` is the end of follow-up, its `status` 1 where a terminal event ended
    it, and its `value` the number of events. `left_out`: reasons with the patients (n,) bool that this
    outcome must do without. With a `landmark` times count from there, and `original` is the outcome from
    time 0.
    """

    name: str
    kind: str
    label: str
    unit: str = ""
    patient_id: np.ndarray
    value: np.ndarray | None = None
    categories: tuple[str, ...] = ()
    time: np.ndarray | None = None
    status: np.ndarray | None = None
    entry: np.ndarray | None = None
    exposure: np.ndarray | None = None
    event_patient: np.ndarray | None = None
    event_time: np.ndarray | None = None
    excluded_features: tuple[str, ...] = field(default=())
    left_out: tuple[tuple[str, np.ndarray], ...] = ()
    landmark: float | None = None
    original: Outcome | None = None

    @property
    def known(self) -> np.ndarray:
        """Patients whose outcome is known, (n,) bool."""
        parts = [
            part
            for part in (self.value, self.time, self.status, self.entry, self.exposure)
            if part is not None
        ]
        known = np.all([np.isfinite(part) for part in parts], axis=0)
        for _, gone in self.left_out:
            known = known & ~gone
        return known

    def in_order(self, order: np.ndarray) -> Outcome:
        """The same outcome of the same patients, the one at `order[k]` (n,) in place k."""
        by_patient = ("patient_id", "value", "time", "status", "entry", "exposure")
        parts = {name: getattr(self, name)[order] for name in by_patient if getattr(self, name) is not None}
        if self.event_patient is not None and self.event_time is not None:
            patient = np.argsort(order)[self.event_patient]
            events = np.lexsort((self.event_time, patient))
            parts |= {"event_patient": patient[events], "event_time": self.event_time[events]}
        return replace(
            self,
            **parts,
            left_out=tuple((reason, gone[order]) for reason, gone in self.left_out),
            original=None if self.original is None else self.original.in_order(order),
        )
