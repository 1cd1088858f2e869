"""The report: one self-contained page that opens offline and asks nothing of any network."""

from __future__ import annotations

import base64
import gzip
import re
from collections.abc import Mapping, Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

import pandas as pd

from discovery.files import write_bytes, write_csv
from discovery.report import format as words
from discovery.report.checklist import checklist
from discovery.report.closer_look_views import closer_look_views
from discovery.report.doubts_view import doubts_in_lines
from discovery.report.family_names import feature_labels, named_families
from discovery.report.further_views import further_views
from discovery.report.headline import VERDICTS, Headline, base_verdict, headline
from discovery.report.methods_text import CAUTION, methods_markdown, methods_parts
from discovery.report.missing_views import imputation_views
from discovery.report.page_data import packed, page_data
from discovery.report.page_tables import (
    Table,
    attrition_view,
    baseline_view,
    missing_view,
    plain_view,
    ranked_view,
)
from discovery.report.reading_key import reading_key
from discovery.report.saved_figure import SavedFigure
from discovery.report.settings import OutcomeRun, RunSettings
from discovery.report.site_views import excluded_view, left_out_view, shift_view, site_view
from discovery.report.unassessed_view import unassessed_count, unassessed_view
from discovery.terms import NOT_ASSESSABLE

POLICY = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data: blob:; "
    "base-uri 'none'; form-action 'none'"
)
WITHOUT_SCRIPT = 25
FAMILIES_SHOWN = 5
OTHER_TABLES = (
    ("sites", "Sites"),
    ("site_shift", "Differences of features between sites"),
    ("leave_one_site_out", "With each site left out"),
    ("quality", "Signal quality"),
)


def write_report(
    tables: Mapping[str, pd.DataFrame],
    settings: RunSettings,
    figures: Sequence[SavedFigure],
    folder: Path,
) -> list[Path]:
    """Write index.html, methods.md and checklist.csv into `folder`; returns their paths.

    Tables, by name: "markers" (the contract's columns, and more of them when there) and, each optional,
    "associations", "families", "baseline", "missing", "attrition", "excluded_features" (feature, reason),
    "definitions" (feature, unit, definition, source), "untested" (sentence: an outcome left aside), and as
    they are those of `OTHER_TABLES`. None of them may hold a row for a patient.

    `figures` are embedded; their files are linked relative to `folder`. Write it after the other
    result files, since the checklist links only what exists, and before the manifest.
    """
    folder = Path(folder)
    heads = [headline(tables["markers"], outcome, settings) for outcome in settings.outcomes]
    made = {"index.html", "methods.md", "checklist.csv", "manifest.json"} | _result_files(folder)
    items = checklist(settings, heads, made)
    return [
        write_bytes(folder / "methods.md", methods_markdown(settings).encode("utf-8")),
        write_csv(items, folder / "checklist.csv"),
        write_bytes(
            folder / "index.html", page(tables, settings, figures, folder, heads, items).encode("utf-8")
        ),
    ]


def page(
    tables: Mapping[str, pd.DataFrame],
    settings: RunSettings,
    figures: Sequence[SavedFigure],
    folder: Path,
    heads: Sequence[Headline],
    items: pd.DataFrame,
) -> str:
    """The page as text. Every value from a user's file goes through Jinja's escaping or the packed data."""
    from jinja2 import Environment, StrictUndefined

    here = files("discovery.report")
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["unbroken"] = words.unbroken
    template = environment.from_string((here / "page.html.j2").read_text("utf-8"))
    data = page_data(tables, settings)
    return template.render(
        policy=POLICY,
        style=(here / "page.css").read_text("utf-8"),
        script="".join((here / name).read_text("utf-8") for name in ("page_pictures.js", "page.js")),
        data=packed(data),
        pictures=packed({figure.figure_id: _svg_text(figure) for figure in figures}),
        settings=settings,
        caution=CAUTION,
        people=_people(settings),
        cards=[_card(outcome, head, tables) for outcome, head in zip(settings.outcomes, heads)],
        untested=list(tables["untested"]["sentence"]) if "untested" in tables else [],
        without_script=_without_script(tables, settings),
        unassessed=unassessed_view(tables, settings),
        unassessed_count=unassessed_count(tables["markers"]),
        key=reading_key(settings, tables["markers"]),
        verdicts=[v for v in VERDICTS if v in set(tables["markers"]["verdict"].map(base_verdict))],
        figures=[
            (title, [_figure(figure, folder) for figure in found])
            for title, found in _by_outcome(figures, settings)
        ],
        views=_views(tables, settings),
        further=further_views(tables, settings),
        closer=closer_look_views(tables, settings, feature_labels(tables["markers"])),
        problems=doubts_in_lines(settings.problems),
        methods=methods_parts(settings),
        limits=_limits(settings, heads, tables),
        checklist=items.to_dict("records"),
        missing=words.missing,
        plural=words.plural,
    )


def _people(settings: RunSettings) -> str:
    parts = [
        words.plural(settings.n_patients, "patient"),
        words.plural(settings.n_features, "feature"),
        words.plural(len(settings.outcomes), "outcome"),
    ]
    if settings.sites:
        parts.append(words.plural(settings.sites, "site"))
    return " · ".join(parts)


def _card(outcome: OutcomeRun, head: Headline, tables: Mapping[str, pd.DataFrame]) -> dict[str, Any]:
    kind = {"survival": "time to event", "recurrent": "recurrent events"}.get(outcome.kind, outcome.kind)
    counts = [words.plural(outcome.n, "patient")]
    if outcome.events is not None:
        counts.append(words.plural(outcome.events, words.counted_one(outcome.kind)))
    counts += [f"{words.whole(count)} with {name}" for name, count in outcome.competing.items()]
    tally = [
        (head.strong, "strong"),
        (head.candidates - head.strong, "candidate"),
        (head.suggestive, "suggestive"),
    ]
    return {
        "outcome": outcome,
        "kind": kind,
        "counts": ", ".join(counts),
        "head": head,
        "tally": tally,
        "families": _leading_families(tables, outcome.name),
    }


def _leading_families(tables: Mapping[str, pd.DataFrame], outcome: str) -> Table | None:
    """The families that rank first, when the run ranked families: they come before features."""
    families = tables.get("families")
    if families is None or families.empty:
        return None
    mine = families[(families["outcome"] == outcome) & families["family_rank"].notna()]
    markers = tables["markers"]
    gone = (markers["outcome"] == outcome) & (markers["verdict"].map(base_verdict) == NOT_ASSESSABLE)
    unfounded = mine["lead"].isin(markers.loc[gone, "feature"])  # a rank of a feature without a verdict
    mine, left_out = mine[~unfounded], int(unfounded.sum())
    if mine.empty or mine["size"].max() < 2:
        return None
    labels = feature_labels(markers)
    rows = []
    for row in mine.sort_values("family_rank", kind="stable").head(FAMILIES_SHOWN).to_dict("records"):
        span = words.rank_interval(row["family_rank"], row["family_rank_low"], row["family_rank_high"])
        name = labels.get(row["lead"], str(row["lead"]))
        rows.append(
            (name, words.whole(row["size"]), span, words.probability(row["family_probability_in_top"]))
        )
    top = mine["family_top_k"].dropna()
    gone_too = words.plural(left_out, "family", "families")
    note = f"Left out: {gone_too} with the rank of a feature that could not be assessed." if left_out else ""
    return Table(
        (
            "Family, by its best feature",
            "Features",
            "Rank (interval)",
            f"In first {int(top.iloc[0])}" if len(top) else "In top",
        ),
        tuple(rows),
        note,
    )


def _without_script(tables: Mapping[str, pd.DataFrame], settings: RunSettings) -> list[tuple[str, Table]]:
    out, markers = [], named_families(tables["markers"])
    for outcome in settings.outcomes:
        mine = markers[markers["outcome"] == outcome.name]
        effect = words.ratio_name(mine["effect_measure"].iloc[0]) if len(mine) else "Effect"
        out.append((outcome.label, ranked_view(mine, effect, WITHOUT_SCRIPT)))
    return out


def _views(tables: Mapping[str, pd.DataFrame], settings: RunSettings) -> list[tuple[str, str, Table]]:
    """Anchor, heading and table of everything that is shown as it is."""
    labels = {outcome.name: outcome.label for outcome in settings.outcomes}
    out = []
    if len(tables.get("attrition", ())):
        out.append(("attrition", "Flow of patients", attrition_view(tables["attrition"], labels)))
    if len(tables.get("baseline", ())):
        out.append(("baseline", "Baseline characteristics", _baseline(tables["baseline"])))
    if len(tables.get("missing", ())) and (tables["missing"]["n_missing"] > 0).any():
        out.append(("missing", "Missing values", missing_view(tables["missing"])))
    out += imputation_views(tables, labels)
    if len(tables.get("excluded_features", ())):
        out.append(("excluded", "Features left out", excluded_view(tables["excluded_features"])))
    for name, heading in OTHER_TABLES:
        if len(tables.get(name, ())):
            out.append((name, heading, _other(name, tables, labels)))
    return out


def _other(name: str, tables: Mapping[str, pd.DataFrame], labels: Mapping[str, str]) -> Table:
    if name == "sites":
        return site_view(tables[name], labels)
    if name == "site_shift":
        return shift_view(tables[name])
    if name == "leave_one_site_out":
        return left_out_view(tables[name], tables["markers"], labels)
    return plain_view(tables[name])


def _baseline(table: pd.DataFrame) -> Table:
    from discovery.report.baseline_files import legend

    view = baseline_view(table)
    files = "For a paper: baseline.docx, baseline.tex, baseline.html, all as data in baseline.csv."
    return Table(view.heads, view.rows, f"{legend(table)}{view.note} {files}".strip(), view.lead)


def _limits(
    settings: RunSettings, heads: Sequence[Headline], tables: Mapping[str, pd.DataFrame]
) -> list[str]:
    """Limits that follow from the run; the authors add their own."""
    out = [
        "The study looks for candidates. It confirms none: that takes a second cohort and a list fixed "
        "beforehand.",
        "The effects are associations given the base model. They are not effects of changing the feature.",
        "Where a figure cuts a scale (thirds, curves of sensitivity, thresholds of net benefit), it does so "
        "to draw: no cut is a threshold for care.",
    ]
    for outcome, head in zip(settings.outcomes, heads):
        if head.beware:
            out.append(f"{outcome.label}: {head.beware}")
        if head.fragile:
            out.append(f"{outcome.label}: {head.fragile}")
        if outcome.competing:
            out.append(
                f"{outcome.label}: a cause-specific hazard ratio speaks of the rate among those still at "
                f"risk, "
                "not of the share of patients who come to have the event."
            )
    if not settings.site:
        out.append("No site was declared: differences between sites or devices cannot be told from effects.")
    if not settings.covariates:
        left = "adjusted for the site alone" if settings.adjusted else "unadjusted"
        out.append(f"No covariate was declared: every association is {left}.")
    if (
        not settings.imputations
        and len(tables.get("missing", ()))
        and (tables["missing"]["n_missing"] > 0).any()
    ):
        out.append(
            "Patients without a feature's value were left out of that feature's analysis; if values are "
            "missing for "
            "a reason that goes with the outcome, its estimate is off."
        )
    if settings.imputations:
        out.append(
            "Missing values were imputed as if missing at random given what is known of the patient; nothing "
            "in the data can show that they are."
        )
    if not settings.replicates:
        out.append("Ranks and gains were not resampled, so nothing is known about how sure the order is.")
    return out


def _by_outcome(figures: Sequence[SavedFigure], settings: RunSettings) -> list[tuple[str, list[SavedFigure]]]:
    groups = [("The study as a whole", [f for f in figures if not f.outcome])]
    groups += [
        (outcome.label, [f for f in figures if f.outcome == outcome.name]) for outcome in settings.outcomes
    ]
    # what is missing comes after what was found
    return [
        (title, sorted(found, key=lambda figure: figure.figure_id.endswith("missing")))
        for title, found in groups
        if found
    ]


def _figure(figure: SavedFigure, folder: Path) -> dict[str, Any]:
    size = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', figure.svg.read_text("utf-8")[:2000])
    width, height = (float(size[1]), float(size[2])) if size else (511.0, 300.0)
    links = []
    for kind, path in (("SVG", figure.svg), ("PDF", figure.pdf), ("table (CSV)", figure.csv)):
        inside = Path(path).resolve().is_relative_to(folder.resolve())
        if inside:
            links.append((kind, Path(path).resolve().relative_to(folder.resolve()).as_posix()))
    return {"figure": figure, "width": round(width * 4 / 3), "height": round(height * 4 / 3), "links": links}


def _svg_text(figure: SavedFigure) -> str:
    return figure.svg.read_text("utf-8")


def _result_files(folder: Path) -> set[str]:
    found = {path.relative_to(folder).as_posix() for path in folder.glob("*") if path.is_file()}
    return found | {path.relative_to(folder).as_posix() for path in folder.glob("figures/*.csv")}


def unpacked(text: str) -> bytes:
    """What `packed` packed; for `verify` and for tests."""
    return gzip.decompress(base64.b64decode(text))
