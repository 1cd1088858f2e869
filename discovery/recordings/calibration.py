"""Calibration of a pressure channel: gain, offset, and stretches when the line was open to air."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Calibration:
    """How stored numbers become a pressure: gain x stored + offset, in the channel's own unit.

    The channel's unit is the one its numbers are in (the file's, or where that states none the study's);
    conversion to mmHg comes after. `zero_windows` are (from, to) seconds from the start of the file in
    which the line was open to air. What stands there, calibrated, is zero: with zero windows a sample
    becomes gain x (stored - level of the window), and the offset, which the zero takes up, has no part.
    The level in force is the median of the last window that began at or before the sample; before the
    first window it is that of the first.
    """

    gain: float = 1.0
    offset: float = 0.0
    zero_windows: tuple[tuple[float, float], ...] = ()

    def faults(self) -> list[str]:
        """What is wrong with the values themselves, in words; empty when nothing is."""
        found = []
        if not np.isfinite(self.gain) or self.gain == 0:
            found.append(f"gain is a number other than 0, not {self.gain}")
        if not np.isfinite(self.offset):
            found.append(f"offset is a finite number, not {self.offset}")
        for window in self.zero_windows:
            if len(window) != 2 or not np.all(np.isfinite(window)) or not 0 <= window[0] < window[1]:
                found.append(
                    f"a zero window is [from, to] in seconds with 0 <= from < to, not {list(window)}"
                )
        return found


def zero_at(times: np.ndarray, starts: np.ndarray, levels: np.ndarray) -> np.ndarray:
    """The zero level in force at each of `times` (n,), from windows that begin at `starts` (k,)."""
    place = np.maximum(np.searchsorted(starts, times, side="right") - 1, 0)
    return levels[place]


def calibrate(
    stored: np.ndarray, times: np.ndarray, calibration: Calibration, starts: np.ndarray, levels: np.ndarray
) -> np.ndarray:
    """Stored numbers (n,) taken at `times` (n,), calibrated, in the channel's own unit; a new array.

    `levels` (k,) are the stored levels of the zero windows that begin at `starts` (k,).
    """
    if levels.size:
        return calibration.gain * (stored - zero_at(times, starts, levels))
    return calibration.gain * stored + calibration.offset
