"""A frozen model in a second cohort, step by step: as it is, with a new baseline, with everything new."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np

from discovery.association.coding import keep_independent
from discovery.association.design import Design
from discovery.association.outcome_models import fit_columns
from discovery.markers.frozen import FrozenModel, FrozenOutcome
from discovery.markers.frozen_model import freeze_model, judge

STEPS = ("as frozen", "baseline refitted", "all refitted")


def three_steps(
    outcome: FrozenOutcome,
    frozen: FrozenModel,
    design: Design,
    base: np.ndarray,
    features: np.ndarray,
    seen: np.ndarray,
) -> list[dict]:
    """A row for each of `STEPS` that can be taken.

    Parameters
    ----------
    base : (n, terms) the frozen terms' columns in the second cohort
    features : (n, m) those of the model, on the frozen scales
    seen : (n,) bool, patients to judge it in
    """
    assert outcome.base is not None
    score = np.column_stack([base, features]) @ np.array(frozen.coefficients)
    base_score = base @ np.array(outcome.base.coefficients)
    steps = [(STEPS[0], frozen, score, outcome.base, base_score)]
    pairs = [(STEPS[1], score, base_score)]
    again = _refitted(design, base, features, seen)
    if again is not None:
        pairs.append((STEPS[2], *again))
    for name, own, below in pairs:
        fresh = [freeze_model(design, np.empty(0), each, seen, outcome.horizon) for each in (own, below)]
        steps.append((name, fresh[0], own, fresh[1], below))  # type: ignore[arg-type]
    kind = (
        "mean observed less expected (SDs of the first cohort)"
        if design.kind == "continuous"
        else "observed / expected"
    )
    return [
        {
            "step": name,
            "measure": outcome.gain_measure,
            "level_is": kind,
            "horizon": outcome.horizon,
        }
        | asdict(
            judge(
                design,
                model,
                own + (model.intercept or 0.0),
                below + (base_model.intercept or 0.0),
                seen,
                horizon=outcome.horizon,
                level=name == STEPS[0],
            )
        )
        for name, model, own, base_model, below in steps
    ]


def _refitted(
    design: Design, base: np.ndarray, features: np.ndarray, seen: np.ndarray
) -> tuple[np.ndarray, np.ndarray] | None:
    """Linear predictors (with the features, without) fitted anew on the patients `seen`; None if that fails.

    Terms that do not vary here, or are a mix of others, have no coefficient.
    """
    ones = np.ones((int(seen.sum()), 1))
    base = base[:, keep_independent(base[seen], among=ones)]
    first = 0 if design.kind == "survival" else 1

    def score(columns: np.ndarray) -> np.ndarray | None:
        if not columns.shape[1]:
            return np.zeros(design.n)
        found = fit_columns(
            design.response, columns[:, :-1], columns[:, -1:], observed=seen[:, None], intervals=False
        )
        return columns @ found.fit.coef[0, first:] if found.fit.code[0] == 0 else None

    both = score(np.column_stack([base, features])), score(base)
    return None if both[0] is None or both[1] is None else (both[0], both[1])
