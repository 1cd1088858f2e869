"""What a run writes down for a second cohort."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.association.screen import Screen
from discovery.markers.frozen import FrozenFindings
from discovery.pipeline.imputation import ImputedScreens
from discovery.study import Study


def frozen_findings(
    study: Study,
    designs: Sequence[Design],
    screens: Sequence[Screen],
    tables: Mapping[str, pd.DataFrame],
    versions: Mapping[str, str],
    imputed: ImputedScreens | None = None,
) -> FrozenFindings:
    """The findings of a run that `replicate` tests again."""
    from discovery.markers.freeze import freeze

    return freeze(
        study,
        designs,
        screens,
        tables["markers"],
        versions=versions,
        definitions=definitions(study),
        declared=study.settings.analysis.freeze,
        tau=spread_between_sites(tables.get("site_meta_analysis", pd.DataFrame())),
        signatures=tables,
        completed=imputed.completed if imputed else {},
        wider=imputed.wider if imputed else {},
    )


def definitions(study: Study) -> dict[str, str]:
    """What each measured feature is, in the words of the registry; nothing for a ready table."""
    if study.settings.recordings is None:
        return {}
    from discovery.beats.registry import feature_table

    table = feature_table().set_index("key")["definition"]
    return {name: str(table[name]) for name in study.features.columns if name in table.index}


def spread_between_sites(pooled: pd.DataFrame) -> dict[tuple[str, str], float]:
    """(outcome, feature) -> the random-effects SD between sites, where sites were pooled."""
    if not {"outcome", "feature", "tau2"} <= set(pooled.columns):
        return {}
    known = pooled[pooled["tau2"].notna()]
    return {
        (str(outcome), str(feature)): float(np.sqrt(tau2))
        for outcome, feature, tau2 in zip(known["outcome"], known["feature"], known["tau2"])
    }
