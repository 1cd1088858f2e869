"""Frozen findings as a file: the same bytes from the same findings, and no change by hand unnoticed."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from discovery.files import write_bytes
from discovery.markers.frozen import SCHEMA, SCHEMA_VERSION, FrozenFindings, FrozenModel, FrozenOutcome
from discovery.problems import InputError, Problem, shown

LARGEST_FILE = 50_000_000  # bytes
CHECKSUM = "checksum"
WITHOUT_CHECKSUM = 1  # the schema version that had none


def write_frozen(findings: FrozenFindings, path: Path | str) -> Path:
    """The file as JSON, keys in the order of the schema, its checksum last."""
    findings = findings.model_copy(update={"schema_version": SCHEMA_VERSION})
    content = findings.model_dump(mode="json", by_alias=True)
    text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
    content[CHECKSUM] = checksum(text)
    text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
    return write_bytes(path, (text + "\n").encode("utf-8"))


def checksum(text: str) -> str:
    """SHA-256 of what a JSON text says, whatever its spaces, order of keys and way to write a number."""
    content = json.loads(text, parse_int=float)
    content.pop(CHECKSUM, None)
    said = json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(said.encode("utf-8")).hexdigest()


def read_frozen(path: Path | str) -> FrozenFindings:
    """Read a file of `write_frozen`, of this schema version or an older one.

    Raises
    ------
    InputError
        No such file, not JSON, another schema, or every field that is wrong, at once; a file that says
        something else than when it was written.
    """
    path = Path(path)
    if path.is_dir():
        raise _fault(path, "a frozen.json that a run wrote is wanted first, then the study", "a folder")
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise _fault(path, "a file of frozen findings is small", f"{path.stat().st_size} bytes")
        text = path.read_text(encoding="utf-8")
        content = json.loads(text)
    except OSError as error:
        raise _fault(path, f"a file that can be read is wanted ({error.strerror})") from None
    except (UnicodeDecodeError, RecursionError, ValueError) as error:
        raise _fault(path, f"a frozen.json that a run wrote is wanted; this is not JSON ({error})") from None
    if not isinstance(content, dict) or content.get("schema") != SCHEMA:
        raise _fault(path, "a frozen.json that a run wrote is wanted", "another kind of JSON file")
    if content.get("schema_version") not in (WITHOUT_CHECKSUM, SCHEMA_VERSION):
        raise _fault(
            path,
            f"schema version {SCHEMA_VERSION} or older is wanted; use the program version that wrote it",
            shown(content.get("schema_version")),
        )
    changed = list(_changes(content, text, str(path)))
    content.pop(CHECKSUM, None)
    try:
        findings = FrozenFindings.model_validate(content)
    except ValidationError as error:
        faults = [
            Problem(
                file=str(path),
                column=".".join(map(str, fault["loc"])),
                found=shown(fault["input"])[:100],
                wanted=fault["msg"],
            )
            for fault in error.errors()
        ]
        raise InputError([*faults, *changed]) from None
    problems = [*_contradictions(findings, str(path)), *changed]
    if problems:
        raise InputError(problems)
    return findings


def _changes(content: dict[str, Any], text: str, place: str) -> Iterable[Problem]:
    """Whether the file still says what was written, by its checksum."""
    if content["schema_version"] == WITHOUT_CHECKSUM and CHECKSUM not in content:
        return
    if content.get(CHECKSUM) != checksum(text):
        yield Problem(
            file=place,
            column=CHECKSUM,
            found="the content was changed after the run wrote it" if CHECKSUM in content else "no checksum",
            wanted="the file as the run wrote it: findings that are edited are no longer frozen",
        )


def _contradictions(findings: FrozenFindings, place: str) -> Iterable[Problem]:
    """What each field alone cannot show."""
    known = {feature.name for feature in findings.features}
    for outcome in findings.outcomes:
        for names, model in _models(outcome):
            for name in names:
                if name not in known:
                    wanted = "a scale for this feature"
                    yield Problem(file=place, column=outcome.name, found=name, wanted=wanted)
            if model is None:
                continue
            where = f"{outcome.name} {' '.join(names)}".strip()
            wanted_count = len(outcome.terms) + len(names)
            if len(model.coefficients) != wanted_count:
                found = f"{len(model.coefficients)} coefficients"
                yield Problem(file=place, column=where, found=found, wanted=f"{wanted_count}")
            if len(model.times) != len(model.hazard) or list(model.times) != sorted(model.times):
                yield Problem(
                    file=place,
                    column=where,
                    found="times and hazard that do not go together",
                    wanted="one cumulative hazard for each rising time",
                )
        signature = outcome.signature
        if signature is not None and [len(row) for row in signature.fill] != [1 + len(outcome.terms)] * len(
            signature.markers
        ):
            yield Problem(
                file=place,
                column=f"{outcome.name} signature",
                found="another number of coefficients to fill gaps with",
                wanted=f"{1 + len(outcome.terms)} for each of its {len(signature.markers)} markers",
            )


def _models(outcome: FrozenOutcome) -> Iterable[tuple[tuple[str, ...], FrozenModel | None]]:
    """(its features, the model) of the base model, each candidate and the signature."""
    yield (), outcome.base
    for candidate in outcome.candidates:
        yield (candidate.feature,), candidate.model
    if outcome.signature is not None:
        yield outcome.signature.markers, outcome.signature.model


def _fault(path: Path, wanted: str, found: str = "") -> InputError:
    return InputError([Problem(file=str(path), found=found, wanted=wanted)])
