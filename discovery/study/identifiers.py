"""Patient ids: one row each, and the same patients in every table, or it is said which are not."""

from __future__ import annotations

import re

import numpy as np

from discovery.problems import shown
from discovery.study.findings import LISTED_PER_KIND, Findings
from discovery.study.source import Source
from discovery.study.vocabulary import has_role

WHOLE_WITH_POINT = re.compile(r"(\d+)\.0+")


def read_ids(source: Source, column: str, *, unique: bool = True) -> list[str]:
    """The ids of a table as text. `007` stays `007`; a column of 1.0, 2.0, … is read as 1, 2, ….

    Empty ids, and repeated ones when `unique`, are noted as faults.
    """
    ids = source.table.text(column)
    source.error_rows(
        "empty id", "an id is wanted in every row", column, np.flatnonzero([not label for label in ids]), ids
    )
    filled = [label for label in ids if label]
    if filled and all(WHOLE_WITH_POINT.fullmatch(label) for label in filled):
        wanted = "ids written as decimal numbers are read as whole ones"
        source.findings.warn("decimal ids", source.file, wanted, found=filled[0], column=column)
        ids = [label.split(".")[0] for label in ids]
    if unique:
        hint = visit_hint(source, column) if len(set(ids)) < len(ids) else ""
        first: dict[str, int] = {}
        for position, label in enumerate(ids):
            if label and label in first:
                before = f"this id stands in row {source.row(first[label])} already"
                wanted = f"one row a patient is wanted, {before}{hint}"
                source.findings.error(
                    "repeated id", source.file, wanted, found=label, row=source.row(position), column=column
                )
            else:
                first[label] = position
    return ids


def visit_hint(source: Source, id_column: str) -> str:
    visits = [name for name in source.table.columns if name != id_column and has_role(name, "visit")]
    return f"; keep one visit of each patient (column {shown(visits[0])})" if visits else ""


def match_ids(ids: list[str], others: list[str]) -> np.ndarray:
    """For each of `ids` the position of the same id in `others`, -1 where there is none."""
    place = {label: position for position, label in enumerate(others)}
    return np.array([place.get(label, -1) for label in ids], dtype=np.int64)


def lacking(ids: list[str], others: list[str]) -> np.ndarray:
    """Positions of the ids, empty ones apart, that `others` do not have."""
    return np.flatnonzero((match_ids(ids, others) < 0) & np.array([bool(label) for label in ids]))


def report_unmatched(
    ids: list[str], positions: np.ndarray, source: Source, column: str, other_file: str, so: str
) -> None:
    """Warn of the ids of a table, at `positions`, that the other table lacks; `so` says what follows."""
    for place, position in enumerate(positions[:LISTED_PER_KIND]):
        source.findings.warn(
            f"id not in {other_file}",
            source.file,
            f"{other_file} has no such id; {so}",
            found=ids[position],
            row=source.row(position),
            column=column,
            more=max(0, len(positions) - LISTED_PER_KIND) if place == 0 else 0,
        )


def no_common_id(ids: list[str], others: list[str], file: str, other_file: str, findings: Findings) -> None:
    """Note that two tables share no patient, with the likeliest cause."""
    wanted = f"ids that {other_file} has too are wanted, none is; there they look like {shown(others[0])}"
    for cause, plain in (
        ("leading zeros", lambda label: label.lstrip("0")),
        ("capital letters", str.casefold),
        ("signs or spaces", lambda label: re.sub(r"[\W_]+", "", label)),
        ("letters before the number", lambda label: re.sub(r"^\D+", "", label)),
    ):
        if {plain(label) for label in ids} & {plain(label) for label in others} - {""}:
            wanted += f" (they differ in {cause})"
            break
    findings.error("no common id", file, wanted, found=ids[0])
