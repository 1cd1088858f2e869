"""What a channel turned out to hold, summed up while it is read: missing, constant, clipped, unlikely."""

from __future__ import annotations

import numpy as np

from discovery.problems import Problem
from discovery.recordings.units import PASCAL_PER_MMHG, QUANTITIES

CLIPPED_FRACTION = 0.05
KPA_OF_MMHG = PASCAL_PER_MMHG / 1000.0
PRESSURE_LIMITS = (-30.0, 300.0)  # beyond them a pressure sample is out of the transducer's range
# A ventricle or artery, mmHg: the level that 2 % of the samples exceed lies above the first, below the third
# number, and the range that holds 96 % of them is at least the second.
LEAST_TOP, LEAST_PULSE, MOST_TOP = 12.0, 10.0, 180.0
KPA_ROLES = ("rv", "pa", "pressure", "abp")
EVERY = 400  # samples of a piece that stand for it
LARGEST = 1e30


class Survey:
    """Running count over a channel's pieces; `findings` gives the doubts once it has been read."""

    def __init__(self, role: str, name: str, unit: str):
        self.role, self.name, self.unit = role, name, unit
        self.n = self.n_finite = self.n_outside = 0
        self.low, self.high = np.inf, -np.inf
        self.n_low = self.n_high = 0  # samples held at the extremes, in runs of three or more
        self._some: list[np.ndarray] = []

    def add(self, samples: np.ndarray) -> None:
        self.n += samples.size
        finite = np.isfinite(samples)
        count = int(finite.sum())
        if not count:
            return
        self.n_finite += count
        values = samples if count == samples.size else samples[finite]
        low, high = float(values.min()), float(values.max())
        if low < self.low:
            self.low, self.n_low = low, 0
        if high > self.high:
            self.high, self.n_high = high, 0
        if low == self.low:
            self.n_low += _held(samples, low)
        if high == self.high:
            self.n_high += _held(samples, high)
        if self.role in KPA_ROLES:
            some = values[:: max(1, values.size // EVERY)]
            some = np.clip(some, -LARGEST, LARGEST)  # a damaged file may hold 1e300
            self._some.append(some.astype(np.float32))
        if QUANTITIES[self.role][0] == "mmHg":
            self.n_outside += int(((values < PRESSURE_LIMITS[0]) | (values > PRESSURE_LIMITS[1])).sum())

    def findings(self, file: str) -> list[Problem]:
        def doubt(found: str, wanted: str) -> Problem:
            return Problem(file=file, column=self.name, found=found, wanted=wanted, severity="warning")

        if self.n == 0:
            return [doubt("no samples", "a channel with samples")]
        if self.n_finite == 0:
            return [doubt("all missing", "a channel with recorded samples")]
        if self.low == self.high:
            return [doubt(f"{self.low:g} {self.unit} throughout", "a signal that changes")]
        usual = self._kilopascals()
        if usual is not None:
            wanted = (
                "pressures of a ventricle or artery in mmHg, which these would be times "
                f"{1 / KPA_OF_MMHG:.3g}; is the unit kPa?"
            )
            return [doubt(f"values of {usual[0]:.2g} to {usual[1]:.2g} mmHg", wanted)]
        found = []
        for at, held in ((self.low, self.n_low), (self.high, self.n_high)):
            if held > CLIPPED_FRACTION * self.n_finite:
                found.append(
                    doubt(
                        f"{held / self.n_finite:.0%} of the samples held at {at:g} {self.unit}", "no clipping"
                    )
                )
        if self.n_outside > 0.5 * self.n_finite:
            found.append(
                doubt(
                    f"{self.n_outside / self.n_finite:.0%} of the samples beyond -30 to 300 mmHg",
                    "a pressure channel in its stated unit (is it another signal, or another unit?)",
                )
            )
        elif QUANTITIES[self.role][0] == "mmHg" and self.high - self.low < 3.0:
            found.append(
                doubt(
                    f"a range of {self.high - self.low:.2g} mmHg over the whole record",
                    "a pressure that pulsates (is it another signal, or another unit?)",
                )
            )
        return found

    def _kilopascals(self) -> tuple[float, float] | None:
        """Usual range of a channel whose numbers are no pressure in mmHg but are one in kPa; None else."""
        if not self._some:
            return None
        low, high = (float(v) for v in np.percentile(np.concatenate(self._some), (2.0, 98.0)))
        top, pulse = high / KPA_OF_MMHG, (high - low) / KPA_OF_MMHG
        impossible = high < LEAST_TOP and high - low < LEAST_PULSE
        plausible = LEAST_TOP < top < MOST_TOP and pulse > LEAST_PULSE and low > -LEAST_PULSE * KPA_OF_MMHG
        return (low, high) if impossible and plausible else None


def _held(samples: np.ndarray, level: float) -> int:
    """Samples equal to `level` that stand in runs of three or more."""
    at = samples == level
    if not at.any():
        return 0
    edges = np.flatnonzero(np.diff(np.concatenate(([False], at, [False])).astype(np.int8)))
    lengths = edges[1::2] - edges[::2]
    return int(lengths[lengths >= 3].sum())
