"""What a regression hands back: coefficients, their covariance, and the tidy table of terms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import norm

SMALLEST_P = float(np.finfo(float).tiny)
COLUMNS = [
    "outcome", "model", "term", "effect_measure", "estimate", "se", "ci_low", "ci_high", "p_value",
    "n", "events", "n_left_out", "method", "note",
]  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class RegressionFit:
    """A fitted model with k terms; no patient rows inside.

    `coef` (k,) and `covariance` (k, k), the one for inference (robust when asked for);
    `model_covariance` is the inverse information. `variable` names the covariate of each term. `limits`
    (k, 2) and `p_values` (k,) are there when they are not Wald's; `term_notes` (k,) add to the `note` of all.
    """

    method: str
    effect_measure: str
    names: tuple[str, ...]
    variable: tuple[str, ...]
    coef: np.ndarray
    covariance: np.ndarray
    model_covariance: np.ndarray
    loglik: float
    loglik_null: float
    n: int
    events: int
    n_left_out: int
    conf_level: float
    note: str = ""
    limits: np.ndarray | None = None
    p_values: np.ndarray | None = None
    term_notes: tuple[str, ...] = ()

    @property
    def se(self) -> np.ndarray:
        return np.sqrt(np.diag(self.covariance))

    @property
    def model_se(self) -> np.ndarray:
        return np.sqrt(np.diag(self.model_covariance))

    @property
    def lr_chi2(self) -> float:
        """Likelihood-ratio statistic of all terms against none."""
        return 2 * (self.loglik - self.loglik_null)

    @property
    def wald_chi2(self) -> float:
        """Wald statistic of all terms, from `covariance`."""
        return float(self.coef @ np.linalg.pinv(self.covariance) @ self.coef)

    def table(self, *, outcome: str = "", model: str = "") -> pd.DataFrame:
        """One row a term with its interval and p, in the columns of every estimate of the project."""
        z = norm.ppf(0.5 + self.conf_level / 2)
        se = self.se
        with np.errstate(divide="ignore", invalid="ignore"):
            p = np.clip(2 * norm.sf(np.abs(self.coef) / se), SMALLEST_P, 1.0)
        low, high = self.coef - z * se, self.coef + z * se
        if self.limits is not None:
            low, high = self.limits.T
        if self.p_values is not None:
            p = np.clip(self.p_values, SMALLEST_P, 1.0)
        own = self.term_notes or ("",) * len(self.names)
        notes = ["; ".join(filter(None, (self.note, words))) for words in own]
        return pd.DataFrame(
            {
                "outcome": outcome, "model": model, "term": self.names, "effect_measure": self.effect_measure,
                "estimate": self.coef, "se": se, "ci_low": low, "ci_high": high, "p_value": p,
                "n": self.n, "events": self.events, "n_left_out": self.n_left_out,
                "method": self.method, "note": notes,
            },
            columns=COLUMNS,
        )  # fmt: skip
