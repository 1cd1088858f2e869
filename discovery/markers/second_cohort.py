"""A second cohort against frozen findings: first whether it is the same measurement, then the tests."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.association.multiplicity import holm
from discovery.cohort.incomplete_covariates import WideDesign
from discovery.markers.frozen import SCHEMA_VERSION, FrozenFindings, FrozenOutcome
from discovery.markers.frozen_model import MODELLED
from discovery.markers.frozen_steps import three_steps
from discovery.markers.replication import (
    one_sided_p,
    power_for,
    prediction_interval,
    replication_verdict,
    sceptical_p,
)
from discovery.markers.second_designs import all_patients, second_designs
from discovery.markers.second_differences import adjusted_for, require_same
from discovery.markers.second_gaps import CandidateFits, fit_candidates
from discovery.markers.second_shift import shift_sentences, shift_table
from discovery.problems import counted, named
from discovery.terms import LEAST_EVENTS

if TYPE_CHECKING:
    from discovery.study import Study


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
    remarks = [
        *_older(findings),
        *_same_data(findings, study),
        *_other_predictors(findings, study),
        *shift_sentences(shift),
    ]
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
