"""How features and covariates of a second cohort differ from the first, before any outcome is looked at."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.association.coding import as_levels
from discovery.markers.frozen import FrozenFeature, FrozenFindings
from discovery.markers.second_differences import adjusted_for

if TYPE_CHECKING:
    from discovery.study import Study

LARGE_SHIFT = 0.5  # standardised mean difference that is remarked


def shift_table(findings: FrozenFindings, study: Study) -> pd.DataFrame:
    """How the features and covariates of the second cohort differ from the first; no outcome is used.

    Columns name, label, role, unit, n, missing_share, mean_first, mean_second, sd_first, sd_second, smd
    (difference of means in first-cohort SDs), sd_ratio, outside_share (beyond the frozen winsor limits). A
    level of a category has the role "level", its means are shares.
    """
    rows = [
        _shift_row(feature, study.features[feature.name], study)
        for feature in findings.features
        if feature.name in study.features.columns
    ]
    covariates, called = adjusted_for(study), study.settings.patients
    for term in {t.name: t for outcome in findings.outcomes for t in outcome.terms}.values():
        column, label = covariates[term.covariate], called.labels.get(term.covariate, term.covariate)
        if not term.level:
            scale = _scale(findings, term.covariate, label, term.mean, term.sd)
            rows.append(_shift_row(scale, column, study) | {"role": "covariate"})
        elif term.share is not None and 1e-9 < term.share < 1 - 1e-9:
            has = (as_levels(column) == term.level).astype(float).where(column.notna())
            label += f"={called.levels.get(term.covariate, {}).get(term.level, term.level)}"
            sd = float(np.sqrt(term.share * (1 - term.share)))
            scale = _scale(findings, term.name, label, term.share, sd)
            rows.append(_shift_row(scale, has, study) | {"role": "level", "outside_share": np.nan})
    return pd.DataFrame(rows)


def _scale(findings: FrozenFindings, name: str, label: str, mean: float, sd: float) -> FrozenFeature:
    return FrozenFeature(name=name, label=label, low=None, high=None, mean=mean, sd=sd, n=findings.n_patients)


def _shift_row(feature: FrozenFeature, column: pd.Series, study: Study) -> dict:
    values = column.to_numpy(dtype=float, na_value=np.nan)
    seen = values[np.isfinite(values)]
    low = -np.inf if feature.low is None else feature.low
    high = np.inf if feature.high is None else feature.high
    clipped = np.clip(seen, low, high)
    mean = float(clipped.mean()) if seen.size else np.nan
    sd = float(clipped.std(ddof=1)) if seen.size > 1 else np.nan
    return {
        "name": feature.name,
        "label": feature.label or feature.name,
        "role": "feature",
        "unit": feature.unit or study.units.get(feature.name, ""),
        "n": int(seen.size),
        "missing_share": 1 - seen.size / max(len(values), 1),
        "mean_first": feature.mean,
        "mean_second": mean,
        "sd_first": feature.sd,
        "sd_second": sd,
        "smd": (mean - feature.mean) / feature.sd,
        "sd_ratio": sd / feature.sd,
        "outside_share": float(((seen < low) | (seen > high)).mean()) if seen.size else np.nan,
    }


def shift_sentences(shift: pd.DataFrame) -> Iterator[str]:
    """A sentence for each large difference in `shift_table`."""
    for row in shift.itertuples(index=False):
        if not abs(row.smd) >= LARGE_SHIFT:
            continue
        if row.role == "level":
            yield f"{row.label}: {row.mean_second:.0%} here, {row.mean_first:.0%} in the first cohort"
        else:
            side = "above" if row.smd > 0 else "below"
            yield f"{row.label}: its mean is {abs(row.smd):.2g} SD {side} that of the first cohort"
