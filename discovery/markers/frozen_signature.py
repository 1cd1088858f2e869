"""The signature of an outcome as it is written down for a second cohort."""

from __future__ import annotations

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.markers.frozen import LARGEST, FrozenSignature
from discovery.markers.frozen_model import MODELLED, freeze_model

COVARIATE, MARKER = "covariate", "marker"


def freeze_signature(
    design: Design,
    own: np.ndarray,
    horizon: float | None,
    terms: pd.DataFrame,
    performance: pd.DataFrame,
    words: pd.DataFrame,
    *,
    unit: float = 1.0,
) -> FrozenSignature | None:
    """The signature with the baseline of the whole cohort; None where there is none, where it has no marker,
    and where no value or gain is known that a second cohort could be compared with, or one beyond all bounds.

    Parameters
    ----------
    design : a continuous outcome in SDs as they are written down
    unit : the SD that the signature was fitted in, in those of `design`
    own : (q,) bool, base columns that are no site; a second cohort has sites of its own
    terms, performance, words : the signature's tables, of any outcomes
    """
    mine = terms[terms["outcome"] == design.outcome] if len(terms) else terms
    if design.kind not in MODELLED or mine.empty or not (mine["role"] == MARKER).any():
        return None
    base = mine.loc[mine["role"] == COVARIATE, "coefficient"].to_numpy(dtype=float)[own]
    markers = mine[mine["role"] == MARKER]
    names = tuple(markers["term"].astype(str))
    columns = design.base[:, own]
    fill = fill_coefficients(design, columns, names)
    features = filled_markers(design, columns, names, fill)
    coefficients = np.concatenate([base, markers["coefficient"].to_numpy(dtype=float)]) * unit
    score = np.column_stack([columns, features]) @ coefficients
    rows = np.ones(design.n, dtype=bool)
    model = freeze_model(design, coefficients, score, rows, horizon)
    here = performance[(performance["outcome"] == design.outcome) & (performance["model"] == "signature")]
    word = words.loc[words["outcome"] == design.outcome, "verdict"]
    if model is None or here.empty or word.empty:
        return None
    row = here.iloc[0]
    numbers = {
        name: float(row[column])
        for name, column in (
            ("value", "corrected"), ("value_low", "ci_low"), ("value_high", "ci_high"), ("gain", "gain"),
            ("gain_low", "gain_low"), ("gain_high", "gain_high"),
        )
    }  # fmt: skip
    if not (np.abs([*numbers.values(), *fill.ravel()]) <= LARGEST).all():  # nor NaN
        return None
    for name in ("value", "gain"):  # quantiles of few draws may miss the mean that they were moved to
        numbers[f"{name}_low"] = min(numbers[f"{name}_low"], numbers[name])
        numbers[f"{name}_high"] = max(numbers[f"{name}_high"], numbers[name])
    return FrozenSignature(
        markers=names,
        model=model,
        fill=tuple(tuple(column) for column in fill.T.tolist()),
        verdict=str(word.iloc[0]),
        measure=str(row["measure"]),
        **numbers,
    )


def fill_coefficients(design: Design, columns: np.ndarray, names: tuple[str, ...]) -> np.ndarray:
    """(1 + q, markers) least-squares coefficients of each marker on `columns` (n, q), where it is known.

    The signature's own regressions have the sites of this cohort in them, and none for a marker without gaps.
    """
    plan = np.column_stack([np.ones(design.n), columns])
    fill = np.empty((plan.shape[1], len(names)))
    for k, name in enumerate(names):
        j = design.feature_names.index(name)
        seen = design.observed[:, j]
        fill[:, k] = np.linalg.lstsq(plan[seen], design.features[seen, j], rcond=None)[0]
    return fill


def filled_markers(
    design: Design, columns: np.ndarray, names: tuple[str, ...], fill: np.ndarray
) -> np.ndarray:
    """The markers (n, markers) of a design; `fill` predicts a missing one from `columns` (n, q)."""
    which = [design.feature_names.index(name) for name in names]
    predicted = np.column_stack([np.ones(design.n), columns]) @ fill
    return np.where(design.observed[:, which], design.features[:, which], predicted)
