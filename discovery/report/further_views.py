"""Tables of the analyses beyond the ranking: etiologies, groups of patients, signature, sensitivity."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from discovery.report.etiology_contrasts_view import contrasts_view
from discovery.report.families_overview_view import overview_view
from discovery.report.family_names import feature_labels
from discovery.report.identification_view import identification_views
from discovery.report.page_tables import Table, etiology_view
from discovery.report.phenotype_view import phenotype_views
from discovery.report.sensitivity_view import sensitivity_views
from discovery.report.settings import RunSettings
from discovery.report.signature_view import signature_views


def further_views(tables: Mapping[str, pd.DataFrame], settings: RunSettings) -> list[tuple[str, str, Table]]:
    """(anchor, heading, table) of each of these analyses that was done."""
    labels = {outcome.name: outcome.label for outcome in settings.outcomes}
    names = feature_labels(tables["markers"])
    out = []
    if len(tables.get("families_overview", ())):
        view = overview_view(tables["families_overview"], names, labels)
        out.append(("families-overview", "Families over outcomes", view))
    if len(tables.get("etiologies", ())):
        out.append(("etiologies", "Etiologies", etiology_view(tables["etiologies"], names, settings.fdr)))
    if len(tables.get("etiology_contrasts", ())):
        view = contrasts_view(tables["etiology_contrasts"], names, settings.fdr)
        out.append(("etiology-contrasts", "Pairs of etiologies", view))
    out += identification_views(tables)
    if len(tables.get("signature_words", ())):
        views = signature_views(tables, labels)
        out += [(f"signature-{k}", heading, view) for k, (heading, view) in enumerate(views)]
    if len(tables.get("sensitivity", ())):
        flags = tables["markers"].set_index(["outcome", "feature"]).get("flags", pd.Series()).to_dict()
        views = sensitivity_views(tables["sensitivity"], labels, flags)
        out += [(f"sensitivity-{k}", heading, view) for k, (heading, view) in enumerate(views)]
    return [*out, *phenotype_views(tables, labels)]
