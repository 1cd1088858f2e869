"""Receiver operating characteristics and adjusted scatter of the leading markers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from discovery.association.adjusted_scatter import adjusted_scatter
from discovery.association.design import Design
from discovery.association.kinds import kind_of
from discovery.association.roc_points import roc_points

LEADING = 3  # features drawn for each outcome: the best of as many families


def leading_features(markers: pd.DataFrame, outcome: str, *, count: int = LEADING) -> list[str]:
    """The best ranked feature of each of the first `count` families."""
    mine = markers[(markers["outcome"] == outcome) & markers["rank"].notna()]
    return list(
        mine.sort_values("rank", kind="stable").drop_duplicates("redundancy_group")["feature"].head(count)
    )


def leading_tables(
    leading: Mapping[str, Sequence[str]],
    designs: Sequence[Design],
    labels: Mapping[str, str],
    notes: list[str],
) -> dict[str, pd.DataFrame]:
    """The tables "roc" and "residuals", each empty where no outcome asks for it. Why a feature has no curve,
    as where most patients lack a covariate, is added to `notes`."""
    found: dict[str, list[pd.DataFrame]] = {"roc": [], "residuals": []}
    for design in designs:
        for feature in leading[design.outcome]:
            if design.kind == "binary" and (few := too_few_for_roc(design, feature)):
                notes.append(f"{design.outcome}: no ROC curve of {feature}: {few}")
            elif design.kind == "binary":
                table = roc(design, feature, labels.get(feature, feature))
                found["roc"].append(table.assign(outcome=design.outcome, feature=feature))
            elif design.kind == "continuous":
                table = adjusted_scatter(design, feature)
                found["residuals"].append(table.assign(outcome=design.outcome, feature=feature))
    return {name: joined(parts) for name, parts in found.items()}


def joined(tables: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """The tables one below the other; an empty one where there is none.

    A column that is missing throughout a table has no type to give, so it is added again afterwards.
    """
    if not tables:
        return pd.DataFrame()
    columns = list(dict.fromkeys(name for table in tables for name in table.columns))
    known = [table.dropna(axis="columns", how="all") for table in tables]
    return pd.concat(known, ignore_index=True).reindex(columns=columns)


def too_few_for_roc(design: Design, feature: str) -> str:
    """Why no model is fitted to the patients with the feature and all covariates; "" where one is."""
    kind, seen = kind_of(design.kind), design.observed[:, [design.feature_names.index(feature)]]
    enough = design.response.effective_sizes(seen)[0] >= kind.least
    return "" if enough else f"fewer than {kind.least} {kind.counted} among those with all values"


def roc(design: Design, feature: str, label: str) -> pd.DataFrame:
    """Apparent curves of the feature by itself, the base model and both, on the patients with the feature.

    The models are fitted to these patients, not pooled over copies with imputed values.
    """
    from discovery.association.outcome_models import fit_columns
    from discovery.kernels.logistic import fit_logistic

    j = design.feature_names.index(feature)
    rows = design.observed[:, j]
    y, base, x = np.asarray(design.y)[rows], design.base[rows], design.features[rows, j]
    seen = design.observed[:, [j]]
    both = fit_columns(design.response, design.base, design.features[:, [j]], observed=seen, intervals=False)
    coef = both.fit.coef[0]
    scores = {f"{label} by itself": x * np.sign(coef[-1])}
    if base.shape[1]:
        base_coef = fit_logistic(y, base).coef
        scores["base model"] = base @ base_coef[1:]
        scores[f"base model with {label}"] = base @ coef[1:-1] + x * coef[-1]
    return roc_points(y, scores)
