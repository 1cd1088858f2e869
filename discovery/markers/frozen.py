"""What a replication needs and nothing else: findings of a discovery cohort, written down as they are.

The file holds no patient rows. Whoever reads it back gets the very scales, codings, models and rules
that the discovery cohort taught.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Any, Literal

import numpy as np
import pandas as pd
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StrictBool

from discovery.association.coding import BaseCoding, Term
from discovery.association.scaling import FeatureScaling
from discovery.cohort.imputation_table import DRAWN_HOW
from discovery.study.settings import KINDS

SCHEMA: Literal["frozen findings"] = "frozen findings"
SCHEMA_VERSION: Literal[4] = 4
LARGEST = 100.0  # log ratio or slope per SD; no fit comes near
LARGEST_HAZARD = 1e9
SMALLEST, FARTHEST = 1e-100, 1e100  # of numbers in the units of a study, so that squares stay finite


def _possible(effect: float) -> float:
    if abs(effect) > LARGEST:
        raise ValueError(f"effects per SD, {LARGEST:g} at most, are wanted")
    return effect


def _with_direction(effect: float) -> float:
    if effect == 0:
        raise ValueError("an effect other than 0 is wanted: its sign is the direction that is tested")
    return effect


# strict: a number in quotes is text
Finite = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-FARTHEST, le=FARTHEST)]
Positive = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=SMALLEST, le=FARTHEST)]
Effect = Annotated[Finite, AfterValidator(_possible)]
Directed = Annotated[Effect, AfterValidator(_with_direction)]
Spread = Annotated[float, Field(strict=True, ge=0, le=LARGEST)]
Error = Annotated[float, Field(strict=True, ge=SMALLEST, le=LARGEST)]
Discrimination = Annotated[float, Field(strict=True, ge=-LARGEST, le=1)]  # R2 has no lower end
End = Annotated[float, Field(strict=True, ge=-LARGEST, le=LARGEST)]  # of an interval
Hazard = Annotated[float, Field(strict=True, ge=-FARTHEST, le=LARGEST_HAZARD)]
Share = Annotated[float, Field(strict=True, ge=0, le=1)]
Inside = Annotated[float, Field(strict=True, gt=0, lt=1)]
Count = Annotated[int, Field(strict=True, ge=0, lt=2**63)]
Patients = Annotated[int, Field(strict=True, gt=0, lt=2**63)]


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
    sd: Positive
    n: Patients


class FrozenTerm(Part):
    """A column of the base model; see `coding.Term`. `share` is that of the level among the patients."""

    name: str
    covariate: str
    level: str = ""
    reference: str = ""
    mean: Finite = 0.0
    sd: Positive = 1.0
    share: Share | None = None


class FrozenModel(Part):
    """A linear predictor and its baseline.

    `coefficients` are those of the outcome's terms, in order, then of the feature where there is one.
    The baseline is that of the whole discovery cohort, its sites taken together: `intercept` for
    binary and continuous outcomes, `hazard` (cumulative, at `times`) for survival ones.
    """

    coefficients: tuple[Effect, ...]
    intercept: Effect | None = None
    times: tuple[Finite, ...] = ()
    hazard: tuple[Hazard, ...] = ()


class FrozenCandidate(Part):
    """A finding to be tested again, in the direction of `estimate`.

    `estimate` and `se` are those of the discovery cohort, `shrunk_*` what is left of them when it is
    taken into account that the feature was selected (empty where too few features were there to learn
    that from). `tau` is the spread of the effect between cohorts that is assumed.
    """

    feature: str
    verdict: str
    estimate: Directed
    se: Error
    shrunk_estimate: Effect | None
    shrunk_sd: Spread | None
    n: Patients
    events: Count | None
    gain: Discrimination | None
    tau: Spread
    model: FrozenModel | None


class FrozenSignature(Part):
    """The small model of several markers, and how it did in the first cohort.

    `model` has the coefficients of the outcome's terms, then of `markers`. A missing marker is predicted
    from the base model by its row of `fill` (intercept, then the terms). `value` and `gain` over the base
    model are the corrected ones, with their intervals; `verdict` is the first cohort's.
    """

    markers: Annotated[tuple[str, ...], Field(min_length=1)]
    model: FrozenModel
    fill: tuple[tuple[Effect, ...], ...]
    verdict: str
    measure: str
    value: Discrimination
    value_low: End
    value_high: End
    gain: End  # over a base model whose R2 is below 0 it may exceed 1
    gain_low: End
    gain_high: End


class FrozenImputedColumn(Part):
    """A covariate, or a feature of the file, that had gaps: how its values were drawn, and from what.

    `predictors` are terms of the base model, covariates and features by name; site and outcome are told
    once for all columns.
    """

    name: str
    role: Literal["covariate", "feature"]
    method: Literal[DRAWN_HOW]  # type: ignore[valid-type]
    predictors: tuple[str, ...]


class FrozenImputation(Part):
    """How the first cohort's missing values were imputed, and the second cohort's are for its tests.

    `imputations` is the number of completed copies asked for, 0 for complete cases: one for each percent of
    patients missing where that is more. `outcome`, `site` : whether they predicted the missing values.
    """

    method: Literal["chained equations"] = "chained equations"
    imputations: Annotated[int, Field(strict=True, ge=0, le=1000)]
    outcome: StrictBool
    site: StrictBool
    columns: tuple[FrozenImputedColumn, ...] = ()


class FrozenCompletion(Part):
    """What the covariates say of each other: `mean` (q,) and `covariance` (q, q) of the outcome's q terms.

    Enough to complete one patient, whichever covariates are missing, for a model that is meant for use before
    the outcome is known; neither outcome nor site has a part in it.
    """

    mean: tuple[Finite, ...]
    covariance: tuple[tuple[Finite, ...], ...]


class FrozenOutcome(Part):
    """An outcome, its base model and the candidates to be tested.

    `mean` and `sd` are those of a continuous outcome, whose slopes are in these SDs. `horizon` is
    the time to which predicted risks are compared with what happened, counted from the `landmark` if there is
    one. `imputation` is how missing values were handled in the tests, `completion` how the models are applied
    to a patient without a covariate.
    """

    name: str
    label: str
    kind: Literal[KINDS]  # type: ignore[valid-type]
    unit: str = ""
    effect_measure: str
    gain_measure: str
    categories: tuple[str, ...] = ()
    competing: StrictBool = False
    mean: Finite | None = None
    sd: Positive | None = None
    horizon: Positive | None = None
    landmark: Positive | None = None
    terms: tuple[FrozenTerm, ...]
    base: FrozenModel | None
    candidates: tuple[FrozenCandidate, ...]
    signature: FrozenSignature | None = None
    imputation: FrozenImputation | None = None
    completion: FrozenCompletion | None = None

    def coding(self) -> BaseCoding:
        return coding_of(self.terms)


def coding_of(terms: Iterable[FrozenTerm]) -> BaseCoding:
    """The coding of covariates that the terms describe."""
    return BaseCoding(terms=tuple(Term(**term.model_dump(exclude={"share"})) for term in terms))


class Rules(Part):
    """How success is judged, fixed before the second cohort is seen."""

    alpha: Inside = 0.05
    sides: Literal["one, in the frozen direction"] = "one, in the frozen direction"
    multiplicity: Literal["Holm over all candidates of this file"] = "Holm over all candidates of this file"
    power: Inside = 0.8


class FrozenFindings(Part):
    """The whole file.

    Version 1 had no share of a category and no signature, version 2 no imputation and no completion,
    version 3 no landmark; what they hold means the same.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)

    schema_name: Literal["frozen findings"] = Field(default=SCHEMA, alias="schema")
    schema_version: Literal[1, 2, 3, 4] = SCHEMA_VERSION
    study: str
    title: str = ""
    seed: Count
    n_patients: Patients
    winsor: tuple[Share, Share] | None
    rules: Rules = Rules()
    features: tuple[FrozenFeature, ...]
    outcomes: tuple[FrozenOutcome, ...]
    phenotypes: dict[str, Any] | None = None
    versions: dict[str, str]
    input_hashes: dict[str, str]

    def feature(self, name: str) -> FrozenFeature:
        return next(feature for feature in self.features if feature.name == name)

    def measures(self) -> dict[str, tuple[str, str]]:
        """(unit, definition) of every feature, those of the phenotypes too; "" where not known."""
        kept = self.phenotypes or {}
        units, definitions = kept.get("units", {}), kept.get("definitions", {})
        found = {feature.name: (feature.unit, feature.definition) for feature in self.features}
        for name in {**units, **definitions}:
            unit, definition = found.get(name, ("", ""))
            found[name] = (unit or units.get(name, ""), definition or definitions.get(name, ""))
        return found

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
