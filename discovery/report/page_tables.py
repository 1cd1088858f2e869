"""The plain tables of the page: who was studied, who left, what is missing; texts in cells."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from discovery.report import format as words
from discovery.report.headline import warned
from discovery.terms import RESTS_ON_FEW

SMALL = 5
MOST_MISSING = 30
CLEAREST = 8  # differences shown for each etiology
MASKED = "masked"


@dataclass(frozen=True)
class Table:
    """Column heads and rows of texts; the first cell of a row is its head."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""
    lead: str = ""  # a sentence above


def baseline_view(table: pd.DataFrame) -> Table:
    """One column a group, from the tidy baseline table (variable, level, group, mean, count, …)."""
    groups = list(dict.fromkeys(table["group"].astype(str)))
    sizes = table.drop_duplicates("group")["group_n"]
    heads = ["Characteristic"] + [f"{name} (n = {words.whole(n)})" for name, n in zip(groups, sizes)]
    apart = len(groups) > 2 and bool(table.drop_duplicates("variable")["smd"].notna().any())
    heads += ["SMD"] if apart else []
    rows: list[list[str]] = []
    for _, block in table.groupby("variable", sort=False):
        first = block.iloc[0]
        start = len(rows)
        unit = f" ({words.unit(first['unit'])})" if not words.missing(first.get("unit")) else ""
        name, kind = f"{first['label']}{unit}", str(first["statistic"])
        cells = {(str(r["level"]), str(r["group"])): r for r in block.to_dict("records")}
        levels = list(dict.fromkeys(block["level"].astype(str)))
        if kind == "continuous":
            places = _places(block["sd"])
            rows.append([f"{name}: mean (SD)"] + [_mean(cells.get((levels[0], g)), places) for g in groups])
            rows.append(
                [f"{name}: median (quartiles)"] + [_median(cells.get((levels[0], g)), places) for g in groups]
            )
        else:
            for level in levels:
                title = name if kind == "binary" and level == "1" else f"{name}: {level}"
                rows.append([title] + [_count(cells.get((level, g))) for g in groups])
        gone = {str(r["group"]): r["missing"] for r in block.to_dict("records")}
        if any(not words.missing(value) and value > 0 for value in gone.values()):
            rows.append([f"{name}: missing"] + [words.whole(gone.get(g)) for g in groups])
        if apart:  # one difference a characteristic, beside its first row
            rows[start].append(words.fixed(first["smd"]))
            for row in rows[start + 1 :]:
                row.append("")
    note = "Counts with percentages of the patients with a value. "
    if "suppressed" in table and table["suppressed"].fillna(False).astype(bool).any():
        note += f"“{MASKED}”: a small count, or one that would give it away, is not shown."
    return Table(tuple(heads), tuple(tuple(row) for row in rows), note.strip())


def attrition_view(table: pd.DataFrame, labels: dict[str, str]) -> Table:
    """The flow of patients, step by step."""
    whose = table.get("outcome", pd.Series("", index=table.index)).fillna("").astype(str)
    several = bool((whose != "").any())
    rows = []
    for owner, row in zip(whose, table.to_dict("records")):
        cells = [
            str(row["step"]),
            words.whole(row["n"]),
            words.whole(row["n_left_out"]),
            "" if words.missing(row["reason"]) else str(row["reason"]),
        ]
        rows.append((*cells, labels.get(owner, owner) or "all") if several else tuple(cells))
    heads = ("Step", "Patients left", "Left out", "Reason") + (("Outcome",) if several else ())
    return Table(heads, tuple(rows))


def missing_view(table: pd.DataFrame) -> Table:
    """The variables with missing values, the emptiest first; counts below five are not told apart."""
    whole = table[table["by"] == "all"] if "by" in table else table
    some = whole[whole["n_missing"] > 0].sort_values("percent_missing", ascending=False, kind="stable")
    rows = []
    for row in some.head(MOST_MISSING).to_dict("records"):
        few = row["n_missing"] < SMALL
        count = f"fewer than {SMALL}" if few else words.whole(row["n_missing"])
        share = words.DASH if few else words.percent(row["percent_missing"] / 100)
        rows.append((str(row["label"]), count, share, words.whole(row["n"])))
    full = len(whole) - len(some)
    note = f"{words.plural(full, 'variable').capitalize()} had no missing value." if full else ""
    if len(some) > MOST_MISSING:
        note = f"The {MOST_MISSING} emptiest of {len(some)} variables; all are in missing.csv. " + note
    return Table(("Variable", "Missing", "Share", "Patients"), tuple(rows), note)


def etiology_view(table: pd.DataFrame, labels: Mapping[str, str], fdr: float) -> Table:
    """The clearest differences of each etiology, and in a sentence what a difference is."""
    known = table[table["estimate"].notna()]
    found = int((known["q_value"] <= fdr).sum())
    joint = known["contrast"].str.startswith("with against").any()
    against = (
        "Patients with an etiology against those without, given their other etiologies"
        if joint
        else "Each etiology against the mean of all etiologies"
    )
    count = f"{words.whole(found)} of {words.plural(len(known), 'comparison')}" if found else "No comparison"
    lead = (
        f"{against}, adjusted as the methods say; in SDs of the feature, or a log odds (marked) for a "
        f"feature of two values. {count} {'has' if found <= 1 else 'have'} q ≤ {fdr:g}. AUC: the chance "
        "that a patient with the etiology has the higher adjusted value than one without it."
    )
    rows = []
    for name, block in known.groupby("etiology", sort=False):
        first = block.sort_values(["q_value", "p_value"], kind="stable").head(CLEAREST)
        for row in first.to_dict("records"):
            odds = " log odds" if str(row["contrast"]).endswith("log odds") else ""
            span = f" ({words.fixed(row['ci_low'])} to {words.fixed(row['ci_high'])}){odds}"
            auc = words.discrimination_interval(row["auc"], row["auc_low"], row["auc_high"])
            rows.append(
                (
                    f"{name} (n = {words.whole(row['n'])})",
                    labels.get(row["feature"], str(row["feature"])),
                    words.fixed(row["estimate"]) + span,
                    words.fixed(row["shrunk_estimate"]),
                    words.p_value(row["p_value"]),
                    words.p_value(row["q_value"]),
                    auc,
                )
            )
    lead += _resting_on_few(known)
    most = int(known.groupby("etiology").size().max()) if len(known) else 0
    note = f"The {CLEAREST} clearest of each etiology; all are in etiologies.csv." if most > CLEAREST else ""
    heads = ("Etiology", "Feature", "Difference (95 % interval)", "Shrunk", "p", "q", "AUC (95 % interval)")
    return Table(heads, tuple(rows), note, lead)


def _resting_on_few(known: pd.DataFrame) -> str:
    """The warning above the etiologies where few patients tell an etiology from none."""
    notes = known["note"].fillna("").astype(str) if "note" in known else pd.Series(dtype=str)
    few = int(notes.str.startswith(RESTS_ON_FEW).sum())
    if not few:
        return ""
    which = "All of them rest" if few == len(known) else f"{words.whole(few)} of them rest"
    return (
        f" {which} on few patients: nearly everybody has the same number of etiologies, and only the others "
        "can tell with from without (their number is in etiologies.csv). Which etiologies differ from each "
        "other does not rest on them: see the pairs of etiologies."
    )


def ranked_view(markers: pd.DataFrame, effect_name: str, most: int) -> Table:
    """The head of a ranking as a plain table, for a reader without the script."""
    rows = []
    for row in markers.sort_values("rank", kind="stable").head(most).to_dict("records"):
        rows.append(
            (
                words.rank_interval(row["rank"], row["rank_low"], row["rank_high"]),
                str(row["label"]),
                words.effect_interval(row["estimate"], row["ci_low"], row["ci_high"], row["effect_measure"]),
                words.p_value(row["p_value"]),
                words.p_value(row["q_value"]),
                warned(str(row["verdict"]), row.get("flags")),
            )
        )
    return Table(
        ("Rank (interval)", "Feature", f"{effect_name} (95 % interval)", "p", "q", "Verdict"), tuple(rows)
    )


def plain_view(table: pd.DataFrame, most: int = 200) -> Table:
    """Any other tidy table as it is: texts unchanged, numbers to four digits."""
    rows = []
    for row in table.head(most).itertuples(index=False):
        rows.append(
            tuple(
                words.number(v, 4) if isinstance(v, float) else ("" if words.missing(v) else str(v))
                for v in row
            )
        )
    note = f"The first {most} of {len(table)} rows." if len(table) > most else ""
    return Table(tuple(str(c).replace("_", " ") for c in table.columns), tuple(rows), note)


def _masked(row: dict) -> bool:
    return bool(row.get("suppressed")) and row.get("suppressed") == row.get("suppressed")


def _places(sd: pd.Series) -> int | None:
    """Decimals of a characteristic, the same in every group: three digits of its first known SD."""
    known = sd[sd > 0]
    if known.empty:
        return None
    return min(max(2 - math.floor(math.log10(known.iloc[0])), 0), 4)


def _value(value: object, places: int | None) -> str:
    return words.number(value) if places is None else words.fixed(value, places)


def _mean(row: dict | None, places: int | None) -> str:
    if row is None:
        return words.DASH
    if words.missing(row["mean"]):
        return MASKED if _masked(row) else words.DASH
    spread = "" if words.missing(row["sd"]) else f" ({_value(row['sd'], places)})"
    return _value(row["mean"], places) + spread


def _median(row: dict | None, places: int | None) -> str:
    if row is None:
        return words.DASH
    if words.missing(row["median"]):
        return MASKED if _masked(row) else words.DASH
    low, high = (_value(row[end], places) for end in ("q1", "q3"))
    return f"{_value(row['median'], places)} ({low} to {high})"


def _count(row: dict | None) -> str:
    if row is None:
        return words.DASH
    if words.missing(row["count"]):
        return MASKED if _masked(row) else words.DASH
    share = "" if words.missing(row["percent"]) else f" ({words.percent(row['percent'] / 100)})"
    return words.whole(row["count"]) + share
