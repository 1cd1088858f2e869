"""Phenotypes and axes of the first cohort on the page of a replication."""

from __future__ import annotations

import pandas as pd

from discovery.report import format as words
from discovery.report.page_tables import Table

METHODS = (
    "The phenotypes of the first cohort were looked for without any outcome: this cohort was cut anew into "
    "as many groups on the frozen components, and the prediction strength is the smallest share of pairs of "
    "one of its groups that the frozen centroids put together too (Tibshirani & Walther 2005; 0.8 needed, "
    "with a Spearman correlation of 0.7 of each group's profile of features; only supported phenotypes can "
    "be replicated). Features that tell a group about equally have no order but noise: where two cohorts of "
    "these sizes with one and the same profile would fall below 0.7 in more than 5 % of draws, the order had "
    "to be no lower than their 5 % quantile, and the profiles congruent (Tucker's coefficient of 0.85). "
    "A continuous axis came back where its loadings have a congruence of 0.85 or more with "
    "an axis of this cohort (Lorenzo-Seva & ten Berge 2006), and such a congruence is had by at most 5 % of "
    "cohorts with their columns shuffled apart."
)


def group_view(groups: pd.DataFrame) -> Table:
    """Each group of the first cohort in the second."""
    rows = [
        (
            str(r.phenotype),
            words.whole(r.n),
            words.percent(r.share),
            words.percent(r.share_first),
            words.fixed(r.prediction_strength),
            words.fixed(r.profile_order),
            str(r.verdict),
        )
        for r in groups.itertuples()
    ]
    heads = (
        "Group", "Patients assigned", "Share here", "Share, first", "Prediction strength",
        "Profile order (Spearman)", "Verdict",
    )  # fmt: skip
    return Table(heads, tuple(rows))


def axis_view(axes: pd.DataFrame) -> Table:
    """Each continuous axis of the first cohort in the second."""
    rows = [
        (
            str(r.axis),
            words.percent(r.share_first),
            words.fixed(r.congruence_first),
            words.fixed(r.congruence),
            words.p_value(r.p_chance),
            words.fixed(r.score_agreement),
            str(r.likeness),
            str(r.verdict),
        )
        for r in axes.itertuples()
    ]
    heads = (
        "Axis", "Share of variance, first", "Congruence in resamples, first", "Congruence here", "Chance",
        "Correlation of scores", "Loadings", "Verdict",
    )  # fmt: skip
    note = (
        "Chance: how often cohorts with their columns shuffled apart have an axis as much alike. Correlation "
        "of scores: of those that the first cohort's axis and this cohort's own give the patients here."
    )
    return Table(heads, tuple(rows), note=note)
