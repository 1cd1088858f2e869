"""Which findings of a run are written down for a second cohort, and with what."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.association.kinds import kind_of
from discovery.association.outcome_models import fit_columns, standardised_outcome
from discovery.association.screen import Screen
from discovery.cohort.imputation import Completed, completed_designs
from discovery.markers.frozen import (
    LARGEST,
    SMALLEST,
    FrozenCandidate,
    FrozenCompletion,
    FrozenFeature,
    FrozenFindings,
    FrozenOutcome,
    FrozenSignature,
    FrozenTerm,
)
from discovery.markers.frozen_completion import learn_completion, not_a_covariance
from discovery.markers.frozen_imputation import freeze_imputation
from discovery.markers.frozen_model import MODELLED, averaged, freeze_model
from discovery.markers.frozen_signature import freeze_signature
from discovery.markers.replication import TAU, Z95
from discovery.markers.suspected import suspected
from discovery.markers.verdict import FOUND

if TYPE_CHECKING:
    from discovery.study import Study

MOST = 5
FREEZABLE = ("survival", "binary", "continuous", "ordinal", "count", "recurrent")  # one number an effect
HORIZON_SHARE = 0.9  # of the event times
SIGNATURE_TABLES = ("signature", "signature_performance", "signature_words")


def freeze(
    study: Study,
    designs: Sequence[Design],
    screens: Sequence[Screen],
    markers: pd.DataFrame,
    *,
    versions: Mapping[str, str],
    definitions: Mapping[str, str],
    declared: Sequence[str] = (),
    tau: Mapping[tuple[str, str], float] | None = None,
    signatures: Mapping[str, pd.DataFrame] | None = None,
    completed: Mapping[str, Completed] | None = None,
    wider: Mapping[str, Design] | None = None,
    most: int = MOST,
) -> FrozenFindings:
    """The candidates of every outcome, at most `most` each and one a family, with all that tests them again.

    Parameters
    ----------
    markers : the marker table of the run
    definitions : feature -> what it is, where known; a second cohort must have the same
    declared : features to freeze for every outcome instead of the leading candidates; a suspected leak is
        frozen by that alone
    tau : (outcome, feature) -> spread of the effect between the sites; .10 is assumed, more where more
        was seen
    signatures : the tables "signature", "signature_performance" and "signature_words" of the run
    completed, wider : by outcome, the copies that the screens were pooled over, and the design that they
        are of where covariates were imputed; the models are then those of all its patients

    An outcome without a candidate is written down with none: there is nothing to replicate.
    """
    outcomes = []
    for design, screen in zip(designs, screens):
        if design.kind in FREEZABLE:
            mine = markers[markers["outcome"] == design.outcome]
            outcomes.append(
                _outcome(
                    study,
                    design,
                    (wider or {}).get(design.outcome, design),
                    (completed or {}).get(design.outcome),
                    screen,
                    mine,
                    declared,
                    tau or {},
                    signatures or {},
                    most,
                )
            )
    tested = {candidate.feature for outcome in outcomes for candidate in outcome.candidates}
    beside = {name for outcome in outcomes if outcome.signature for name in outcome.signature.markers}
    scales = {name: row for design in designs for name, row in design.scaling.table.iterrows()}
    about = study.settings.study
    return FrozenFindings(
        study=about.name,
        title=about.title,
        seed=about.seed,
        n_patients=len(study.patients),
        winsor=study.settings.analysis.winsor or None,
        features=tuple(
            _feature(study, str(name), row, definitions)
            for names in (tested, beside - tested)
            for name, row in scales.items()
            if name in names
        ),
        outcomes=tuple(outcomes),
        versions=dict(versions),
        input_hashes=dict(study.input_hashes),
    )


def _feature(study: Study, name: str, scale: pd.Series, definitions: Mapping[str, str]) -> FrozenFeature:
    return FrozenFeature(
        name=name,
        label=study.labels.get(name, ""),
        unit=study.units.get(name, ""),
        definition=definitions.get(name, ""),
        low=float(scale["low"]) if np.isfinite(scale["low"]) else None,
        high=float(scale["high"]) if np.isfinite(scale["high"]) else None,
        mean=float(scale["mean"]),
        sd=float(scale["sd"]),
        n=int(scale["n"]),
    )


def _outcome(
    study: Study,
    design: Design,
    whole: Design,
    completed: Completed | None,
    screen: Screen,
    markers: pd.DataFrame,
    declared: Sequence[str],
    tau: Mapping[tuple[str, str], float],
    signatures: Mapping[str, pd.DataFrame],
    most: int,
) -> FrozenOutcome:
    """`whole` is the design of the patients that the estimates are of, whose gaps `completed` fills; `design`
    that of those with all covariates, of whom the signature is."""
    about = next(outcome for outcome in study.outcomes if outcome.name == design.outcome)
    copies, horizon = _copies(design, whole, completed), _horizon(study, whole)
    own, bases = _own(design), [copy.base[:, _own(copy)] for copy in copies]
    chosen = _chosen(markers, declared, most)
    mean, sd = _scale(whole)
    return FrozenOutcome(
        name=design.outcome,
        label=design.label,
        kind=design.kind,
        unit=about.unit,
        effect_measure=str(markers["effect_measure"].iloc[0]) if len(markers) else "",
        gain_measure=str(markers["gain_measure"].iloc[0]) if len(markers) else "",
        categories=design.categories,
        competing=len(design.causes) > 1,
        mean=mean,
        sd=sd,
        horizon=horizon,
        landmark=about.landmark,
        terms=_terms(design, bases),
        base=_base_model(copies, bases, horizon),
        candidates=tuple(
            _candidate(
                copies, bases, screen, row, own, horizon, tau.get((design.outcome, row["feature"]), 0.0)
            )
            for row in chosen
        ),
        signature=_signature(design, own, horizon, signatures, mean, sd),
        imputation=freeze_imputation(
            whole,
            completed,
            study.settings.analysis.imputations,
            [row["feature"] for row in chosen],
            [term.covariate for term in design.terms],
        ),
        completion=_completion(bases),
    )


def _scale(design: Design) -> tuple[float | None, float | None]:
    """Mean and SD of a continuous outcome, of which its effects are; None of other kinds."""
    if design.kind != "continuous":
        return None, None
    assert design.y is not None
    return float(design.y.mean()), float(design.y.std(ddof=1))


def _terms(design: Design, bases: Sequence[np.ndarray]) -> tuple[FrozenTerm, ...]:
    """The base model's terms but sites, a level with its share over the copies' columns `bases`."""
    return tuple(
        FrozenTerm(
            name=term.name,
            covariate=term.covariate,
            level=term.level,
            reference=term.reference,
            mean=term.mean,
            sd=term.sd,
            share=float(np.mean([base[:, k].mean() for base in bases])) if term.level else None,
        )
        for k, term in enumerate(term for term in design.terms if term.covariate != "site")
    )


def _own(design: Design) -> np.ndarray:
    """Base columns (q,) bool that are no site; a second cohort has sites of its own."""
    return np.array([term.covariate != "site" for term in design.terms], dtype=bool)


def _copies(design: Design, whole: Design, completed: Completed | None) -> list[Design]:
    """The design without gaps, as each completed copy has it, with the terms of `design`."""
    kept = {term.name for term in design.terms if term.covariate != "site"}
    if completed is None or not kept <= {term.name for term in whole.terms}:
        return [standardised_outcome(design)]
    at = [k for k, term in enumerate(whole.terms) if term.covariate == "site" or term.name in kept]
    terms = tuple(whole.terms[k] for k in at)
    return [
        replace(copy, base=copy.base[:, at], terms=terms)
        for copy in completed_designs(standardised_outcome(whole), completed)
    ]


def _signature(
    design: Design, own, horizon, tables: Mapping[str, pd.DataFrame], mean: float | None, sd: float | None
) -> FrozenSignature | None:
    """Fitted in the unit of `design`; frozen in SDs of the outcome as written down."""
    if not all(len(tables.get(name, ())) for name in SIGNATURE_TABLES):
        return None
    unit = 1.0
    if sd is not None and design.y is not None:
        unit = kind_of(design.kind).level(design)[1] / sd
        design = replace(design, y=(design.y - mean) / sd)
    return freeze_signature(design, own, horizon, *(tables[name] for name in SIGNATURE_TABLES), unit=unit)


def _horizon(study: Study, design: Design) -> float | None:
    """The horizon that the study file states; else the time by which nine tenths of the events after time 0
    had come."""
    if design.kind != "survival":
        return None
    if (stated := study.settings.stated_horizon(design.outcome)) is not None:
        return float(stated)
    assert design.time is not None
    assert design.event is not None
    times = design.time[(design.event == 1) & (design.time > 0)]
    return float(np.quantile(times, HORIZON_SHARE)) if times.size else None


def _chosen(markers: pd.DataFrame, declared: Sequence[str], most: int) -> list[dict]:
    """What can be tested again: an effect with a direction, of a size that a fit gives."""
    usable = markers[
        (markers["estimate"].abs() <= LARGEST) & (markers["estimate"] != 0)
        & (markers["se"] >= SMALLEST) & (markers["se"] <= LARGEST)
    ]  # fmt: skip
    if declared:
        return usable[usable["feature"].isin(declared)].sort_values("rank", kind="stable").to_dict("records")
    found = usable[_found(usable) & ~suspected(usable)].sort_values("rank", kind="stable")
    return found.drop_duplicates("redundancy_group").head(most).to_dict("records")


def _found(markers: pd.DataFrame) -> pd.Series:
    return markers["verdict"].astype(str).str.split(",").str[0].isin(FOUND)


def withheld(designs: Sequence[Design], markers: pd.DataFrame, declared: Sequence[str] = ()) -> list[str]:
    """A sentence for every candidate that `freeze` leaves out as a suspected leak."""
    sentences = []
    for design in (design for design in designs if design.kind in FREEZABLE and not declared):
        mine = markers[markers["outcome"] == design.outcome]
        sentences += [
            f"{design.outcome}: {name}, a suspected leak, is not written to frozen.json; a second cohort "
            "tests such a feature only if the study file names it in freeze"
            for name in mine.loc[_found(mine) & suspected(mine), "feature"]
        ]
    return sentences


def _base_model(copies: Sequence[Design], bases: Sequence[np.ndarray], horizon: float | None):
    """The base model of every patient, averaged over the copies."""
    if copies[0].kind not in MODELLED:
        return None
    every = [_base_coefficients(copy) for copy in copies]
    if any(coefficients is None for coefficients in every):
        return None
    coefficients, rows = np.mean(every, axis=0), np.ones(copies[0].n, dtype=bool)  # type: ignore[arg-type]
    return averaged(
        [
            freeze_model(copy, coefficients, base @ coefficients, rows, horizon)
            for copy, base in zip(copies, bases)
        ]
    )


def _base_coefficients(design: Design) -> np.ndarray | None:
    """Those that are no site's: a screen of the base model's last column, given the others."""
    if not design.base.shape[1]:
        return np.empty(0)
    found = fit_columns(design.response, design.base[:, :-1], design.base[:, -1:], intervals=False)
    return found.fit.coef[0, _first(design) :][_own(design)] if found.fit.code[0] == 0 else None


def _completion(bases: Sequence[np.ndarray]) -> FrozenCompletion | None:
    """None where the numbers are no covariance that could be read back, as of a few patients far out."""
    learned = learn_completion(bases)
    return None if not_a_covariance(learned, bases[0].shape[1]) else learned


def _candidate(
    copies: Sequence[Design], bases: Sequence[np.ndarray], screen: Screen, row: dict, own, horizon, tau: float
) -> FrozenCandidate:
    j = copies[0].feature_names.index(row["feature"])
    model = None
    if copies[0].kind in MODELLED:
        coef = screen.fit.coef[j, _first(copies[0]) :]
        kept = np.concatenate([coef[:-1][own], coef[-1:]])
        model = averaged(
            [
                freeze_model(
                    copy,
                    kept,
                    np.column_stack([base, copy.features[:, j]]) @ kept,
                    copy.observed[:, j],
                    horizon,
                )
                for copy, base in zip(copies, bases)
            ]
        )
    shrunk = _number(row.get("shrunk_estimate"))
    low, high = _number(row.get("shrunk_low")), _number(row.get("shrunk_high"))
    known = shrunk is not None and low is not None and high is not None
    spread = _within((high - low) / (2 * Z95), 0.0, LARGEST) if known else None  # type: ignore[operator]
    return FrozenCandidate(
        feature=row["feature"],
        verdict=str(row["verdict"]),
        estimate=float(row["estimate"]),
        se=float(row["se"]),
        shrunk_estimate=None if spread is None else shrunk,
        shrunk_sd=spread,
        n=int(row["n"]),
        events=None if pd.isna(row["events"]) else int(row["events"]),
        gain=_within(_number(row.get("gain")), -LARGEST, 1.0),
        tau=min(max(TAU, tau), LARGEST),
        model=model,
    )


def _first(design: Design) -> int:
    """Where the base coefficients start: after the intercept, where there is one."""
    return 0 if design.kind == "survival" else 1


def _number(value) -> float | None:
    return None if value is None or pd.isna(value) else float(value)


def _within(value: float | None, low: float, high: float) -> float | None:
    return value if value is not None and low <= value <= high else None
