"""Methods text of the ranking: families, resampling, gains, sites, reach of the study, verdicts."""

from __future__ import annotations

from discovery.report.format import listed, whole
from discovery.report.settings import OutcomeRun, RunSettings

GAIN = {
    "survival": "Harrell's C",
    "binary": "the area under the receiver operating characteristic curve",
    "continuous": "R²",
    "ordinal": "the generalised C",
    "multiclass": "the mean pairwise area under the curve",
    "count": "deviance R²",
    "recurrent": "C",
}


def ranking_paragraphs(s: RunSettings) -> list[str]:
    adjusted = "adjusted for the base model" if s.adjusted else "not adjusted, since the base model was empty"
    episodes = any(outcome.kind == "recurrent" for outcome in s.outcomes)
    scored = " (for episodes, by the normal deviate of their score test)" if episodes else ""
    texts = [
        "Features were ordered by the absolute signed root of their likelihood-ratio statistic"
        f"{scored}, {adjusted}. Features were grouped in families by average-linkage clustering on "
        "1 − |Spearman correlation|, cut at 0.3, without regard to any outcome; a family ranks by, and is "
        "called after, its best feature."
    ]
    if "redundancy" in s.analyses:
        texts.append(
            "Every other feature of a family was tested again with the family's best feature in the base "
            "model: p above 0.05 makes it redundant with that feature, and a sign that turns there (p at "
            "most 0.05) is flagged."
        )
    texts.append(_resampling(s))
    if "confirmed order" in s.analyses:
        texts.append(
            "The confirmed order of a feature says above how many others it ranks beyond doubt: its effect "
            "less the other's, and its effect plus the other's, both taken in its own direction, exceed the "
            "95 % quantile of the largest such contrast over the bootstrap samples, centred and in standard "
            "errors (Mogstad, Romano, Shaikh and Wilhelm 2024, adapted to sizes of effects). It holds for "
            "one feature at a time."
        )
    if "stability" in s.analyses:
        texts.append(
            "How distinct a feature is (distinct_share) is the share of 100 half samples, in 50 "
            "complementary pairs, in which it is among the first features on the lasso path of the base "
            "model's residuals on all features freed of the base model (Shah and Samworth 2013); the "
            "first 8, or the square root of the number of features if that is less. It has no part in "
            "ranks or verdicts."
        )
    if "shrinkage" in s.analyses:
        texts.append(
            "Because the features at the top of a list were picked for looking large, shrunk estimates "
            "are given beside the plain ones, with the local false sign rate (normal-mixture empirical "
            "Bayes over all features of an outcome, after Stephens 2017; the share of zeros, the size of the "
            "others and whether these gather near zero or stay away from it are averaged over what the data "
            "leave open, correlated features counting for fewer; intervals hold under either shape)."
        )
    return texts


def _resampling(s: RunSettings) -> str:
    if not s.replicates:
        return (
            "Ranks and gains were not resampled in this run, so that neither rank intervals nor gains are "
            "given."
        )
    drawn = "patients were drawn with replacement" + (" within sites" if s.site and s.sites != 1 else "")
    both = "the base model and all" if s.adjusted else "all"
    stratified = bool(s.site and s.sites != 1)
    judged: dict[str, list[str]] = {}
    for o in s.outcomes:
        judged.setdefault(_gain(o, stratified), []).append(o.label)
    measures = listed([f"{name} ({listed(labels, limit=20)})" for name, labels in judged.items()], limit=20)
    empty = " The base model was empty: the gain is that over chance." if not s.adjusted else ""
    return (
        f"In {whole(s.replicates)} bootstrap samples ({drawn}) {both} feature models were refitted. Rank "
        "intervals run from the 0.5th to the 97.5th percentile of a feature's rank (a resample adds noise, "
        "which puts strong features too far behind), those of families from the 2.5th. The probability in "
        f"the top is that of being {_among_first(s.top)}, for a family {_among_first(s.top_families)} of the "
        f"families. The gain over the base model is the difference in {measures}; it was corrected "
        "for optimism of fitting and of having been picked at its rank, the picking repeated in samples "
        "about effects shrunken towards 0. Its interval is approximate: from the lower percentile of the "
        "samples' gains less that correction to the upper one less the optimism of fitting alone, where "
        f"that is less (after Noma et al. 2021). The gain was not used as a test.{empty}"
    )


def _among_first(k: int) -> str:
    return f"among the first {whole(k)}" if k != 1 else "the first"


def _gain(o: OutcomeRun, stratified: bool) -> str:
    within = " over pairs of patients of one site" if stratified and o.kind == "survival" else ""
    if o.competing:
        return (
            f"the C of Wolbers et al. (2009) of the cause-specific model{within}, in which a patient with a "
            "competing event stays comparable to the end of follow-up"
        )
    return GAIN.get(o.kind, "discrimination") + within


def site_paragraphs(s: RunSettings) -> list[str]:
    """Checks against the site; nothing where there was one site or none."""
    if "site checks" not in s.analyses:
        return []
    return [
        "Every feature was also tested with the site ignored, and each site was left out in turn: the "
        "models were fitted to the other sites, and their gain was taken at the site left out. The mean "
        "of these gains, weighted by patients, was compared with the gain in patients left out in five "
        f"random folds. A feature with q at most {s.fdr:g} whose gain in random folds is more than 0.02 "
        "above that at sites left out is flagged “does not transport across sites”: part of what it says "
        "belongs to the sites it was learnt at."
    ]


def reach_paragraph(s: RunSettings) -> str:
    tests = "tests (features)" if len(s.outcomes) == 1 else "tests (features and outcomes together)"
    return (
        f"The detectable effect of a feature is the one that reaches a two-sided p of {s.fdr:g} divided by "
        f"the number of {tests} in 8 of 10 such studies: the sum of the two normal quantiles times the "
        "standard error of a coefficient whose true value is 0, 1 / √(variance of the score), which takes "
        "in events, covariates and missing values of this study (Schoenfeld 1983; Hsieh et al. 1998)."
    )


def verdict_paragraphs(s: RunSettings) -> list[str]:
    shrunk = "shrinkage" in s.analyses
    few = " and, with fewer than 30 events, permutation p at most 0.05" if "few events" in s.analyses else ""
    rules = [
        "not assessable: too few events, more than 40 % missing"
        + (", reliability below 0.4" if "reliability" in s.analyses else "")
        + ", a base model that tells the outcome apart by itself, or a fit that did not converge"
    ]
    if "site checks" in s.analyses:
        rules.append(
            f"site-driven: q at most {s.fdr:g} when the site is ignored but p above 0.05 within sites, or a "
            "sign that turns without one of the sites"
        )
    if s.replicates and shrunk:
        rules.append(
            "strong candidate: a candidate with its gain interval above 0, its family among the first with "
            "probability 0.8 or more, local false sign rate at most 0.01 and no red flag"
        )
    sign = " and local false sign rate at most 0.05" if shrunk else ""
    rules.append(f"candidate: q at most {s.fdr:g}{sign}{few}")
    hint = " or permutation p at most 0.1" if s.permutations else ""
    rules.append(f"suggestive: q at most {2 * s.fdr:g}{hint}")
    rules.append("not supported: the rest, which does not mean that there is no effect")
    texts = [f"The verdict is the first rule that fits. {_capital('; '.join(rules))}."]
    if not shrunk:
        texts.append(
            "The verdict “strong candidate” was not given: it needs the local false sign rate, which is "
            "estimated from 20 features or more."
        )
    elif not s.replicates:
        texts.append("The verdict “strong candidate” was not given: it needs resampled ranks and gains.")
    else:
        texts.append(f"Red flags are: {'; '.join(_red_flags(s))}.")
    return texts


def _red_flags(s: RunSettings) -> list[str]:
    flags = [
        "fewer than 10 events (patients in the rarer class; patients) for each estimated coefficient",
        "suspected leak (alone it orders the outcome with an AUC, a C or a correlation above 0.98)",
    ]
    if any(outcome.kind == "binary" for outcome in s.outcomes):
        flags.append(
            "separates the outcome (completely, alone or with the covariates, or alone with AUC above 0.98)"
        )
    if any(outcome.kind == "count" for outcome in s.outcomes):
        flags.append("p leans on the distribution (of counts; by signs of patients' scores it is above 0.05)")
    if s.shape == "flexible":
        flags.append("nonlinear")
    if "proportional hazards" in s.analyses:
        flags.append("hazards not proportional")
    if "reliability" in s.analyses:
        flags.append("measured unreliably (reliability below 0.6)")
    if "redundancy" in s.analyses:
        flags.append("a sign that turns given the best feature of the family")
    return flags


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
