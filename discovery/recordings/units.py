"""Units a channel may carry, as one closed table for each kind of quantity."""

from __future__ import annotations

import re

from discovery.problems import nearest

PASCAL_PER_MMHG = 133.322387415
_WATER = 98.0665 / PASCAL_PER_MMHG  # conventional centimetre of water at 4 degrees C

# To mmHg. Spellings are compared without spaces, brackets and dots; see `plain`.
PRESSURE = {
    "mmHg": 1.0,
    "Torr": 101325.0 / 760.0 / PASCAL_PER_MMHG,
    "cmHg": 10.0,
    "inHg": 25.4,
    "Pa": 1.0 / PASCAL_PER_MMHG,
    "hPa": 100.0 / PASCAL_PER_MMHG,
    "kPa": 1000.0 / PASCAL_PER_MMHG,
    "mbar": 100.0 / PASCAL_PER_MMHG,
    "bar": 100000.0 / PASCAL_PER_MMHG,
    "cmH2O": _WATER,
    "mmH2O": _WATER / 10.0,
    "psi": 6894.757293168 / PASCAL_PER_MMHG,
}
VOLTAGE = {"mV": 1.0, "uV": 0.001, "V": 1000.0}
FLOW = {"L/min": 1.0, "mL/min": 0.001, "mL/s": 0.06}
SATURATION = {"%": 1.0, "fraction": 100.0}

# Quantity of each role: the unit every channel of it is given in, and the units it may come in.
QUANTITIES: dict[str, tuple[str, dict[str, float]]] = {
    "rv": ("mmHg", PRESSURE),
    "pa": ("mmHg", PRESSURE),
    "ra": ("mmHg", PRESSURE),
    "cvp": ("mmHg", PRESSURE),
    "pawp": ("mmHg", PRESSURE),
    "abp": ("mmHg", PRESSURE),
    "pressure": ("mmHg", PRESSURE),
    "ecg": ("mV", VOLTAGE),
    "co": ("L/min", FLOW),
    "svo2": ("%", SATURATION),
    "resp": ("", {}),  # breathing has no unit of its own: it stays as the file gives it
}
ROLES = tuple(QUANTITIES)

_SPELLINGS = {
    "mmofmercury": "mmHg",
    "percent": "%",
    "pct": "%",
    "ratio": "fraction",
    "1": "fraction",
    "l/m": "L/min",
    "lpm": "L/min",
    "µv": "uV",
    "μv": "uV",
    "mbars": "mbar",
    "cmwater": "cmH2O",
    "pascal": "Pa",
    "kilopascal": "kPa",
}


def plain(text: str) -> str:
    """`text` without spaces, brackets, dots and underscores, in lower case: `mm[Hg]` is `mmhg`."""
    return re.sub(r"[\s\[\](){}._^]", "", text).lower()


def known_unit(text: str) -> str | None:
    """The table's spelling of the unit written as `text`, or None when it is none of ours.

    A capital M before Pa is a million pascals, not a thousandth: neither is taken for the other.
    """
    if text.strip() in ("MPa", "mPa", "MV"):
        return None
    key = plain(text)
    if not key:
        return None
    if key in _SPELLINGS:
        return _SPELLINGS[key]
    for table in (PRESSURE, VOLTAGE, FLOW, SATURATION):
        for unit in table:
            if plain(unit) == key:
                return unit
    return None


def conversion(text: str, role: str) -> tuple[str, float]:
    """The unit in which `role` is kept, and the factor that turns values in unit `text` into it.

    Raises `ValueError`, with what is wanted, for a unit outside the closed table of the role.
    """
    target, table = QUANTITIES[role]
    if not table:
        return text.strip(), 1.0
    unit = known_unit(text)
    if unit is None or unit not in table:
        raise ValueError(f"a unit of {role!r} is one of {', '.join(table)}; {nearest(text, table)}")
    return target, table[unit]


def split_unit(name: str) -> tuple[str, str]:
    """A column name and the unit written behind it: `RVP (mmHg)`, `pressure_mmHg`, `Time [s]`.

    Returns the whole name and "" when nothing behind it is a unit (`s`, `ms` and `min` count).
    """
    text = name.strip()
    bracket = re.fullmatch(r"(.*?)\s*[\[({]\s*([^\])}]+(?:\[[^\]]*\])?)\s*[\])}]", text)
    tail = re.fullmatch(r"(.*?)[_\s/]+([^_\s]+)", text)
    for found in (bracket, tail):
        if found and found.group(1) and (known_unit(found.group(2)) or found.group(2) in ("s", "ms", "min")):
            return found.group(1).strip(), found.group(2).strip()
    return text, ""
