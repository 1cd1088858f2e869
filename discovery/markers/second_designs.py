"""The patients of a second cohort as designs on the scales and codings of the first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from discovery.association.design import Design, build_design
from discovery.cohort.incomplete_covariates import WideDesign, wide_design
from discovery.markers.frozen import FrozenFindings, FrozenOutcome
from discovery.markers.frozen_completion import complete_base
from discovery.markers.second_differences import adjusted_for

if TYPE_CHECKING:
    from discovery.study import Outcome, Study


def second_designs(
    findings: FrozenFindings, outcome: FrozenOutcome, study: Study, names: Sequence[str] | None = None
) -> tuple[Design, WideDesign | None]:
    """The outcome in the second cohort on the scales and codings of the first; its sites are its own.

    First of the patients with all covariates, then of all, None where nobody lacks one. names : its features;
    those of the candidates otherwise.
    """
    if names is None:
        names = [candidate.feature for candidate in outcome.candidates]
    about: Outcome = next(o for o in study.outcomes if o.name == outcome.name)
    about = replace(about, excluded_features=())
    if about.kind == "continuous":
        assert about.value is not None
        assert outcome.mean is not None
        assert outcome.sd is not None
        about = replace(about, value=(np.asarray(about.value, dtype=float) - outcome.mean) / outcome.sd)
    covariates = adjusted_for(study)[list(dict.fromkeys(term.covariate for term in outcome.terms))]
    features = study.features[list(names)]
    narrow = build_design(
        about, covariates, features, site=study.site, scaling=findings.scaling(names), coding=outcome.coding()
    )
    return narrow, wide_design(about, covariates, features, narrow, site=study.site)


def all_patients(
    outcome: FrozenOutcome, narrow: Design, wide: WideDesign | None, study: Study
) -> tuple[Design, np.ndarray, np.ndarray]:
    """Whom the frozen models are applied to, with the frozen terms' columns (n, terms), and who was completed
    for it (n,) bool: everybody, where the first cohort said how."""
    design = narrow if wide is None or outcome.completion is None else wide.design
    base = outcome.coding().apply(adjusted_for(study).loc[design.patient_id])
    if outcome.completion is None:
        return design, base, np.zeros(design.n, dtype=bool)
    return design, *complete_base(outcome.completion, outcome.terms, base)
