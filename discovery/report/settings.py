"""What a run was, in plain values: the report's words are made from this and from finished tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from discovery.problems import Problem


@dataclass(frozen=True, kw_only=True)
class OutcomeRun:
    """One outcome as it was analysed.

    `kind` is that of the study file. `n` and `events` count who was analysed (`events`: patients with
    the event, or of the positive class; None for a continuous outcome). `firth`: the penalised
    likelihood was used for every feature of this outcome; `model` replaces the words for the regression
    of this kind; `base_terms` counts the coefficients of the base model without the intercept and
    strata. `time_unit` is that of a survival time.
    """

    name: str
    label: str
    kind: str
    n: int
    events: int | None = None
    competing: Mapping[str, int] = field(default_factory=dict)  # label of a competing event -> patients
    model: str = ""
    unit: str = ""
    time_unit: str = ""
    delayed_entry: bool = False
    firth: bool = False
    base_terms: int = 0
    median_follow_up: float | None = None  # by the reverse Kaplan-Meier method, in `time_unit`


@dataclass(frozen=True, kw_only=True)
class RunSettings:
    """One run: what was asked for and what was used. No patient row, no clock, no machine.

    `input_hashes` are file name -> SHA-256; `versions` package -> version (with "python");
    `transforms` feature -> the name of its transform where one was applied.
    """

    name: str
    title: str
    seed: int
    n_patients: int
    n_features: int
    outcomes: tuple[OutcomeRun, ...]
    covariates: tuple[str, ...] = ()
    site: str | None = None
    sites: int = 0
    etiology: str | None = None
    fdr: float = 0.05
    multiplicity: str = "selected-cells"
    winsor: tuple[float, float] | None = (0.01, 0.99)
    shape: str = "linear"
    replicates: int = 1000
    permutations: int = 10_000
    imputations: int = 0
    top: int = 10
    interval_kind: str = "profile likelihood"  # or "Wald"
    transforms: Mapping[str, str] = field(default_factory=dict)
    files: tuple[str, ...] = ()  # the input tables as named in the study file
    input_hashes: Mapping[str, str] = field(default_factory=dict)
    versions: Mapping[str, str] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()
    notes: tuple[str, ...] = ()  # what the stages want said: a fallback used, a step skipped

    def outcome(self, name: str) -> OutcomeRun:
        """The outcome called `name`."""
        return next(outcome for outcome in self.outcomes if outcome.name == name)
