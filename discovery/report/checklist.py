"""Reporting items of the STROBE, REMARK and TRIPOD+AI statements: what is filled, where, and what is not.

A: filled by the run. P: a draft that the authors edit. U: only the authors can write it; it is printed
as TO BE WRITTEN and never invented. Item numbers as in the statements; their wording is ours.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import pandas as pd

from discovery.report.format import listed, plural
from discovery.report.headline import Headline
from discovery.report.settings import RunSettings

COLUMNS = ["topic", "strobe", "remark", "tripod_ai", "fill", "where", "text"]
UNWRITTEN = "TO BE WRITTEN"


@dataclass(frozen=True)
class Item:
    """One reporting item; `where` are result files, the first that exists is linked."""

    topic: str
    strobe: str
    remark: str
    tripod_ai: str
    fill: str
    where: tuple[str, ...] = ()
    key: str = ""


ITEMS = (
    Item(
        "Design named in title and abstract; abstract summary",
        "1",
        "",
        "1, 2",
        "P",
        ("index.html",),
        "summary",
    ),
    Item("Background, aims, prior hypotheses, intended users", "2, 3", "1", "3, 4", "U"),
    Item(
        "Setting, dates, source of data", "4, 5", "6", "5, 6", "P", ("sites.csv", "manifest.json"), "source"
    ),
    Item("Eligibility, treatment, selection of cases", "6", "2, 3, 6", "6", "P", ("attrition.csv",)),
    Item(
        "Measurement: device, calibration, signal quality, blinding",
        "8",
        "4, 5",
        "8, 9",
        "P",
        ("quality.csv",),
    ),
    Item("Outcome definition, horizon, follow-up", "7", "6, 7", "8", "A", ("methods.md",), "outcomes"),
    Item("All candidate variables listed", "7, 11", "8", "9", "A", ("associations.csv",), "features"),
    Item(
        "Continuous values: transforms, limits, no hidden cut-points",
        "11",
        "11",
        "7, 9, 12",
        "A",
        ("methods.md",),
        "values",
    ),
    Item("Sample size rationale", "10", "9", "10", "P", ("index.html",), "size"),
    Item("Missing data", "12c, 13, 14", "10", "11", "A", ("missing.csv",), "missing"),
    Item(
        "Statistical methods, model checks, multiplicity, software, seed",
        "12",
        "10",
        "12, 13",
        "A",
        ("methods.md",),
        "methods",
    ),
    Item(
        "Bias, confounding, sensitivity",
        "9, 12",
        "10",
        "12",
        "P",
        ("sensitivity.csv", "associations.csv"),
    ),
    Item("Flow of patients and events", "13, 15", "12", "20", "A", ("attrition.csv",)),
    Item("Characteristics, missing per variable, by site", "14", "13", "20", "A", ("baseline.csv",)),
    Item("Marker against standard covariates", "", "14", "", "A", ("figures/correlation.csv",)),
    Item("Each marker's effect with interval; curves", "16", "15", "", "A", ("associations.csv",)),
    Item(
        "Marker with the base model; whole base model shown", "16", "16, 17", "22", "A", ("associations.csv",)
    ),
    Item(
        "Performance, calibration, differences by site and group",
        "16, 17",
        "18",
        "14, 23",
        "A",
        ("prediction.csv", "markers.csv"),
    ),
    Item(
        "Further analyses, internal validation",
        "17",
        "18",
        "12, 16, 23",
        "A",
        ("signature_performance.csv", "markers.csv"),
    ),
    Item("Full model for use", "", "", "15, 22, 24", "A", ("frozen.json",), "model"),
    Item("Limits, interpretation, usability", "18-21", "19, 20", "25-27", "U"),
    Item("Funding, ethics, registration, data and code sharing, patient involvement", "22", "", "17-19", "U"),
    Item(
        "Exact p, intervals, units, denominators, n for each analysis, test named",
        "",
        "",
        "21",
        "A",
        ("associations.csv",),
    ),
)


def checklist(settings: RunSettings, headlines: Collection[Headline], files: Collection[str]) -> pd.DataFrame:
    """The table of checklist.csv: topic, strobe, remark, tripod_ai, fill, where, text.

    `files` are the names of the result files that exist, relative to the results folder. An item
    whose file this run did not make is not claimed: it falls back to U.
    """
    texts = _texts(settings, headlines)
    rows = []
    for item in ITEMS:
        where = next((name for name in item.where if name in files), "")
        fill = item.fill if where else "U"
        text = texts.get(item.key, f"See {where}.") if fill != "U" else UNWRITTEN
        if fill == "P":
            text += " (draft: edit)"
        rows.append((item.topic, item.strobe, item.remark, item.tripod_ai, fill, where, text))
    return pd.DataFrame(rows, columns=COLUMNS)


def _texts(s: RunSettings, headlines: Collection[Headline]) -> dict[str, str]:
    names = listed([o.label for o in s.outcomes], limit=20)
    sizes = [
        f"{o.label}: n = {o.n}"
        + (f", {plural(o.events, 'event')}" if o.events is not None else "")
        + "".join(f", {count} with {name}" for name, count in o.competing.items())
        + (f", {o.followed}" if o.followed else "")
        for o in s.outcomes
    ]
    return {
        "summary": f"Exploratory study of {plural(s.n_features, 'feature')} against {names} in "
        f"{plural(s.n_patients, 'patient')}. "
        + " ".join(text for h in headlines for text in (h.found, h.beware) if text),
        "source": f"Input files: {listed(list(s.files), limit=20)}."
        + (f" Sites: {s.sites}." if s.sites else ""),
        "outcomes": "; ".join(sizes)
        + "."
        + (" Horizons: notes of methods.md." if any(o.kind == "survival" for o in s.outcomes) else ""),
        "missing": (
            f"Imputed by chained equations with the outcome among the predictors (up to {s.imputations} "
            "imputations), pooled by Rubin's rules; complete cases stand beside. Imputed covariates: "
            f"{listed(list(s.imputed_covariates), limit=30) or 'none'}. See missing.csv and imputation.csv."
            if s.imputations
            else "Patients without a value were left out of that feature's analysis. See missing.csv."
        ),
        "model": "frozen.json: coefficients, baseline, scales and codings, how missing values were imputed, "
        "and what completes a patient without a covariate.",
        "features": f"{plural(s.n_features, 'candidate feature')}; base model: "
        f"{listed(list(s.covariates), limit=30) or 'none'}.",
        "values": (f"Winsorised at {s.winsor[0]:g} and {s.winsor[1]:g}" if s.winsor else "Not winsorised")
        + f", scaled per 1 SD, {s.shape}; no cut-point.",
        "size": " ".join(f"{o.label}: {h.could_see}" for o, h in zip(s.outcomes, headlines) if h.could_see)
        or "See the counts of patients and events.",
        "methods": f"Multiplicity: {s.multiplicity} at {s.fdr:g}; bootstrap draws {s.replicates}; "
        f"permutations "
        f"{s.permutations}; seed {s.seed}.",
    }
