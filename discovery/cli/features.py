"""`discovery features [KEY …]`: what can be measured, and how each feature is defined."""

from __future__ import annotations

import argparse

from discovery.problems import InputError, Problem, nearest

IN_LIST = ("key", "label", "unit", "family", "level", "valid_range")
WIDTH = 100


def add_to(commands) -> None:
    parser = commands.add_parser("features", help="list every feature, or say all about some of them")
    parser.add_argument("keys", nargs="*", metavar="KEY", help="keys or patterns such as 'rv_tau_*'")
    parser.add_argument("--csv", action="store_true", help="the whole registry as CSV")
    parser.set_defaults(call=call)


def call(args: argparse.Namespace) -> int:
    from discovery.beats.registry import FEATURES, feature_table

    unknown = [key for key in args.keys if not len(feature_table([key]))]
    if unknown:
        raise InputError(
            [
                Problem(
                    file="features",
                    found=key,
                    wanted=f"the key of a feature is wanted; {nearest(key, FEATURES)}",
                )
                for key in unknown
            ]
        )
    table = feature_table(args.keys or ["*"])
    if args.csv:
        from discovery.files import csv_text

        print(csv_text(table), end="")
    elif args.keys:
        print("\n\n".join(described(row) for row in table.to_dict("records")))
    else:
        print("\n".join(listed(table)))
    return 0


def described(row: dict[str, object]) -> str:
    """All that the registry says of one feature, a line or paragraph for each of its columns."""
    from textwrap import fill

    lines = []
    for name, value in row.items():
        text = {True: "yes", False: "no"}.get(value, value) if isinstance(value, bool) else value
        if text != "":
            head = f"{name.replace('_', ' ')}: "
            lines.append(fill(f"{head}{text}", WIDTH, subsequent_indent="    ", break_on_hyphens=False))
    return "\n".join(lines)


def listed(table) -> list[str]:
    """The list as aligned columns, the header first."""
    rows = [
        [name.replace("_", " ") for name in IN_LIST],
        *table[list(IN_LIST)].astype(str).to_numpy().tolist(),
    ]
    widths = [max(len(row[at]) for row in rows) for at in range(len(IN_LIST))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths)).rstrip() for row in rows]
