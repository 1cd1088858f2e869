"""The page of a replication: first whether the cohorts are alike, then each finding, then the models."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path

import pandas as pd

from discovery.files import write_bytes
from discovery.report import format as words
from discovery.report.html import POLICY, _figure
from discovery.report.methods_text import CAUTION
from discovery.report.page_tables import Table
from discovery.report.saved_figure import SavedFigure
from discovery.report.second_phenotypes_view import METHODS as PHENOTYPE_METHODS
from discovery.report.second_phenotypes_view import axis_view, group_view
from discovery.terms import NOT_ASSESSABLE, REPLICATED, SMALLER

NOT_SHRUNK = (
    "Where the first cohort had too few features (20 are needed) to learn how far selection inflated the "
    "effects, they stand as estimated, not shrunk, and the second cohort may well find less."
)
SHIFT_NOTE = (
    "Made before any outcome of this cohort was looked at. A level is that of a category: its means are the "
    "shares of patients who have it."
)
HELD = (REPLICATED, SMALLER)


@dataclass(frozen=True, kw_only=True)
class ReplicationRun:
    """What was compared: names of the two studies, sizes, rules, provenance. No patient row."""

    name: str
    title: str
    first: str
    n_first: int
    n_second: int
    alpha: float
    labels: Mapping[str, str]  # outcome -> label
    remarks: tuple[str, ...]
    problems: tuple[str, ...]
    input_hashes: Mapping[str, str]
    frozen_hash: str
    versions: Mapping[str, str]
    signatures: tuple[str, ...] = ()  # a sentence a frozen signature
    phenotypes: tuple[str, ...] = ()  # sentences on groups and axes
    completed: bool = True  # the first cohort wrote down what a missing covariate is predicted from


def replication_headline(findings: pd.DataFrame, labels: Mapping[str, str]) -> str:
    """The result in a sentence or two; `labels` are those of the outcomes."""
    if findings.empty:
        return "No finding was frozen, so no single feature was there to replicate."
    held, unknown = findings["verdict"].isin(HELD), findings["verdict"] == NOT_ASSESSABLE
    one, many = len(findings) == 1, words.plural(len(findings), "frozen finding")
    if unknown.all():
        whole = "The one frozen finding could not be assessed here."
        return whole if one else f"None of {many} could be assessed here."
    left = f" {_could(int(unknown.sum()))} not be assessed here." if unknown.any() else ""
    if not held.any():
        return ("The one frozen finding did not replicate." if one else f"None of {many} replicated.") + left
    which = "The frozen finding" if one else f"{int(held.sum())} of {many}"
    return f"{which} replicated: {words.listed_apart(_named(findings[held], labels))}.{left}"


def _could(count: int) -> str:
    return f"{'One' if count == 1 else words.whole(count)} could"


def _named(findings: pd.DataFrame, labels: Mapping[str, str]) -> list[str]:
    """Each finding by its label and outcome."""
    return [f"{row.label} for {labels.get(str(row.outcome), row.outcome)}" for row in findings.itertuples()]


def methods_sentences(
    run: ReplicationRun, findings: pd.DataFrame, models: pd.DataFrame, signatures: pd.DataFrame
) -> list[str]:
    """The methods paragraph, from what was done."""
    out = [
        f"The findings of {run.first} ({run.n_first} patients) were written down before this cohort "
        f"({run.n_second} patients) was analysed: features with their scales, covariates with their coding, "
        "direction of each effect, and the rule of success.",
        "Features and covariates were compared with the first cohort before any outcome was used.",
    ]
    if len(findings):
        out += [
            "Each finding was tested once, in its announced direction, in the base model of the first cohort "
            f"fitted anew here ({words.listed(sorted(set(findings['method'])), limit=3)}); p-values are "
            f"one-sided and adjusted by Holm's method over all {len(findings)} findings at {run.alpha:g}.",
            "The expected range of each estimate is a 95 % prediction interval around the effect shrunk for "
            "selection, with the sampling error of both cohorts and a spread between cohorts of SD "
            f"{findings['tau'].min():.2g}"
            + (f" to {findings['tau'].max():.2g}" if findings["tau"].nunique() > 1 else "")
            + " on the scale of the effect. The sceptical p-value is Held's (2020).",
        ]
    if len(models) or len(signatures):
        out.append(
            "The models of the first cohort were judged in three steps that are never mixed: as frozen; with "
            "the baseline alone refitted; with everything refitted here (optimistic). Observed and expected "
            "events are compared over the time each patient was watched (Crowson, Atkinson & Therneau 2016)."
        )
    out += _missing_sentences(findings, models, signatures, completed=run.completed)
    if len(signatures):
        out.append(
            "The signature of the first cohort was applied with its coefficients, scales and limits; a "
            "missing marker was predicted from the base model by the first cohort's coefficients. It is "
            "called better than the base model where the 95 % interval of its gain lies above 0 as frozen "
            "and with everything refitted: a frozen base model that does badly here proves nothing."
        )
    return out


def _missing_sentences(*tables: pd.DataFrame, completed: bool) -> list[str]:
    """What was done with missing values, as the tables count them: of the findings, then of models."""
    imputed = [
        len(table) > 0 and bool((table["n_imputed"].isna() | table["n_imputed"].gt(0)).any())
        for table in tables
    ]
    out = []
    if imputed[0]:
        out.append(
            "Missing values were imputed for the tests as in the first cohort, by chained equations with "
            "the outcome among the predictors, and the models pooled over the completed copies; complete "
            "cases stand beside them in replication.csv."
        )
    if any(imputed[1:]) and not completed:
        out.append("The frozen models were judged in the patients who have all covariates.")
    elif any(imputed[1:]):
        out.append(
            "For the frozen models, which are meant for use before an outcome is known, a missing covariate "
            "was predicted from the other covariates by their mean and covariance in the first cohort (a "
            "category by the probability of each level), without the outcome (Hoogland et al. 2020)."
        )
    return [
        *out,
        "Who is in no test, for want of the outcome or of a value that could not be filled, is counted.",
    ]


def _patients(row: object) -> str:
    """How many are in a model, with those imputed and left out."""
    parts = [
        f"{words.whole(count)} {what}"
        for name, what in (("n_imputed", "imputed"), ("n_left_out", "left out"))
        if not words.missing(count := getattr(row, name, 0)) and count > 0
    ]
    return ", ".join([words.whole(row.n), *parts])  # type: ignore[attr-defined]


def finding_view(findings: pd.DataFrame, labels: Mapping[str, str]) -> Table:
    rows = []
    for row in findings.itertuples():
        measure = row.effect_measure
        rows.append(
            (
                str(row.label),
                str(row.verdict),
                labels.get(row.outcome, row.outcome),
                _patients(row),
                words.effect(row.shrunk_first, measure),
                words.interval(row.prediction_low, row.prediction_high, measure),
                words.effect_interval(row.estimate, row.ci_low, row.ci_high, measure),
                words.p_value(row.p_holm),
                words.percent(row.power),
                words.with_minus(str(row.note or row.verdict_rule).replace("<=", "≤")),
            )
        )
    as_estimated = findings["shrunk_first"] == findings["estimate_first"]
    heads = (
        "Finding", "Verdict", "Outcome", "Patients",
        "First cohort" if as_estimated.all() else "First cohort, shrunk", "Expected here (95 %)",
        "Second cohort (95 %)", "One-sided p, Holm", "Power", "Why",
    )  # fmt: skip
    measures = words.listed(sorted({words.ratio_name(m) for m in findings["effect_measure"]}))
    note = f"Effects: {measures}, adjusted, on the first cohort's scale."
    if as_estimated.any():
        note += " " + NOT_SHRUNK
    return Table(heads, tuple(rows), note=note)


def figure_caption(findings: pd.DataFrame) -> str:
    """What the picture of the findings of one outcome shows: of whom, by which model, which intervals."""
    n = findings["n"].dropna()
    models = words.listed(sorted({str(method).split(", ")[0] for method in findings["method"]}), limit=3)
    low, high = (words.whole(count) for count in (n.min(), n.max()))
    people = "" if n.empty else f"n = {low if low == high else f'{low} to {high}'}. "
    return (
        f"{people}{models[:1].upper()}{models[1:]}, each finding by itself, in the base model of the first "
        "cohort fitted anew. Grey: where the second cohort's estimate is expected (95 %), given the first "
        "cohort's effect (diamond), shrunk for selection where that could be learned. Square: the second "
        "cohort's estimate with its 95 % interval."
    )


def shift_view(shift: pd.DataFrame) -> Table:
    heads = (
        "Name",
        "Role",
        "n",
        "Missing",
        "Mean, first",
        "Mean, here",
        "Difference in SD",
        "SD ratio",
        "Beyond limits",
    )
    rows = [
        (
            f"{r.label} ({r.unit})" if r.unit else str(r.label),
            str(r.role),
            words.whole(r.n),
            words.percent(r.missing_share),
            words.number(r.mean_first),
            words.number(r.mean_second),
            words.fixed(r.smd),
            words.fixed(r.sd_ratio),
            words.percent(r.outside_share),
        )
        for r in shift.itertuples(index=False)
    ]
    return Table(heads, tuple(rows), note=SHIFT_NOTE)


def model_view(models: pd.DataFrame, labels: Mapping[str, str], names: Mapping[str, str]) -> Table:
    heads = (
        "Model",
        "Step",
        "Patients",
        "Calibration slope",
        "Observed / expected",
        "Discrimination",
        "Above the base model",
    )
    rows = []
    for r in models.itertuples():
        rows.append(
            (
                f"{names.get(r.feature, r.feature)}: {labels.get(r.outcome, r.outcome)}",
                str(r.step),
                _patients(r),
                _with_interval(r.slope, r.slope_low, r.slope_high),
                _with_interval(r.level, r.level_low, r.level_high),
                f"{words.measure(r.measure)} "
                f"{words.discrimination_interval(r.value, r.value_low, r.value_high)}",
                words.gain_interval(r.gain, r.gain_low, r.gain_high),
            )
        )
    note = (
        "Above the base model: of the same step. A frozen base model that does badly here makes this gain "
        "large; with everything refitted it is the feature's own."
    )
    if models["level_is"].str.startswith("mean").any():
        note += (
            " For a continuous outcome the fifth column is the mean of observed less expected, in SDs of "
            "the first cohort."
        )
    return Table(heads, tuple(rows), note=note)


def signature_view(signatures: pd.DataFrame, labels: Mapping[str, str]) -> Table:
    """The frozen signatures at the three steps, as the models of single findings."""
    table = model_view(signatures.assign(feature="signature"), labels, {"signature": "Signature"})
    return replace(table, note=table.note.replace("the feature's own", "that of its markers"))


def _with_interval(value: object, low: object, high: object) -> str:
    interval = "" if words.missing(value) else f" ({words.interval(low, high)})"
    return f"{words.fixed(value)}{interval}"


def write_replication_page(
    run: ReplicationRun,
    tables: Mapping[str, pd.DataFrame],
    figures: Sequence[SavedFigure],
    folder: Path,
) -> list[Path]:
    """Write index.html and methods.md into `folder`. `tables` as those of the result."""
    from jinja2 import Environment, StrictUndefined

    findings, shift, models, signatures = (
        tables[name] for name in ("replication", "shift", "model_performance", "signature_performance")
    )
    groups, axes = tables["phenotype_replication"], tables["axis_replication"]
    names = dict(zip(findings["feature"], findings["label"].astype(str))) if len(findings) else {}
    methods = methods_sentences(run, findings, models, signatures)
    methods += [PHENOTYPE_METHODS] if len(axes) else []
    here = files("discovery.report")
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["with_measures"] = words.with_measures
    page = environment.from_string((here / "replication.html.j2").read_text("utf-8")).render(
        policy=POLICY,
        style=(here / "page.css").read_text("utf-8"),
        run=run,
        caution=CAUTION,
        headline=replication_headline(findings, run.labels),
        shift=shift_view(shift) if len(shift) else None,
        findings=finding_view(findings, run.labels) if len(findings) else None,
        models=model_view(models, run.labels, names) if len(models) else None,
        signatures=signature_view(signatures, run.labels) if len(signatures) else None,
        groups=group_view(groups) if len(groups) else None,
        axes=axis_view(axes) if len(axes) else None,
        figures=[_figure(figure, folder) | {"text": figure.svg.read_text("utf-8")} for figure in figures],
        methods=methods,
    )
    text = "\n\n".join(["# Methods", *methods, CAUTION]) + "\n"
    return [
        write_bytes(folder / "methods.md", text.encode("utf-8")),
        write_bytes(folder / "index.html", page.encode("utf-8")),
    ]
