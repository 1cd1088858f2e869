"""What is wrong with the content of a frozen.json: every fault with its place and what is wanted there."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from discovery.markers.frozen import FrozenFindings, FrozenModel, FrozenOutcome
from discovery.markers.frozen_completion import not_a_covariance
from discovery.study.findings import Findings

LARGEST = 100.0  # log ratio or slope per SD; no fit comes near
SINCE_VERSION = {"signature": 2, "share": 2, "imputation": 3, "completion": 3}
Place = tuple[str | int, ...]

AN_OBJECT = "an object of keys and values is wanted"
WANTED = {
    "missing": "this key is needed",
    "extra_forbidden": "a run writes no key of this name here",
    "float_type": "a number is wanted",
    "int_type": "a whole number is wanted",
    "int_from_float": "a whole number is wanted",
    "string_type": "text in quotes is wanted",
    "bool_type": "true or false is wanted",
    "tuple_type": "a list is wanted",
    "dict_type": AN_OBJECT,
    "model_type": AN_OBJECT,
    "finite_number": "a finite number is wanted",
    "literal_error": "{expected} is wanted",
    "greater_than": "a number above {gt:g} is wanted",
    "greater_than_equal": "a number of {ge:g} or more is wanted",
    "less_than": "a number below {lt:g} is wanted",
    "less_than_equal": "a number of {le:g} or less is wanted",
    "too_short": "a list of {min_length} or more is wanted",
    "too_long": "a list of {max_length} is wanted",
}


def findings_in(content: Mapping[str, Any], file: str, findings: Findings) -> FrozenFindings | None:
    """The frozen findings that `content` is; where it has faults they are noted, all of them.

    An outcome whose keys and values are sound is held against the rest of the file even if others are not.
    """
    check = _Check(content, file, findings)
    check.newer_keys()
    whole: FrozenFindings | None = None
    faulty: set[Place] = set()
    try:
        whole = FrozenFindings.model_validate(content)
    except ValidationError as error:
        for fault in error.errors(include_url=False):
            check.describe(fault)
            faulty |= {fault["loc"][:1], fault["loc"][:2]}
    check.each_once(("features",), _names(content.get("features")))
    check.each_once(("outcomes",), _names(content.get("outcomes")))
    if ("winsor",) not in faulty and content.get("winsor"):
        check.rising(("winsor",), *content["winsor"])
    for place, feature in _objects(content.get("features"), ("features",)):
        if place not in faulty:
            check.rising(place, feature["low"], feature["high"])
    for place, outcome in _objects(content.get("outcomes"), ("outcomes",)):
        if place not in faulty:
            check.outcome(place, FrozenOutcome.model_validate(outcome))
    return whole


def in_json(value: Any) -> str:
    """A value as it stands in the file; what has parts by their number."""
    if isinstance(value, dict | list):
        return f"{'an object' if isinstance(value, dict) else 'a list'} of {len(value)}"
    return json.dumps(value, ensure_ascii=False)


def place_in(content: Any, place: Place) -> str:
    """`outcomes.death.candidates.pa_mean.estimate`: items by their names, or else counted from 1."""
    words = ""
    for step in place:
        inside = isinstance(content, dict) and step in content
        inside = inside or (isinstance(content, list) and isinstance(step, int) and step < len(content))
        content = content[step] if inside else None  # type: ignore[index]
        name = isinstance(content, dict) and (content.get("name") or content.get("feature"))
        if isinstance(step, int):
            words += f".{name}" if isinstance(name, str) else f"[{step + 1}]"
        else:
            words += f".{step}" if words else step
    return words


def _names(items: Any) -> list[str]:
    """The names of a list of objects, as far as there are any."""
    found = [item.get("name") for item in items if isinstance(item, dict)] if isinstance(items, list) else []
    return [name for name in found if isinstance(name, str)]


@dataclass(frozen=True)
class _Check:
    """Faults of `content` that are noted in `findings`."""

    content: Mapping[str, Any]
    file: str
    findings: Findings

    def fault(self, kind: str, place: Place, wanted: str, found: str = "") -> None:
        self.findings.error(kind, self.file, wanted, found=found, column=place_in(self.content, place))

    def describe(self, fault: Any) -> None:
        """One of pydantic's faults, in our words."""
        kind = fault["type"]
        wanted = WANTED[kind].format(**fault.get("ctx", {})) if kind in WANTED else fault["msg"]
        found = "" if kind in ("missing", "extra_forbidden") else in_json(fault["input"])
        self.fault(wanted, fault["loc"], wanted, found)

    def newer_keys(self) -> None:
        """Keys that the version the file says it is of did not have."""
        version = self.content["schema_version"]
        for place, item in _objects(self.content.get("outcomes"), ("outcomes",)):
            terms = item.get("terms")
            for where, part in ((place, item), *_objects(terms, (*place, "terms"))):
                for key in SINCE_VERSION.keys() & part.keys():
                    if version < SINCE_VERSION[key]:
                        wanted = f"schema version {version} has no such key, which came with "
                        self.fault("newer key", (*where, key), f"{wanted}version {SINCE_VERSION[key]}")

    def each_once(self, place: Place, names: Sequence[str]) -> None:
        for name in sorted({name for name in names if names.count(name) > 1}):
            self.fault("twice", place, "each name once is wanted", name)

    def rising(self, place: Place, low: float | None, high: float | None) -> None:
        if low is not None and high is not None and not low < high:
            self.fault(
                "limits", place, "a lower limit below the upper one is wanted", f"{low:g} and {high:g}"
            )

    def outcome(self, place: Place, outcome: FrozenOutcome) -> None:
        """What each value alone cannot show."""
        self.each_once((*place, "terms"), [term.name for term in outcome.terms])
        self.each_once((*place, "candidates"), [candidate.feature for candidate in outcome.candidates])
        for k, term in enumerate(outcome.terms):
            if bool(term.level) != bool(term.reference):
                wanted = "a level and its reference are wanted, or neither for a number"
                self.fault("level", (*place, "terms", k), wanted, term.level or term.reference)
        if outcome.kind == "continuous":
            self._scale(place, outcome)
        for where, names, model in _models(place, outcome):
            self._features(where, names)
            if model is not None:
                self._model(where, outcome, len(outcome.terms) + len(names), model)
        for k, candidate in enumerate(outcome.candidates):
            where = (*place, "candidates", k)
            self._too_large((*where, "estimate"), candidate.estimate)
            self._too_large((*where, "shrunk_estimate"), candidate.shrunk_estimate or 0.0)
        self._signature(place, outcome)
        self._imputation(place, outcome)
        if outcome.completion and (fault := not_a_covariance(outcome.completion, len(outcome.terms))):
            wanted = "mean and covariance of the outcome's terms are wanted"
            self.fault("completion", (*place, "completion"), wanted, fault)

    def _scale(self, place: Place, outcome: FrozenOutcome) -> None:
        for name, value in (("mean", outcome.mean), ("sd", outcome.sd)):
            if value is None or (name == "sd" and value <= 0):
                wanted = f"the {name} of the outcome in the first cohort is wanted"
                self.fault("scale", (*place, name), wanted, in_json(value))

    def _features(self, place: Place, names: Sequence[str]) -> None:
        features = self.content.get("features")
        known = set(_names(features))
        for name in names if isinstance(features, list) else ():
            if name not in known:
                self.fault("unknown feature", place, "a feature with a scale under features is wanted", name)

    def _model(self, place: Place, outcome: FrozenOutcome, count: int, model: FrozenModel) -> None:
        if len(model.coefficients) != count:
            found = f"{len(model.coefficients)} coefficients"
            self.fault("coefficients", (*place, "coefficients"), f"{count} are wanted", found)
        hazard, times = list(model.hazard), list(model.times)
        if len(times) != len(hazard) or times != sorted(times) or [0.0, *hazard] != sorted([0.0, *hazard]):
            found = "times and hazard that do not go together"
            self.fault(
                "hazard", place, "one cumulative hazard for each rising time, rising from 0, is wanted", found
            )
        for value in (*model.coefficients, model.intercept or 0.0):
            self._too_large(place, value)
        if outcome.kind == "survival":
            if outcome.horizon is None or outcome.horizon <= 0 or not model.times:
                wanted = "a horizon above 0, and the cumulative hazard up to it, are wanted"
                self.fault("no hazard", place, wanted)
        elif model.intercept is None:
            self.fault("no intercept", (*place, "intercept"), "the intercept of the model is wanted")

    def _too_large(self, place: Place, value: float) -> None:
        """Effects that no fit gives, on the scale of which they all are: per SD, logarithms of ratios."""
        if abs(value) > LARGEST:
            self.fault("large", place, f"effects per SD, {LARGEST:g} at most, are wanted", f"{value:g}")

    def _signature(self, place: Place, outcome: FrozenOutcome) -> None:
        signature, where = outcome.signature, (*place, "signature")
        if signature is None:
            return
        self.each_once((*where, "markers"), signature.markers)
        markers, width = len(signature.markers), 1 + len(outcome.terms)
        if [len(row) for row in signature.fill] != [width] * markers:
            found = "another number of coefficients to fill gaps with"
            self.fault(
                "fill", (*where, "fill"), f"{width} for each of its {markers} markers are wanted", found
            )
        for row in signature.fill:
            for value in row:
                self._too_large((*where, "fill"), value)

    def _imputation(self, place: Place, outcome: FrozenOutcome) -> None:
        """An imputed feature has a scale; no column predicts itself."""
        if outcome.imputation is None:
            return
        columns, where = outcome.imputation.columns, (*place, "imputation", "columns")
        self.each_once(where, [column.name for column in columns])
        for k, column in enumerate(columns):
            here = (*where, k)
            if column.role == "feature":
                self._features(here, [column.name])
            self.each_once((*here, "predictors"), column.predictors)
            if column.name in column.predictors:
                wanted = "other columns than the imputed one are wanted"
                self.fault("own predictor", (*here, "predictors"), wanted, column.name)


def _objects(items: Any, place: Place) -> Iterator[tuple[Place, dict]]:
    """The objects in a list, each with its place."""
    for at, item in enumerate(items if isinstance(items, list) else ()):
        if isinstance(item, dict):
            yield (*place, at), item


def _models(
    place: Place, outcome: FrozenOutcome
) -> Iterator[tuple[Place, tuple[str, ...], FrozenModel | None]]:
    """(place, its features, the model) of the base model, each candidate and the signature."""
    yield (*place, "base"), (), outcome.base
    for k, candidate in enumerate(outcome.candidates):
        yield (*place, "candidates", k, "model"), (candidate.feature,), candidate.model
    if outcome.signature is not None:
        yield (*place, "signature", "model"), outcome.signature.markers, outcome.signature.model
