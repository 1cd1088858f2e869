"""Etiologies, sexes and sites of a run compared over time, for every survival outcome."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from discovery.association.design import Design
from discovery.pipeline.closer_look import modifiers_of
from discovery.study import Study
from discovery.survival.groups_over_time import groups_over_time

PART = "groups compared"


def with_groups_compared(study: Study, designs: Sequence[Design], survival: pd.DataFrame) -> pd.DataFrame:
    """`survival` with the part "groups compared"; within sites, but for the sites themselves."""
    groups = modifiers_of(study)
    site = study.settings.patients.site or "site"
    tables = []
    for design in designs:
        if design.kind != "survival":
            continue
        mine = {name: labels.reindex(design.patient_id) for name, labels in groups.items()}
        strata = {} if design.stratum is None else {name: design.stratum for name in mine if name != site}
        found = groups_over_time(design.time, design.status, mine, entry=design.entry, strata=strata)
        if len(found):
            tables.append(found.assign(outcome=design.outcome, feature="", part=PART))
    return pd.concat([survival, *tables], ignore_index=True) if tables else survival
