"""What is wrong with the content of a frozen.json: every fault with its place and what is wanted there."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from pydantic import ValidationError

from discovery.markers.frozen import (
    FrozenCandidate,
    FrozenCompletion,
    FrozenFeature,
    FrozenFindings,
    FrozenImputation,
    FrozenModel,
    FrozenSignature,
    FrozenTerm,
)
from discovery.markers.frozen_completion import not_a_covariance
from discovery.problems import nearest
from discovery.study.findings import Findings

ROUNDED_UP = 1000  # by how much masking may have made a count larger than that of all
SINGLE = ("survival", "binary")  # kinds with one event a patient
ROUNDING = 1e-9
EXPLAINED = "R2"  # the measure that may lie below 0 without limit
SINCE_VERSION = {"signature": 2, "share": 2, "imputation": 3, "completion": 3, "landmark": 4}
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
    "value_error": "{error}",
    "greater_than": "a number above {gt:g} is wanted",
    "greater_than_equal": "a number of {ge:g} or more is wanted",
    "less_than": "a number below {lt:g} is wanted",
    "less_than_equal": "a number of {le:g} or less is wanted",
    "too_short": "a list of {min_length} or more is wanted",
    "too_long": "a list of {max_length} is wanted",
}


def findings_in(content: Mapping[str, Any], file: str, findings: Findings) -> FrozenFindings | None:
    """The frozen findings that `content` is; where it has faults they are noted, all of them.

    A part whose keys and values are sound is held against the rest of the file even if others are not.
    """
    whole: FrozenFindings | None = None
    faults: list[Any] = []
    try:
        whole = FrozenFindings.model_validate(content)
    except ValidationError as error:
        faults = list(error.errors(include_url=False))
    check = _Check(content, file, findings, tuple(fault["loc"] for fault in faults))
    check.newer_keys()
    for fault in faults:
        check.describe(fault)
    check.each_once(("features",), _names(content.get("features")))
    check.each_once(("outcomes",), _names(content.get("outcomes")))
    if check.sound(("winsor",)) and content.get("winsor"):
        check.rising(("winsor",), *content["winsor"])
    for place, feature in _objects(content.get("features"), ("features",)):
        if check.sound(place):
            check.feature(place, FrozenFeature.model_validate(feature))
    for place, outcome in _objects(content.get("outcomes"), ("outcomes",)):
        check.outcome(place, outcome)
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


def _names(items: Any, key: str = "name") -> list[str]:
    """The names of a list of objects, as far as there are any."""
    found = [item.get(key) for item in items if isinstance(item, dict)] if isinstance(items, list) else []
    return [name for name in found if isinstance(name, str)]


@dataclass(frozen=True)
class _Check:
    """Faults of `content` that are noted in `findings`; `faulty` are the places of those known so far."""

    content: Mapping[str, Any]
    file: str
    findings: Findings
    faulty: tuple[Place, ...] = ()

    def sound(self, place: Place) -> bool:
        """Whether a part is there without a fault, in itself or in what it is part of."""
        try:
            self.at(place)
        except (KeyError, IndexError, TypeError):
            return False
        return not any(at[: len(place)] == place or place[: len(at)] == at for at in self.faulty)

    def at(self, place: Place) -> Any:
        part: Any = self.content
        for step in place:
            part = part[step]
        return part

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

    def feature(self, place: Place, feature: FrozenFeature) -> None:
        self.rising(place, feature.low, feature.high)
        self._at_most_all((*place, "n"), feature.n)
        low = -np.inf if feature.low is None else feature.low
        high = np.inf if feature.high is None else feature.high
        slack = ROUNDING * (high - low) if np.isfinite(high - low) else 0.0
        if low < high and not low - slack <= feature.mean <= high + slack:
            wanted = f"a mean between the limits {low:g} and {high:g} is wanted"
            self.fault("mean", (*place, "mean"), wanted, f"{feature.mean:g}")
        if low < high and feature.sd > high - low:
            wanted = f"an SD of at most the {high - low:g} between the limits is wanted"
            self.fault("SD", (*place, "sd"), wanted, f"{feature.sd:g}")

    def outcome(self, place: Place, raw: dict[str, Any]) -> None:
        """What each value alone cannot show, of every part that is sound in itself."""

        def part(name: str) -> Any:
            return raw.get(name) if self.sound((*place, name)) else None

        terms = part("terms")
        kind = part("kind")
        if terms is not None:
            self._terms((*place, "terms"), [FrozenTerm.model_validate(term) for term in terms])
        if kind == "continuous":
            self._scale(place, raw)
        models: list[tuple[Place, tuple[str, ...]]] = [((*place, "base"), ())]
        candidates = list(_objects(raw.get("candidates"), (*place, "candidates")))
        self.each_once((*place, "candidates"), _names([item for _, item in candidates], "feature"))
        for where, item in candidates:
            if isinstance(name := item.get("feature"), str):
                self._features(where, (name,))
                models.append(((*where, "model"), (name,)))
            if self.sound(where):
                self._candidate(where, FrozenCandidate.model_validate(item), kind)
        if part("signature") is not None:
            signature = FrozenSignature.model_validate(raw["signature"])
            models.append(((*place, "signature", "model"), signature.markers))
            self._signature((*place, "signature"), signature, terms, part("gain_measure"))
        horizon = part("horizon") if self.sound((*place, "horizon")) or "horizon" not in raw else np.nan
        for where, names in models:
            self._model(where, kind, horizon, None if terms is None else len(terms) + len(names))
        if part("imputation") is not None:
            covariates = None if terms is None else {term["covariate"] for term in terms}
            self._imputation(place, FrozenImputation.model_validate(raw["imputation"]), covariates)
        if part("completion") is not None and terms is not None:
            self._completion((*place, "completion"), raw["completion"], len(terms))

    def _terms(self, place: Place, terms: Sequence[FrozenTerm]) -> None:
        self.each_once(place, [term.name for term in terms])
        for k, term in enumerate(terms):
            if bool(term.level) != bool(term.reference):
                wanted = "a level and its reference are wanted, or neither for a number"
                self.fault("level", (*place, k), wanted, term.level or term.reference)

    def _candidate(self, place: Place, candidate: FrozenCandidate, kind: str | None) -> None:
        if (candidate.shrunk_estimate is None) != (candidate.shrunk_sd is None):
            wanted = "a shrunken estimate and its SD are wanted, or neither"
            self.fault("shrunk", place, wanted, "one of them")
        self._at_most_all((*place, "n"), candidate.n)
        if kind in SINGLE and candidate.events is not None and candidate.events > candidate.n + ROUNDED_UP:
            wanted = f"as many events as patients ({candidate.n}) at most are wanted"
            self.fault("events", (*place, "events"), wanted, str(candidate.events))

    def _at_most_all(self, place: Place, n: int) -> None:
        everybody: Any = self.content.get("n_patients")
        if self.sound(("n_patients",)) and n > everybody + ROUNDED_UP:
            self.fault("n", place, f"at most n_patients, {everybody}, is wanted", str(n))

    def _scale(self, place: Place, raw: dict[str, Any]) -> None:
        for name in ("mean", "sd"):
            if raw.get(name) is None:
                wanted = f"the {name} of the outcome in the first cohort is wanted"
                self.fault("scale", (*place, name), wanted, in_json(raw.get(name)))

    def _features(self, place: Place, names: Sequence[str]) -> None:
        features = self.content.get("features")
        known = set(_names(features))
        for name in names if isinstance(features, list) else ():
            if name not in known:
                self.fault("unknown feature", place, "a feature with a scale under features is wanted", name)

    def _model(self, place: Place, kind: str | None, horizon: Any, count: int | None) -> None:
        """`count` : how many coefficients are wanted, None where that is not known."""
        if not self.sound(place) or (raw := self.at(place)) is None:
            return
        model = FrozenModel.model_validate(raw)
        if count is not None and len(model.coefficients) != count:
            found = f"{len(model.coefficients)} coefficients"
            self.fault("coefficients", (*place, "coefficients"), f"{count} are wanted", found)
        hazard, times = list(model.hazard), list(model.times)
        if len(times) != len(hazard) or times != sorted(times) or [0.0, *hazard] != sorted([0.0, *hazard]):
            found = "times and hazard that do not go together"
            wanted = "one cumulative hazard for each rising time, rising from 0, is wanted"
            self.fault("hazard", place, wanted, found)
        if kind == "survival":
            if horizon is None or not times:
                wanted = "a horizon above 0, and the cumulative hazard up to it, are wanted"
                self.fault("no hazard", place, wanted)
            elif not 0 <= times[0] <= times[-1] <= horizon * (1 + 1e-9) and not np.isnan(horizon):
                wanted = f"times from 0 to the horizon {horizon:g} are wanted"
                self.fault("times", (*place, "times"), wanted, f"{times[0]:g} to {times[-1]:g}")
        elif kind is not None and model.intercept is None:
            self.fault("no intercept", (*place, "intercept"), "the intercept of the model is wanted")

    def _signature(self, place: Place, signature: FrozenSignature, terms: Any, measure: str | None) -> None:
        self._features((*place, "markers"), signature.markers)
        self.each_once((*place, "markers"), signature.markers)
        if terms is not None:
            markers, width = len(signature.markers), 1 + len(terms)
            if [len(row) for row in signature.fill] != [width] * markers:
                found = "another number of coefficients to fill gaps with"
                wanted = f"{width} for each of its {markers} markers are wanted"
                self.fault("fill", (*place, "fill"), wanted, found)
        if measure and signature.measure != measure:
            wanted = f"the gain_measure of the outcome, {measure}, is wanted"
            self.fault("measure", (*place, "measure"), wanted, signature.measure)
        for name, least in (("value", 0.0), ("gain", -1.0)):
            value, low, high = (getattr(signature, name + end) for end in ("", "_low", "_high"))
            if not low <= value <= high:
                wanted = f"a {name} inside its interval, {low:g} to {high:g}, is wanted"
                self.fault("interval", (*place, name), wanted, f"{value:g}")
            if signature.measure != EXPLAINED and not least <= value <= 1:
                wanted = f"a number from {least:g} to 1 is wanted for {signature.measure}"
                self.fault("discrimination", (*place, name), wanted, f"{value:g}")

    def _completion(self, place: Place, raw: Any, terms: int) -> None:
        if fault := not_a_covariance(FrozenCompletion.model_validate(raw), terms):
            self.fault("completion", place, "mean and covariance of the outcome's terms are wanted", fault)

    def _imputation(self, place: Place, imputation: FrozenImputation, covariates: set[str] | None) -> None:
        """An imputed feature has a scale, an imputed covariate a term; no column predicts itself."""
        columns, where = imputation.columns, (*place, "imputation", "columns")
        self.each_once(where, [column.name for column in columns])
        if columns and not imputation.imputations:
            wanted = "no imputed column is wanted where nothing is imputed (0 imputations)"
            self.fault("no imputation", where, wanted, str(len(columns)))
        for k, column in enumerate(columns):
            here = (*where, k)
            if column.role == "feature":
                self._features(here, [column.name])
            elif covariates is not None and column.name not in covariates:
                wanted = f"a covariate of the terms is wanted; {nearest(column.name, sorted(covariates))}"
                self.fault("unknown covariate", (*here, "name"), wanted, column.name)
            self.each_once((*here, "predictors"), column.predictors)
            if column.name in column.predictors:
                wanted = "other columns than the imputed one are wanted"
                self.fault("own predictor", (*here, "predictors"), wanted, column.name)


def _objects(items: Any, place: Place) -> Iterator[tuple[Place, dict]]:
    """The objects in a list, each with its place."""
    for at, item in enumerate(items if isinstance(items, list) else ()):
        if isinstance(item, dict):
            yield (*place, at), item
