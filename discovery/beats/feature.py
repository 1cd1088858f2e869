"""What a feature is: one declaration that the measuring, the dictionary and the report all read."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

LEVELS = ("beat", "ensemble", "window", "record", "event", "sample", "spot", "patient")
DIRECTIONS = (
    "higher",
    "lower",
    "non_monotone",
    "etiology",
    "unknown",
    "inherits",
    "covariate",
    "quality",
)
# What a line must be able to carry for the feature, from the least to the most demanding; the limits are in
# recordings/line_dynamics.py, where they come from in beats/gates.py.
GATES = ("mean", "level", "diastolic", "derivative", "strict")
LABELS = {
    "filling_pressure": "labels built from venous or end-diastolic pressure",
    "low_output": "labels built from cardiac output or venous saturation",
    "pulmonary_load": "labels built from pulmonary resistance or mean pulmonary pressure",
    "diastolic_gradient": "labels built from the diastolic pressure gradient",
}


@dataclass(frozen=True, kw_only=True)
class Feature:
    """One measured quantity.

    `function` takes the quantities named in `needs`, in that order, as arrays over beats (or windows)
    and returns an array; those are other features' keys, or landmarks and readings. `low` and `high`
    are hard limits: a value outside them is missing, never clipped. A feature with `applies_to` is
    measured for each of those features and its key is appended to theirs.
    """

    key: str
    label: str
    unit: str
    level: str
    family: str
    group: str
    channels: tuple[str, ...]
    definition: str
    source: str
    low: float = -np.inf
    high: float = np.inf
    offset_free: bool = False
    direction: str = "unknown"
    circular_with: tuple[str, ...] = ()
    gate: str = "mean"
    least_rate_hz: float = 60.0
    sure_rate_hz: float = 60.0
    needs: tuple[str, ...] = ()
    function: Callable[..., object] | None = None
    applies_to: tuple[str, ...] = ()
    variant_of: str = ""
    classes: tuple[str, ...] = ()
    caution: str = ""
    decimals: int = field(default=1, compare=False)

    def __post_init__(self) -> None:
        assert self.level in LEVELS, self.key
        assert self.direction in DIRECTIONS, self.key
        assert self.gate in GATES, self.key
        assert set(self.circular_with) <= set(LABELS), self.key

    @property
    def limits(self) -> str:
        """The valid range in words."""
        if self.classes:
            return ", ".join(self.classes)
        if np.isfinite(self.low) and np.isfinite(self.high):
            return f"{self.low:g} to {self.high:g}"
        if np.isfinite(self.low):
            return f"at least {self.low:g}"
        return "depends on the quantity"


def by_key(features: Iterable[Feature]) -> dict[str, Feature]:
    """Features by key; a key declared twice is our own mistake."""
    table: dict[str, Feature] = {}
    for feature in features:
        assert feature.key not in table, f"{feature.key} is declared twice"
        table[feature.key] = feature
    return table


def keep_inside(values: np.ndarray, feature: Feature) -> np.ndarray:
    """A copy with every value outside the feature's hard limits missing."""
    values = np.array(values, dtype=float)
    with np.errstate(invalid="ignore"):
        values[~((values >= feature.low) & (values <= feature.high))] = np.nan
    return values


def evaluate(
    features: Mapping[str, Feature], wanted: Iterable[str], given: Mapping[str, np.ndarray], size: int
) -> dict[str, np.ndarray]:
    """Values of the wanted features, arrays (size,), from what is given.

    A feature whose needs cannot be met is all missing. Limits are applied to every feature, so a
    value that depends on an impossible one is missing too.
    """
    known: dict[str, np.ndarray] = dict(given)
    open_keys: set[str] = set()

    def value(name: str) -> np.ndarray | None:
        if name in known:
            return known[name]
        feature = features.get(name)
        if feature is None or feature.function is None or name in open_keys:
            return None
        open_keys.add(name)
        arguments = [value(need) for need in feature.needs]
        open_keys.discard(name)
        if any(argument is None for argument in arguments):
            known[name] = np.full(size, np.nan)
        else:
            with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
                result = np.broadcast_to(np.asarray(feature.function(*arguments)), (size,))
            known[name] = result.copy() if feature.classes else keep_inside(result, feature)
        return known[name]

    found = {}
    for name in wanted:
        got = value(name)
        found[name] = np.full(size, np.nan) if got is None else got
    return found
