"""What a run was, in plain values: the report's words are made from this and from finished tables."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from discovery.problems import Problem

ANALYSES = (
    "site checks",  # site ignored, each site left out
    "redundancy",  # features given the lead of their family
    "confirmed order",  # above how many others a feature ranks beyond doubt
    "stability",  # which features a sparse model keeps choosing
    "shrinkage",  # shrunk estimates and local false sign rates: 20 ranked features or more
    "reliability",  # between sessions, known for some feature
    "missing tests",  # whether missing values go with site, etiology, outcome
    "proportional hazards",
    "by period",  # hazard ratios before and after a time, where the hazards were not proportional
    "subdistribution",  # Fine-Gray models of the leading features
    "phenotypes",  # a search for groups, tested against noise
    "signature",  # a small model of several markers, judged out of sample
    "sensitivity",  # the leading features under alternatives chosen in advance
    "etiologies",
    "identification",  # a model that tells the etiologies apart, judged out of sample
    "joint etiologies",  # patients with several labels
    "landmark",
    "restricted mean",
    "groups compared",  # etiologies, sexes, sites over time: log-rank family
    "prediction",
    "shapes",  # splines of the leading features
    "effect modification",
    "site meta-analysis",
    "few events",  # some feature has fewer than 30 events: the permutation p comes first
)


@dataclass(frozen=True, kw_only=True)
class OutcomeRun:
    """One outcome as it was analysed.

    `kind` is that of the study file. `n` and `events` count who was analysed (`events`: patients with
    the event, or of the positive class; None for a continuous outcome). `firth`: the penalised
    likelihood was used for every feature of this outcome; `model` replaces the words for the regression
    of this kind; `base_terms` counts the coefficients of the base model without the intercept and
    strata. `time_unit` is that of a survival time. `complete` counts the patients with all covariates, where
    they are fewer because covariates were imputed: figures of curves, shapes and predictions are of them.
    """

    name: str
    label: str
    kind: str
    n: int
    events: int | None = None
    competing: Mapping[str, int] = field(default_factory=dict)  # label of a competing event -> patients
    cause_models: Mapping[str, str] = field(default_factory=dict)  # how its models begin: by code -> by label
    model: str = ""
    unit: str = ""
    time_unit: str = ""
    delayed_entry: bool = False
    firth: bool = False
    base_terms: int = 0
    median_follow_up: float | None = None  # of all `n`, by the reverse Kaplan-Meier method, in `time_unit`
    follow_up_limits: tuple[float, float] = (math.nan, math.nan)  # of its 95 % interval, NaN: not reached
    landmark: float | None = None  # where time starts to count, on the study's own clock
    complete: OutcomeRun | None = None

    @property
    def followed(self) -> str:
        """The median follow-up in words; empty where there is none."""
        if self.median_follow_up is None:
            return ""
        low, high = ("not reached" if math.isnan(end) else f"{end:.4g}" for end in self.follow_up_limits)
        unit = f" {self.time_unit}" if self.time_unit else ""
        return f"median follow-up {self.median_follow_up:.4g} (95 % interval {low} to {high}){unit}"


@dataclass(frozen=True, kw_only=True)
class SearchRun:
    """How groups of patients were looked for: the keys of `[phenotypes]` in the study file.

    `features` counts those that took part. `families` is "none" where none was declared.
    """

    features: int = 0
    method: str = "kmeans"
    groups: tuple[int, ...] = (2, 3, 4, 5, 6)
    families: str = "none"
    rotation: str = "none"
    profile_test: str = "none"
    site_centred: bool = False
    transforms: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class RunSettings:
    """One run: what was asked for and what was used. No patient row, no clock, no machine.

    `input_hashes` are file name -> SHA-256; `versions` package -> version (with "python");
    `transforms` feature -> the name of its transform where one was applied. `analyses`: which of
    `ANALYSES` were done and gave a result; the methods section speaks of no other. `top`,
    `top_families`: the k of "among the first k" for features and families; `leading`: how many features
    of each outcome, the best of as many families, had curves and further models.
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
    adjust_more: tuple[str, ...] = ()
    etiology: str | None = None
    fdr: float = 0.05
    multiplicity: str = "selected-cells"
    winsor: tuple[float, float] | None = (0.01, 0.99)
    shape: str = "linear"
    replicates: int = 1000
    permutations: int = 10_000
    imputations: int = 0
    imputed_covariates: tuple[str, ...] = ()  # those with gaps that were filled
    column_names: Mapping[str, str] = field(default_factory=dict)  # column -> what the study calls it
    level_names: Mapping[str, Mapping[str, str]] = field(default_factory=dict)  # column -> code -> the same
    feature_names: Mapping[str, str] = field(default_factory=dict)  # feature -> its label
    top: int = 10
    top_families: int = 3
    leading: int = 3
    analyses: tuple[str, ...] = ()
    eligibility: tuple[str, ...] = ()  # the rules in words
    measured_at: str = ""  # the column with the time of measurement
    search: SearchRun = field(default_factory=SearchRun)
    suppress_below: int = 0  # counts below are masked; 0: none
    interval_kind: str = "profile likelihood"  # or "Wald"
    transforms: Mapping[str, str] = field(default_factory=dict)
    files: tuple[str, ...] = ()  # the input tables as named in the study file
    input_hashes: Mapping[str, str] = field(default_factory=dict)
    versions: Mapping[str, str] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()
    notes: tuple[str, ...] = ()  # what the stages want said: a fallback used, a step skipped

    @property
    def adjusted(self) -> bool:
        """Whether the base model holds anything: covariates or sites."""
        return bool(self.covariates) or bool(self.site and self.sites != 1)

    def outcome(self, name: str) -> OutcomeRun:
        """The outcome called `name`."""
        return next(outcome for outcome in self.outcomes if outcome.name == name)
