"""A second cohort against frozen findings: first whether it is the same measurement, then the tests."""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.association.coding import as_levels, of_numbers
from discovery.association.design import Design, build_design
from discovery.association.multiplicity import holm
from discovery.association.outcome_models import LEAST_EVENTS
from discovery.cohort.incomplete_covariates import WideDesign, wide_design
from discovery.markers.frozen import (
    SCHEMA_VERSION,
    FrozenFeature,
    FrozenFindings,
    FrozenOutcome,
    FrozenTerm,
    coding_of,
)
from discovery.markers.frozen_completion import complete_base
from discovery.markers.frozen_model import MODELLED
from discovery.markers.frozen_steps import three_steps
from discovery.markers.replication import (
    one_sided_p,
    power_for,
    prediction_interval,
    replication_verdict,
    sceptical_p,
)
from discovery.markers.second_gaps import CandidateFits, fit_candidates
from discovery.problems import InputError, Problem, counted, named, nearest, shown

if TYPE_CHECKING:
    from discovery.study import Outcome, Study

LANDMARKS_SINCE = 4  # schema version
LARGE_SHIFT = 0.5  # standardised mean difference that is remarked
FARTHEST = 1e6  # SDs from the first cohort's mean that a value may be


@dataclass(frozen=True, kw_only=True)
class Replication:
    """Tables of a replication.

    shift : a row a feature or covariate, made before any outcome is looked at; findings : a row a frozen
    candidate, with its verdict; models : three rows a candidate, one for each step, with the patients in it,
    completed for it and left out; `remarks` are sentences for the reader.
    """

    shift: pd.DataFrame
    findings: pd.DataFrame
    models: pd.DataFrame
    remarks: tuple[str, ...]


def replicate_findings(
    findings: FrozenFindings, study: Study, definitions: Mapping[str, str] | None = None
) -> Replication:
    """Test the candidates of `findings` in `study`, each in its frozen direction, nothing else.

    Raises
    ------
    InputError
        Every difference that would make it another test: a feature, covariate or outcome that is not
        there, another unit, definition, kind, or a category without a coefficient.
    """
    require_same(findings, study, definitions or {})
    shift = shift_table(findings, study)
    remarks = [_shift_sentence(row) for row in shift.itertuples(index=False)]
    remarks = [remark for remark in remarks if remark]
    remarks = [*_older(findings), *_same_data(findings, study), *_other_predictors(findings, study), *remarks]
    rows: list[dict] = []
    models: list[dict] = []
    for outcome in findings.outcomes:
        if outcome.candidates:
            narrow, wide = second_designs(findings, outcome, study)
            fits = fit_candidates(
                narrow, wide, outcome.imputation, limits=study.limits, seed=study.settings.study.seed
            )
            remarks += [*narrow.notes, *fits.remarks, *_left_out(outcome, fits)]
            rows += _finding_rows(findings, outcome, fits)
            models += _model_rows(outcome, narrow, wide, study)
    table = pd.DataFrame(rows)
    if len(table):
        table = _with_verdicts(table, findings)
    return Replication(
        shift=shift, findings=table, models=pd.DataFrame(models), remarks=tuple(dict.fromkeys(remarks))
    )


def _older(findings: FrozenFindings) -> list[str]:
    version = findings.schema_version
    if version == SCHEMA_VERSION:
        return []
    less = ["neither a signature nor shares of categories, and these are not compared"] if version < 2 else []
    less += ["nothing on missing values, and patients with one are left out"] if version < 3 else []
    less += ["no landmarks, and these are not compared"]
    return [f"frozen.json is of an older schema version: it holds {'; '.join(less)}"]


def _same_data(findings: FrozenFindings, study: Study) -> list[str]:
    """A remark when a data file is byte for byte one of the first cohort; labels may well be shared."""
    data = (study.settings.patients.file, study.settings.features.file if study.settings.features else "")
    known = set(findings.input_hashes.values())
    same = [name for name, digest in study.input_hashes.items() if name in data and digest in known]
    if not same:
        return []
    what = "are files" if len(same) > 1 else "is a file"
    return [f"{' and '.join(same)} {what} of the first cohort: the same patients again are no replication"]


def _other_predictors(findings: FrozenFindings, study: Study) -> Iterable[str]:
    """A remark on what the first cohort's missing values were imputed from and is not here."""
    terms = {name for o in findings.outcomes for t in o.terms for name in (t.name, t.covariate)}
    known = {*terms, *study.features.columns, *adjusted_for(study).columns}
    columns = [c for o in findings.outcomes if o.imputation is not None for c in o.imputation.columns]
    gone = list(dict.fromkeys(name for c in columns for name in c.predictors if name not in known))
    if gone:
        yield (
            f"the first cohort's missing values were imputed from {', '.join(map(named, gone))} too, which "
            "are no features here"
        )


def require_same(findings: FrozenFindings, study: Study, definitions: Mapping[str, str]) -> None:
    """Refuse what would make it another test; every difference at once.

    A feature of the signature or of the phenotypes alone may be missing: those are not judged then.
    """
    problems = [*absent_features(findings, study), *differences(findings, study, definitions)]
    if problems:
        raise InputError(problems)


def differences(
    findings: FrozenFindings, study: Study, definitions: Mapping[str, str], *, unread: Container[str] = ()
) -> Iterator[Problem]:
    """What would make it another test, in the features that are there, the outcomes and the covariates.

    unread : names that may be missing from `study`, for a reason told elsewhere
    """
    yield from _other_measures(findings, study, definitions)
    yield from _other_scales(findings, study)
    yield from _outcome_problems(findings, study, unread)
    yield from _covariate_problems(findings, study, unread)


def _covariate_problems(findings: FrozenFindings, study: Study, unread: Container[str]) -> Iterator[Problem]:
    covariates, file = adjusted_for(study), study.settings.patients.file
    terms = {term.name: term for outcome in findings.outcomes for term in outcome.terms}
    for name in dict.fromkeys(term.covariate for term in terms.values()):
        if name not in covariates.columns and name not in unread:
            hint = nearest(name, covariates.columns)
            wanted = f"the covariate of the frozen base model is wanted in adjust_for; {hint}"
            yield Problem(file=file, column=name, wanted=wanted)
    here = [term for term in terms.values() if term.covariate in covariates.columns]
    if here:
        try:
            coding_of(here).apply(covariates)
        except InputError as fault:
            yield from (_coded_otherwise(problem, covariates, study) for problem in fault.problems)


def _coded_otherwise(problem: Problem, covariates: pd.DataFrame, study: Study) -> Problem:
    """`problem` of a covariate's coding, with the first row of the second cohort's file that has it."""
    of = as_levels(covariates[problem.column]) == problem.found
    row = None if study.lines is None or not of.any() else int(study.lines[of].min())
    others = f" ({counted(int(of.sum()))} have this value)" if of.sum() > 1 else ""
    return replace(
        problem,
        file=study.settings.patients.file,
        row=row,
        wanted=f"{problem.wanted} is wanted, as in the first cohort{others}",
    )


def adjusted_for(study: Study) -> pd.DataFrame:
    """The covariates, with those that do not vary here: a frozen model has a coefficient for them."""
    flat = [
        name
        for name in study.settings.patients.adjust_for
        if name not in study.covariates.columns and name in study.patients.columns
    ]
    return study.covariates.join(study.patients[flat])


def absent_features(
    findings: FrozenFindings, study: Study, *, unread: Container[str] = ()
) -> Iterator[Problem]:
    """Features to be tested that the study does not have; `unread` as for `differences`."""
    gone = dict(zip(study.excluded_features["feature"], study.excluded_features["reason"]))
    tested = [candidate.feature for outcome in findings.outcomes for candidate in outcome.candidates]
    for name in dict.fromkeys(tested):
        if name not in study.features.columns and name not in unread:
            found = f"left out: {gone[name]}" if gone.get(name) else "no such feature"
            wanted = f"the frozen feature is wanted; {nearest(name, study.features.columns)}"
            yield Problem(file=_features_of(study), column=name, found=found, wanted=wanted)


def _other_measures(findings, study, definitions) -> Iterable[Problem]:
    for name, (unit, definition) in findings.measures().items():
        if name not in study.features.columns:
            continue
        for what, first, mine in (
            ("unit", unit, study.units.get(name, "")),
            ("definition", definition, definitions.get(name, "")),
        ):
            if first and mine and mine != first:
                wanted = f"the {what} of the first cohort, {shown(first)}, is wanted"
                yield Problem(file=_features_of(study), column=name, found=mine, wanted=wanted)


def _other_scales(findings, study) -> Iterable[Problem]:
    """Numbers so far from the first cohort's that they cannot be of one quantity in one unit."""
    patients = study.settings.patients.file
    for feature in findings.features:
        if feature.name in study.features.columns:
            values = study.features[feature.name].clip(feature.low, feature.high)
            yield from _far_from(feature, values, _features_of(study), None)
    covariates = adjusted_for(study)
    terms = {term.name: term for outcome in findings.outcomes for term in outcome.terms if not term.level}
    for term in terms.values():
        if term.covariate in covariates.columns and of_numbers(covariates[term.covariate]):
            yield from _far_from(term, covariates[term.covariate], patients, study.lines)


def _far_from(scale: FrozenFeature | FrozenTerm, values: pd.Series, file: str, lines) -> Iterable[Problem]:
    """The value farthest from a frozen mean, where it is too far."""
    away = (values.astype(float) - scale.mean).abs().dropna()
    if len(away) and away.max() > FARTHEST * scale.sd:
        at = away.idxmax()
        first = f"mean {scale.mean:g}, SD {scale.sd:g}"
        yield Problem(
            file=file,
            row=None if lines is None else int(lines[at]),
            column=scale.name,
            found=f"{values[at]:g}",
            wanted=f"numbers on the scale of the first cohort ({first}) are wanted",
        )


def _features_of(study) -> str:
    return study.settings.features.file if study.settings.features else "recordings"


def _outcome_problems(findings: FrozenFindings, study: Study, unread: Container[str]) -> Iterator[Problem]:
    there = {outcome.name: outcome for outcome in study.outcomes}
    for outcome in findings.outcomes:
        mine = there.get(outcome.name)
        if not outcome.candidates and (outcome.signature is None or mine is None):
            continue
        if mine is None and outcome.name in unread:
            continue
        if mine is None:
            wanted = f"the frozen outcome is wanted; {nearest(outcome.name, there)}"
            yield Problem(file="study.toml", column=outcome.name, found="no such outcome", wanted=wanted)
            continue
        here = _landmark(study, outcome.name)
        known = findings.schema_version >= LANDMARKS_SINCE and not (here is None and outcome.name in unread)
        if known and outcome.landmark != here:
            first, second = (f"landmark {at:g}" if at else "no landmark" for at in (outcome.landmark, here))
            wanted = f"the clock of the first cohort, {first}, is wanted"
            yield Problem(file="study.toml", column=outcome.name, found=second, wanted=wanted)
        for what, first, second in (
            ("kind", outcome.kind, mine.kind),
            ("unit", outcome.unit, mine.unit),
            ("classes", ", ".join(outcome.categories), ", ".join(mine.categories)),
        ):
            if first and second and first != second:
                wanted = f"the {what} of the first cohort, {shown(first)}, is wanted"
                yield Problem(file="study.toml", column=outcome.name, found=second, wanted=wanted)


def _landmark(study: Study, outcome: str) -> float | None:
    sections = (section for section in study.settings.outcomes if section.name == outcome)
    return next((getattr(section, "landmark", None) for section in sections), None)


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


def _shift_sentence(row) -> str:
    if not abs(row.smd) >= LARGE_SHIFT:
        return ""
    if row.role == "level":
        return f"{row.label}: {row.mean_second:.0%} here, {row.mean_first:.0%} in the first cohort"
    side = "above" if row.smd > 0 else "below"
    return f"{row.label}: its mean is {abs(row.smd):.2g} SD {side} that of the first cohort"


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


def _finding_rows(findings: FrozenFindings, outcome: FrozenOutcome, fits: CandidateFits) -> list[dict]:
    rows = []
    for j, candidate in enumerate(outcome.candidates):
        direction = 1 if candidate.estimate > 0 else -1
        shrunk = candidate.estimate if candidate.shrunk_estimate is None else candidate.shrunk_estimate
        shrunk_sd = candidate.se if candidate.shrunk_sd is None else candidate.shrunk_sd
        estimate, se, z = (float(v[j]) for v in (fits.estimate, fits.se, fits.z))
        low, high = prediction_interval(shrunk, shrunk_sd, se, candidate.tau)
        rows.append(
            {
                "outcome": outcome.name,
                "feature": candidate.feature,
                "label": findings.feature(candidate.feature).label or candidate.feature,
                "verdict_first": candidate.verdict,
                "effect_measure": outcome.effect_measure,
                "direction": direction,
                "estimate_first": candidate.estimate,
                "se_first": candidate.se,
                "shrunk_first": shrunk,
                "estimate": estimate,
                "ci_low": float(fits.ci_low[j]),
                "ci_high": float(fits.ci_high[j]),
                "se": se,
                "z": z,
                "p_one_sided": float(one_sided_p(z, direction)),
                "p_other_direction": float(one_sided_p(z, -direction)),
                "estimate_complete_cases": float(fits.alone[j]),
                "p_one_sided_complete_cases": float(one_sided_p(fits.z_alone[j], direction)),
                "prediction_low": float(low),
                "prediction_high": float(high),
                "p_sceptical": float(
                    sceptical_p(
                        abs(candidate.estimate) / candidate.se, direction * z, (candidate.se / se) ** 2
                    )
                ),
                "se_null": float(fits.se_null[j]),
                "tau": candidate.tau,
                "n_first": candidate.n,
                "n": int(fits.n[j]),
                "events": int(fits.sizes[j]) if outcome.kind != "continuous" else None,
                "n_imputed": int(fits.n_imputed[j]),
                "n_left_out": int(fits.n_left_out[j]),
                "method": fits.method[j],
                "note": fits.why[j],
            }
        )
    return rows


def _left_out(outcome: FrozenOutcome, fits: CandidateFits) -> Iterable[str]:
    """Who is in no test of this outcome, with the reasons, in words."""
    reasons = fits.design.left_out
    if len(reasons):
        listed = "; ".join(f"{reason}: {counted(n)}" for reason, n in zip(reasons["reason"], reasons["n"]))
        yield f"{outcome.label or outcome.name}: left out of the tests: {listed}"


def _with_verdicts(table: pd.DataFrame, findings: FrozenFindings) -> pd.DataFrame:
    """Holm over the whole file; a candidate that could not be tested counts as a test that failed."""
    rules, table = findings.rules, table.copy()
    untested = table["p_one_sided"].isna()
    table["p_holm"] = np.where(untested, np.nan, holm(table["p_one_sided"].fillna(1.0).to_numpy()))
    level = rules.alpha / len(table)
    se = np.where(table["se_null"] > 0, table["se_null"], table["se"])
    table["power"] = np.where(untested, np.nan, power_for(table["shrunk_first"], se, level))
    table["ratio_to_first"] = table["estimate"] / table["estimate_first"]
    table["ratio_to_shrunk"] = table["estimate"] / table["shrunk_first"]
    words = [
        replication_verdict(
            estimate=row.estimate,
            direction=row.direction,
            p_holm=row.p_holm,
            p_other=row.p_other_direction,
            power=row.power,
            low=row.prediction_low,
            high=row.prediction_high,
            alpha=rules.alpha,
            least_power=rules.power,
        )
        for row in table.itertuples()
    ]
    table["verdict"] = [word for word, _ in words]
    table["verdict_rule"] = [rule for _, rule in words]
    return table


def _model_rows(outcome: FrozenOutcome, narrow: Design, wide: WideDesign | None, study: Study) -> list[dict]:
    if outcome.base is None or narrow.kind not in MODELLED:
        return []
    design, base, completed = all_patients(outcome, narrow, wide, study)
    rows: list[dict] = []
    for j, candidate in enumerate(outcome.candidates):
        seen = design.observed[:, j]
        sizes = design.response.effective_sizes(seen[:, None])
        if candidate.model is not None and sizes[0] >= LEAST_EVENTS:
            feature = design.features[:, [j]]
            about = {"outcome": outcome.name, "feature": candidate.feature}
            counts = {
                "n_imputed": int((completed & seen).sum()), "n_left_out": design.n_study - int(seen.sum())
            }  # fmt: skip
            rows += [
                about | step | counts
                for step in three_steps(outcome, candidate.model, design, base, feature, seen)
            ]
    return rows
