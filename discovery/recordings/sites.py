"""Where the sampling lumen lies: right ventricle, pulmonary artery, right atrium, wedge, or undetermined.

The name of the channel counts for nothing. Each cycle gives evidence in nats from how pressure falls
and what diastole does; a chain of chambers in the order the catheter passes them
(atrium, ventricle, artery, wedge) carries it from beat to beat.

*Standing pressure.* A relaxing ventricle falls with a time constant of 30 to 80 ms, so that 130 ms after
its steepest fall at most 0.55 exp(-130/80) = 0.11 of the pulse stands above the next foot (below it, when
the early minimum is deeper). An artery falls only until its valve closes and then runs off with 0.3 to
0.8 s: at least 0.4 exp(-130/300) = 0.26 stands. The middle, 0.19, is the boundary.
*Late diastole.* The published rule: normalised slope >= -0.2 in the ventricle, <= -0.6 in the artery.
*Foot over peak.* The ventricle returns near zero, the artery to the resistance of its bed; weak, because
the zero may be off by some mmHg.
*Small pulse.* Atrium and wedge pulsate with less than about 12 mmHg and rise slowly; which of the two it
is follows from the chamber before or after, or from the venous channel.

Operating limits. Not to be told by shape alone: an artery whose diastolic pressure lies less than about
15 % of the pulse above the ventricle's (failing ventricle, equalised diastolic pressures: it has the
ventricle's shape and is called RV); an artery with a pulse below 6 mmHg; a ventricle whose relaxation
fills all of diastole (time constant above 100 ms, or rates above about 160 a minute); a ventricularised
atrial trace in tricuspid regurgitation, unless the venous channel is there; large v waves in a wedge trace.
A site needs a second or two of clear beats after a crossing, so that is how late an event may be.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.recordings.cycles import Cycles

SITES = ("RA", "RV", "PA", "wedge")
UNDETERMINED = "undetermined"
RA, RV, PA, WEDGE = range(4)

STANDING_BOUNDARY, STANDING_SCALE = 0.19, 0.05
SLOPE_BOUNDARY, SLOPE_SCALE = -0.4, 0.2
RATIO_BOUNDARY, RATIO_SCALE = 0.36, 0.08
SMALL_PULSE, PULSE_SCALE = 11.0, 1.5
SMALL_SHARE = 0.4  # of the usual pulse
HIGH_MEAN = 22.0  # mmHg; from here on an atrium or a wedge grows unlikely
MOST_EVIDENCE = 4.0
SURE = 0.8  # probability from which a site is named
STEP_NATS = 6.0  # cost of passing one valve between two beats: about once in 400 beats
WEDGED_AT_START = 3.0  # nats; a balloon is up for seconds, so that a record seldom begins wedged
FLIPS_PER_MINUTE = 3


@dataclass(frozen=True)
class Observations:
    """What the chain sees, in time order: cycles, and seconds without a cycle. Arrays (n,).

    `ventricle` is the evidence for the ventricle against the artery, `small` for a small pulse
    (atrium or wedge) against a large one, `venous` for the atrium against the wedge; all in nats.
    """

    start: np.ndarray
    end: np.ndarray
    ventricle: np.ndarray
    small: np.ndarray
    venous: np.ndarray
    cycle: np.ndarray  # index of the cycle, -1 for a second without one


def ventricle_evidence(cycles: Cycles) -> np.ndarray:
    """Nats for the ventricle against the artery from the shape of each cycle, (m,)."""
    standing = np.clip((STANDING_BOUNDARY - cycles.standing) / STANDING_SCALE, -3.0, 3.0)
    # A foot reached at once leaves no time in which an artery could have shown its run-off.
    standing *= np.clip((cycles.fall_to_foot - 0.06) / 0.06, 0.0, 1.0)
    late = np.clip((cycles.late_slope - SLOPE_BOUNDARY) / SLOPE_SCALE, -2.0, 2.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = cycles.foot / cycles.peak
    ratio = np.where(cycles.peak > 5.0, np.clip((RATIO_BOUNDARY - ratio) / RATIO_SCALE, -1.5, 1.5), 0.0)
    evidence = np.nan_to_num(standing) + 0.7 * np.nan_to_num(late) + np.nan_to_num(ratio)
    return np.clip(evidence, -MOST_EVIDENCE, MOST_EVIDENCE)


def small_evidence(pulse: np.ndarray, usual: np.ndarray, mean: np.ndarray) -> np.ndarray:
    """Nats for atrium or wedge against ventricle or artery from pulse and mean pressure, (m,).

    `usual` is the pulse pressure of the minutes around: a pulse near it is not so small that the lumen
    must have left, one below a third of it is (NaN: not known). Atrium and wedge seldom have a mean
    above 25 mmHg.
    """
    absolute = np.clip((SMALL_PULSE - pulse) / PULSE_SCALE, -MOST_EVIDENCE, MOST_EVIDENCE)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(usual > 0, pulse / usual, SMALL_SHARE)
    relative = np.clip((SMALL_SHARE - share) / 0.1, -2.0, 2.0)
    high = np.clip((mean - HIGH_MEAN) / 3.0, 0.0, 4.0)
    return np.nan_to_num(np.clip(absolute + relative - high, -MOST_EVIDENCE, MOST_EVIDENCE))


def usual_pulse(start: np.ndarray, pulse: np.ndarray, around_s: float = 60.0) -> np.ndarray:
    """The 80th percentile of the pulse pressures within `around_s` of each minute, at each cycle (m,)."""
    from discovery.recordings.loops import order_statistics

    if not start.size:
        return np.empty(0)
    minute = np.floor(start / 60.0).astype(np.int64)
    begin = np.arange(minute[-1] + 1) * 60.0
    low, high = np.searchsorted(start, [begin - around_s, begin + 60.0 + around_s])
    return order_statistics(pulse, low, high, 0.8)[minute]


def site_probabilities(seen: Observations) -> np.ndarray:
    """Probability of RA, RV, PA and wedge at each observation, (n, 4)."""
    from discovery.recordings.loops import smoothed_states

    n = seen.start.size
    if n == 0:
        return np.empty((0, 4))
    evidence = np.zeros((n, 4))
    evidence[:, RV] = 0.5 * seen.ventricle
    evidence[:, PA] = -0.5 * seen.ventricle
    # Without a large pulse its shape says nothing, and a small pulse is not half a ventricle.
    evidence[:, RA] = evidence[:, WEDGE] = seen.small
    large = 0.5 * np.abs(seen.ventricle)
    evidence[:, RA] += np.where(seen.small > 0, large, 0.0)
    evidence[:, WEDGE] += np.where(seen.small > 0, large, 0.0)
    evidence[:, RA] += 0.5 * seen.venous
    evidence[:, WEDGE] -= 0.5 * seen.venous
    evidence[0, WEDGE] -= WEDGED_AT_START
    steps = np.abs(np.subtract.outer(np.arange(4), np.arange(4)))
    pause = np.diff(seen.start, prepend=seen.start[:1])
    cost = STEP_NATS / np.maximum(pause / 10.0, 1.0)  # after a long pause the past says less
    change = -cost[:, None, None] * steps
    change -= np.log(np.exp(change).sum(axis=2, keepdims=True))
    return smoothed_states(evidence, np.ascontiguousarray(change))


def named(probabilities: np.ndarray) -> np.ndarray:
    """Index of the site where it is sure, -1 otherwise; (n,) int."""
    best = probabilities.argmax(axis=1) if probabilities.size else np.empty(0, np.int64)
    sure = probabilities.max(axis=1) >= SURE if probabilities.size else np.empty(0, bool)
    return np.where(sure, best, -1)


def venous_evidence(mean: np.ndarray, venous_mean: np.ndarray, likeness: np.ndarray) -> np.ndarray:
    """Nats for the atrium against the wedge from the venous channel, (n,); 0 without one.

    `likeness` is the correlation with the venous pressure over 3 s (NaN when the pulse is more than
    1.5 times the venous one). Alike, or a mean within 3 mmHg of it: the atrium.
    """
    with np.errstate(invalid="ignore"):
        level = np.clip((3.0 - np.abs(mean - venous_mean)), -3.0, 3.0)
        alike = np.where(likeness > 0.9, 6.0, 0.0)
    return np.nan_to_num(level) + alike
