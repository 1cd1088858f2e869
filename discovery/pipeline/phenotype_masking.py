"""The search for groups fit to be shared: nothing in its tables and figures that a few patients make up."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from discovery.pipeline.episodes_wing import MEAN
from discovery.survival.coarse_curves import coarse_at_risk, coarse_curves

KNOWN = ("phenotype_curves", "phenotype_at_risk", "phenotype_levels", "phenotype_biplot")


def masked_phenotypes(tables: Mapping[str, pd.DataFrame], limit: int) -> dict[str, pd.DataFrame]:
    """Curves in steps of `limit` events, and no place of a single patient.

    Left out as a whole: shares and means of a group at one time (those of a group tell those of the others
    where all are shown), and mean numbers of episodes, whose steps may be one patient's.
    """
    out: dict[str, pd.DataFrame] = {}
    curves = tables.get("phenotype_curves", pd.DataFrame())
    if len(curves):
        single = curves[curves["curve"] != MEAN]
        out["phenotype_curves"] = coarse_curves(single, limit) if len(single) else single
    if len(tables.get("phenotype_at_risk", ())):
        out["phenotype_at_risk"] = coarse_at_risk(tables["phenotype_at_risk"], limit)
    if "phenotype_levels" in tables:
        out["phenotype_levels"] = tables["phenotype_levels"].iloc[:0]
    biplot = tables.get("phenotype_biplot", pd.DataFrame())
    if len(biplot):
        out["phenotype_biplot"] = biplot[biplot["part"] != "patient"].reset_index(drop=True)
    return out
