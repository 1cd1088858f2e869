"""The study file as typed models: every section, every key, every default.

Unknown keys are refused; nothing is converted silently (a number in quotes is text). Reading the
file and wording its faults is `study_file`.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from typing import Annotated, Literal

from pydantic import (
    BaseModel,
    ConfigDict,
    Discriminator,
    Field,
    PrivateAttr,
    StrictBool,
    StrictFloat,
    StrictInt,
    StrictStr,
    Tag,
    ValidationInfo,
    field_validator,
    model_validator,
)

NAME_PATTERN = r"^[\w-]{1,100}$"
DEFAULT_SEED = 20261125
KINDS = ("binary", "continuous", "ordinal", "multiclass", "count", "survival", "recurrent")
MULTIPLICITY = ("bh", "by", "storey", "selected-cells", "features-first", "holm")
SEARCH_METHODS = ("kmeans", "ward", "mixture")
SEARCH_SCALES = ("none", "log", "rank-normal")
SEARCH_FAMILIES = ("declared", "correlated", "none")
ROTATIONS = ("none", "varimax")
PROFILE_TESTS = ("none", "null")
ROLES = ("rv", "pa", "ra", "cvp", "pawp", "abp", "ecg", "co", "svo2", "resp", "pressure")
UNITS = ("mmHg", "kPa", "cmH2O")

Name = Annotated[StrictStr, Field(pattern=NAME_PATTERN)]
Text = Annotated[StrictStr, Field(min_length=1)]
Number = Annotated[StrictFloat, Field(allow_inf_nan=False)]
Code = StrictBool | StrictInt | Number | Text
Codes = tuple[Code, ...]
OneOrMoreCodes = Code | Annotated[Codes, Field(min_length=1)]
Level = Annotated[StrictFloat, Field(gt=0, lt=1)]
Draws = Annotated[StrictInt, Field(ge=0, le=10_000_000)]
Positive = Annotated[StrictInt | Number, Field(gt=0)]
COMPARISONS = ("<", "<=", ">", ">=", "=", "!=", "in", "not in", "known")


def available_cores() -> int:
    """How many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return max(1, os.cpu_count() or 1)


class Section(BaseModel):
    """A table of the study file: frozen, no key beyond the declared ones."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class About(Section):
    """`[study]`: what the study is called, and the one seed that all randomness comes from."""

    name: Name
    title: StrictStr = ""
    seed: Annotated[StrictInt, Field(ge=0, lt=2**63)] = DEFAULT_SEED


class Patients(Section):
    """`[patients]`: the table with one row a patient and the roles of its columns.

    `adjust_more` names further covariates that the sensitivity analyses add to `adjust_for`. `missing` lists
    codes that mean "not known" in this table beside the empty cell. `categorical`
    lists columns that hold labels although they look like numbers. `measured_at` is the column with
    the time at which the features were measured, on the clock of the outcomes. `labels` says what columns
    are called, `levels` what the codes in a column are, in all that people read.
    """

    file: Text
    id: Text
    site: Text | None = None
    etiology: Text | None = None
    adjust_for: tuple[Text, ...] = ()
    adjust_more: tuple[Text, ...] = ()
    categorical: tuple[Text, ...] = ()
    missing: Codes = ()
    measured_at: Text | None = None
    labels: dict[Text, Text] = {}
    levels: dict[Text, dict[Text, Text]] = {}

    @field_validator("etiology")
    @classmethod
    def not_the_site(cls, etiology: str | None, info: ValidationInfo) -> str | None:
        if etiology is not None and etiology == info.data.get("site"):
            raise ValueError("site and etiology both name this column; each needs its own")
        return etiology

    @field_validator("levels")
    @classmethod
    def names_differ(cls, levels: dict[str, dict[str, str]]) -> dict[str, dict[str, str]]:
        for column, names in levels.items():
            twice = next((name for name in names.values() if list(names.values()).count(name) > 1), None)
            if twice is not None:
                raise ValueError(f"two codes of {column} are called {twice!r}; each needs its own name")
        return levels


class Features(Section):
    """`[features]`: a ready table of per-patient features.

    `columns` and `exclude` are names or globs (`*`, `?`); without `columns` every numeric column
    that has no other role is a feature. `labels` is a table feature,label,unit (and family).
    `beyond_limit` names columns (or globs) in which a cell such as `<0.5` or `>60` is a value known only
    to lie beyond that limit.
    """

    file: Text
    id: Text | None = None
    columns: tuple[Text, ...] = ()
    exclude: tuple[Text, ...] = ()
    labels: Text | None = None
    missing: Codes = ()
    beyond_limit: tuple[Text, ...] = ()


class Eligibility(Section):
    """`[[eligibility]]`: a rule that patients must fulfil to be in the study, asked in the order given.

    `column` of the patient table `comparison` `value`; "in" and "not in" take a list, "known" takes
    none. A patient without a value is not eligible. `reason` says in words why the others are out.
    """

    column: Text
    comparison: Literal[COMPARISONS]  # type: ignore[valid-type]
    value: Code | Annotated[Codes, Field(min_length=1)] | None = None
    reason: StrictStr = ""

    @model_validator(mode="after")
    def has_its_value(self) -> Eligibility:
        several = isinstance(self.value, tuple)
        if self.comparison == "known" and self.value is not None:
            raise ValueError('"known" asks for any value: take out value')
        if self.comparison in ("in", "not in") and not several:
            raise ValueError(f'"{self.comparison}" asks for a list of values, such as value = ["I", "II"]')
        if self.comparison not in ("in", "not in", "known") and (several or self.value is None):
            raise ValueError(f'"{self.comparison}" asks for one value, such as value = 18')
        return self


class Calibration(Section):
    """How a channel's stored numbers become a pressure: `gain * stored + offset`, in the channel's own unit.

    `zero` lists windows (start, end; seconds from the start of the file) in which the line was open
    to air: what stands there, calibrated, is zero, so that the offset then has no part.
    """

    offset: Number = 0.0
    gain: Annotated[Number, Field(gt=0)] = 1.0
    zero: tuple[tuple[Number, Number], ...] = ()

    @model_validator(mode="after")
    def windows_have_length(self) -> Calibration:
        for start, end in self.zero:
            if not 0 <= start < end:
                raise ValueError(
                    f"a zero window [{start:g}, {end:g}] must start at 0 or later and end after its start"
                )
        return self


class Recordings(Section):
    """`[recordings]`: a folder of waveforms, listed in its index; features are measured from them.

    `channels` maps a role (`rv`, `pa`, …) to the channel's name in the files, `units` is the
    pressure unit of all of them or one for each role, `rate_hz` and `time` say how a plain table is
    sampled, `calibration` holds offset, gain and zero windows of a role. A patient's value of a feature is
    the median over windows of `window_s` seconds, and needs `least_windows` of them. `shape_components` is
    the `shape_components.json` of another study, whose components are then used; otherwise the study learns
    its own.
    """

    folder: Text
    index: Text = "index.csv"
    channels: Annotated[dict[Literal[ROLES], Text], Field(min_length=1)]  # type: ignore[valid-type]
    units: Literal[UNITS] | dict[Literal[ROLES], Literal[UNITS]] = "mmHg"  # type: ignore[valid-type]
    rate_hz: Annotated[Number, Field(gt=0)] | None = None
    time: Text | None = None
    calibration: dict[Literal[ROLES], Calibration] = {}  # type: ignore[valid-type]
    window_s: Annotated[Number, Field(ge=10, le=600)] = 60.0
    least_windows: Annotated[StrictInt, Field(ge=1, le=10_000)] = 3
    shape_components: Text | None = None

    @model_validator(mode="after")
    def roles_have_a_channel(self) -> Recordings:
        named = set(self.calibration) | (set(self.units) if isinstance(self.units, dict) else set())
        stray = sorted(named - set(self.channels))
        if stray:
            raise ValueError(f"calibration or units for {', '.join(stray)}, which channels does not name")
        return self

    def unit_of(self, role: str) -> str:
        """The pressure unit of the channel with this role."""
        return self.units.get(role, "mmHg") if isinstance(self.units, dict) else self.units


class OutcomeSection(Section):
    """What every `[[outcomes]]` table has.

    `defined_from` lists features (names or globs) that contain a term of the outcome's definition;
    they are not tested against it. `unit` is that of the value, or of the time. `dated` is the column with
    the time at which an outcome without a `time` of its own was established.
    """

    name: Name
    label: Text | None = None
    unit: StrictStr = ""
    defined_from: tuple[Text, ...] = ()
    dated: Text | None = None


class BinaryOutcome(OutcomeSection):
    """Two classes: `positive` is the code that counts; every other code must be one, or be listed."""

    kind: Literal["binary"]
    column: Text
    positive: OneOrMoreCodes = 1
    negative: OneOrMoreCodes | None = None

    @field_validator("negative")
    @classmethod
    def classes_differ(cls, negative: Code | Codes | None, info: ValidationInfo) -> Code | Codes | None:
        positive = {str(code) for code in as_codes(info.data.get("positive"))}
        if both := [code for code in as_codes(negative) if str(code) in positive]:
            raise ValueError(f"the code {both[0]!r} stands in positive and in negative")
        return negative


class ContinuousOutcome(OutcomeSection):
    kind: Literal["continuous"]
    column: Text


class ClassesOutcome(OutcomeSection):
    """Classes by their codes in `levels`, each once."""

    column: Text
    levels: Annotated[Codes, Field(min_length=2)] | None = None

    @field_validator("levels")
    @classmethod
    def levels_differ(cls, levels: Codes | None) -> Codes | None:
        names = [str(code) for code in levels or ()]
        if twice := next((name for name in names if names.count(name) > 1), None):
            raise ValueError(f"the code {twice!r} stands twice in levels")
        return levels


class OrdinalOutcome(ClassesOutcome):
    """Ordered classes; `levels` from low to high, needed unless the column holds numbers."""

    kind: Literal["ordinal"]


class MulticlassOutcome(ClassesOutcome):
    """Unordered classes; the first of `levels` is the reference (default: sorted)."""

    kind: Literal["multiclass"]


class CountOutcome(OutcomeSection):
    """A number of episodes; `exposure` names the column with the time each patient was watched."""

    kind: Literal["count"]
    column: Text
    exposure: Text | None = None


class SurvivalOutcome(OutcomeSection):
    """Time to an event; `competing` lists the codes of events that rule it out, `competing_labels` what they
    are called.

    `landmark` is the end of the window in which the features were measured: the outcome is judged from
    there on, among those still followed without an event. `horizon` is the time at which predictions are
    judged, counted from the landmark if there is one.
    """

    kind: Literal["survival"]
    time: Text
    status: Text
    event: OneOrMoreCodes
    competing: Codes = ()
    competing_labels: tuple[Text, ...] = ()
    censored: Annotated[OneOrMoreCodes, Field(validate_default=True)] = 0
    entry: Text | None = None
    landmark: Positive | None = None
    horizon: Positive | None = None

    @field_validator("event", "competing", "censored")
    @classmethod
    def codes_differ(cls, codes: Code | Codes, info: ValidationInfo) -> Code | Codes:
        seen = [code for key in ("event", "competing") for code in as_codes(info.data.get(key))]
        for code in as_codes(codes):
            if any(str(code) == str(other) for other in seen):
                raise ValueError(f"the code {code!r} stands twice in event, competing and censored")
            seen.append(code)
        return codes

    @field_validator("competing_labels")
    @classmethod
    def labels_go_with_codes(cls, labels: tuple[str, ...], info: ValidationInfo) -> tuple[str, ...]:
        if "competing" not in info.data:  # it has a fault itself
            return labels
        codes = len(info.data["competing"])
        own = info.data.get("label") or info.data.get("name", "")
        known = {own.strip(), "", *(label.strip() for label in labels)}
        if labels and not len(labels) == len(known - {own.strip(), ""}) == codes:
            raise ValueError(
                f"competing_labels needs a label of its own for each of {codes} codes, none of them blank or "
                f"that of the outcome; found {', '.join(map(repr, labels))}"
            )
        return labels


class RecurrentOutcome(OutcomeSection):
    """Repeated events: `file` has one row an event, the patient table the end of follow-up.

    `time` is the column of the event's time in `file`; `followup` and `entry` are columns of the
    patient table on the same clock. `terminal` is a patient column with 1 where follow-up ended by
    an event that rules further ones out.
    """

    kind: Literal["recurrent"]
    file: Text
    id: Text | None = None
    time: Text
    followup: Text
    terminal: Text | None = None
    entry: Text | None = None


OutcomeSettings = Annotated[
    Annotated[BinaryOutcome, Tag("binary")]
    | Annotated[ContinuousOutcome, Tag("continuous")]
    | Annotated[OrdinalOutcome, Tag("ordinal")]
    | Annotated[MulticlassOutcome, Tag("multiclass")]
    | Annotated[CountOutcome, Tag("count")]
    | Annotated[SurvivalOutcome, Tag("survival")]
    | Annotated[RecurrentOutcome, Tag("recurrent")],
    Discriminator(lambda raw: raw.get("kind") if isinstance(raw, dict) else getattr(raw, "kind", None)),
]

OUTCOME_MODELS: dict[str, type[OutcomeSection]] = {
    "binary": BinaryOutcome,
    "continuous": ContinuousOutcome,
    "ordinal": OrdinalOutcome,
    "multiclass": MulticlassOutcome,
    "count": CountOutcome,
    "survival": SurvivalOutcome,
    "recurrent": RecurrentOutcome,
}


class Analysis(Section):
    """`[analysis]`: all optional.

    `winsor` are the two quantiles that features are pulled in to, or False. `replicates` are
    bootstrap draws (0 skips ranks and gains), `permutations` those of the familywise p-value,
    `imputations` completed copies of the data (0: complete cases). `freeze` names features to be written
    down for replication in place of the leading candidates. `confirmed_order` says of each feature above how
    many others it ranks beyond doubt. `workers` changes the speed, never a number; without it every core is
    used. `suppress_below` masks counts below it (and what would
    tell them) in every shared table, figure and text; 0 masks none.
    """

    fdr: Level = 0.05
    multiplicity: Literal[MULTIPLICITY] = "selected-cells"  # type: ignore[valid-type]
    winsor: (
        tuple[Annotated[Number, Field(ge=0, lt=0.5)], Annotated[Number, Field(gt=0.5, le=1)]] | Literal[False]
    ) = (
        0.01,
        0.99,
    )
    shape: Literal["linear", "flexible"] = "linear"
    replicates: Draws = 1000
    permutations: Draws = 10_000
    imputations: Annotated[StrictInt, Field(ge=0, le=1000)] = 20
    suppress_below: Annotated[StrictInt, Field(ge=0, le=1000)] = 0
    phenotypes: StrictBool = True
    freeze: tuple[Text, ...] = ()
    confirmed_order: StrictBool = False
    workers: Annotated[StrictInt, Field(ge=1, le=4096)] = Field(default_factory=available_cores)


class PhenotypeSearch(Section):
    """`[phenotypes]`: how groups of patients are looked for; all optional.

    `columns` are the features that take part (names or globs; all without it) and `transforms` the scale of
    some of them. `families`: a family of features counts as one feature, families being those declared with
    the features, those found by correlation, or none. `groups` are the numbers of groups tried.
    `site_centred` takes the means of the sites out first. `rotation` turns the axes beyond chance so that
    each rests on few features; the groups stay the same. `profile_test` holds each feature against cohorts
    without groups that were cut the same way.
    """

    columns: tuple[Text, ...] = ()
    transforms: dict[Text, Literal[SEARCH_SCALES]] = {}  # type: ignore[valid-type]
    families: Literal[SEARCH_FAMILIES] = "declared"  # type: ignore[valid-type]
    method: Literal[SEARCH_METHODS] = "kmeans"  # type: ignore[valid-type]
    groups: tuple[Annotated[StrictInt, Field(ge=2, le=20)], ...] = (2, 3, 4, 5, 6)
    site_centred: StrictBool = False
    rotation: Literal[ROTATIONS] = "none"  # type: ignore[valid-type]
    profile_test: Literal[PROFILE_TESTS] = "none"  # type: ignore[valid-type]

    @field_validator("groups")
    @classmethod
    def some_number_is_tried(cls, groups: tuple[int, ...]) -> tuple[int, ...]:
        if not groups:
            raise ValueError("groups names no number of groups; [2, 3, 4, 5, 6] is tried without it")
        return groups


class StudyFile(Section):
    """The whole file. `features` or `recordings` must be there, or both.

    `left_columns`: columns of the patient table that outcomes with a fault name, each with the words for the
    key; such an outcome is not among the others.
    """

    study: About
    patients: Patients
    features: Features | None = None
    recordings: Recordings | None = None
    eligibility: tuple[Eligibility, ...] = ()
    outcomes: tuple[OutcomeSettings, ...] = ()
    analysis: Analysis = Field(default_factory=Analysis)
    phenotypes: PhenotypeSearch = Field(default_factory=PhenotypeSearch)
    _left_columns: tuple[tuple[str, str], ...] = PrivateAttr(default=())

    @property
    def left_columns(self) -> tuple[tuple[str, str], ...]:
        return self._left_columns

    def with_left_columns(self, columns: Iterable[tuple[str, str]]) -> StudyFile:
        """The same settings with `left_columns`."""
        settings = self.model_copy()
        settings._left_columns = tuple(dict.fromkeys(columns))
        return settings

    def outcome(self, name: str) -> OutcomeSettings:
        return next(section for section in self.outcomes if section.name == name)

    def stated_horizon(self, outcome: str) -> float | None:
        """Where the predictions of an outcome are judged, if the file says so."""
        return getattr(self.outcome(outcome), "horizon", None)

    @model_validator(mode="after")
    def something_is_measured(self) -> StudyFile:
        if self.features is None and self.recordings is None:
            raise ValueError("a [features] table or a [recordings] folder is needed")
        names = [outcome.name for outcome in self.outcomes]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"two outcomes are named {', '.join(map(repr, twice))}; give each its own name")
        return self


def as_codes(codes: Code | Codes | None) -> Codes:
    """A code or several as a tuple; none as an empty one."""
    if codes is None:
        return ()
    return codes if isinstance(codes, tuple) else (codes,)
