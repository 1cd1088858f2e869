"""Decision curves of a signature: net benefit of risks predicted for patients left out."""

from __future__ import annotations

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.markers.frozen_model import breslow
from discovery.markers.net_benefit import net_benefit, share_by_horizon, share_of_class
from discovery.markers.signature import MODELS, SignatureSearch
from discovery.seeds import named_rng
from discovery.survival.prediction_table import usual_horizon

FOLDS, REPEATS = 5, 4


def decision_curves(search: SignatureSearch, seed: int, horizon: float | None, workers: int) -> pd.DataFrame:
    """Decision curves from risks of patients who were left out, averaged over the repeats."""
    from joblib import Parallel, delayed

    design = search.design
    if design.kind == "continuous":
        return pd.DataFrame(columns=["outcome", "model", "threshold", "net_benefit", "share_above"])
    if design.kind != "survival":
        horizon = None
    elif horizon is None:
        horizon = usual_horizon(design.time, design.event)

    def of_the_left_out(repeat: int) -> np.ndarray:
        rng = named_rng(seed, "signature", design.outcome, "left out", repeat)
        fold, out = rng.permutation(design.n) % FOLDS, np.empty((design.n, len(MODELS)))
        for k in range(FOLDS):
            train = (fold != k).astype(float)
            models = search(train, rng).predictors
            out[fold == k] = _risks(design, models, train, horizon)[fold == k]
        return out

    pool = Parallel(n_jobs=workers, prefer="threads")
    mean = np.mean(pool(delayed(of_the_left_out)(repeat) for repeat in range(REPEATS)), axis=0)
    risks = {model: mean[:, k] for k, model in enumerate(MODELS)}
    share = (
        share_of_class(design.y)  # type: ignore[arg-type]
        if design.kind == "binary"
        else share_by_horizon(design.time, design.status, horizon, design.entry)  # type: ignore[arg-type]
    )
    table = net_benefit(risks, share)
    table.insert(0, "outcome", design.outcome)
    return table.assign(horizon=np.nan if horizon is None else horizon)


def _risks(design: Design, scores: np.ndarray, train: np.ndarray, horizon: float | None) -> np.ndarray:
    """Predicted risks (n, models): by the horizon for survival, of the class for binary outcomes."""
    from scipy.special import expit

    if horizon is None:
        return expit(scores)
    rows = train > 0
    hazard = [breslow(design, score, rows, np.array([horizon]))[0] for score in scores.T]
    return -np.expm1(-np.array(hazard) * np.exp(scores))
