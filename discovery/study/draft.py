"""Draft a study file from the tables of a folder, saying what was guessed and why."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field
from pathlib import Path

from discovery.problems import InputError, Problem, shown
from discovery.study.findings import Findings
from discovery.study.guesses import Guess, OutcomeGuess, guess, guess_channels
from discovery.study.reading import build_study
from discovery.study.settings import DEFAULT_SEED
from discovery.study.shelf import Shelf
from discovery.study.study_file import parse, validate
from discovery.study.table_files import read_table

INDEX = "index.csv"


@dataclass(frozen=True)
class Draft:
    """The text of a study file, and a sentence for each guess."""

    text: str
    guesses: list[str]


@dataclass
class Writer:
    """Lines of the file; what is said of a guess stands beside it as a comment and in the list."""

    lines: list[str] = field(default_factory=list)
    guesses: list[str] = field(default_factory=list)

    def section(self, heading: str, *, comment: bool = False) -> None:
        self.lines += ["", f"{'# ' if comment else ''}{heading}"]

    def key(self, key: str, value: object, why: str = "", *, comment: bool = False) -> None:
        end = f"  # {one_line(why)}" if why else ""
        self.lines.append(f"{'# ' if comment else ''}{key} = {toml(value)}{end}")

    def guessed(self, key: str, value: object, why: str, section: str) -> None:
        self.key(key, value, why)
        self.guesses.append(f"[{section}] {key} = {toml(value)}: {why}")

    def open(self, key: str, example: object, why: str, section: str) -> None:
        """Leave a commented line for what could not be guessed."""
        self.key(key, example, why, comment=True)
        self.guesses.append(f"[{section}] {key} is not guessed: {why}")


def draft_study(folder: Path | str) -> Draft:
    """A study file for the tables (and the recordings) in `folder`; nothing is written.

    The guesses are checked against the tables as `read_study` would, and what stands in the way is
    the end of the list.

    Raises
    ------
    InputError
        There is no such folder, or no table in it that can be read.
    """
    folder = Path(folder)
    try:
        if not folder.is_dir():
            raise InputError(
                [Problem(file=str(folder), wanted="a folder with tables is wanted; there is none here")]
            )
        found = guess(folder)
    except (OSError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError([Problem(file=str(folder), wanted=f"the folder cannot be read ({error})")]) from None
    if found.patients is None:
        wanted = "a table of patients is wanted: a .csv or .parquet file with one row a patient and a header"
        problems = [Problem(file=str(folder), wanted=wanted)]
        problems += [Problem(file=str(folder), wanted=said) for said in found.said]
        raise InputError(problems)
    writer = Writer()
    writer.lines = [
        "# A draft: every value here was guessed from the tables. Read it, mend it, then check it."
    ]
    write_study(writer, folder)
    write_patients(writer, found)
    write_features(writer, found)
    write_recordings(writer, folder, needed=found.features is None)
    write_outcomes(writer, found)
    write_analysis(writer)
    text = "\n".join(writer.lines) + "\n"
    return Draft(text=text, guesses=[*writer.guesses, *found.said, *check(text, folder)])


def write_study(writer: Writer, folder: Path) -> None:
    name = re.sub(r"[^\w-]+", "-", folder.resolve().name).strip("-")[:100] or "study"
    writer.section("[study]")
    writer.key("name", name, "from the name of the folder; the results folder is called so")
    writer.key("title", "", "what readers of the report should see")
    writer.key("seed", DEFAULT_SEED, "all randomness comes from it")


def write_patients(writer: Writer, found: Guess) -> None:
    patients = found.patients
    assert patients is not None
    writer.section("[patients]")
    writer.guessed(
        "file",
        patients.table.file,
        f"{len(patients.table)} rows, most columns named like clinical ones",
        "patients",
    )
    if patients.id is not None:
        writer.guessed("id", patients.id, "a different value in every row", "patients")
    else:
        writer.open("id", "patient_id", "no column has a different value in every row", "patients")
    for key, column in (("site", found.site), ("etiology", found.etiology)):
        if column is not None:
            count = len(patients.columns[column].distinct)
            writer.guessed(key, column, f"its name, and {count} different labels", "patients")
        else:
            writer.open(key, key, "no column is named so and holds a few labels", "patients")
    if found.adjust_for:
        writer.guessed(
            "adjust_for", found.adjust_for, "the base model; named like age, sex, body size", "patients"
        )
    else:
        writer.open("adjust_for", ["age", "sex"], "no column is named like age, sex, body size", "patients")
    write_missing(writer, found, "patients")


def write_missing(writer: Writer, found: Guess, section: str) -> None:
    codes = found.missing.get(section)
    if codes:
        writer.guessed("missing", codes, "these stand among numbers and look like not known", section)


def write_features(writer: Writer, found: Guess) -> None:
    if found.features is None:
        writer.section("[features]", comment=True)
        writer.open("file", "features.csv", "no table with the ids of the patients holds numbers", "features")
        return
    table = found.features.table
    writer.section("[features]")
    why = f"{len(found.features.numeric)} columns of numbers, ids shared with {found.patients.table.file}"  # type: ignore[union-attr]
    if found.features is found.patients:
        why = "no other table has these patients; its numbers without another role are the features"
    writer.guessed("file", table.file, why, "features")
    if found.features.id is not None:
        writer.key("id", found.features.id)
    writer.key(
        "columns", ["rv_*", "pa_*"], "names or patterns; without it every column of numbers", comment=True
    )
    if found.limited:
        writer.guessed(
            "beyond_limit", found.limited, "cells such as <0.5 stand among their numbers", "features"
        )
    if found.labels is not None:
        writer.guessed("labels", found.labels, "it has the columns feature and label", "features")
    write_missing(writer, found, "features")


def write_recordings(writer: Writer, folder: Path, *, needed: bool) -> None:
    places = [path.parent for path in sorted(folder.glob(f"*/{INDEX}"))]
    for place in sorted(places, key=lambda path: path.name != "recordings"):
        table = read_table(place / INDEX, f"{place.name}/{INDEX}", Findings())
        if table is None or not {"file", "patient_id"} <= set(table.columns):
            continue
        channels: dict[str, str] = {}
        for file in table.text("file")[:5]:
            channels = channels or guess_channels(place, file)
        writer.section("[recordings]", comment=not channels)
        if channels:
            writer.guessed("folder", place.name, f"{len(table)} recordings in its {INDEX}", "recordings")
            writer.guessed("channels", channels, "the channels' names; check what each one is", "recordings")
            writer.key("units", "mmHg", "or kPa, cmH2O")
        else:
            writer.key("folder", place.name, f"{len(table)} recordings in its {INDEX}", comment=True)
            writer.open(
                "channels", {"rv": "RVP"}, "the names of the channels were not recognised", "recordings"
            )
        return
    if needed:
        writer.section("[recordings]", comment=True)
        writer.open(
            "folder", "recordings", f"no folder with an {INDEX} (file, patient_id) is here", "recordings"
        )


def write_outcomes(writer: Writer, found: Guess) -> None:
    used: set[str] = set()
    for outcome in found.outcomes:
        write_outcome(writer, outcome, used)
    if not any(outcome.sure for outcome in found.outcomes):
        writer.section("[[outcomes]]", comment=True)
        writer.key("name", "outcome", comment=True)
        writer.key(
            "kind",
            "binary",
            "binary, continuous, ordinal, multiclass, count, survival, recurrent",
            comment=True,
        )
        writer.key("column", "outcome", comment=True)
        writer.guesses.append("[[outcomes]] is not guessed: no column is plainly named like an outcome")
    if found.candidates:
        listed = ", ".join(shown(name) for name in found.candidates[:12])
        writer.lines += ["", f"# Other columns with two values, which may be outcomes: {listed}"]
        writer.guesses.append(f"other columns with two values, not used as outcomes: {listed}")


def write_outcome(writer: Writer, outcome: OutcomeGuess, used: set[str]) -> None:
    name = re.sub(r"[^\w-]+", "_", outcome.name).strip("_")[:90] or "outcome"
    while name in used:
        name += "_2"
    used.add(name)
    comment = not outcome.sure
    writer.section("[[outcomes]]", comment=comment)
    writer.key("name", name, comment=comment)
    for key, value in outcome.keys.items():
        writer.key(key, value, outcome.why if key == "kind" else "", comment=comment)
    if outcome.keys.get("kind") == "survival" and "unit" not in outcome.keys:
        writer.key("unit", "days", "of the times, for the report", comment=True)
    keys = ", ".join(f"{key} = {toml(value)}" for key, value in outcome.keys.items())
    writer.guesses.append(f"[[outcomes]] {keys}{' is left as a comment' if comment else ''}: {outcome.why}")


def write_analysis(writer: Writer) -> None:
    writer.section("[analysis]")
    writer.key("fdr", 0.05, "false discovery rate", comment=True)
    writer.key("replicates", 1000, "bootstrap draws; 0 skips ranks and gains", comment=True)


def check(text: str, folder: Path) -> list[str]:
    """What stands in the way of the draft, as `read_study` would say it."""
    settings, problems = validate(parse(text, "study.toml"), text, "study.toml")
    findings = Findings()
    findings.extend(problems)
    if settings is not None:
        build_study(settings, Shelf(folder, findings))
    left = findings.errors()
    if not left:
        return ["the draft was checked against the tables: nothing stands in the way"]
    return [f"to mend: {problem.sentence()}" for problem in left]


def one_line(text: str) -> str:
    """`text` fit to be a comment: whatever is not printable becomes a space."""
    return "".join(letter if letter.isprintable() else " " for letter in text)


def toml(value: object) -> str:
    """`value` as TOML on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return f"[{', '.join(toml(item) for item in value)}]"
    if isinstance(value, dict):
        return f"{{ {', '.join(f'{key} = {toml(item)}' for key, item in value.items())} }}"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return repr(value)
