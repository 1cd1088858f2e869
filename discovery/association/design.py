"""From tables to the arrays that the outcome models take: who is in, base model, features, outcome."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from discovery.association.analysed_patients import (
    analysed_patients,
    remark_silent_strata,
    require_patients,
)
from discovery.association.coding import BaseCoding, Term, keep_independent, learn_coding
from discovery.association.episodes import Episodes, episode_rows
from discovery.association.kinds import kind_of
from discovery.association.response import Response, total_over
from discovery.association.scaling import WINSOR, FeatureScaling, learn_and_scale
from discovery.problems import InputError, Problem

if TYPE_CHECKING:
    from discovery.study import Outcome, Study


@dataclass(frozen=True, kw_only=True)
class Design:
    """One outcome's analysis as arrays. n rows are the patients analysed, p features, q base columns.

    Base columns and features are scaled; a missing feature is 0 in `features` and False in
    `observed`. Survival outcomes have `time`, `event` (1 for the cause analysed, competing events
    are censored), `status` (all causes), perhaps `entry`; sites are `stratum` codes. Other kinds
    have `y`; sites are indicators, the first columns of `base`.
    """

    outcome: str
    label: str
    kind: str
    patient_id: np.ndarray
    base: np.ndarray
    terms: tuple[Term, ...]
    features: np.ndarray
    observed: np.ndarray
    feature_names: tuple[str, ...]
    y: np.ndarray | None = None
    categories: tuple[str, ...] = ()
    time: np.ndarray | None = None
    event: np.ndarray | None = None
    status: np.ndarray | None = None
    entry: np.ndarray | None = None
    cause: int = 1
    stratum: np.ndarray | None = None
    exposure: np.ndarray | None = None  # time that a count was taken over
    episodes: Episodes | None = None  # rows of a recurrent outcome; `y` is then the number of episodes
    site: np.ndarray | None = None  # (n,) site label as analysed (small ones pooled), for any kind
    unit: tuple[float, float] | None = None  # `OutcomeKind.level` of other patients, in place of these
    scaling: FeatureScaling
    coding: BaseCoding
    n_study: int
    left_out: pd.DataFrame  # reason, n: each patient counted once, at the first reason
    excluded: pd.DataFrame  # feature, reason
    notes: tuple[str, ...] = ()

    @property
    def n(self) -> int:
        return len(self.patient_id)

    @property
    def n_left_out(self) -> np.ndarray:
        """Study patients without a part in each feature's model (p,)."""
        return self.n_study - total_over(self.observed)

    @property
    def effective_size(self) -> int:
        """The count that limits the model: events; the rarer class; patients for a continuous outcome."""
        return int(self.response.effective_sizes(np.ones((self.n, 1), dtype=bool))[0])

    @property
    def response(self) -> Response:
        """The outcome alone, for the models."""
        return Response(
            kind=self.kind,
            y=self.y,
            time=self.time,
            event=self.event,
            entry=self.entry,
            stratum=self.stratum,
            episodes=self.episodes,
            exposure=self.exposure,
        )

    @property
    def causes(self) -> tuple[int, ...]:
        """Codes of the events that occur among the patients analysed; () unless survival."""
        if self.status is None:
            return ()
        return tuple(int(k) for k in np.unique(self.status) if k > 0)

    def for_cause(self, cause: int) -> Design:
        """The same patients with `cause` as the event and every other event censored."""
        if self.status is None:
            raise InputError(
                [
                    Problem(
                        file=f"outcome {self.outcome}",
                        found=self.kind,
                        wanted="a survival outcome to ask for a cause",
                    )
                ]
            )
        return replace(self, cause=cause, event=(self.status == cause).astype(float))

    def take_features(self, which: np.ndarray) -> Design:
        """The same patients with some of the features (indices or mask)."""
        names = tuple(np.array(self.feature_names, dtype=object)[which])
        return replace(
            self, features=self.features[:, which], observed=self.observed[:, which], feature_names=names
        )

    def take_patients(self, rows: np.ndarray) -> Design:
        """Some of the patients (bool mask, or places in any order), with their episodes and exposures; scales
        and terms stay."""
        names = ("y", "time", "event", "status", "entry", "stratum", "exposure", "site")
        given = {name: getattr(self, name) for name in names}
        each: dict[str, Any] = {name: v if v is None else v[rows] for name, v in given.items()}
        return replace(
            self,
            patient_id=self.patient_id[rows],
            base=self.base[rows],
            features=self.features[rows],
            observed=self.observed[rows],
            episodes=None if self.episodes is None else self.episodes.take(rows),
            **each,
        )

    def in_units_of(self, other: Design) -> Design:
        """The same patients, their effects in the outcome's SDs of those of `other`."""
        return replace(self, unit=kind_of(other.kind).level(other))

    def in_id_order(self) -> Design:
        """The same patients by their ids: what is drawn by place then belongs to an id, whatever the order of
        the rows was."""
        return self.take_patients(np.argsort(np.asarray(self.patient_id).astype(str), kind="stable"))


def design_of(study: Study, outcome: Outcome) -> Design:
    """`build_design` with the tables and settings of a study that was read."""
    return build_design(
        outcome,
        study.covariates,
        study.features,
        site=study.site,
        winsor=study.settings.analysis.winsor,
    )


def build_design(
    outcome: Outcome,
    covariates: pd.DataFrame,
    features: pd.DataFrame,
    *,
    site: pd.Series | None = None,
    winsor: tuple[float, float] | bool | None = WINSOR,
    defined_from: Iterable[str] = (),
    scaling: FeatureScaling | None = None,
    coding: BaseCoding | None = None,
    site_reference: str = "",
) -> Design:
    """The arrays for one outcome.

    Parameters
    ----------
    outcome : Outcome
        Its patients, in order; `covariates`, `features` and `site` are indexed by patient id and must
        hold every one of them.
    winsor : quantiles for `learn_scaling`; ignored when `scaling` is given
    defined_from : features that the outcome is defined from, beside `outcome.excluded_features`; not tested
    scaling, coding : what another cohort taught, instead of learning from this one
    site_reference : the site that others are compared with where it is there; the largest otherwise

    Returns
    -------
    Design
        Left out, each with its count and reason: patients with a missing outcome, covariate or site; a
        follow-up that ends at or before entry; and, unless the outcome is a survival time, patients
        of a site where the outcome does not vary, because a site adjusted for by its own level
        says nothing on the features then. Sites with fewer than 5 patients are pooled. Scales are
        learned on all patients of the study, so that they are the same for every outcome.

    Raises
    ------
    InputError : a patient absent from a table or in it twice, an unknown kind of outcome, two episodes of a
        patient at one time, no patient left.
    """
    ids = _shared_index(pd.Index(np.asarray(outcome.patient_id)), features.index)
    require_patients(outcome, ids, covariates=covariates, features=features, site=site)
    covariates, features = (t if t.index.equals(ids) else t.loc[ids] for t in (covariates, features))
    skipped = {*defined_from, *outcome.excluded_features}
    excluded = [name for name in features.columns if name in skipped]
    features = features.drop(columns=excluded) if excluded else features
    if scaling is None:
        scaling, scaled = learn_and_scale(features, winsor)
    else:
        scaled = scaling.apply(features)
    coding = coding or learn_coding(covariates)
    notes = list(coding.notes)

    base_all = coding.apply(covariates)
    site_all = None if site is None else site.loc[ids].astype(object).to_numpy()
    keep, site_all = analysed_patients(outcome, covariates, site_all, notes)
    rows = np.flatnonzero(keep.rows)
    scaled = scaled if len(rows) == len(ids) else scaled[rows]
    observed = ~np.isnan(scaled)
    if not observed.all():
        scaled = np.where(observed, scaled, 0.0)
    labels = None if site_all is None else site_all[rows].astype(str)
    base, terms, stratum = _base_model(
        base_all[rows], coding.terms, labels, outcome.kind, notes, site_reference
    )
    survival = kind_of(outcome.kind).timed
    if survival and stratum is not None:
        remark_silent_strata(labels, np.asarray(outcome.status)[rows], notes)

    def part(values: np.ndarray | None) -> np.ndarray | None:
        return None if values is None else np.asarray(values, dtype=float)[rows]

    status = part(outcome.status) if survival else None
    episodes = episode_rows(outcome, rows) if outcome.event_patient is not None else None
    return Design(
        outcome=outcome.name,
        label=outcome.label,
        kind=outcome.kind,
        patient_id=ids.to_numpy()[rows],
        base=base,
        terms=terms,
        features=scaled,
        observed=observed,
        feature_names=tuple(str(name) for name in scaling.table.index),
        y=None if survival else part(outcome.value),
        categories=tuple(outcome.categories),
        time=part(outcome.time) if survival else None,
        event=None if status is None else (status == 1).astype(float),
        status=status,
        entry=part(outcome.entry) if survival else None,
        stratum=stratum,
        exposure=part(outcome.exposure),
        episodes=episodes,
        site=labels,
        scaling=scaling,
        coding=coding,
        n_study=len(ids),
        left_out=keep.left_out(),
        excluded=_excluded_table(excluded, outcome),
        notes=tuple(notes),
    )


def _excluded_table(names: list, outcome: Outcome) -> pd.DataFrame:
    reason = f"outcome {outcome.name} is defined from it"
    return pd.DataFrame(
        {"feature": np.array(names, dtype=object), "reason": np.full(len(names), reason, dtype=object)},
        copy=False,
    )


def _shared_index(ids: pd.Index, known: pd.Index) -> pd.Index:
    """The index of a table in place of an equal one, since it remembers whether an id is there twice."""
    return known if known.dtype == ids.dtype and known.equals(ids) else ids


def _base_model(
    columns: np.ndarray,
    terms: tuple[Term, ...],
    site: np.ndarray | None,
    kind: str,
    notes: list[str],
    site_reference: str,
) -> tuple[np.ndarray, tuple[Term, ...], np.ndarray | None]:
    """Base columns without linear mixes, their terms, and the strata.

    Sites come first: a covariate that is one value per site gives way to the site, in both codings.
    """
    n = len(columns)
    stratum = None
    site_columns = np.empty((n, 0))
    site_terms: tuple[Term, ...] = ()
    first = np.ones((n, 1))
    if site is not None and len(np.unique(site)) > 1:
        levels, codes = np.unique(site, return_inverse=True)
        counts = np.bincount(codes)
        reference = site_reference if site_reference in levels else levels[np.argmax(counts)]
        indicators = codes[:, None] == np.arange(len(levels))
        if kind_of(kind).stratified:
            stratum = codes.astype(np.int64)
            first = indicators.astype(float)
        else:
            others = levels != reference
            site_columns = indicators[:, others].astype(float)
            site_terms = tuple(
                Term(name=f"site={level}", covariate="site", level=str(level), reference=str(reference))
                for level in levels[others]
            )
            first = np.column_stack([first, site_columns])
    kept = keep_independent(columns, among=first)
    for term, use in zip(terms, kept):
        if not use:
            notes.append(
                f"{term.name} left out of the base model: a linear mix of the columns before it, or constant"
            )
    base = np.column_stack([site_columns, columns[:, kept]])
    return base, (*site_terms, *(t for t, use in zip(terms, kept) if use)), stratum
