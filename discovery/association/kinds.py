"""The one place where a kind of outcome says how it is fitted, tested, judged and called.

A new kind is one module with an `OutcomeKind` and one entry in `MODULES`.
"""

from __future__ import annotations

from functools import cache
from importlib import import_module
from typing import TYPE_CHECKING, Any

import numpy as np

from discovery.problems import InputError, Problem
from discovery.terms import LEAST_EVENTS

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd

    from discovery.association.design import Design
    from discovery.association.full_fit import FullFit
    from discovery.association.null_model import NullModel
    from discovery.association.outcome_models import Fits
    from discovery.association.response import Response
    from discovery.kernels.screen_fit import ScreenFit

MODULES = {
    "survival": "kind_survival",
    "binary": "kind_binary",
    "continuous": "kind_continuous",
    "ordinal": "kind_ordinal",
    "multiclass": "kind_multiclass",
    "recurrent": "kind_recurrent",
    "count": "kind_count",
}
SCREENED_KINDS = tuple(MODULES)
Rows = dict[str, Any]  # columns of a table: a list or array with a place for each row, or one value for all


def one_of_many(weights: np.ndarray | None) -> bool:
    """Whether case weights (n,) are those of a resample: its fits may end a little earlier."""
    return weights is not None and bool((np.asarray(weights) != 1).any())


class OutcomeKind:
    """How outcomes of one kind are modelled; a kind overrides what differs from the defaults here.

    effect : what a coefficient is, "log odds ratio". model : name of the regression. counted : what
    limits the model (`effective_sizes`), "events". penalty_below : events for each coefficient below which
    Firth's penalty is used from the start; 0 where there is no penalised fit. timed : time and status,
    sites as strata; otherwise `y`, sites as indicators. classes : a site with one value says nothing.
    limited : by something rarer than patients, so that few of it make p-values doubtful. intercepts :
    coefficients before the base columns in `coefficients`. least : of what is counted, for any model.
    directed : one signed coefficient says it all. gain_measure : "AUC". chance : the gain measure's value
    of a coin, NaN if it has none. predicts_level : the measure depends on the level of the predictions.
    """

    name = ""
    effect = ""
    model = ""
    counted = "patients"
    penalty_below = 0.0
    timed = False
    classes = False
    limited = True
    intercepts = 1
    least = LEAST_EVENTS
    directed = True
    gain_measure = ""
    chance = np.nan
    freedman_lane = False
    silent_at_zero = False  # a site where all have 0 says nothing, its own level runs away
    by_patient = False  # several rows a patient: tests by the signs of patients' scores, errors robust

    @property
    def stratified(self) -> bool:
        """Sites are strata, not indicators in the base model."""
        return self.timed

    @property
    def penalised(self) -> bool:
        return self.penalty_below > 0

    # the outcome

    def effective_sizes(self, response: Response, rows: np.ndarray) -> np.ndarray:
        """What limits a model on the rows (n, k) of each column, (k,) int."""
        from discovery.association.response import total_over

        return total_over(rows)

    def prepared(self, design: Design) -> Design:
        """The design with its outcome on the scale of the model."""
        return design

    def level(self, design: Design) -> tuple[float, float]:
        """What `prepared` takes from the outcome, and what it divides it by: the unit of every estimate.
        A design may bring that of others."""
        return 0.0, 1.0

    def events(self, design: Design, observed: np.ndarray) -> np.ndarray:
        """Events among the rows (n, p) of each column; NaN where the outcome has no events."""
        return np.full(observed.shape[1], np.nan)

    def base_fault(self, design: Design) -> str:
        """Why no feature can be held against the base model; "" where there is no such fault."""
        return ""

    # models of one feature each

    def coefficients_of(self, q: int) -> int:
        """Coefficients of a model with q base columns and a feature, as rules of thumb count them."""
        return q + 1

    def p_without_distribution(self, design: Design) -> np.ndarray | None:
        """p (p,) of a test that asks less of the outcome's distribution than the model; None without one."""
        return None

    def plan(self, response: Response, base: np.ndarray | None, columns: np.ndarray, observed) -> Any:
        """A plan of the kernels: base (n, q) checked and scaled, with columns (n, p), one model each."""
        raise NotImplementedError

    def screen(
        self, plan: Any, weights: np.ndarray | None = None, *, firth: bool = False, draw: bool | None = None
    ) -> ScreenFit:
        """Every model of the plan; `draw`: one of many resamples, as weights that are not all 1 are taken to
        be."""
        draw = one_of_many(weights) if draw is None else draw
        return plan.screen(weights, firth=firth, draw=draw) if self.penalised else plan.screen(weights)

    def interval(self, plan: Any, fit: ScreenFit, *, firth: bool, conf_level: float):
        """(low (p,), high (p,)) of each feature's coefficient."""
        more = {"firth": firth} if self.penalised else {}
        return plan.profile_interval(fit, conf_level=conf_level, **more)

    def empty_fit(self, response: Response, p: int, q: int) -> ScreenFit:
        from discovery.kernels.screen_fit import ScreenFit

        blank = np.full((6, p), np.nan)
        return ScreenFit(
            coef=np.full((p, self.intercepts + q + 1), np.nan),
            se=blank[0],
            loglik=blank[1],
            loglik_base=blank[2],
            z=blank[3],
            code=np.full(p, 5, dtype=np.int8),
            n=np.zeros(p, dtype=np.int64),
            events=np.zeros(p, dtype=np.int64),
        )

    def likelihood_ratio(self, fit: ScreenFit) -> np.ndarray:
        """Twice the gain in log likelihood (p,) by the feature."""
        return fit.z**2

    def tested_df(self, fit: ScreenFit) -> np.ndarray:
        """Coefficients (p,) that a feature has in its model."""
        return np.ones(len(fit.z), dtype=int)

    def p_values(self, fit: ScreenFit, base: np.ndarray, observed: np.ndarray) -> np.ndarray:
        from scipy.special import chdtrc

        from discovery.association.multiplicity import never_zero

        return never_zero(chdtrc(1, fit.z**2))

    def p_of_statistic(self, statistic: float, df: int, n: int, freedom: int) -> float:
        """p of a likelihood-ratio statistic on df degrees; `freedom` is left for the residual."""
        from scipy import stats

        from discovery.association.multiplicity import never_zero

        return float(never_zero(stats.chi2.sf(statistic, df)))

    def full_fit(self, response: Response, columns: np.ndarray, firth: bool) -> FullFit:
        """One model with all its coefficients and their covariance."""
        raise InputError(
            [
                Problem(
                    file="outcome",
                    column="kind",
                    found=self.name,
                    wanted="an outcome with one effect a feature",
                )
            ]
        )

    def null_model(self, design: Design) -> NullModel:
        """The base model by itself, for permutation and sparse selection."""
        raise NotImplementedError

    def said_size(self, size: int) -> str:
        """How many of what is counted, "1 event"."""
        one = self.counted.replace("patients", "patient", 1).replace("events", "event", 1)
        return f"{size} {one if size == 1 else self.counted}"

    def patient_scores(self, design: Design) -> tuple[np.ndarray, np.ndarray]:
        """Contributions (n, p) of the patients to each feature's score, for kinds `by_patient`: those that
        add up to it, and those whose squares add up to its variance."""
        raise NotImplementedError

    def null_standard_errors(self, design: Design, features: np.ndarray) -> np.ndarray:
        """Standard error (p,) of each coefficient if the feature had no effect."""
        raise NotImplementedError

    def more_rows(self, design: Design, fit: ScreenFit, rows: Rows, conf_level: float) -> list[Rows]:
        """Further rows beside `rows`, one a feature, such as a contrast each."""
        return []

    def remarks(self, design: Design, fits: Fits, assessed: np.ndarray) -> list[list[str]]:
        """What to say of each feature's model (p lists)."""
        return [[] for _ in assessed]

    def flags(self, table: pd.DataFrame) -> dict[str, list[str]]:
        """Flags of features by the rows of an association table."""
        return {}

    # gains

    def coefficients(self, fit: ScreenFit) -> np.ndarray:
        """(p, k), or (p, c, k) with c linear predictors: intercepts, base columns, the feature last."""
        return fit.coef

    def blank(self, response: Response, p: int, q: int) -> np.ndarray:
        """`coefficients` of p models with q base columns, none fitted."""
        return np.full((p, self.intercepts + q + 1), np.nan)

    def one_estimate(self, coef: np.ndarray) -> np.ndarray:
        """The feature's coefficient (p,) of `coefficients`; NaN where it takes several."""
        return coef[:, -1]

    def scores(self, columns: np.ndarray, features: np.ndarray, coef: np.ndarray) -> np.ndarray:
        """What the models say of every patient, (n, p, ...); NaN where the feature is missing."""
        from discovery.kernels.concordance import linear_scores

        return linear_scores(columns, features, coef)

    def base_scores(self, columns: np.ndarray, coef: np.ndarray, seen: np.ndarray) -> np.ndarray:
        """What base models with coefficients (groups, ..., k) say of patients, NaN outside `seen`."""
        return np.where(seen, np.einsum("iq,kq->ik", columns, coef), np.nan)

    def start_base(self, design: Design, weights: np.ndarray, seen: np.ndarray) -> np.ndarray:
        """Coefficients (groups, ..., k) of a base model without covariates on the rows `seen`."""
        return np.zeros((seen.shape[1], self.intercepts + design.base.shape[1]))

    def known_range(self, scores: np.ndarray, weights: np.ndarray) -> np.ndarray:
        """Scores as a gain is judged by them; `weights` (n,) are those that the models were fitted with."""
        return scores

    def judge(self, design: Design, horizon: float | None) -> Callable[..., np.ndarray]:
        """A function of scores (n, m) or (n, m, c), weights (n, v), recentre: the gain measure (m, v)."""
        raise NotImplementedError

    # pooling over completed copies

    def refit(self, plan: Any, weights: np.ndarray) -> ScreenFit:
        """`screen` in a resample of which only the estimates are asked."""
        return self.screen(plan, weights)

    def errors_at_estimate(self, plan: Any, fit: ScreenFit) -> np.ndarray:
        """Standard errors (p,) at the estimates of `fit`, for kinds `by_patient`; others have them in it."""
        raise NotImplementedError

    # words

    def method_text(self, penalised: bool) -> str:
        if penalised:
            return f"{self.model}, Firth penalty, penalised likelihood-ratio test and profile interval"
        return f"{self.model}, likelihood-ratio test, profile-likelihood interval"

    def effect_text(self, contrast: str) -> str:
        """The effect measure of a row, e.g. "log hazard ratio per 1 SD"."""
        return f"{self.effect} {contrast}" if contrast == "per 1 SD" else f"{self.effect}, {contrast}"


@cache
def _load(name: str) -> OutcomeKind:
    return import_module(f"discovery.association.{MODULES[name]}").KIND


def kind_of(name: str) -> OutcomeKind:
    """The kind called `name`.

    Raises
    ------
    InputError : there is no model for it.
    """
    if name not in MODULES:
        wanted = f"one of {', '.join(MODULES)}, the kinds that there is a model for"
        raise InputError([Problem(file="outcome", column="kind", found=str(name), wanted=wanted)])
    return _load(name)
