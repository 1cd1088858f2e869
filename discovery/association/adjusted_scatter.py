"""A continuous outcome against one feature, the base model taken out of both: bins and a line."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from discovery.association.design import Design

BINS = 12
FEWEST_IN_A_BIN = 5
LINE_POINTS = 41
COLUMNS = ("part", "x", "y", "ci_low", "ci_high", "n")


def adjusted_scatter(design: Design, feature: str, *, conf_level: float = 0.95) -> pd.DataFrame:
    """What a partial-residual figure draws, without a single patient in it.

    Parameters
    ----------
    design : Design of a continuous outcome
    feature : one of its features

    Returns
    -------
    DataFrame
        part "bin": means of consecutive patients by the residual feature x (SD), with the t interval
        of the mean of y (the outcome's own unit), n patients; part "line": the least-squares line
        with its pointwise interval, whose slope is that of the adjusted model (Frisch-Waugh-Lovell).
        Empty when the feature or the outcome does not vary once the base model is out.
    """
    j = design.feature_names.index(feature)
    rows = design.observed[:, j]
    base = np.column_stack([np.ones(rows.sum()), design.base[rows]])
    both = np.column_stack([design.features[rows, j], np.asarray(design.y)[rows]])
    x, y = (both - base @ np.linalg.lstsq(base, both, rcond=None)[0]).T
    freedom = len(x) - base.shape[1] - 1
    spread = float(x @ x)
    if freedom < 1 or spread < 1e-12 * len(x) or np.ptp(y) == 0:
        return pd.DataFrame(columns=list(COLUMNS))
    slope = float(x @ y) / spread
    error = float(np.sqrt(((y - slope * x) ** 2).sum() / freedom))
    at = np.linspace(x.min(), x.max(), LINE_POINTS)
    half = stats.t.ppf((1 + conf_level) / 2, freedom) * error * np.sqrt(1 / len(x) + at**2 / spread)
    line = pd.DataFrame({"part": "line", "x": at, "y": slope * at, "ci_low": slope * at - half})
    line = line.assign(ci_high=slope * at + half, n=len(x))
    order = np.argsort(x, kind="stable")
    bins = [
        _bin(x[part], y[part], conf_level)
        for part in np.array_split(order, max(1, min(BINS, len(x) // FEWEST_IN_A_BIN)))
    ]
    return pd.concat([pd.DataFrame(bins), line], ignore_index=True)[list(COLUMNS)]


def _bin(x: np.ndarray, y: np.ndarray, conf_level: float) -> dict:
    half = np.nan
    if len(y) > 1:
        half = stats.t.ppf((1 + conf_level) / 2, len(y) - 1) * y.std(ddof=1) / np.sqrt(len(y))
    return {
        "part": "bin",
        "x": x.mean(),
        "y": y.mean(),
        "ci_low": y.mean() - half,
        "ci_high": y.mean() + half,
        "n": len(y),
    }
