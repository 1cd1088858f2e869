"""Which line and which sampling rate a feature needs, read from a table of degradation; and what is stricter.

A feature keeps its value under a condition when the median error over records is within its tolerance and
the worst record within twice that. A gate of the line is kept when every line that passes it keeps the value.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from discovery.beats.feature import GATES, Feature
from discovery.beats.registry import FEATURES
from discovery.recordings.line_dynamics import GATE_NAMES, usable

if TYPE_CHECKING:
    import pandas as pd

# By unit: absolute error, or share of the value, whichever is larger. Engineering choices.
TOLERANCES = {
    "mmHg": (1.0, 0.05),
    "mmHg.s": (0.0, 0.05),
    "mmHg/s": (5.0, 0.15),
    "mmHg2/s": (0.0, 0.20),
    "1/s": (0.0, 0.15),
    "ms": (10.0, 0.10),
    "beats/min": (1.0, 0.01),
    "ratio": (0.05, 0.10),
    "0/1": (0.0, 0.0),
}
OF_FEATURE = {
    "rv_relaxation_asymptote": (5.0, 0.05),
    "rv_pmax": (0.0, 0.15),  # an extrapolation
    "rv_pmax_4p": (0.0, 0.15),
}
OF_RELAXATION = (0.0, 0.20)
MOST_LOST = 1 / 3  # of the records with a value, those that may lose it at a sampling rate
# The registry is weaker than the table here, and why that stands.
NOT_FROM_TABLE = {
    "pa_dpdt_max": "the model's pulmonary artery jumps as its valve opens, which no line follows; the "
    "dictionary's limit for derivatives stands",
    "rv_early_diastolic_rise_fraction": "no line keeps it: a share of a few mmHg; the strictest gate stands",
    "rv_systolic_diastolic_ratio": "no line keeps it: without venous pressure systole ends where a flat "
    "stretch crosses a level; the strictest gate stands",
}


def tolerance(feature: Feature) -> tuple[float, float]:
    """Absolute error, and share of the value, of which the larger is allowed."""
    of_unit = OF_RELAXATION if feature.family == "relaxation" else TOLERANCES[feature.unit]
    return OF_FEATURE.get(feature.key, of_unit)


def keeps(rows: pd.DataFrame, feature: Feature) -> np.ndarray:
    """Whether the feature keeps its value, bool for each row of a table of `over_records`.

    A row in which every record lost its value is not kept; what some lost is judged on the others.
    """
    absolute, share = tolerance(feature)

    def within(error: str, part: str, times: float) -> np.ndarray:
        e, s = np.abs(rows[error].to_numpy(float)), np.abs(rows[part].to_numpy(float))
        return (e <= times * absolute + 1e-12) | (s <= times * share + 1e-12)

    return within("error", "error_share", 1.0) & within("worst", "worst_share", 2.0)


def gate_by_table(table: pd.DataFrame, key: str) -> str:
    """The weakest gate whose lines all keep the value; "" when not even the strictest does."""
    for gate in GATES:
        if keeps_behind(passing(table, key, gate), FEATURES[key]):
            return gate
    return ""


def keeps_behind(rows: pd.DataFrame, feature: Feature) -> bool:
    """Whether the value is kept behind every line of `rows`; missing in every record is not wrong."""
    return bool((keeps(rows, feature) | (rows["lost"] == rows["records"]).to_numpy()).all())


def passing(table: pd.DataFrame, key: str, gate: str) -> pd.DataFrame:
    """The rows of a feature behind the lines that pass a gate."""
    rows = table[(table["factor"] == "line") & (table["feature"] == key)]
    pass_it = [bool(usable(row.natural_hz, row.damping)[GATE_NAMES[gate]]) for row in rows.itertuples()]
    return rows[np.array(pass_it, dtype=bool)]


def rate_by_table(table: pd.DataFrame, key: str) -> float:
    """The lowest rate (Hz) from which on every rate tried keeps the value; NaN when none does."""
    rows = table[(table["factor"] == "sampling rate") & (table["feature"] == key)].sort_values("value")
    kept = keeps(rows, FEATURES[key])
    kept &= (rows["lost"] <= MOST_LOST * rows["records"]).to_numpy()
    broken = np.flatnonzero(~kept)
    first = broken[-1] + 1 if broken.size else 0
    return float(rows["value"].iloc[first]) if first < len(rows) else np.nan


def gate_table(table: pd.DataFrame) -> pd.DataFrame:
    """Registry beside table, one row a feature: gates, rates, and which of the two decides.

    feature, unit, tolerance, tolerance_share, gate (registry), gate_by_table, least_rate_hz, sure_rate_hz
    (registry), rate_by_table_hz, decided_by: table; dictionary where the registry is stricter, as part 5 of
    the reference asks from steeper simulated pressures; or why the registry is weaker.
    """
    import pandas as pd

    rows = []
    for key in dict.fromkeys(table["feature"]):
        feature = FEATURES[key]
        absolute, share = tolerance(feature)
        found = gate_by_table(table, key)
        rows.append(
            {
                "feature": key,
                "unit": feature.unit,
                "tolerance": absolute,
                "tolerance_share": share,
                "gate": feature.gate,
                "gate_by_table": found,
                "least_rate_hz": feature.least_rate_hz,
                "sure_rate_hz": feature.sure_rate_hz,
                "rate_by_table_hz": rate_by_table(table, key),
                "decided_by": "table" if feature.gate == found else NOT_FROM_TABLE.get(key, "dictionary"),
            }
        )
    return pd.DataFrame(rows)
