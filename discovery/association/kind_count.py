"""Counts over unequal times: negative binomial regression with log exposure as offset."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from discovery.association.kinds import OutcomeKind
from discovery.association.response import total_over


class Count(OutcomeKind):
    name = "count"
    effect = "log rate ratio"
    model = "negative binomial regression"
    counted = "patients with a count above 0"
    gain_measure = "deviance R2"
    silent_at_zero = True

    def effective_sizes(self, response, rows):
        return np.rint(total_over(rows, (response.y > 0).astype(float))).astype(int)

    def events(self, design, observed):
        return total_over(observed, design.y)

    def base_fault(self, design):
        from discovery.kernels.count import fit_count

        if design.y.any() and fit_count(design.y, design.exposure, design.base).code == 0:
            return ""
        return f"{NO_FIT} ({WANTED})"

    def remarks(self, design, fits, assessed):
        from discovery.association.screen_words import leans_on_distribution

        words = super().remarks(design, fits, assessed)
        small = np.flatnonzero(assessed & (fits.p_value <= ALPHA))
        if small.size:
            for j, p in zip(small, self.p_without_distribution(design.take_features(small))):
                words[j] += [leans_on_distribution(p)] if p > ALPHA else []
        return words

    def p_without_distribution(self, design):
        """By all signs that patients' scores could have, at the base model.

        The negative binomial takes what its columns leave of the rate as a gamma variable. Where other causes
        make it vary otherwise the likelihood ratio errs: .09 of null features at .05 beside five such causes.
        """
        from scipy import stats

        from discovery.association.null_model import projected
        from discovery.kernels.sign_root import sign_roots

        mu, alpha, _, z = base_expectation(design)
        v = mu / (1 + alpha * mu)
        root = np.sqrt(v)[:, None] * z
        followed = np.einsum("ia,ab,ib->i", root, np.linalg.pinv(root.T @ root), root)
        residual = (design.y - mu) / (1 + alpha * mu) / np.maximum(1 - followed, 0.1)
        terms = np.ascontiguousarray((residual[:, None] * projected(design, z, v)).T)
        return 2 * stats.norm.sf(np.abs(sign_roots(terms.sum(axis=1), terms, np.ones(design.n))))

    def plan(self, response, base, columns, observed):
        from discovery.kernels.count import CountPlan

        return CountPlan(response.y, response.exposure, base, columns, observed=observed)

    def full_fit(self, response, columns, firth):
        from discovery.association.full_fit import FullFit
        from discovery.kernels.count import fit_count

        fit = fit_count(response.y, response.exposure, columns)
        return FullFit(fit.coef[1:], fit.covariance[1:, 1:], fit.loglik, np.inf, fit.code == 0)

    def null_model(self, design):
        from discovery.association.null_model import NullModel, projected

        mu, alpha, coef, z = base_expectation(design)
        clean = projected(design, z, mu / (1 + alpha * mu))
        # exchanged between patients of like expected count, on which the spread of the residual depends
        return NullModel(
            residual=(design.y - mu) / (1 + alpha * mu), clean=clean, coef=coef, predictor=np.log(mu)
        )

    def null_standard_errors(self, design, features):
        from discovery.association.null_model import projected

        if self.base_fault(design):
            return np.full(features.shape[1], np.nan)
        mu, alpha, _, z = base_expectation(design)
        v = mu / (1 + alpha * mu)
        clean = projected(design, z, v)
        weight = v[:, None] * design.observed
        with np.errstate(invalid="ignore", divide="ignore"):
            clean = clean - (weight * clean).sum(axis=0) / weight.sum(axis=0)
            return 1 / np.sqrt((weight * clean**2).sum(axis=0))

    def more_rows(self, design, fit, rows, conf_level):
        """The dispersion of the base model, tested against 0 (half the chi-square: it cannot be below)."""
        from scipy import stats

        from discovery.association.multiplicity import never_zero
        from discovery.kernels.count import fit_count

        if not rows["feature"] or self.base_fault(design):
            return []
        mu, alpha, _, z = base_expectation(design)
        loglik = fit_count(design.y, design.exposure, z[:, 1:]).loglik
        statistic = max(2 * (loglik - poisson_loglik(design.y, z, design.exposure)), 0.0)
        p = float(never_zero(0.5 * stats.chi2.sf(statistic, 1))) if alpha > 0 else 1.0
        pearson = ((design.y - mu) ** 2 / mu).sum() / max(design.n - z.shape[1], 1)
        blank = dict.fromkeys(("ci_low", "ci_high", "q_value", "p_familywise"), np.nan)
        note = (
            "Pearson chi-square of these rates over degrees of freedom, were the variance Poisson's: "
            f"{pearson:.2f}"
        )
        row = {
            "feature": [""], "model": "dispersion", "term": "alpha", "estimate": alpha, "p_value": p,
            "n": design.n, "effect_measure": "alpha: variance = mean + alpha mean^2",
            "events": design.y.sum(), "n_left_out": design.n_study - design.n,
            "method": "likelihood ratio against Poisson, half of chi-square with 1 df", "note": note,
        }  # fmt: skip
        return [rows | row | blank]

    def start_base(self, design, weights, seen):
        coef = super().start_base(design, weights, seen)
        used = weights[:, None] * seen
        time = np.ones(design.n) if design.exposure is None else design.exposure
        with np.errstate(invalid="ignore", divide="ignore"):
            coef[:, 0] = np.log((design.y @ used) / (time @ used))
        return coef

    def known_range(self, scores, weights):
        """No rate beyond those that a model was learned from: one patient far outside would else be expected
        to have thousands, and a draw without that patient lose many times the deviance."""
        learned = np.where(weights[:, None] > 0, scores, np.nan)
        return np.clip(scores, np.fmin.reduce(learned, axis=0), np.fmax.reduce(learned, axis=0))

    def judge(self, design, horizon):
        return DevianceJudge(design)

    def method_text(self, penalised):
        return f"{self.model}, log exposure as offset, likelihood-ratio test, profile-likelihood interval"


ALPHA = 0.05  # on which side of it two tests of a feature have their p
NO_FIT = "the base model has no stable fit"
WANTED = "fewer adjust_for covariates, or more patients with a count, are wanted"


def base_expectation(design):
    """Expected count (n,), dispersion, coefficients (1 + q,) and columns (n, 1 + q) of the base model.

    Raises
    ------
    InputError : it has no stable fit, as where all counts of a group are 0.
    """
    from discovery.kernels.count import fit_count
    from discovery.problems import InputError, Problem

    fit = fit_count(design.y, design.exposure, design.base)
    if fit.code != 0:
        raise InputError([Problem(file=f"outcome {design.outcome}", found=NO_FIT, wanted=WANTED)])
    z = np.column_stack([np.ones(design.n), design.base])
    time = np.ones(design.n) if design.exposure is None else design.exposure
    return time * np.exp(z @ fit.coef), fit.alpha, fit.coef, z


def poisson_loglik(y, z, exposure) -> float:
    """Of the Poisson model with columns z (n, 1 + q); NaN where expected counts run to 0 or beyond bounds."""
    import statsmodels.api as sm

    offset = None if exposure is None else np.log(exposure)
    try:
        return float(sm.GLM(y, z, family=sm.families.Poisson(), offset=offset).fit(tol=1e-12).llf)
    except ValueError:
        return np.nan


class DevianceJudge:
    """Share of the deviance explained: 1 - D(model) / D(one rate for all), Cameron & Windmeijer, J Bus Econ
    Stat 1996;14:209-220. One dispersion, the base model's on all patients, judges all models and draws; where
    that model has no stable fit, the one without covariates."""

    def __init__(self, design):
        self.y = design.y
        self.offset = np.zeros(design.n) if design.exposure is None else np.log(design.exposure)
        judged = replace(design, base=design.base[:, :0]) if KIND.base_fault(design) else design
        self.alpha = base_expectation(judged)[1]

    def __call__(self, scores, evaluate, recentre):
        seen = np.isfinite(scores)
        eta = np.where(seen, scores, 0.0) + self.offset[:, None]
        flat = np.broadcast_to(self.offset[:, None], eta.shape)
        value = np.empty((scores.shape[1], evaluate.shape[1]))
        for v, weights in enumerate(evaluate.T):
            w = weights[:, None] * seen
            none = self._deviance(flat + self._level(flat, w), w)
            own = eta + self._level(eta, w) if recentre else eta
            with np.errstate(invalid="ignore", divide="ignore"):
                value[:, v] = np.where(none > 0, 1 - self._deviance(own, w) / none, np.nan)
        return value

    def _level(self, eta, w):
        """What to add to eta (n, m) so that counts and expectations balance, (m,): Fisher scoring."""
        y = self.y[:, None]
        with np.errstate(invalid="ignore", divide="ignore"):
            level = np.log((w * y).sum(axis=0) / (w * np.exp(eta)).sum(axis=0))
            for _ in range(50):
                mu = np.exp(eta + level)
                v = w / (1 + self.alpha * mu)
                step = (v * (y - mu)).sum(axis=0) / (v * mu).sum(axis=0)
                level = level + np.clip(step, -2, 2)
                if not (np.abs(step) > 1e-10).any():
                    break
        return level

    def _deviance(self, eta, w):
        y, mu, a = self.y[:, None], np.exp(eta), self.alpha
        with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
            part = np.where(y > 0, y * (np.log(np.where(y > 0, y, 1.0)) - eta), 0.0)
            if a > 0:
                part = part - (y + 1 / a) * (np.log1p(a * y) - np.log1p(a * mu))
            else:
                part = part - (y - mu)
        return 2 * np.where(w > 0, w * part, 0.0).sum(axis=0)


KIND = Count()
