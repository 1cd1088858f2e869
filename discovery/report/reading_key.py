"""What the columns and words of the ranking mean, for a reader who comes without the methods."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from discovery.report.settings import RunSettings

EFFECTS = {
    "survival": "hazard ratio: how many times the rate of the event",
    "recurrent": "rate ratio: how many times the rate of episodes",
    "count": "rate ratio: how many times the expected count",
    "binary": "odds ratio: how many times the odds of the outcome",
    "ordinal": "odds ratio: how many times the odds of a higher class",
    "multiclass": "odds ratio: how many times the odds of a class against the reference",
}
MEASURES = {
    "AUC": "AUC, area under the receiver operating characteristic curve: the chance that of two patients, "
    "one with and one without the outcome, the model gives the higher risk to the one with it",
    "mean pairwise AUC": "mean pairwise AUC: the AUC of two classes, averaged over all pairs of classes",
    "C": "C, index of concordance: the chance that of two patients the model gives the higher risk to the "
    "one whose event came first (or who had more episodes)",
    "Wolbers' C": "Wolbers' C: the same as C, where a patient with a competing event counts as never having "
    "the event",
    "generalised C": "generalised C: the chance that of two patients in different classes the model puts the "
    "right one higher",
    "R2": "R²: the share of the outcome's variance that the model explains",
    "deviance R2": "deviance R²: the share of the deviance of counts that the model explains",
}
NO_INFORMATION = "0.5 is no better than chance, 1 is perfect"
CHANCES = ("AUC", "mean pairwise AUC", "C", "Wolbers' C", "generalised C")


def reading_key(settings: RunSettings, markers: pd.DataFrame) -> list[tuple[str, str]]:
    """(word, what it means) in the order of the columns; only what the rows of `markers` have."""
    gain_measures = list(markers["gain_measure"].dropna().unique())
    beyond = "the base model" if settings.adjusted else "no model at all (the base model is empty)"
    out = []
    if settings.replicates:
        out.append(
            (
                "Rank (interval)",
                "place by the strength of the evidence, 1 the strongest, with an approximate 95 % interval "
                f"from {settings.replicates} bootstrap draws: ranks whose intervals overlap widely have no "
                "established order.",
            )
        )
    else:
        out.append(("Rank", "place by the strength of the evidence, 1 the strongest."))
    out.append(("Effect (95 % interval)", _effects(settings)))
    out.append(
        (
            "p, q",
            "p: how often chance alone would give an association at least this strong if there were none. q: "
            f"the p-value corrected for how many features were tested; of features with q ≤ {settings.fdr:g} "
            f"about {100 * settings.fdr:.3g} % or fewer are expected to be false leads.",
        )
    )
    if markers["shrunk_estimate"].notna().any():
        out.append(
            (
                "Shrunk",
                "the effect made smaller because features at the top of a list were picked for looking "
                "large; it is the effect to expect in new patients.",
            )
        )
    if settings.replicates and gain_measures:
        out.append(("Gain (interval)", _gain(beyond, gain_measures)))
        out.append(
            (
                "In the first …",
                "the share of bootstrap draws in which the feature ranked among the first: how sure its "
                "place near the top is, no probability that it is real.",
            )
        )
    out.append(("Family", "features that rise and fall together; a ranking cannot tell them apart."))
    out.append(("Verdict", _verdicts(settings)))
    return out


def _effects(s: RunSettings) -> str:
    kinds = dict.fromkeys(o.kind for o in s.outcomes)
    ratios = list(dict.fromkeys(EFFECTS[kind] for kind in kinds if kind in EFFECTS))
    texts = [f"{text}; 1 is no association" for text in ratios]
    if "continuous" in kinds:
        texts.append("standardised slope: by how many SD the outcome differs; 0 is no association")
    adjusted = "between patients alike in the base model" if s.adjusted else "not adjusted for anything"
    return (
        "for a feature 1 SD (standard deviation in this cohort) higher, "
        f"{adjusted}. {_capital('. '.join(_capital(text) for text in texts))}. An association is not the "
        "effect of a treatment."
    )


def _gain(beyond: str, measures: Sequence[str]) -> str:
    named = [MEASURES.get(name, name) for name in dict.fromkeys(measures)]
    scale = f" ({NO_INFORMATION})" if set(measures) & set(CHANCES) else ""
    return (
        f"how much better the outcome is told with the feature than with {beyond}, corrected for fitting and "
        f"for having been selected; below 0 means no gain. {_capital('; '.join(named))}{scale}."
    )


def _verdicts(s: RunSettings) -> str:
    fdr = f"{s.fdr:g}"
    permuted = " or by the permutation test" if s.permutations else ""
    strong = (
        "strong candidate: a candidate that also passed every further check. "
        if s.replicates and "shrinkage" in s.analyses
        else ""
    )
    site = (
        "site-driven: it goes with the site more than with the patients. "
        if "site checks" in s.analyses
        else ""
    )
    return _capital(
        f"{strong}candidate: q ≤ {fdr}, worth testing in a second cohort. suggestive: weaker, "
        f"q ≤ {2 * s.fdr:g}{permuted}. not supported: the rest, which does not mean that there is no effect. "
        f"{site}not assessable: too few data. Redundant: it adds nothing to the best feature of its family. "
        "All rules are in the methods. No verdict is advice for a patient."
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
