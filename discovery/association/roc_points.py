"""Points of receiver operating characteristics, few enough to draw."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from discovery.association.roc import auc_with_interval

MOST_POINTS = 200


def roc_points(y: ArrayLike, scores: Mapping[str, ArrayLike]) -> pd.DataFrame:
    """The curve of each score for the outcome `y` (n,) of 0 and 1; higher scores should mean 1.

    Returns
    -------
    DataFrame
        marker (the key of the score), fpr, tpr, auc, auc_low, auc_high (DeLong). At most about 200
        points a curve: those thinned out lie between kept neighbours. No points where a class is empty.
    """
    curves = []
    truth = np.asarray(y, dtype=float)
    for name, score in scores.items():
        values = np.asarray(score, dtype=float)
        seen = np.isfinite(truth) & np.isfinite(values)
        positive, ranked = truth[seen] == 1, values[seen]
        if positive.all() or not positive.any():
            continue
        order = np.argsort(-ranked, kind="stable")
        last_of_tie = np.append(np.diff(ranked[order]) != 0, True)
        tpr = np.append(0.0, np.cumsum(positive[order])[last_of_tie] / positive.sum())
        fpr = np.append(0.0, np.cumsum(~positive[order])[last_of_tie] / (~positive).sum())
        kept = np.unique(np.linspace(0, len(tpr) - 1, min(len(tpr), MOST_POINTS)).round().astype(int))
        area = auc_with_interval(truth[seen], ranked)
        curve = pd.DataFrame({"marker": name, "fpr": fpr[kept], "tpr": tpr[kept], "auc": area.auc})
        curves.append(curve.assign(auc_low=area.ci_low, auc_high=area.ci_high))
    if not curves:
        return pd.DataFrame(columns=["marker", "fpr", "tpr", "auc", "auc_low", "auc_high"])
    return pd.concat(curves, ignore_index=True)
