"""How far numbers fit to be shared are rounded: to powers of ten, by the digits that are left of a size."""

from __future__ import annotations

import numpy as np

WITHIN = 1e-9  # of a power of ten, where arithmetic has left a number a little beside it


def power_of_ten(least: float) -> float:
    """The smallest power of ten that is `least` or more, 0 of 0."""
    return float(10.0 ** np.ceil(np.log10(least) - WITHIN)) if least > 0 else 0.0


def step_of_digits(size: float, digits: int) -> float:
    """The power of ten that is the last of `digits` digits of `size`, 0 where that is no number above 0."""
    if not (np.isfinite(size) and size > 0):
        return 0.0
    return float(10.0 ** (np.floor(np.log10(size) + WITHIN) - digits + 1))


def to_step(value: float, step: float) -> float:
    """`value` to a multiple of the power of ten `step`, as it is where that is 0; NaN and infinity stay."""
    return round(float(value), _decimals(step)) + 0.0 if step and np.isfinite(value) else value


def up_to_step(value: float, step: float) -> float:
    """The next multiple of the power of ten `step` that is not smaller than `value`."""
    near = to_step(value, step)
    return near if not step or not near < value else round(near + step, _decimals(step))


def _decimals(step: float) -> int:
    return -round(np.log10(step))
