"""What a caller may say about a recording before it is measured, checked all at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, fields

import numpy as np

from discovery.beats.feature import Feature
from discovery.beats.respiration import MODES
from discovery.problems import InputError, Problem, nearest
from discovery.recordings.line_dynamics import GATE_NAMES, usable

Spot = float | Sequence[tuple[float, float]] | np.ndarray | None
SPOT_REACH_S = 6 * 3600.0


@dataclass(frozen=True, kw_only=True)
class Options:
    """How to measure.

    window_s : length of a window; ventilation : spontaneous, positive_pressure or unknown.
    line : natural frequency (Hz) and damping of the fluid line, NaN when no flush was read; `line_class`
    micromanometer lifts the gates of the line, ungated all of them: to see how wrong a feature gets.
    pa_delay_s : known delay of the PA line; estimated per window when None.
    cardiac_output (L/min), pawp (mmHg), sao2 (%) : a number, or pairs of (time s, value); the nearest
    within 6 h is used. height_cm, weight_kg : body size.
    """

    window_s: float = 60.0
    ventilation: str = "unknown"
    line: tuple[float, float] = (np.nan, np.nan)
    micromanometer: bool = False
    ungated: bool = False
    pa_delay_s: float | None = None
    cardiac_output: Spot = None
    pawp: Spot = None
    sao2: Spot = None
    height_cm: float = np.nan
    weight_kg: float = np.nan
    site_at: Callable[[np.ndarray], np.ndarray] | None = field(default=None, compare=False)
    line_state_at: Callable[[np.ndarray], np.ndarray] | None = field(default=None, compare=False)
    unusable_s: np.ndarray | None = field(default=None, compare=False)

    def __post_init__(self) -> None:
        problems = []

        def fault(name: str, found: object, wanted: str) -> None:
            problems.append(Problem(file=name, found=str(found), wanted=wanted))

        if not (np.isfinite(self.window_s) and 10.0 <= self.window_s <= 600.0):
            fault("window_s", self.window_s, "a window between 10 and 600 seconds")
        if self.ventilation not in MODES:
            fault(
                "ventilation",
                self.ventilation,
                f"one of {', '.join(MODES)}; {nearest(self.ventilation, MODES)}",
            )
        for name, low, high in (("height_cm", 30, 250), ("weight_kg", 1, 400)):
            value = getattr(self, name)
            if np.isfinite(value) and not low <= value <= high:
                fault(name, value, f"a number between {low} and {high}")
        for name in ("cardiac_output", "pawp", "sao2"):
            value = getattr(self, name)
            if value is None or np.isscalar(value):
                continue
            table = np.asarray(value, dtype=float)
            if table.ndim != 2 or table.shape[1] != 2:
                fault(name, f"shape {table.shape}", "a number, or rows of (time in s, value)")
        if problems:
            raise InputError(problems)

    def confidence(self, feature: Feature, rate_hz: float) -> str:
        """sure, low or none: whether sampling rate and line can carry a feature."""
        if self.ungated:
            return "sure"
        if rate_hz < feature.least_rate_hz:
            return "none"
        verdict = True if self.micromanometer else usable(*self.line)[GATE_NAMES[feature.gate]]
        if verdict is False:
            return "none"
        return "sure" if verdict and rate_hz >= feature.sure_rate_hz else "low"

    def spot(self, name: str, at_s: np.ndarray) -> np.ndarray:
        """The value of a spot measurement nearest to each time, missing beyond 6 h, (n,)."""
        value = getattr(self, name)
        at_s = np.asarray(at_s, dtype=float)
        if value is None:
            return np.full(at_s.shape, np.nan)
        if np.isscalar(value):
            return np.full(at_s.shape, np.asarray(value, dtype=float))
        table = np.asarray(value, dtype=float).reshape(-1, 2)
        table = table[np.isfinite(table).all(axis=1)]
        if table.size == 0:
            return np.full(at_s.shape, np.nan)
        gap = np.abs(at_s[:, None] - table[None, :, 0])
        which = gap.argmin(axis=1)
        return np.where(gap.min(axis=1) <= SPOT_REACH_S, table[which, 1], np.nan)


OPTION_NAMES = tuple(f.name for f in fields(Options))
