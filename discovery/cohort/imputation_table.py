"""What was imputed: a row for every feature with a gap."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.association.screen import Screen
from discovery.association.screen_rows import ADJUSTED
from discovery.cohort.imputation import Completed, ImputationPlan
from discovery.cohort.imputed_fits import ImputedFits

MATCHING, NORMAL, NORMAL_WITHIN = DRAWN_HOW = (
    "predictive mean matching",
    "normal",
    "normal, truncated at limits",
)
IMPUTATION_COLUMNS = (
    "outcome", "feature", "n", "n_known", "n_imputed", "n_beyond_limit", "n_not_imputed", "imputations",
    "predictors", "model", "estimate", "se", "df", "relative_increase_of_variance",
    "fraction_missing_information", "monte_carlo_error", "p_value", "estimate_complete_cases",
    "p_value_complete_cases", "note",
)  # fmt: skip
COUNTS = ("n", "n_known", "n_imputed", "n_beyond_limit", "n_not_imputed", "imputations", "predictors")


def imputation_table(
    design: Design,
    screen: Screen,
    completed: Completed | None,
    fits: ImputedFits | None,
    plan: ImputationPlan,
) -> pd.DataFrame:
    """A row for every feature with a gap. se and df are those of the interval, and of p too but where
    episodes are counted; what was missing is by Rubin's rules."""
    place: dict[int, int] = {int(j): c for c, j in enumerate(plan.columns)}
    main = screen.table[
        (screen.table["model"] == ADJUSTED) & (screen.table["term"] == screen.table["feature"])
    ]
    alone = main.set_index("feature")
    rows = []
    for j in np.flatnonzero(~design.observed.all(axis=0)):
        name = design.feature_names[j]
        row: dict[str, Any] = dict.fromkeys(IMPUTATION_COLUMNS, np.nan) | {
            "outcome": design.outcome,
            "feature": name,
            "n": design.n,
            "n_known": int(design.observed[:, j].sum()),
            "n_imputed": 0,
            "n_beyond_limit": 0,
            "n_not_imputed": design.n - int(plan.observed[:, j].sum()),
            "imputations": 0,
            "model": "",
            "estimate_complete_cases": alone.loc[name, "estimate"],
            "p_value_complete_cases": alone.loc[name, "p_value"],
            "note": plan.reason[j],
        }
        if completed is not None and fits is not None and int(j) in place:
            c = place[int(j)]
            row |= _pooled(completed, fits, c)
            if fits.failed[c]:
                lost = f"no fit in {fits.failed[c]} of {completed.m} copies"
                row["note"] = "; ".join(filter(None, [row["note"], lost]))
        rows.append(row)
    return pd.DataFrame(rows, columns=list(IMPUTATION_COLUMNS)).astype(dict.fromkeys(COUNTS, "Int64"))


def _pooled(completed: Completed, fits: ImputedFits, c: int) -> dict[str, Any]:
    plan, pooled, spread = completed.plan, fits.pooled, fits.spread
    return {
        "n_imputed": int(plan.n_missing[c]),
        "n_beyond_limit": int(plan.n_limited[c]),
        "imputations": completed.m,
        "predictors": int(plan.predictors[c]),
        "model": drawn_how(plan, c) if plan.n_missing[c] else "",
        "estimate": pooled.estimate[c],
        "se": pooled.se[c] if spread is None else fits.se[c],
        "df": pooled.df[c] if spread is None else spread.df[c],
        "relative_increase_of_variance": pooled.riv[c],
        "fraction_missing_information": pooled.fmi[c],
        "monte_carlo_error": pooled.monte_carlo_error[c],
        "p_value": fits.p_value[c],
    }


def drawn_how(plan, c: int) -> str:
    """How missing values of column `c` of an imputation plan are drawn, in words."""
    from discovery.kernels.chained import MATCHED

    if plan.how[c] == MATCHED:
        return MATCHING
    return NORMAL_WITHIN if plan.n_limited[c] else NORMAL
