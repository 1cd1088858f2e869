"""Features measured elsewhere, joined to a study that was read."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from discovery.study.feature_table import rows_at, sift
from discovery.study.features import Exclusions
from discovery.study.findings import LISTED_PER_KIND, Findings
from discovery.study.identifiers import match_ids
from discovery.study.phenotype_columns import check_search
from discovery.study.study import Study


def with_features(
    study: Study,
    measured: pd.DataFrame,
    *,
    labels: dict[str, str] | None = None,
    units: dict[str, str] | None = None,
    families: dict[str, str] | None = None,
    source: str = "recordings",
) -> Study:
    """`study` with measured features added, held to the same checks as those of a table.

    `measured` has one row a patient (index: the ids as text), one column of numbers a feature; a
    study patient without a row gets missing values, other rows are left out with a warning.
    `source` is what messages call it.

    Raises
    ------
    InputError
        An id stands twice, or a feature has the name of one that the study has.
    """
    findings = Findings()
    ids = [str(label) for label in measured.index]
    if len(set(ids)) < len(ids):
        findings.error(
            "repeated id",
            source,
            "one row a patient is wanted",
            found=pd.Index(ids)[pd.Index(ids).duplicated()][0],
        )
    for name in measured.columns.intersection(study.features.columns):
        wanted = "another name is wanted, the table of features has this one"
        findings.error("repeated column", source, wanted, column=str(name))
    findings.raise_errors()
    index = study.patients.index
    strangers = sorted(set(ids) - set(index))
    for label in strangers[:LISTED_PER_KIND]:
        findings.warn(
            "id not in the study", source, "the study has no such patient; it is left out", found=label
        )
    place = match_ids(list(index), ids)
    names = [str(name) for name in measured.columns]
    columns = (rows_at(measured.iloc[:, at].to_numpy(dtype=np.float64), place) for at in range(len(names)))
    flat = study.flat_features if study.flat_features is not None else pd.DataFrame(index=index)
    excluded = Exclusions(
        [tuple(row) for row in study.excluded_features.to_numpy()],
        {str(name): column.to_numpy() for name, column in flat.items()},
    )
    settings = study.settings
    added, outcomes = sift(
        names,
        columns,
        index,
        settings,
        list(study.outcomes),
        source,
        findings,
        excluded,
        known=tuple(names),
        covariates=study.covariates,
    )
    features = pd.concat([study.features, added], axis=1)
    check_search(
        settings, features, {str(row[0]) for row in excluded.rows}, findings, all_there=not findings.failed
    )
    findings.raise_errors()
    return replace(
        study,
        features=features,
        outcomes=tuple(outcomes),
        excluded_features=excluded.table(),
        flat_features=pd.DataFrame(excluded.flat, index=index),
        labels={**study.labels, **(labels or {})},
        units={**study.units, **(units or {})},
        families={**study.families, **(families or {})},
        warnings=(*study.warnings, *findings.warnings()),
    )
