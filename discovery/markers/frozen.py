"""What a replication needs and nothing else: findings of a discovery cohort, written down as they are.

The file holds no patient rows. Whoever reads it back gets the very scales, codings, models and rules
that the discovery cohort taught.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from discovery.association.coding import BaseCoding, Term
from discovery.association.scaling import FeatureScaling
from discovery.files import write_bytes
from discovery.problems import InputError, Problem, shown

SCHEMA: Literal["frozen findings"] = "frozen findings"
SCHEMA_VERSION: Literal[1] = 1
LARGEST_FILE = 50_000_000  # bytes
Finite = Annotated[float, Field(allow_inf_nan=False)]


class Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class FrozenFeature(Part):
    """A feature and its scale: winsor limits (none: not winsorised), mean and SD in `unit`."""

    name: str
    label: str = ""
    unit: str = ""
    definition: str = ""
    low: Finite | None
    high: Finite | None
    mean: Finite
    sd: Annotated[Finite, Field(gt=0)]
    n: int


class FrozenTerm(Part):
    """A column of the base model; see `coding.Term`."""

    name: str
    covariate: str
    level: str = ""
    reference: str = ""
    mean: Finite = 0.0
    sd: Annotated[Finite, Field(gt=0)] = 1.0


class FrozenModel(Part):
    """A linear predictor and its baseline.

    `coefficients` are those of the outcome's terms, in order, then of the feature where there is one.
    The baseline is that of the whole discovery cohort, its sites taken together: `intercept` for
    binary and continuous outcomes, `hazard` (cumulative, at `times`) for survival ones.
    """

    coefficients: tuple[Finite, ...]
    intercept: Finite | None = None
    times: tuple[Finite, ...] = ()
    hazard: tuple[Finite, ...] = ()


class FrozenCandidate(Part):
    """A finding to be tested again, in the direction of `estimate`.

    `estimate` and `se` are those of the discovery cohort, `shrunk_*` what is left of them when it is
    taken into account that the feature was selected (empty where too few features were there to learn
    that from). `tau` is the spread of the effect between cohorts that is assumed.
    """

    feature: str
    verdict: str
    estimate: Finite
    se: Annotated[Finite, Field(gt=0)]
    shrunk_estimate: Finite | None
    shrunk_sd: Finite | None
    n: int
    events: int | None
    gain: Finite | None
    tau: Annotated[Finite, Field(ge=0)]
    model: FrozenModel | None


class FrozenOutcome(Part):
    """An outcome, its base model and the candidates to be tested.

    `mean` and `sd` are those of a continuous outcome, whose slopes are in these SDs. `horizon` is
    the time to which predicted risks are compared with what happened.
    """

    name: str
    label: str
    kind: str
    unit: str = ""
    effect_measure: str
    gain_measure: str
    categories: tuple[str, ...] = ()
    competing: bool = False
    mean: Finite | None = None
    sd: Finite | None = None
    horizon: Finite | None = None
    terms: tuple[FrozenTerm, ...]
    base: FrozenModel | None
    candidates: tuple[FrozenCandidate, ...]

    def coding(self) -> BaseCoding:
        return BaseCoding(terms=tuple(Term(**term.model_dump()) for term in self.terms))


class Rules(Part):
    """How success is judged, fixed before the second cohort is seen."""

    alpha: Annotated[float, Field(gt=0, lt=1)] = 0.05
    sides: Literal["one, in the frozen direction"] = "one, in the frozen direction"
    multiplicity: Literal["Holm over all candidates of this file"] = "Holm over all candidates of this file"
    power: Annotated[float, Field(gt=0, lt=1)] = 0.8


class FrozenFindings(Part):
    """The whole file."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)

    schema_name: Literal["frozen findings"] = Field(default=SCHEMA, alias="schema")
    schema_version: Literal[1] = SCHEMA_VERSION
    study: str
    title: str = ""
    seed: int
    n_patients: int
    winsor: tuple[float, float] | None
    rules: Rules = Rules()
    features: tuple[FrozenFeature, ...]
    outcomes: tuple[FrozenOutcome, ...]
    phenotypes: dict[str, Any] | None = None
    versions: dict[str, str]
    input_hashes: dict[str, str]

    def feature(self, name: str) -> FrozenFeature:
        return next(feature for feature in self.features if feature.name == name)

    def scaling(self, names: Iterable[str]) -> FeatureScaling:
        """The frozen scale of some of the features, in the order of `names`."""
        rows = [self.feature(name) for name in names]
        table = pd.DataFrame(
            {
                "low": [-np.inf if row.low is None else row.low for row in rows],
                "high": [np.inf if row.high is None else row.high for row in rows],
                "mean": [row.mean for row in rows],
                "sd": [row.sd for row in rows],
                "n": [row.n for row in rows],
                "note": "",
            },
            index=pd.Index([row.name for row in rows], name="feature"),
        )
        return FeatureScaling(table=table)


def write_frozen(findings: FrozenFindings, path: Path | str) -> Path:
    """The file as JSON, keys in the order of the schema, the same bytes from the same findings."""
    content = findings.model_dump(mode="json", by_alias=True)
    text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
    return write_bytes(path, (text + "\n").encode("utf-8"))


def read_frozen(path: Path | str) -> FrozenFindings:
    """Read a file of `write_frozen`.

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
    if content.get("schema_version") != SCHEMA_VERSION:
        raise _fault(
            path,
            f"schema version {SCHEMA_VERSION} is wanted; use the version of the program that wrote it",
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
    for outcome in findings.outcomes:
        models = [(None, outcome.base), *((c.feature, c.model) for c in outcome.candidates)]
        for name, model in models:
            if name is not None and name not in known:
                yield Problem(file=place, column=outcome.name, found=name, wanted="a scale for this feature")
            if model is None:
                continue
            wanted = len(outcome.terms) + (name is not None)
            if len(model.coefficients) != wanted:
                found = f"{len(model.coefficients)} coefficients"
                yield Problem(
                    file=place, column=f"{outcome.name} {name or ''}", found=found, wanted=f"{wanted}"
                )
            if len(model.times) != len(model.hazard) or list(model.times) != sorted(model.times):
                yield Problem(
                    file=place,
                    column=f"{outcome.name} {name or ''}",
                    found="times and hazard that do not go together",
                    wanted="one cumulative hazard for each rising time",
                )


def _fault(path: Path, wanted: str, found: str = "") -> InputError:
    return InputError([Problem(file=str(path), found=found, wanted=wanted)])
