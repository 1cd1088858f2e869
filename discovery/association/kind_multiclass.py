"""Classes without an order: multinomial logistic regression, one test over all classes per feature."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from discovery.association.kind_binary import rarest_class
from discovery.association.kind_ordinal import class_name, small_classes
from discovery.association.kinds import OutcomeKind


class Multiclass(OutcomeKind):
    name = "multiclass"
    effect = "any difference between the classes"
    model = "multinomial logistic regression"
    counted = "patients in the rarest class"
    classes = True
    directed = False
    gain_measure = "mean pairwise AUC"
    chance = 0.5

    def effective_sizes(self, response, rows):
        return rarest_class(response.y, rows)

    def base_fault(self, design):
        from discovery.association.separation import told_by_base

        return told_by_base(design, ordered=False)

    def plan(self, response, base, columns, observed):
        from discovery.kernels.multinomial import MultinomialPlan

        return MultinomialPlan(response.y, base, columns, observed=observed)

    def interval(self, plan, fit, *, firth, conf_level):
        return np.full(fit.z.shape, np.nan), np.full(fit.z.shape, np.nan)

    def empty_fit(self, response, p, q):
        from discovery.kernels.multinomial import MultinomialFits

        others = classes_of(response.y) - 1
        plain = super().empty_fit(response, p, q)
        return MultinomialFits(
            np.full((p, 1), np.nan),
            *plain[1:],
            np.full((p, others, q + 2), np.nan),
            np.full((p, others, others), np.nan),
            np.zeros(p, dtype=np.int64),
        )

    def likelihood_ratio(self, fit):
        return 2 * (fit.loglik - fit.loglik_base)

    def tested_df(self, fit):
        return fit.df

    def p_values(self, fit, base, observed):
        from scipy.special import chdtrc

        from discovery.association.multiplicity import never_zero

        fitted = fit.code == 0
        df = np.where(fitted, fit.df, 1)
        return never_zero(np.where(fitted, chdtrc(df, self.likelihood_ratio(fit)), np.nan))

    def null_model(self, design):
        from discovery.association.multinomial_null import null_multinomial

        return null_multinomial(design)

    def null_standard_errors(self, design, features):
        return np.full(features.shape[1], np.nan)

    def more_rows(self, design, fit, rows, conf_level):
        """A row per feature and class against the first class, with Wald's test and interval."""
        return list(contrasts(design, fit, rows, conf_level))

    def remarks(self, design, fit, assessed):
        return small_classes(design)

    def coefficients(self, fit):
        absent = np.isneginf(fit.contrasts[..., :1])
        return np.where(absent & np.isnan(fit.contrasts), 0.0, fit.contrasts)

    def blank(self, response, p, q):
        return np.full((p, classes_of(response.y) - 1, q + 2), np.nan)

    def one_estimate(self, coef):
        return np.full(len(coef), np.nan)

    def scores(self, columns, features, coef):
        """Log odds (n, p, K - 1) against class 0."""
        return np.einsum("iq,pcq->ipc", columns, coef[..., :-1]) + features[:, :, None] * coef[None, :, :, -1]

    def base_scores(self, columns, coef, seen):
        return np.where(seen[:, :, None], np.einsum("iq,pcq->ipc", columns, coef), np.nan)

    def start_base(self, design, weights, seen):
        coef = np.zeros((seen.shape[1], classes_of(design.y) - 1, 1 + design.base.shape[1]))
        used = weights[:, None] * seen
        with np.errstate(divide="ignore", invalid="ignore"):
            total = np.array([(design.y == c) @ used for c in range(classes_of(design.y))])
            coef[:, :, 0] = np.log(total[1:] / total[0]).T
        return coef

    def judge(self, design, horizon):
        return MeanPairwise(design.y)

    def method_text(self, penalised):
        return f"{self.model}, likelihood-ratio test over all classes"


def classes_of(y: np.ndarray) -> int:
    return max(int(y.max(initial=0)) + 1, 2)


def contrasts(design, fit, rows, conf_level: float):
    """Rows for each class but the first: its log odds ratio against the first."""
    from scipy.special import ndtr, ndtri

    from discovery.association.multiplicity import never_zero

    reach = ndtri(0.5 + conf_level / 2)
    first = class_name(design, 0)
    fitted = ~np.isnan(rows["p_value"])
    overall, own = "likelihood-ratio test over all classes", "Wald test and interval"
    blank = {"q_value": np.nan, "p_familywise": np.nan, "note": ""}
    blank["method"] = [method.replace(overall, own) for method in rows["method"]]
    for c in range(fit.contrasts.shape[1]):
        name = class_name(design, c + 1)
        estimate = np.where(fitted, fit.contrasts[:, c, -1], np.nan)
        se = np.sqrt(fit.covariance[:, c, c])
        with np.errstate(invalid="ignore"):
            p = never_zero(2 * ndtr(-np.abs(estimate / se)))
        numbers = (estimate, estimate - reach * se, estimate + reach * se, p)
        yield (
            rows
            | blank
            | dict(zip(("estimate", "ci_low", "ci_high", "p_value"), numbers))
            | {
                "term": f"{name} against {first}",
                "effect_measure": f"log odds ratio of {name} against {first}, per 1 SD",
            }
        )


class MeanPairwise:
    """Mean over pairs of classes of the AUC of their probabilities.

    Hand & Till, Machine Learning 2001;45:171-186: for classes a and b the mean of how well P(a) tells a
    from b and P(b) b from a. Pairs without patients of both classes do not count.
    """

    def __init__(self, y: np.ndarray):
        from discovery.kernels.concordance import class_pairs, listed

        self.pairs = []
        for a, b in combinations(range(classes_of(y)), 2):
            rows = np.flatnonzero((y == a) | (y == b))
            if rows.size:
                leads = (y[rows] == a).astype(float)
                self.pairs += [(c, rows, listed(class_pairs(own))) for c, own in ((a, leads), (b, 1 - leads))]

    def __call__(self, scores, evaluate, recentre):
        from discovery.kernels.concordance import pair_discrimination

        chance = probabilities(scores)
        found = np.array(
            [
                pair_discrimination(pairs, np.ascontiguousarray(chance[rows, :, c]), evaluate[rows]).value
                for c, rows, pairs in self.pairs
            ]
        )
        known = ~np.isnan(found)
        with np.errstate(invalid="ignore"):
            return np.where(known, found, 0.0).sum(axis=0) / known.sum(axis=0)


def probabilities(scores: np.ndarray) -> np.ndarray:
    """(n, m, K) from log odds (n, m, K - 1) against class 0; NaN where a score is."""
    missing = np.isnan(scores).any(axis=2)
    whole = np.concatenate(
        [np.zeros((*scores.shape[:2], 1)), np.where(missing[:, :, None], 0.0, scores)], axis=2
    )
    whole = np.exp(whole - whole.max(axis=2, keepdims=True))
    whole /= whole.sum(axis=2, keepdims=True)
    whole[missing] = np.nan
    return whole


KIND = Multiclass()
