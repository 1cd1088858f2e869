"""The fluid line as a second-order system: natural frequency, damping, and what may be measured through it.

Gardner RM, Anesthesiology 1981;54:227-236, for the fast-flush method.
"""

from __future__ import annotations

import math

LEVELS_GATE = ((10.0, 0.3),)
DIASTOLE_GATE = ((15.0, 0.3), (20.0, 0.2))
DERIVATIVE_GATE = ((12.0, 0.5), (20.0, 0.4), (25.0, 0.35), (40.0, 0.2))
STRICT_GATE = ((20.0, 0.7), (40.0, 0.2))
MOST_DAMPING = 0.9
GATE_NAMES = {  # gate of a feature: its name among what is usable
    "mean": "mean",
    "level": "levels",
    "diastolic": "diastole",
    "derivative": "derivative",
    "strict": "strict",
}


def damping_from_ratio(ratio: float, *, excursions: str = "half-cycle") -> float:
    """Damping coefficient from the size ratio of two successive excursions (later over earlier).

    `excursions` says which were measured: "half-cycle" (peak to trough, then trough to peak) or
    "full cycle" (two peaks of the same polarity). NaN for a ratio outside (0, 1).
    """
    if not 0.0 < ratio < 1.0:
        return math.nan
    turns = {"half-cycle": math.pi, "full cycle": 2.0 * math.pi}[excursions]
    decay = math.log(ratio)
    return -decay / math.hypot(turns, decay)


def undamped_frequency(damped_hz: float, damping: float) -> float:
    """Natural frequency (Hz) from the frequency seen after the flush; NaN for damping of 1 or more."""
    return damped_hz / math.sqrt(1.0 - damping**2) if damping < 1.0 else math.nan


def step_overshoot(damping: float) -> float:
    """Overshoot of a step as a share of it; 0 from critical damping on."""
    return math.exp(-math.pi * damping / math.sqrt(1.0 - damping**2)) if damping < 1.0 else 0.0


def second_order_gain(frequency_hz: float, natural_hz: float, damping: float) -> float:
    """Factor by which the line changes a sine of `frequency_hz`."""
    u = frequency_hz / natural_hz
    return 1.0 / math.hypot(1.0 - u**2, 2.0 * damping * u)


def _passes(natural_hz: float, damping: float, gate: tuple[tuple[float, float], ...]) -> bool:
    """Whether the damping is enough for the highest frequency step of `gate` that is reached."""
    return any(natural_hz >= least_hz and damping >= least for least_hz, least in gate)


def usable(natural_hz: float, damping: float) -> dict[str, bool | None]:
    """What a line of this natural frequency (Hz) and damping can carry; None when it is not known.

    mean: always. levels: systolic and end-diastolic pressure, intervals. diastole: early minimum, gradient,
    filling pattern. derivative: dP/dt within about 15 %, single-beat maximum. strict: time constants with a
    free asymptote within about 20 %. The limits are engineering choices from a second-order line on simulated
    pressures: the reference's (part 5 of the feature dictionary), and shared/degradation for what it does not
    give.
    """
    if not (math.isfinite(natural_hz) and math.isfinite(damping)):
        return {"mean": True, "levels": None, "diastole": None, "derivative": None, "strict": None}
    return {
        "mean": True,
        "levels": _passes(natural_hz, damping, LEVELS_GATE),
        "diastole": _passes(natural_hz, damping, DIASTOLE_GATE),
        "derivative": _passes(natural_hz, damping, DERIVATIVE_GATE) and damping <= MOST_DAMPING,
        "strict": _passes(natural_hz, damping, STRICT_GATE) and damping <= MOST_DAMPING,
    }


def damping_class(natural_hz: float, damping: float) -> str:
    """`over`, `adequate` (derivatives may be measured) or `under`; "" when no flush was seen."""
    if not math.isfinite(damping):
        return ""
    if damping > MOST_DAMPING:
        return "over"
    return "adequate" if usable(natural_hz, damping)["derivative"] else "under"
