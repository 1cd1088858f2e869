"""Frozen findings as a file: the same bytes from the same findings, and every fault of a file in words."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from pathlib import Path

from pydantic import ValidationError

from discovery.files import write_bytes
from discovery.markers.frozen import SCHEMA, SCHEMA_VERSION, FrozenFindings, FrozenModel, FrozenOutcome
from discovery.markers.frozen_completion import not_a_covariance
from discovery.problems import InputError, Problem, shown

LARGEST_FILE = 50_000_000  # bytes
READABLE = (1, 2, SCHEMA_VERSION)
LARGEST = 100.0  # log ratio or slope per SD; no fit comes near


def write_frozen(findings: FrozenFindings, path: Path | str) -> Path:
    """The file as JSON, in this schema version, keys in the order of the schema."""
    findings = findings.model_copy(update={"schema_version": SCHEMA_VERSION})
    content = findings.model_dump(mode="json", by_alias=True)
    text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
    return write_bytes(path, (text + "\n").encode("utf-8"))


def read_frozen(path: Path | str) -> FrozenFindings:
    """Read a file of `write_frozen`, of this schema version or an older one.

    Raises
    ------
    InputError
        No such file, not JSON, another schema, or every field that is wrong, at once.
    """
    path = Path(path)
    if path.is_dir():
        raise _fault(path, "a frozen.json that a run wrote is wanted first, then the study", "a folder")
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise _fault(path, "a file of frozen findings is small", f"{path.stat().st_size} bytes")
        content = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise _fault(path, f"a file that can be read is wanted ({error.strerror})") from None
    except (UnicodeDecodeError, RecursionError, ValueError) as error:
        raise _fault(path, f"a frozen.json that a run wrote is wanted; this is not JSON ({error})") from None
    if not isinstance(content, dict) or content.get("schema") != SCHEMA:
        raise _fault(path, "a frozen.json that a run wrote is wanted", "another kind of JSON file")
    if content.get("schema_version") not in READABLE:
        raise _fault(
            path,
            f"schema version {SCHEMA_VERSION} or older is wanted; use the program version that wrote it",
            shown(content.get("schema_version")),
        )
    try:
        findings = FrozenFindings.model_validate(content)
    except ValidationError as error:
        raise InputError(
            Problem(
                file=str(path),
                column=".".join(map(str, fault["loc"])),
                found=shown(fault["input"])[:100],
                wanted=fault["msg"],
            )
            for fault in error.errors()
        ) from None
    problems = list(_contradictions(findings, str(path)))
    if problems:
        raise InputError(problems)
    return findings


def _contradictions(findings: FrozenFindings, place: str) -> Iterable[Problem]:
    """What each field alone cannot show."""
    known = {feature.name for feature in findings.features}
    yield from _twice(place, "features", [feature.name for feature in findings.features])
    yield from _twice(place, "outcomes", [outcome.name for outcome in findings.outcomes])
    for outcome in findings.outcomes:
        yield from _twice(place, f"{outcome.name} terms", [term.name for term in outcome.terms])
        yield from _twice(place, f"{outcome.name} candidates", [c.feature for c in outcome.candidates])
        if outcome.signature is not None:
            yield from _twice(place, f"{outcome.name} signature", outcome.signature.markers)
        yield from _lacking(outcome, place)
        yield from _too_large(outcome, place)
        if outcome.completion and (fault := not_a_covariance(outcome.completion, len(outcome.terms))):
            yield Problem(file=place, column=f"{outcome.name} completion", found=fault,
                          wanted="mean and covariance of the outcome's terms")  # fmt: skip
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


def _twice(place: str, where: str, names: Sequence[str]) -> Iterable[Problem]:
    for name in sorted({name for name in names if names.count(name) > 1}):
        yield Problem(file=place, column=where, found=name, wanted="each name once")


def _lacking(outcome: FrozenOutcome, place: str) -> Iterable[Problem]:
    """Numbers without which the models of this kind of outcome say nothing."""
    if outcome.kind == "continuous":
        for name in ("mean", "sd"):
            value = getattr(outcome, name)
            if value is None or (name == "sd" and value <= 0):
                wanted = f"the {name} of the outcome in the first cohort"
                yield Problem(file=place, column=f"{outcome.name} {name}", found=shown(value), wanted=wanted)
    for names, model in _models(outcome):
        if model is None:
            continue
        where = f"{outcome.name} {' '.join(names)}".strip()
        if outcome.kind == "survival":
            if outcome.horizon is None or outcome.horizon <= 0 or not model.times:
                wanted = "a horizon above 0, and the cumulative hazard up to it"
                yield Problem(file=place, column=where, wanted=wanted)
        elif model.intercept is None:
            yield Problem(file=place, column=where, wanted="the intercept of the model")


def _too_large(outcome: FrozenOutcome, place: str) -> Iterable[Problem]:
    """Effects that no fit gives, on the scale of which they all are: per SD, logarithms of ratios."""
    parts = [(f"{outcome.name} {' '.join(names)}".strip(), model) for names, model in _models(outcome)]
    numbers = [
        *((where, (*model.coefficients, model.intercept or 0.0)) for where, model in parts if model),
        *(
            (f"{outcome.name} {c.feature}", (c.estimate, c.shrunk_estimate or 0.0))
            for c in outcome.candidates
        ),
        *(
            (f"{outcome.name} signature", row)
            for row in (outcome.signature.fill if outcome.signature else ())
        ),
    ]
    for where, values in numbers:
        for value in values:
            if abs(value) > LARGEST:
                wanted = f"effects per SD, {LARGEST:g} at most"
                yield Problem(file=place, column=where, found=f"{value:g}", wanted=wanted)


def _models(outcome: FrozenOutcome) -> Iterable[tuple[tuple[str, ...], FrozenModel | None]]:
    """(its features, the model) of the base model, each candidate and the signature."""
    yield (), outcome.base
    for candidate in outcome.candidates:
        yield (candidate.feature,), candidate.model
    if outcome.signature is not None:
        yield outcome.signature.markers, outcome.signature.model


def _fault(path: Path, wanted: str, found: str = "") -> InputError:
    return InputError([Problem(file=str(path), found=found, wanted=wanted)])
