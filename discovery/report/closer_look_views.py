"""Tables of the report's closer look: models beside the screen's, for the leading features."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

import pandas as pd

from discovery.report import format as words
from discovery.report.page_tables import Table
from discovery.report.settings import RunSettings
from discovery.terms import LESS, THIRDS_APART

MOST_REASONS = 20
INTERVAL = "(95 % interval)"
TIME = (
    "Mean time within the span (restricted mean) in the lowest and highest third of the feature (in its two "
    "groups, where it has too few values for thirds), with 95 % intervals; not adjusted. Without the event: "
    "the area under Kaplan–Meier. Where events compete: without any of them, and lost to each, the area "
    "under its cumulative incidence; these add up to the span."
)
EPISODES = (
    "Mean number of episodes a patient has had by then, highest less lowest third, or as said; those who "
    "died count as having no more; not adjusted."
)
View = tuple[str, str, Table]


@dataclass(frozen=True)
class Names:
    """What features and outcomes are called, and the unit of an outcome's time."""

    features: Mapping[str, str]
    outcomes: Mapping[str, str]
    units: Mapping[str, str]

    def feature(self, name: object) -> str:
        return self.features.get(str(name), str(name))

    def outcome(self, name: object) -> str:
        return self.outcomes.get(str(name), str(name))

    def of(self, row: Mapping) -> tuple[str, str]:
        return self.feature(row["feature"]), self.outcome(row["outcome"])

    def timed(self, text: object, outcome: object) -> str:
        return f"{text} {self.units.get(str(outcome), '')}".strip()


def noted(row: Mapping) -> str:
    return "" if words.missing(row.get("note")) else str(row["note"])


def closer_look_views(
    tables: Mapping[str, pd.DataFrame], settings: RunSettings, labels: Mapping[str, str]
) -> list[View]:
    """Anchor, heading and table of each analysis that the run did; short, with the file that holds all."""
    names = Names(
        labels,
        {outcome.name: outcome.label for outcome in settings.outcomes},
        {outcome.name: outcome.time_unit.split(" from the ")[0] for outcome in settings.outcomes},
    )
    survival = tables.get("survival", pd.DataFrame())
    survival = survival if "part" in survival else pd.DataFrame(columns=["part"])
    parts = {name: block for name, block in survival.groupby("part", sort=False)}
    periods = partial(_periods, periods=parts.get("effect by period"))
    wanted: list[tuple[str, str, Callable[[pd.DataFrame, Names], Table], pd.DataFrame | None]] = [
        ("follow-up", "Follow-up", _follow_up, tables.get("follow_up")),
        ("competing", "Beside competing events", _effects, parts.get("competing models")),
        ("landmark", "From the landmark", _effects, parts.get("landmark")),
        ("hazards", "Hazards that change over time", periods, tables.get("proportional_hazards")),
        (
            "mean-time",
            "Mean time without the event, or lost to it",
            _mean_times,
            parts.get("restricted mean"),
        ),
        ("groups-compared", "Groups over time", _compared, parts.get("groups compared")),
        ("episodes", "Mean number of episodes", _means, parts.get("mean episodes")),
        ("prediction", "Prediction of patients left out", _prediction, tables.get("prediction")),
        ("shapes", "Straight or bent", _shapes, tables.get("shapes")),
        ("interactions", "Do effects differ between groups?", _groups, tables.get("effect_modification")),
        ("pooled", "Pooled over sites", _sites, tables.get("site_meta_analysis")),
        ("not-estimated", "What could not be estimated, and why", _refused, tables.get("associations")),
    ]
    made = [
        (anchor, heading, view(table, names))
        for anchor, heading, view, table in wanted
        if table is not None and len(table)
    ]
    return [
        (anchor, heading, spared(table, one_outcome=len(names.outcomes) == 1))
        for anchor, heading, table in made
        if table.rows
    ]


def spared(table: Table, *, one_outcome: bool) -> Table:
    """`table` without notes that are all empty and, with a single outcome, without its name in each row."""
    empty = {
        k
        for k, head in enumerate(table.heads)
        if (head == "Note" and not any(row[k] for row in table.rows))
        or (head == "Outcome" and one_outcome and k > 0)
    }
    kept = [k for k in range(len(table.heads)) if k not in empty]
    rows = tuple(tuple(row[k] for k in kept) for row in table.rows)
    return Table(tuple(table.heads[k] for k in kept), rows, table.note, table.lead)


PER_HUNDRED_YEARS = {"days": 36525.0, "weeks": 5217.857, "months": 1200.0, "years": 100.0}


def _rate(row, unit: str) -> str:
    """Events over a time in which a few are seen: a hundred patient-years, or a thousand of another unit."""
    times = PER_HUNDRED_YEARS.get(unit, 1000.0)
    rate, low, high = (words.number(times * r) for r in (row.rate, row.rate_low, row.rate_high))
    over = "100 patient-years" if unit in PER_HUNDRED_YEARS else f"1000 {unit or 'units of time'}"
    return f"{rate} ({low} to {high}) in {over}"


def _follow_up(table: pd.DataFrame, names: Names) -> Table:
    rows = []
    for row in table.itertuples():
        unit = names.units.get(row.outcome, "")
        rows.append(
            (
                names.outcome(row.outcome),
                str(row.event),
                words.whole(row.n),
                words.whole(row.n_event),
                _rate(row, unit),
                _span(row.median_follow_up, row.follow_up_low, row.follow_up_high, unit),
                _span(row.median_time, row.median_low, row.median_high, unit),
            )
        )
    heads = (
        "Outcome",
        "Event",
        "Patients",
        "Events",
        "Rate (95 % interval)",
        "Median follow-up",
        "Median time to the event",
    )
    note = (
        "The patients analysed. Follow-up by the reverse Kaplan–Meier method; where patients came "
        "under observation at different times, its lower limit can be far too low. A dash: not reached, or "
        "events compete."
    )
    return Table(heads, tuple(rows), note)


def _span(value: object, low: object, high: object, unit: str = "") -> str:
    if words.missing(value):
        return words.DASH
    ends = [words.number(end) if not words.missing(end) else "not reached" for end in (low, high)]
    return f"{words.number(value)} ({ends[0]} to {ends[1]})" + (f" {unit}" if unit else "")


def _effects(table: pd.DataFrame, names: Names) -> Table:
    rows = []
    for row in table.to_dict("records"):
        measure = str(row["effect_measure"])
        rows.append(
            (
                *names.of(row),
                str(row["model"]),
                words.effect_interval(row["estimate"], row["ci_low"], row["ci_high"], measure),
                words.p_value(row["p_value"]),
                words.DASH if words.missing(row["estimate"]) else words.whole(row["events"]),
                noted(row),
            )
        )
    heads = ("Feature", "Outcome", "Model", f"Ratio per 1 SD {INTERVAL}", "p", "Events", "Note")
    return Table(heads, tuple(rows))


def _periods(hazards: pd.DataFrame, names: Names, periods: pd.DataFrame | None) -> Table:
    turned = hazards[hazards["violated"].astype(bool)]
    tested = int(hazards["p_value"].notna().sum())
    if not len(turned):
        lead = f"None of {words.plural(tested, 'test')} of proportional hazards has a q below the level."
        return Table(("Test", "Result"), (("Proportional hazards", "not doubted for any feature"),), "", lead)
    rows = []
    for row in turned.to_dict("records"):
        mine = pd.DataFrame()
        if periods is not None:
            mine = periods[(periods["outcome"] == row["outcome"]) & (periods["feature"] == row["feature"])]
        by_period = [
            names.timed(r["period"], row["outcome"])
            + ": "
            + words.effect_interval(r["estimate"], r["ci_low"], r["ci_high"], "log hazard ratio")
            for r in mine.to_dict("records")
            if r["quantity"] == "log hazard ratio" and r["period"] != "change"
        ]
        rows.append(
            (
                *names.of(row),
                words.p_value(row["q_value"]),
                "; ".join(by_period) or words.DASH,
                str(row.get("handled", "")),
            )
        )
    note = f"{len(turned)} of {words.plural(tested, 'test')}; all are in proportional_hazards.csv."
    heads = ("Feature", "Outcome", "q", "Hazard ratio by period", "What was done")
    return Table(heads, tuple(rows[:MOST_REASONS]), note)


ENDS = {  # how the names of two groups begin, which of three columns they are in, and its head
    "low": "lowest third",
    "high": "highest third",
    LESS: THIRDS_APART,
}
OF_GROUPS = ("lower group", "higher group", "higher less lower group")


def _end(group: str) -> str:
    """Which of `ENDS` a group is."""
    return LESS if LESS in group else "high" if group.startswith("high") else "low"


def _ends_as_heads(table: pd.DataFrame) -> dict[str, str]:
    """Those of `ENDS` that the table has, with the heads of their columns."""
    there = {_end(group) for group in table["group"].astype(str)}
    only = set(table["group"]) <= set(ENDS.values())
    heads = {end: third if only else f"{third} or {of}" for (end, third), of in zip(ENDS.items(), OF_GROUPS)}
    return {end: head.capitalize() for end, head in heads.items() if end in there}


def _between(difference: str) -> str:
    """What two groups are, where they are no thirds."""
    return "" if difference.endswith(ENDS[LESS]) else difference


def _mean_times(table: pd.DataFrame, names: Names) -> Table:
    ends = _ends_as_heads(table)
    rows = []
    for (_, _, quantity), block in table.groupby(["outcome", "feature", "quantity"], sort=False):
        of = {_end(str(row["group"])): row for row in block.to_dict("records")}
        last = of[LESS]
        note = noted(last).removeprefix("unadjusted").removeprefix("; ")
        rows.append(
            (
                *names.of(last),
                str(quantity).removeprefix("restricted mean time "),
                names.timed(last["period"], last["outcome"]) if last["period"] else words.DASH,
                *(_mean_time(of.get(end)) for end in ends),
                words.p_value(last["p_value"]),
                "; ".join(filter(None, [_between(str(last["group"])), note])),
            )
        )
    heads = (
        "Feature",
        "Outcome",
        "Mean time",
        "Span",
        *ends.values(),
        "p",
        "Note",
    )
    return Table(heads, tuple(rows), TIME)


def _mean_time(row: Mapping | None) -> str:
    if row is None or words.missing(row["estimate"]):
        return words.DASH
    if words.missing(row["ci_low"]):
        return words.number(row["estimate"])
    return _span(row["estimate"], row["ci_low"], row["ci_high"])


def _means(table: pd.DataFrame, names: Names) -> Table:
    between = [_between(text.partition(", ")[2]) for text in table["quantity"].astype(str)]
    rows = [
        (
            *names.of(row),
            ", ".join(filter(None, [names.timed(row["period"], row["outcome"]), own])),
            _span(row["estimate"], row["ci_low"], row["ci_high"]),
            words.p_value(row["p_value"]),
        )
        for row, own in zip(table.to_dict("records"), between)
    ]
    return Table(("Feature", "Outcome", "Time", f"Difference {INTERVAL}", "p"), tuple(rows), EPISODES)


COMPARED = (
    "Not adjusted. The other tests weigh early (Gehan-Wilcoxon, Peto-Peto) or late differences "
    "(Fleming-Harrington) more; q is of the log-rank test, over the groupings of an outcome. "
    "More: survival.csv."
)


def _compared(table: pd.DataFrame, names: Names) -> Table:
    gray = ["Gray, cumulative incidence"] if "Gray, cumulative incidence" in set(table["quantity"]) else []
    shown = ["log-rank", "Gehan-Wilcoxon", "Peto-Peto", "Fleming-Harrington (0, 1)", *gray]
    rows = []
    for (outcome, by), block in table.groupby(["outcome", "by"], sort=False):
        of = block.set_index("quantity")
        p = [words.p_value(of["p_value"].get(name)) if name in of.index else "" for name in shown]
        first = of.loc["log-rank"]
        size = (words.whole(first["n"]), words.whole(first["events"]))
        rows.append((str(by), names.outcome(outcome), *size, *p, words.p_value(first["q_value"])))
    return Table(("By", "Outcome", "Patients", "Events", *shown, "q"), tuple(rows), COMPARED)


PREDICTED = {
    "Harrell C": "Harrell C",
    "Uno C": "Uno C",
    "AUC at": "AUC at the horizon",
    "integrated Brier score": "Integrated Brier",
    "observed / expected risk": "Observed / expected",
    "calibration slope": "Calibration slope",
}


def _prediction(table: pd.DataFrame, names: Names) -> Table:
    rows = []
    for (outcome, model), block in table.groupby(["outcome", "model"], sort=False):
        horizon = block["time"].max()
        last = block[block["time"] == horizon].drop_duplicates("measure").set_index("measure")
        cells = []
        for measure in PREDICTED:
            if measure not in last.index:
                cells.append(words.DASH)
                continue
            row = last.loc[measure]
            places = 3 if measure == "integrated Brier score" else 2
            text = words.fixed(row["estimate"], places)
            if not words.missing(row["ci_low"]):
                text += f" ({words.fixed(row['ci_low'], places)} to {words.fixed(row['ci_high'], places)})"
            cells.append(text)
        lead = "base model with "
        name = str(model)
        if name.startswith(lead):
            name = lead + names.feature(name.removeprefix(lead))
        when = names.timed(words.number(horizon), outcome)
        counts = words.whole(block["n"].iloc[0]), words.whole(block["events"].iloc[0])
        rows.append((names.feature(name), names.outcome(outcome), *counts, when, *cells))
    known = [k for k in range(len(PREDICTED)) if any(row[k - len(PREDICTED)] != words.DASH for row in rows)]
    start = len(rows[0]) - len(PREDICTED) if rows else 0
    rows = [(*row[:start], *(row[start + k] for k in known)) for row in rows]
    measures = [list(PREDICTED.values())[k] for k in known]
    left_out = (
        ""
        if len(known) == len(PREDICTED)
        else ("Measures that are not defined with competing events or delayed entry are left out. ")
    )
    note = (
        "Of the patients with all covariates and a value of the lead: nothing is imputed here. "
        "Each patient is predicted by models fitted to others. The lead was picked on all patients, so its "
        "gain here is a little too large; the gain in the ranking is corrected for that. C: index of "
        "concordance; AUC: area under the curve; 0.5 is no better than chance. Intervals (95 %) are of other "
        "patients judged by the same predictions; that other models would have been made is not in them. A "
        f"dash: not defined with competing events or delayed entry. {left_out}Over time: prediction.csv."
    )
    heads = ("Model", "Outcome", "Patients", "Events", "Horizon", *measures)
    return Table(heads, tuple(rows), note)


def _shapes(table: pd.DataFrame, names: Names) -> Table:
    rows = [
        (
            *names.of(row),
            words.p_value(row["p_linear"]),
            words.p_value(row["p_nonlinear"]),
            words.p_value(row["q_nonlinear"]),
            words.p_value(row["p_combined"]),
            noted(row),
        )
        for row in table.to_dict("records")
    ]
    heads = ("Feature", "Outcome", "p of the line", "p of the bend", "q of the bend", "p of either", "Note")
    return Table(heads, tuple(rows))


def _groups(table: pd.DataFrame, names: Names) -> Table:
    rows = [
        (
            *names.of(row),
            str(row["modifier"]),
            words.p_value(row["p_value"]),
            words.p_value(row["q_value"]),
            noted(row),
        )
        for row in table[table["part"] == "interaction"].to_dict("records")
    ]
    note = "One test over all groups; effects group by group are in effect_modification.csv."
    return Table(("Feature", "Outcome", "By", "p", "q", "Note"), tuple(rows), note)


def _sites(table: pd.DataFrame, names: Names) -> Table:
    rows = []
    pooled = table[table["part"] == "pooled"]
    for row in pooled.to_dict("records"):
        mine = table[(table["outcome"] == row["outcome"]) & (table["feature"] == row["feature"])]
        new = mine[mine["part"] == "prediction"]
        plain = mine[mine["part"] == "pooled, plain Hartung-Knapp"]
        measure = str(row["effect_measure"])
        rows.append(
            (
                *names.of(row),
                words.whole((mine["part"] == "site").sum()),
                words.effect_interval(row["estimate"], row["ci_low"], row["ci_high"], measure),
                words.interval(plain["ci_low"].iloc[0], plain["ci_high"].iloc[0], measure)
                if len(plain)
                else words.DASH,
                words.interval(new["ci_low"].iloc[0], new["ci_high"].iloc[0], measure)
                if len(new)
                else words.DASH,
                words.DASH if words.missing(row["i2_percent"]) else words.percent(row["i2_percent"] / 100),
                noted(row),
            )
        )
    heads = (
        "Feature",
        "Outcome",
        "Sites",
        f"Pooled {INTERVAL}",
        "Plain interval",
        "A new site",
        "I²",
        "Note",
    )
    note = "The plain Hartung–Knapp interval can be far too short with few sites; the main one is not."
    return Table(heads, tuple(rows), note)


def _refused(table: pd.DataFrame, names: Names) -> Table:
    """Features without an estimate, by the reason in words."""
    adjusted = table[(table["model"] == "adjusted") & table["estimate"].isna()]
    adjusted = adjusted[adjusted["note"].fillna("") != ""]
    rows = []
    for (outcome, note), block in adjusted.groupby(["outcome", "note"], sort=False):
        which = words.listed([names.feature(name) for name in block["feature"]], limit=6)
        rows.append((str(note), names.outcome(outcome), words.whole(len(block)), which))
    return Table(("Reason", "Outcome", "Features", "Which"), tuple(rows[:MOST_REASONS]))
