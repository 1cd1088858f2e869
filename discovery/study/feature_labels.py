"""The table of labels: what features are called in reports, their units and families."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from discovery.problems import shown
from discovery.study.source import Source, missing_codes
from discovery.study.tables import Table
from discovery.study.vocabulary import nearest_column


@dataclass(frozen=True)
class Names:
    """What the labels table says of columns."""

    labels: dict[str, str] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    families: dict[str, str] = field(default_factory=dict)


def doubt_same_labels(labels: dict[str, str], position: dict[str, int], names: Source) -> None:
    """Warn of a label that an earlier name has: readers could not tell the two apart."""
    owner: dict[str, str] = {}
    for key, label in labels.items():
        earlier = owner.setdefault(label, key)
        if earlier != key:
            wanted = f"{shown(earlier)} has this label too; readers cannot tell them apart"
            row = names.row(position[key])
            names.findings.warn("same label", names.file, wanted, found=label, row=row, column="label")


def read_labels(table: Table, known: set[str], source: Source) -> Names:
    """Labels, units and families by column; a name that no table has is warned of."""
    names = Source(table, "features", missing_codes(()), source.findings)
    if not names.require("feature", "the table of labels"):
        return Names()
    keys = table.text("feature")
    first: dict[str, int] = {}
    for position, key in enumerate(keys):
        if not key:
            names.error_rows(
                "no feature name", "the name of a feature is wanted", "feature", np.array([position]), keys
            )
        elif key in first:
            wanted = f"each feature once is wanted, this one stands in row {names.row(first[key])} already"
            names.error_rows("repeated label", wanted, "feature", np.array([position]), keys)
        else:
            first[key] = position
            if key not in known:
                wanted = f"no table has such a column; {nearest_column(key, sorted(known))}"
                names.findings.warn(
                    "label without column",
                    table.file,
                    wanted,
                    found=key,
                    row=names.row(position),
                    column="feature",
                )
    parts: dict[str, dict[str, str]] = {}
    for column in ("label", "unit", "family"):
        cells = table.text(column) if column in table.columns else [""] * len(keys)
        parts[column] = {key: cells[position] for key, position in first.items() if cells[position]}
    doubt_same_labels(parts["label"], first, names)
    return Names(labels=parts["label"], units=parts["unit"], families=parts["family"])
