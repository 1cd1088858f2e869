"""Read `study.toml`: syntax, keys and types, every fault with its line and what is wanted."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from discovery.problems import InputError, Problem, near_miss, nearest
from discovery.study.numbers import TRUTH
from discovery.study.paths import read_bytes
from discovery.study.places import problem_at
from discovery.study.settings import (
    COMPARISONS,
    KINDS,
    MULTIPLICITY,
    OUTCOME_MODELS,
    PROFILE_TESTS,
    ROLES,
    ROTATIONS,
    SEARCH_FAMILIES,
    SEARCH_METHODS,
    SEARCH_SCALES,
    UNITS,
    About,
    Analysis,
    Calibration,
    Eligibility,
    Features,
    Patients,
    PhenotypeSearch,
    Recordings,
    StudyFile,
)
from discovery.study.vocabulary import folded

LARGEST_STUDY_FILE = 2_000_000  # bytes; a longer one is a table given by mistake

SECTIONS: dict[str, type[BaseModel]] = {
    "study": About,
    "patients": Patients,
    "features": Features,
    "recordings": Recordings,
    "analysis": Analysis,
    "phenotypes": PhenotypeSearch,
}
# keys without which an outcome can be checked further
ALONE = ("name", "label", "unit", "defined_from", "dated", "entry", "landmark", "horizon", "competing_labels")
# keys of outcomes that name a column of the patient table
COLUMN_KEYS = ("column", "exposure", "time", "status", "entry", "followup", "terminal", "dated")
LISTS = ("outcomes", "eligibility")  # each of their tables begins with two brackets

A_COLUMN = 'the name of a column in quotes is wanted, such as "age_years"'
COLUMNS = 'a list of column names in quotes is wanted, such as ["age_years", "sex"]'
GLOBS = 'a list of names or patterns in quotes is wanted, such as ["rv_*", "pa_mean"]'
A_FILE = 'the name of a table in quotes is wanted, such as "patients.csv"'
CODES = 'a list of codes is wanted, such as ["NA", -999]'
ONE_CODE = "a code as it stands in the column is wanted (a number, or text in quotes), or a list of codes"
RULE = f"one of {', '.join(COMPARISONS)} in quotes is wanted"
LEVELS = (
    'two or more codes in a list are wanted, such as ["I", "II", "III"]; of ordered classes from low to high'
)
A_TEXT = "text in quotes is wanted"
DRAWS = "a whole number from 0 to 10000000 is wanted"
ROLE_LIST = ", ".join(ROLES)

WANTED = {
    "study.name": "a name of letters, digits, - and _ in quotes is wanted (at most 100)",
    "study.title": A_TEXT,
    "study.seed": "a whole number of 0 or more is wanted",
    "patients.file": A_FILE,
    "patients.id": A_COLUMN,
    "patients.site": A_COLUMN,
    "patients.etiology": A_COLUMN,
    "patients.adjust_for": COLUMNS,
    "patients.adjust_more": COLUMNS,
    "patients.categorical": COLUMNS,
    "patients.missing": CODES,
    "patients.measured_at": A_COLUMN,
    "patients.labels": 'column = "what it is called" is wanted, such as { age_years = "Age" }',
    "patients.levels": 'column = { code = "what it is called" } is wanted, such as { sex = { f = "women" } }',
    "eligibility.column": A_COLUMN,
    "eligibility.comparison": RULE,
    "eligibility.value": "a number, text in quotes, or a list of them is wanted",
    "eligibility.reason": A_TEXT,
    "features.file": A_FILE,
    "features.id": A_COLUMN,
    "features.columns": GLOBS,
    "features.exclude": GLOBS,
    "features.labels": 'the name of a table feature,label,unit in quotes is wanted, such as "labels.csv"',
    "features.missing": CODES,
    "features.beyond_limit": GLOBS,
    "recordings.folder": 'the name of a folder in quotes is wanted, such as "recordings"',
    "recordings.index": 'the name of the index in the folder is wanted, such as "index.csv"',
    "recordings.channels": f'role = "name in the file" is wanted, with a role among {ROLE_LIST}',
    "recordings.units": f"one of {', '.join(UNITS)} is wanted, or one for each role",
    "recordings.rate_hz": "a number above 0 is wanted (samples a second)",
    "recordings.time": A_COLUMN,
    "recordings.window_s": "a length from 10 to 600 seconds is wanted",
    "recordings.least_windows": "a whole number from 1 is wanted",
    "recordings.shape_components": "the shape_components.json of another study is wanted",
    "recordings.calibration": f"role = {{ offset, gain, zero }} is wanted, with a role among {ROLE_LIST}",
    "recordings.calibration.offset": "a number is wanted (in the unit of the channel)",
    "recordings.calibration.gain": "a number above 0 is wanted",
    "recordings.calibration.zero": "a list of windows [start, end] in seconds is wanted, such as [[0, 5]]",
    "outcomes.name": "a name of letters, digits, - and _ in quotes is wanted (at most 100)",
    "outcomes.label": A_TEXT,
    "outcomes.unit": A_TEXT,
    "outcomes.defined_from": GLOBS,
    "outcomes.kind": f"one of {', '.join(KINDS)} is wanted",
    "outcomes.column": A_COLUMN,
    "outcomes.positive": ONE_CODE,
    "outcomes.negative": ONE_CODE,
    "outcomes.levels": LEVELS,
    "outcomes.exposure": A_COLUMN,
    "outcomes.time": A_COLUMN,
    "outcomes.status": A_COLUMN,
    "outcomes.event": ONE_CODE,
    "outcomes.competing": "a list of codes is wanted, such as [2]",
    "outcomes.competing_labels": 'a list of names in quotes is wanted, such as ["Transplant"]',
    "outcomes.censored": ONE_CODE,
    "outcomes.entry": A_COLUMN,
    "outcomes.dated": A_COLUMN,
    "outcomes.landmark": "a time above 0 is wanted, in the unit of the times",
    "outcomes.horizon": "a time above 0 is wanted, in the unit of the times",
    "outcomes.file": 'the name of a table with one row an event is wanted, such as "admissions.csv"',
    "outcomes.id": A_COLUMN,
    "outcomes.followup": A_COLUMN,
    "outcomes.terminal": A_COLUMN,
    "analysis.freeze": "a list of names of features in quotes is wanted",
    "analysis.fdr": "a number between 0 and 1 is wanted, such as 0.05",
    "analysis.multiplicity": f"one of {', '.join(MULTIPLICITY)} is wanted",
    "analysis.winsor": "two quantiles such as [0.01, 0.99] are wanted, or false",
    "analysis.shape": "linear or flexible is wanted",
    "analysis.replicates": DRAWS,
    "analysis.permutations": DRAWS,
    "analysis.imputations": "a whole number from 0 to 1000 is wanted",
    "analysis.suppress_below": "a whole number from 0 to 1000 is wanted, such as 5",
    "analysis.phenotypes": "true or false is wanted",
    "analysis.confirmed_order": "true or false is wanted",
    "analysis.workers": "a whole number of 1 or more is wanted",
    "phenotypes.columns": GLOBS,
    "phenotypes.transforms": f"feature = scale is wanted, with a scale among {', '.join(SEARCH_SCALES)}",
    "phenotypes.families": f"one of {', '.join(SEARCH_FAMILIES)} is wanted",
    "phenotypes.method": f"one of {', '.join(SEARCH_METHODS)} is wanted",
    "phenotypes.groups": "a list of numbers of groups from 2 to 20 is wanted, such as [2, 3, 4]",
    "phenotypes.site_centred": "true or false is wanted",
    "phenotypes.rotation": f"one of {', '.join(ROTATIONS)} is wanted",
    "phenotypes.profile_test": f"one of {', '.join(PROFILE_TESTS)} is wanted",
}


def read_study_file(path: Path) -> tuple[StudyFile | None, list[Problem], bytes]:
    """The study file, its faults, and its bytes.

    Where there are faults the settings are what is left when the faulty keys are taken out (so that
    the tables can be checked in the same go), or None when too little is left.

    Raises
    ------
    InputError
        The file cannot be read, or is no TOML.
    """
    content = read_bytes(path, path.name, wanted="a study file (TOML, UTF-8) is wanted")
    text = decode(content, path.name)
    settings, problems = validate(parse(text, path.name), text, path.name)
    return settings, problems, content


def validate(raw: dict[str, Any], text: str, file: str) -> tuple[StudyFile | None, list[Problem]]:
    """The settings in `raw` and its faults; see `read_study_file`."""
    raw = normal_form(raw)
    problems: dict[tuple[str | None, str], Problem] = {}
    found = (
        *mistyped_sections(raw, text, file),
        *repeated_names(raw, text, file),
        *repeated_columns(raw, text, file),
        *repeated_codes(raw, text, file),
    )
    for problem in found:
        problems[problem.column, problem.found] = problem
    taken: set[tuple[str | int, ...]] = set()
    left: list[tuple[str, str]] = []
    for _ in range(4):  # a key may hide a second fault; each round takes out what it names
        try:
            return StudyFile.model_validate(raw).with_left_columns(left), list(problems.values())
        except ValidationError as error:
            faults = [describe(fault, raw, text, file) for fault in error.errors(include_url=False)]
        following = [place for _, place in faults if place in taken or not place]
        if taken and following:  # a consequence of what was taken out, no fault of its own
            return None, list(problems.values())
        for problem, _ in faults:
            problems.setdefault((problem.column, problem.found), problem)
        places = {place for _, place in faults}
        for place in sorted(places, key=later_and_deeper, reverse=True):
            left += columns_of_outcome(raw, place)
            take_out(raw, place)
        taken |= places
    return None, list(problems.values())


def mistyped_sections(raw: dict[str, Any], text: str, file: str) -> Iterator[Problem]:
    """Sections whose name is nearly a known one; in `raw` they get the right name, to be checked as it."""
    for key in list(raw):
        near = near_miss(key, [*SECTIONS, *LISTS])
        if key not in SECTIONS and key not in LISTS and near is not None and near not in raw:
            yield problem_at((key,), text, file, "", unknown_key((key,), raw))
            raw[near] = raw.pop(key)


def repeated_names(raw: dict[str, Any], text: str, file: str) -> Iterator[Problem]:
    """Outcomes with the name of an earlier one; in `raw` they get another, to be checked further."""
    outcomes = raw.get("outcomes")
    seen: set[str] = set()
    for position, outcome in enumerate(outcomes if isinstance(outcomes, list) else []):
        name = outcome.get("name") if isinstance(outcome, dict) else None
        if isinstance(name, str) and name in seen:
            wanted = "an earlier outcome has this name; each outcome needs its own"
            yield problem_at(("outcomes", position, "name"), text, file, name, wanted)
            outcome["name"] = f"repeated-{position}"
        elif isinstance(name, str):
            seen.add(name)


def repeated_columns(raw: dict[str, Any], text: str, file: str) -> Iterator[Problem]:
    """Columns named twice among the covariates; in `raw` the first is left, to be checked further."""
    patients = raw.get("patients")
    if not isinstance(patients, dict):
        return
    seen: list[str] = []
    for key in ("adjust_for", "adjust_more"):
        names = patients.get(key)
        if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
            continue
        for name in dict.fromkeys(name for at, name in enumerate(names) if name in [*seen, *names[:at]]):
            where = "adjust_for has it already" if name in seen else "it stands here twice"
            wanted = f"each column once is wanted in adjust_for and adjust_more; {where}"
            yield problem_at(("patients", key), text, file, name, wanted)
        patients[key] = [name for name in dict.fromkeys(names) if name not in seen]
        seen += names


def repeated_codes(raw: dict[str, Any], text: str, file: str) -> Iterator[Problem]:
    """Codes of competing events that stand twice; in `raw` each is left where it stands first, to be checked
    further."""
    outcomes = raw.get("outcomes")
    for position, outcome in enumerate(outcomes if isinstance(outcomes, list) else []):
        if not isinstance(outcome, dict) or outcome.get("kind") != "survival":
            continue
        event, competing = outcome.get("event"), outcome.get("competing")
        if not isinstance(competing, list) or not all(
            isinstance(code, int | float | str) for code in competing
        ):
            continue
        seen = [str(code) for code in (event if isinstance(event, list) else [event])]
        left = []
        for code in competing:
            if str(code) in seen:
                wanted = f"the code {code!r} stands twice in event, competing and censored"
                yield problem_at(("outcomes", position, "competing"), text, file, "", wanted)
            else:
                left.append(code)
            seen.append(str(code))
        if len(left) < len(competing):
            labels = outcome.get("competing_labels")
            if isinstance(labels, list) and len(labels) == len(competing):
                outcome.pop("competing_labels")  # one each, which is no fault of theirs
            outcome["competing"] = left


def decode(content: bytes, file: str) -> str:
    if len(content) > LARGEST_STUDY_FILE:
        wanted = "a study file of a few lines is wanted; is this a table?"
        raise InputError([Problem(file=file, found=f"{len(content)} bytes", wanted=wanted)])
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = content.count(b"\n", 0, error.start) + 1
        wanted = f"UTF-8 text is wanted (byte {error.start} is not); save the file again as UTF-8"
        raise InputError(
            [Problem(file=file, row=row, found=repr(content[error.start : error.start + 4]), wanted=wanted)]
        ) from None


def parse(text: str, file: str) -> dict[str, Any]:
    """The keys and values of a TOML text.

    Raises
    ------
    InputError
        With the line of the first fault in the syntax.
    """
    text = text.replace("\r\n", "\n")
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise InputError([Problem(file=file, wanted="brackets are nested too deep to be read")]) from None
    except ValueError as error:
        message = str(error)
        place = re.search(r"\(at line (\d+), column \d+\)", message)
        lines = text.splitlines() or [""]
        row = int(place[1]) if place else (len(lines) if "end of document" in message else None)
        line = lines[row - 1].strip() if row is not None and row <= len(lines) else ""
        message = re.sub(r"\s*\(at .*\)$", "", message)
        wanted = f"this line is not TOML: {message[:1].lower()}{message[1:200]}{syntax_hint(line)}"
        raise InputError([Problem(file=file, row=row, found=line, wanted=wanted)]) from None


def syntax_hint(line: str) -> str:
    if "\\" in line:
        return "; write a path with / or in single quotes"
    if truth := re.match(r"^[^=]+=\s*(true|false)\s*(#.*)?$", line, re.IGNORECASE):
        return f"; TOML writes {truth[1].lower()}, in small letters"
    if re.match(r"""^["']?[^=]+=\s*[^\W\d][^"'\[\]{}]*(#.*)?$""", line):
        return "; text stands in quotes, and only true and false without"
    if line and "=" not in line and not line.startswith("["):
        return "; a line is key = value, or [section]"
    if re.match(r"^[^=]*[^\x00-\x7f=]+[^=]*=", line) and not line.startswith(('"', "'")):
        return "; a key with letters beyond a-z stands in quotes"
    return ""


def normal_form(value: Any) -> Any:
    """Text in the composed Unicode form, so that an accent typed either way is the same name."""
    if isinstance(value, str):
        return unicodedata.normalize("NFC", value)
    if isinstance(value, list):
        return [normal_form(item) for item in value]
    if isinstance(value, dict):
        return {unicodedata.normalize("NFC", key): normal_form(item) for key, item in value.items()}
    return value


def describe(fault: Any, raw: dict[str, Any], text: str, file: str) -> tuple[Problem, tuple[str | int, ...]]:
    """The problem behind one of pydantic's errors, and the place in `raw` to take out."""
    place, value = walk(fault["loc"], raw)
    if place[:2] == ("analysis", "winsor"):  # the two quantiles are one thing
        place, value = place[:2], raw["analysis"]["winsor"]
    kind = fault["type"]
    if kind == "missing" and fault["loc"] and not isinstance(fault["loc"][-1], int):
        key = str(fault["loc"][-1])
        name = key_name((*place, key))
        wanted = f"this key is needed: {WANTED[name]}" if name in WANTED else f"a section [{key}] is needed"
        return problem_at((*place, key), text, file, "", wanted), taken_section((*place, key))
    if kind == "extra_forbidden":
        return problem_at(place, text, file, "", unknown_key(place, raw)), place
    if kind == "value_error":
        return problem_at(place, text, file, "", str(fault["ctx"]["error"])), taken_section(place)
    if kind == "union_tag_not_found":
        if isinstance(value, dict):
            wanted = f"this key is needed: {WANTED['outcomes.kind']}"
            return problem_at((*place, "kind"), text, file, "", wanted), place
        return problem_at(place, text, file, value, "a table [[outcomes]] is wanted"), place
    if kind == "union_tag_invalid":
        kind_given = value.get("kind") if isinstance(value, dict) else value
        hint = f"; {nearest(kind_given, KINDS)}" if isinstance(kind_given, str) else ""
        return problem_at((*place, "kind"), text, file, kind_given, WANTED["outcomes.kind"] + hint), place
    name = key_name(place)
    if name in WANTED:
        wanted = WANTED[name]
        if kind == "literal_error" and isinstance(value, str):
            allowed = re.findall("'([^']+)'", fault["ctx"]["expected"])
            wanted += f"; {nearest(value, allowed)}"
        if isinstance(value, str) and value.strip().casefold() in TRUTH and "false" in wanted:
            wanted += f"; TOML writes {value.strip().casefold()}, without quotes"
        if fault["loc"][-1] == "[key]":
            value = place[-1]
    elif place[:1] in (("outcomes",), ("eligibility",)):
        wanted = f"a list of tables is wanted: each begins with [[{place[0]}]], two brackets"
    else:
        wanted = f"a section [{name}] with keys is wanted"
    if isinstance(value, dict | list):
        value = repr(value)
    return problem_at(place, text, file, value, wanted), taken_section(place)


def walk(loc: tuple[str | int, ...], raw: dict[str, Any]) -> tuple[tuple[str | int, ...], Any]:
    """The part of pydantic's location that stands in the file, and what stands there."""
    place: list[str | int] = []
    value: Any = raw
    for step in loc:
        in_table = isinstance(value, dict) and step in value
        if in_table or (isinstance(value, list) and isinstance(step, int) and step < len(value)):
            place.append(step)
            value = value[step]
    return tuple(place), value


def key_name(place: tuple[str | int, ...]) -> str:
    """The place without list positions and roles: a key of `WANTED`, or a section."""
    names = [step for step in place if isinstance(step, str)]
    if names[:2] in (["recordings", "channels"], ["recordings", "units"]):
        names = names[:2]
    elif names[:2] == ["recordings", "calibration"]:
        names = names[:2] + names[3:4]
    else:
        names = names[:2]
    return ".".join(names)


def taken_section(place: tuple[str | int, ...]) -> tuple[str | int, ...]:
    """What goes with a faulty key: recordings without a channel, an outcome or rule that needs it, else
    the key."""
    if place[:2] == ("recordings", "channels"):
        return place[:1]
    if place[:1] == ("eligibility",):
        return place[:2]
    spared = place[:1] != ("outcomes",) or (len(place) > 2 and place[2] in ALONE)
    return place if spared else place[:2]


def later_and_deeper(place: tuple[str | int, ...]) -> tuple[list[int], int]:
    """An order in which, from its end, parts can be taken out without moving those still to come."""
    return [step for step in place if isinstance(step, int)], len(place)


def take_out(raw: dict[str, Any], place: tuple[str | int, ...]) -> None:
    """Remove what stands at `place`; a list keeps its positions. Of a rule of eligibility its column is left,
    if it has one, to be looked for in the table with those of the others."""
    holder: Any = raw
    for step in place[:-1]:
        try:
            holder = holder[step]
        except (KeyError, IndexError, TypeError):
            return
    if place[:1] in (("outcomes",), ("eligibility",)) and len(place) == 2 and isinstance(holder, list):
        if place[0] == "eligibility" and (left := rule_of_column(holder[int(place[1])])):
            holder[int(place[1])] = left
            return
        raw[str(place[0])] = [item for position, item in enumerate(holder) if position != place[1]]
    elif place == ("study", "name"):
        raw["study"]["name"] = "study"
    elif place[:1] == ("outcomes",) and place[2:] == ("name",) and isinstance(holder, dict):
        names = [item.get("name") for item in raw["outcomes"] if isinstance(item, dict)]
        holder["name"] = f"outcome-{int(place[1]) + 1}"
        while holder["name"] in names:
            holder["name"] += "-"
    elif isinstance(holder, dict) and place:
        holder.pop(place[-1], None)
    elif isinstance(holder, list):  # an item of a list of names: without the whole list
        take_out(raw, place[:-1])


def columns_of_outcome(raw: dict[str, Any], place: tuple[str | int, ...]) -> Iterator[tuple[str, str]]:
    """The columns of the patient table that the outcome at `place` names, with the words for the key, to be
    looked for though it is taken out; of other places nothing."""
    outcome = raw["outcomes"][place[1]] if place[:1] == ("outcomes",) and len(place) == 2 else None
    if not isinstance(outcome, dict):
        return
    kind, name = outcome.get("kind"), outcome.get("name")
    own = (
        OUTCOME_MODELS[kind].model_fields if isinstance(kind, str) and kind in OUTCOME_MODELS else COLUMN_KEYS
    )
    elsewhere = ("time",) if "file" in outcome else ()  # of a table of episodes
    for key in COLUMN_KEYS:
        column = outcome.get(key)
        if key in own and key not in elsewhere and isinstance(column, str) and column:
            yield column, f"{key} of {name if isinstance(name, str) else f'outcome-{int(place[1]) + 1}'!r}"


def rule_of_column(rule: Any) -> dict[str, Any] | None:
    """A rule that asks nothing of the column of a faulty `rule` but that it is known; None without one."""
    column = rule.get("column") if isinstance(rule, dict) else None
    left = {"column": column, "comparison": "known"}
    try:
        Eligibility.model_validate(left)
    except ValidationError:
        return None
    return None if left == rule else left


def unknown_key(place: tuple[str | int, ...], raw: dict[str, Any]) -> str:
    key = str(place[-1])
    if len(place) == 1:
        return f"there is no section or key of this name; {hint_for(key, [*SECTIONS, *LISTS])}"
    if place[0] == "outcomes":
        outcome = raw["outcomes"][place[1]]
        model: type[BaseModel] = OUTCOME_MODELS[outcome["kind"]]
        where = f"an outcome of the kind {outcome['kind']}"
    elif place[0] == "eligibility":
        model, where = Eligibility, "a rule of eligibility"
    elif place[:2] == ("recordings", "calibration"):
        model, where = Calibration, "a calibration"
    else:
        model, where = SECTIONS[str(place[0])], f"[{place[0]}]"
    return f"{where} has no key of this name; {hint_for(key, list(model.model_fields))}"


def hint_for(key: str, known: list[str]) -> str:
    """The key that was meant, where a key of this name belongs, or the known ones."""
    plain = {folded(name): name for name in known}
    if folded(key) in plain:
        return f"did you mean {plain[folded(key)]!r}?"
    return nearest(key, known) if near_miss(key, known) else elsewhere(key) or nearest(key, known)


def elsewhere(key: str) -> str:
    """Where the study file has a key of this name, "" if nowhere."""
    tables = [f"[{name}]" for name, model in SECTIONS.items() if key in model.model_fields]
    kinds = [kind for kind, model in OUTCOME_MODELS.items() if key in model.model_fields]
    if kinds:
        whole = len(kinds) == len(OUTCOME_MODELS)
        tables.append("[[outcomes]]" + ("" if whole else f" of the kind {' or '.join(kinds)}"))
    tables += ["[[eligibility]]"] if key in Eligibility.model_fields else []
    return f"it belongs under {' or '.join(tables)}" if tables else ""
