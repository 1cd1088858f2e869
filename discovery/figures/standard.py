"""The figures of a run: which rows each one shows, its words, its file name."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path

import pandas as pd
from joblib import Parallel, delayed

from discovery.figures.classes import class_figures
from discovery.figures.closer_look import closer_look_figures
from discovery.figures.correlation import draw_correlation_map
from discovery.figures.curves import curve_words, draw_curves, entry_clause, entry_sentence
from discovery.figures.decision_curve import decision_figures
from discovery.figures.flow import draw_attrition
from discovery.figures.forest import draw_marker_forest
from discovery.figures.missing import draw_missing_map
from discovery.figures.missing_patterns import pattern_figures
from discovery.figures.people import outcome_people, people_with
from discovery.figures.phenotypes import phenotype_figures
from discovery.figures.ranks import draw_gain, draw_rank_intervals
from discovery.figures.residual import draw_partial_residual
from discovery.figures.roc import draw_roc
from discovery.figures.save import SavedFigure, save_figure
from discovery.figures.scales import time_axis
from discovery.figures.sensitivity import sensitivity_figures
from discovery.figures.shape import save_shape_components
from discovery.figures.volcano import draw_volcano
from discovery.report.family_names import named_families
from discovery.report.format import plural
from discovery.report.format import unit as unit_words
from discovery.report.methods_models import base_sentence, model_sentence
from discovery.report.settings import OutcomeRun, RunSettings

FOREST_ROWS = 20
RANK_ROWS = 25
MAP_ROWS = 60
MISSING_ROWS = 40
NO_FEATURE = "No feature could be estimated"
PARTS = {  # of an outcome of many values, as the table of missing values names them; ties make them unequal
    "third 1 of 3": "lowest values",
    "third 2 of 3": "middle values",
    "third 3 of 3": "highest values",
    "third 1 of 2": "lower values",
    "third 2 of 2": "higher values",
}
SMALL = 5  # a group of fewer patients is not shown: it says more about them than about the study

FOREST = (
    "feature",
    "label",
    "family",
    "effect_measure",
    "estimate",
    "ci_low",
    "ci_high",
    "shrunk_estimate",
    "shrunk_low",
    "shrunk_high",
    "p_value",
    "q_value",
    "verdict",
    "n",
    "events",
)
RANKS = ("feature", "label", "rank", "rank_low", "rank_high", "probability_in_top")
GAINS = ("feature", "label", "gain_measure", "gain", "gain_low", "gain_high")
VOLCANO = ("feature", "label", "family", "effect_measure", "estimate", "p_value", "q_value")


def draw_study_figures(
    tables: Mapping[str, pd.DataFrame], settings: RunSettings, folder: Path, *, workers: int = 1
) -> list[SavedFigure]:
    """Draw all that the tables allow into `folder`; returns the figures in the order of the report.

    `workers` processes draw; the files do not depend on how many.

    Tables (a missing or empty one is left out, or drawn as a sentence where the reader expects it):
    "markers" (contract columns), "correlations" (feature, other, correlation), "missing" (variable,
    label, by, level, n, n_missing, percent_missing), "attrition" (step, n, n_left_out, reason; outcome
    when a step belongs to one), "curves" and "at_risk" (the tables of the survival curves, with a column
    feature), "shape_components" (component, share, curve, phase, pressure, sd, n_beats), "roc" (outcome,
    feature, marker, fpr, tpr, auc), "residuals" (outcome, feature, part, x, y, ci_low, ci_high, n).
    """
    folder = Path(folder)
    markers = tables.get("markers", pd.DataFrame(columns=["outcome", *FOREST, *RANKS, *GAINS]))
    markers = named_families(markers)
    labels = markers.drop_duplicates("feature").set_index("feature")["label"].astype(str).to_dict()
    tasks: list[tuple] = []  # a function that draws some figures, and its arguments
    if "attrition" in tables:
        tasks.append((_attrition, tables["attrition"], settings, folder))
    if len(tables.get("shape_components", ())):
        tasks.append((_shape_components, tables["shape_components"], folder))
    if len(tables.get("missing", ())) and (tables["missing"]["n_missing"] > 0).any():
        tasks.append((missing_maps, tables["missing"], settings, folder))
    named = {**settings.column_names, **labels}
    tasks.append((pattern_figures, _named_like(tables, "missing_patterns"), named, folder))
    if len(tables.get("correlations", ())):
        tasks.append((_correlations, tables["correlations"], markers, settings, folder))
    tasks.append((phenotype_figures, _named_like(tables, "phenotype"), settings, folder))
    for outcome in settings.outcomes:
        mine = _of_outcome({**tables, "markers": markers}, outcome.name)
        ranked = mine["markers"].sort_values("rank", kind="stable")
        tasks += [
            (_rankings, ranked, outcome, settings, folder),
            (_leading, mine, labels, outcome, settings, folder),
            (class_figures, mine, outcome, settings, folder),
            (closer_look_figures, mine, labels, outcome, settings, folder),
            (decision_figures, mine, outcome, settings, folder),
            (sensitivity_figures, mine, outcome, settings, folder),
        ]
    drawn = Parallel(n_jobs=min(workers, len(tasks)), batch_size=1)(
        delayed(draw)(*given) for draw, *given in tasks
    )
    return [figure for some in drawn for figure in some]


def _named_like(tables: Mapping[str, pd.DataFrame], part: str) -> dict[str, pd.DataFrame]:
    return {name: table for name, table in tables.items() if part in name}


def _of_outcome(tables: Mapping[str, pd.DataFrame], outcome: str) -> dict[str, pd.DataFrame]:
    """The rows of one outcome: all that a process that draws its figures has to be sent."""
    return {
        name: table[table["outcome"] == outcome]
        for name, table in tables.items()
        if "outcome" in getattr(table, "columns", ())
    }


def _shape_components(table: pd.DataFrame, folder: Path) -> list[SavedFigure]:
    return [save_shape_components(table, folder)]


def _attrition(table: pd.DataFrame, settings: RunSettings, folder: Path) -> list[SavedFigure]:
    """One flow, or one for each outcome that has steps of its own."""
    whose = table.get("outcome", pd.Series("", index=table.index)).fillna("")
    caption = "Each box counts the patients who remain (n); beside it, who left and why."
    columns = ["step", "n", "n_left_out", "reason"]
    if (whose == "").all():
        title = "Flow of patients"
        draw = partial(draw_attrition, title=title)
        return [save_figure("attrition", draw, table[columns], folder, title=title, caption=caption)]
    out = []
    for outcome in settings.outcomes:
        rows = table.loc[(whose == "") | (whose == outcome.name), columns].reset_index(drop=True)
        title = f"Flow of patients: {outcome.label}"
        draw = partial(draw_attrition, title=title)
        name = f"{outcome.name}_attrition"
        out.append(save_figure(name, draw, rows, folder, title=title, caption=caption, outcome=outcome.name))
    return out


def missing_maps(table: pd.DataFrame, settings: RunSettings, folder: Path) -> list[SavedFigure]:
    """By site, or else by the first grouping; and by each outcome."""
    outcomes = [outcome.name for outcome in settings.outcomes]
    groupings = [name for name in dict.fromkeys(table["by"]) if name != "all"]
    first = next((name for name in (settings.site, "site", *groupings) if name in groupings), None)
    others = [name for name in outcomes if name in groupings and name != first]
    return [
        _missing_by(table, by, "missing" if by == first else f"{by}_missing", settings, folder)
        for by in (first, *others)
    ]


def _missing_by(
    table: pd.DataFrame, by: str | None, figure_id: str, settings: RunSettings, folder: Path
) -> SavedFigure:
    labels = {outcome.name: outcome.label for outcome in settings.outcomes}
    whole = table["by"] == "all"
    table = table.assign(level=table["level"].astype(str).where(~whole, "all"))
    table = table[(whole | (table["by"] == by)) & (table["n"] >= SMALL)]
    worst = table.groupby("variable", sort=False)["percent_missing"].max()
    some = worst[worst > 0].sort_values(ascending=False, kind="stable")
    place = table["variable"].map({name: k for k, name in enumerate(some.index[:MISSING_ROWS])})
    rows = table.assign(place=place).dropna(subset=["place"]).sort_values("place", kind="stable")
    rows = rows[["variable", "label", "level", "n", "n_missing", "percent_missing"]].reset_index(drop=True)
    shown = min(len(some), MISSING_ROWS)
    detail = f"{_of(shown, len(some), 'variable')} with a missing value, the most missing first"
    named = labels.get(str(by), str(by))
    rows["level"] = rows["level"].replace(PARTS)
    title = f"Missing values by {named}" if by else "Missing values"
    several = "note" in table and bool((table["note"].fillna("") != "").any())
    in_each = " A patient with several labels counts in each of them." if several else ""
    return save_figure(
        figure_id,
        partial(draw_missing_map, title=title, detail=detail, group_label=named if by else ""),
        rows,
        folder,
        title=title,
        caption=f"{detail}. Share of the patients (n at the head of each column) without a value. Groups of "
        f"fewer than {SMALL} patients are not shown.{in_each}",
        outcome=str(by) if by in labels else "",
    )


def _correlations(
    table: pd.DataFrame, markers: pd.DataFrame, settings: RunSettings, folder: Path
) -> list[SavedFigure]:
    """The best ranked features, family beside family."""
    about = markers.sort_values("rank", kind="stable").drop_duplicates("feature").set_index("feature")
    group = about.get("redundancy_group", about["family"]).astype(str)
    known = [f for f in about.index if f in set(table["feature"]) | set(table["other"])]
    kept = set(known[:MAP_ROWS])
    best: dict[str, int] = {}
    for k, feature in enumerate(known):
        best.setdefault(group[feature], k)
    order = sorted(kept, key=lambda f: (best[group[f]], known.index(f)))
    place = {f: k for k, f in enumerate(order)}
    rows = table.loc[
        table["feature"].isin(kept) & table["other"].isin(kept), ["feature", "other", "correlation"]
    ]
    a, b = rows["feature"].map(place), rows["other"].map(place)
    rows = rows.assign(
        feature=rows["feature"].where(a <= b, rows["other"]),
        other=rows["other"].where(a <= b, rows["feature"]),
    )
    diagonal = pd.DataFrame({"feature": order, "other": order, "correlation": 1.0})
    rows = pd.concat([diagonal, rows[rows["feature"] != rows["other"]]], ignore_index=True)
    rows = rows.drop_duplicates(["feature", "other"])
    rows = rows.assign(a=rows["feature"].map(place), b=rows["other"].map(place)).sort_values(["a", "b"])
    rows = rows.drop(columns=["a", "b"]).assign(
        label=rows["feature"].map(about["label"]).astype(str), family=rows["feature"].map(group)
    )
    first = _of(len(order), settings.n_features, "feature")
    ranked = "" if len(order) == settings.n_features else ", the best ranked"
    detail = f"{first}{ranked}; n = {settings.n_patients}; families in the order of their best member"
    title = "Which features say the same"
    figure = save_figure(
        "correlation",
        partial(draw_correlation_map, title=title, detail=detail),
        rows,
        folder,
        title=title,
        caption=f"{detail}. Spearman correlation over the patients with both values, not adjusted; "
        "features in one box rise and fall together, and a ranking cannot tell them apart.",
    )
    return [figure]


def _rankings(
    mine: pd.DataFrame, outcome: OutcomeRun, settings: RunSettings, folder: Path
) -> list[SavedFigure]:
    ranked = mine[mine["estimate"].notna()] if len(mine) else mine
    people = outcome_people(outcome)
    adjusted = "adjusted for the base model" if settings.adjusted else "not adjusted"
    total = len(ranked)
    model = model_sentence(settings, outcome)
    if settings.imputations:
        model += " Missing values are imputed."
    corrected = "q: p-value corrected for the number of features tested."
    shrunk = (
        " Diamond: the same, shrunk because the features at the top of a list were picked for looking large."
    )

    def save(
        name: str,
        draw: partial,
        rows: pd.DataFrame,
        columns: tuple[str, ...],
        title: str,
        detail: str,
        caption: str,
    ) -> SavedFigure:
        draw = partial(draw, title=f"{title}: {outcome.label}", detail=detail)
        kept = rows[[c for c in columns if c in rows]].reset_index(drop=True)
        return save_figure(
            f"{outcome.name}_{name}",
            draw,
            kept,
            folder,
            title=f"{title}: {outcome.label}",
            caption=f"{detail}. {caption}",
            outcome=outcome.name,
        )

    head = f"{_by_evidence(FOREST_ROWS, total)}; {people}"
    out = [
        save(
            "volcano",
            partial(draw_volcano, adjusted=adjusted, fdr=settings.fdr),
            ranked,
            VOLCANO,
            "Effect and evidence",
            f"{plural(total, 'feature') if total else NO_FEATURE}; {people}",
            f"{model} Upward: stronger evidence (2 is p = 0.01, 3 is p = 0.001); sideways from the line: "
            "larger effects. The families that rank first carry a colour and a shape; the first features "
            f"are named as far as there is room. {corrected}",
        ),
        save(
            "forest",
            partial(draw_marker_forest, adjusted=adjusted),
            ranked.head(FOREST_ROWS),
            FOREST,
            "Leading features",
            head,
            f"{model} Square: estimate with its 95 % interval."
            + (shrunk if ranked["shrunk_estimate"].notna().any() else "")
            + f" {corrected}",
        ),
    ]
    if settings.replicates:
        draws = f"{settings.replicates} bootstrap draws"
        head = f"{_by_evidence(RANK_ROWS, total)}; {draws}; {people}"
        ranked = ranked[ranked["rank"].notna()]
        draw = partial(draw_rank_intervals, top=top_of(ranked, settings.top), features=total)
        out.append(
            save(
                "ranks",
                draw,
                ranked.head(RANK_ROWS),
                RANKS,
                "How sure the ranks are",
                head,
                f"{model} Dot: rank by evidence; line: approximate 95 % bootstrap interval. Wide intervals "
                "mean that the order inside the list is not established.",
            )
        )
        out.append(
            save(
                "gain",
                partial(draw_gain),
                ranked.head(FOREST_ROWS),
                GAINS,
                "Gain over the base model",
                f"{_by_evidence(FOREST_ROWS, total)}; {people}",
                f"{model} The gain is that of the model with the feature over the base model, corrected for "
                "fitting and for having been selected, with an approximate 95 % bootstrap interval. A "
                "negative gain is printed as it is: it means none.",
            )
        )
    return out


def _leading(
    tables: Mapping[str, pd.DataFrame],
    labels: Mapping[str, str],
    outcome: OutcomeRun,
    settings: RunSettings,
    folder: Path,
) -> list[SavedFigure]:
    """Curves, receiver operating characteristics or residuals of the features that have them."""
    out = []
    more = ""
    for kind in ("curves", "roc", "residuals"):
        table = tables.get(kind)
        if table is None or table.empty:
            continue
        mine = table[table["outcome"] == outcome.name]
        for place, (feature, rows) in enumerate(mine.groupby("feature", sort=False), start=1):
            label = labels.get(str(feature), str(feature))
            people = people_with(outcome, str(feature), label, tables.get("associations"))
            if kind == "curves":
                at_risk = tables["at_risk"]
                at_risk = at_risk[(at_risk["outcome"] == outcome.name) & (at_risk["feature"] == feature)]
                rows = pd.concat(
                    [rows.assign(part="curve"), at_risk.assign(part="at risk")], ignore_index=True
                )
                rows = rows[rows["group"].isin(_large_enough(at_risk))]
                title = f"{outcome.label} by third of {label}"
                detail = (
                    f"{people}; not adjusted; bands: pointwise 95 % intervals; thirds are for drawing only "
                    f"and no thresholds for care{entry_clause(outcome)}"
                )
                more = f"{curve_words(rows)} {entry_sentence(outcome, at_risk)}"
                words = time_axis(outcome.time_unit)
                draw = partial(draw_curves, time_label=words)
            elif kind == "roc":
                title = f"ROC curve of {label}: {outcome.label}"
                detail = (
                    f"{people}; judged on the patients that the models were fitted to, so better than it "
                    "will be in others"
                )
                more = (
                    "ROC: receiver operating characteristic. AUC: area under the curve, with its 95 % "
                    f"interval (DeLong); 0.5 tells nothing. {base_sentence(settings, outcome)} No point of "
                    "a curve is a threshold for care."
                )
                draw = partial(draw_roc)
            else:
                title = f"{outcome.label} against {label}"
                taken = "both with the base model taken out" if settings.adjusted else "not adjusted"
                detail = f"{people}; {taken}"
                unit = f" ({unit_words(outcome.unit)})" if outcome.unit else ""
                more = (
                    "Dots: means of several patients with 95 % intervals; line: linear regression with its "
                    f"95 % band. {base_sentence(settings, outcome)}"
                )
                draw = partial(
                    draw_partial_residual,
                    y_label=f"Outcome, residual{unit}",
                    x_label="Feature, residual (SD)",
                )
                rows = rows[(rows["part"] != "bin") | (rows["n"] >= SMALL)]
            draw = partial(draw, title=title, detail=detail)
            rows = rows.drop(columns="outcome").reset_index(drop=True)
            out.append(
                save_figure(
                    f"{outcome.name}_{kind}_{place}",
                    draw,
                    rows,
                    folder,
                    title=title,
                    caption=f"{detail}. {more}".strip(),
                    outcome=outcome.name,
                )
            )
    return out


def _large_enough(at_risk: pd.DataFrame) -> set:
    start = at_risk.groupby("group", sort=False)["n_at_risk"].max()
    return set(start[start >= SMALL].index)


def top_of(markers: pd.DataFrame, otherwise: int) -> int:
    """The k of "among the first k" that the ranking of these rows used."""
    known = markers["top_k"].dropna() if "top_k" in markers else markers.head(0)
    return int(known.iloc[0]) if len(known) else otherwise


def _by_evidence(most: int, total: int) -> str:
    """`First 20 of 60 features by evidence`."""
    return f"{_of(min(most, total), total, 'feature')} by evidence" if total else NO_FEATURE


def _of(shown: int, total: int, what: str) -> str:
    return (
        f"All {total} {what}s" if shown == total and total != 1 else f"First {shown} of {plural(total, what)}"
    )
