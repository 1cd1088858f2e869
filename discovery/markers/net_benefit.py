"""Decision curves: what acting on a predicted risk would gain, at every threshold.

Net benefit = share of true positives - share of false positives times the odds of the threshold. Vickers &
Elkin, Med Decis Making 2006;26:565-574; with censoring the share with the event among those above the
threshold is that of Kaplan-Meier (Vickers et al., BMC Med Inform Decis Mak 2008;8:53), or of
Aalen-Johansen with competing events. A threshold here belongs to the curve, not to care.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd

THRESHOLDS = np.round(np.arange(0.02, 0.81, 0.02), 2)


def net_benefit(
    risks: Mapping[str, np.ndarray], event_share: Callable[[np.ndarray], float], thresholds=THRESHOLDS
) -> pd.DataFrame:
    """Columns model, threshold, net_benefit, share_above; the models "everybody" and "nobody" beside `risks`.

    risks : model -> predicted risk (n,), NaN left out of all models; event_share : rows (n,) bool -> share
    of them who have the event. Thresholds end where nobody's risk is above.
    """
    known = np.all([np.isfinite(risk) for risk in risks.values()], axis=0)
    n = int(known.sum())
    overall = event_share(known)
    largest = max((float(risk[known].max()) for risk in risks.values()), default=0.0) if n else 0.0
    rows = []
    for threshold in np.asarray(thresholds)[np.asarray(thresholds) <= largest]:
        odds = threshold / (1 - threshold)
        for model, risk in risks.items():
            above = known & (risk >= threshold)
            share = above.sum() / n
            events = event_share(above) * share if above.any() else 0.0
            rows.append((model, threshold, events - (share - events) * odds, share))
        rows.append(("everybody", threshold, overall - (1 - overall) * odds, 1.0))
        rows.append(("nobody", threshold, 0.0, 0.0))
    return pd.DataFrame(rows, columns=["model", "threshold", "net_benefit", "share_above"])


def share_of_class(y: np.ndarray) -> Callable[[np.ndarray], float]:
    """Share of 1 among the rows, for a binary outcome."""
    return lambda rows: float(np.mean(np.asarray(y)[rows])) if rows.any() else np.nan


def share_by_horizon(time, status, horizon: float, entry=None) -> Callable[[np.ndarray], float]:
    """Cumulative incidence of the event (status 1) at the horizon among the rows; NaN where unknown."""
    from discovery.survival.cumulative_incidence import aalen_johansen

    time, status = np.asarray(time, dtype=float), np.asarray(status, dtype=float)
    began = None if entry is None else np.asarray(entry, dtype=float)

    def share(rows: np.ndarray) -> float:
        if not rows.any():
            return np.nan
        if not (status[rows] == 1).any():
            return 0.0
        curve = aalen_johansen(
            time[rows], status[rows], entry=None if began is None else began[rows], variance="delta"
        )
        return float(curve.at([horizon])[curve.causes.index(1), 0])

    return share
