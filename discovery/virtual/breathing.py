"""Intrathoracic pressure over time: quiet spontaneous breaths, or the ventilator's."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SPONTANEOUS, POSITIVE = "spontaneous", "positive_pressure"


@dataclass(frozen=True, kw_only=True)
class Breathing:
    """How a patient breathes.

    mode : spontaneous or positive_pressure. rate breaths/min; swing mmHg : fall (spontaneous) or rise
    (positive pressure) of intrathoracic pressure with inspiration; rest mmHg : pressure at end of
    expiration, near -3 spontaneously (memory), higher with end-expiratory pressure. irregularity : SD of the
    length and depth of breaths as a share of their mean; a ventilator has none.
    """

    mode: str = SPONTANEOUS
    rate: float = 14.0
    swing: float = 3.0
    rest: float = -3.0
    irregularity: float = 0.12


def chest_pressure(
    breathing: Breathing, time_s: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Intrathoracic pressure at evenly rising times (n,), mmHg, and the lung's filling from 0 to 1 (n,).

    A spontaneous breath is a smooth dip with the slower return of a passive expiration and a pause. A
    ventilated breath rises to a plateau over a third of the cycle and falls with a time constant of 0.35 s.
    """
    length = 60.0 / breathing.rate
    count = int(np.ceil((time_s[-1] - time_s[0]) / (0.4 * length))) + 3
    spread = breathing.irregularity
    lengths = length * np.clip(1.0 + spread * rng.standard_normal(count), 0.6, 1.6)
    depths = np.clip(1.0 + 1.5 * spread * rng.standard_normal(count), 0.4, 1.8)
    first = time_s[0] - length * rng.uniform()
    starts = first + np.concatenate([[0.0], np.cumsum(lengths)[:-1]])
    which = np.clip(np.searchsorted(starts, time_s, side="right") - 1, 0, count - 1)
    share = (time_s - starts[which]) / lengths[which]
    if breathing.mode == POSITIVE:
        inflow, hold = 0.28, 0.36
        rising = smooth(share / inflow)
        falling = np.exp(-np.maximum(share - hold, 0.0) * lengths[which] / 0.35)
        filling = rising * falling
    else:
        filling = smooth(share / 0.38) * (1.0 - smooth((share - 0.40) / 0.45))
    sign = 1.0 if breathing.mode == POSITIVE else -1.0
    return breathing.rest + sign * breathing.swing * depths[which] * filling, filling


def smooth(x: np.ndarray) -> np.ndarray:
    """A smooth step from 0 at x = 0 to 1 at x = 1."""
    x = np.clip(x, 0.0, 1.0)
    return x * x * (3.0 - 2.0 * x)
