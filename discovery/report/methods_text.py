"""The methods section, written from the settings as run: a draft that is right, for the authors to edit."""

from __future__ import annotations

from dataclasses import dataclass

from discovery.report.format import listed, plural, whole
from discovery.report.settings import OutcomeRun, RunSettings

REGRESSION = {
    "survival": "Cox proportional hazards regression with Efron's handling of tied times",
    "binary": "logistic regression",
    "continuous": "linear regression",
    "ordinal": "proportional odds regression",
    "multiclass": "multinomial logistic regression",
    "count": "negative binomial regression",
    "recurrent": "a proportional intensity model for recurrent events with robust standard errors",
}
EFFECT = {
    "survival": "hazard ratio",
    "binary": "odds ratio",
    "continuous": "standardised slope",
    "ordinal": "odds ratio",
    "multiclass": "odds ratio",
    "count": "rate ratio",
    "recurrent": "rate ratio",
}
GAIN = {
    "survival": "Harrell's C",
    "binary": "the area under the receiver operating characteristic curve",
    "continuous": "R²",
    "ordinal": "the generalised C",
    "multiclass": "the mean pairwise area under the curve",
    "count": "deviance R²",
    "recurrent": "C",
}
MULTIPLICITY = {
    "bh": "by the false discovery rate of Benjamini and Hochberg (1995) over all features and outcomes "
    "together",
    "by": "by the false discovery rate of Benjamini and Yekutieli (2001), which holds under any "
    "dependence, over all "
    "features and outcomes together",
    "storey": "by Storey's false discovery rate with the share of true null hypotheses estimated at λ = "
    "0.5, over all "
    "features and outcomes together",
    "selected-cells": "in two steps (Benjamini and Bogomolov 2014): each outcome was a family of "
    "hypotheses; families "
    "were selected by the Benjamini–Hochberg procedure on their Simes p-values, and features were then "
    "tested inside "
    "the selected families at the level multiplied by the share of families selected",
    "features-first": "in two steps: features were selected by the Benjamini–Hochberg procedure on their "
    "Simes p-values "
    "over the outcomes, and outcomes were then tested inside the selected features at the level "
    "multiplied by the share "
    "of features selected",
    "holm": "by Holm's procedure, which controls the familywise error, over all features and outcomes "
    "together",
}
CAUTION = (
    "This is research only. No result is a threshold for care; every use defers to clinical "
    "judgement and local practice."
)
REFERENCES = {
    "bh": "Benjamini Y, Hochberg Y. J R Stat Soc B 1995;57:289–300.",
    "by": "Benjamini Y, Yekutieli D. Ann Stat 2001;29:1165–1188.",
    "storey": "Storey JD. J R Stat Soc B 2002;64:479–498.",
    "selected-cells": "Benjamini Y, Bogomolov M. J R Stat Soc B 2014;76:297–318.",
    "features-first": "Benjamini Y, Bogomolov M. J R Stat Soc B 2014;76:297–318.",
    "holm": "Holm S. Scand J Stat 1979;6:65–70.",
    "firth": "Heinze G, Schemper M. Stat Med 2002;21:2409–2419.",
    "shrinkage": "Stephens M. Biostatistics 2017;18:275–294.",
    "interval": "Noma H, et al. Stat Med 2021;40:5691–5701.",
    "wolbers": "Wolbers M, et al. Epidemiology 2009;20:555–561.",
    "permutation": "Freedman D, Lane D. J Bus Econ Stat 1983;1:292–298.",
    "imputation": "White IR, Royston P. Stat Med 2009;28:1982–1998.",
}


@dataclass(frozen=True)
class Part:
    """A heading and its paragraphs."""

    heading: str
    paragraphs: tuple[str, ...]


def methods_parts(settings: RunSettings) -> list[Part]:
    """The methods section as headings with paragraphs of plain text."""
    parts = [
        Part("Patients, features and outcomes", (_data(settings), *_outcomes(settings))),
        Part("Preparation of the features", (_preparation(settings), _missing(settings))),
        Part("Association", (*_models(settings), *_shape(settings))),
        Part("Multiplicity", _multiplicity(settings)),
        Part("Ranking", _ranking(settings)),
        Part("Verdicts", (_verdicts(settings),)),
        Part("Software", (_software(settings),)),
    ]
    if settings.notes:
        parts.append(Part("Notes from the run", settings.notes))
    parts.append(Part("References", tuple(_references(settings))))
    return parts


def methods_markdown(settings: RunSettings) -> str:
    """The same as Markdown; names from the user's files are escaped."""
    lines = [
        f"# Methods: {_escaped(settings.title or settings.name)}",
        "",
        "Draft made from the settings as run. " + CAUTION,
        "",
    ]
    for part in methods_parts(settings):
        lines += [f"## {part.heading}", ""]
        if part.heading == "References":
            lines += [f"- {_escaped(text)}" for text in part.paragraphs] + [""]
        else:
            for text in part.paragraphs:
                lines += [_escaped(text), ""]
    return "\n".join(lines)


def _data(s: RunSettings) -> str:
    text = (
        f"The analysis comprised {plural(s.n_patients, 'patient')} and "
        f"{plural(s.n_features, 'candidate feature')}"
    )
    if s.files:
        text += f", read from {listed(list(s.files), limit=8)}"
    if s.site:
        text += (
            f"; patients came from {plural(s.sites, 'site')} (column {s.site})"
            if s.sites
            else f"; site was column {s.site}"
        )
    return text + "."


def _outcomes(s: RunSettings) -> list[str]:
    texts = []
    for o in s.outcomes:
        text = f"{o.label} ({_kind(o)}): {plural(o.n, 'patient')} analysed"
        if o.events is not None:
            text += (
                f", {plural(o.events, 'event' if o.kind in ('survival', 'recurrent') else 'positive case')}"
            )
        for name, count in o.competing.items():
            text += f", {whole(count)} with the competing event {name}"
        if o.median_follow_up is not None:
            unit = f" {o.time_unit}" if o.time_unit else ""
            text += f"; median follow-up {o.median_follow_up:.4g}{unit} by the reverse Kaplan–Meier method"
        texts.append(text + ".")
    return texts


def _preparation(s: RunSettings) -> str:
    text = ""
    if s.transforms:
        by_kind: dict[str, int] = {}
        for name in s.transforms.values():
            by_kind[name] = by_kind.get(name, 0) + 1
        text = (
            "Transforms declared before the analysis were applied: "
            + listed([f"{name} to {plural(count, 'feature')}" for name, count in sorted(by_kind.items())])
            + ". "
        )
    if s.winsor:
        low, high = (f"{100 * limit:g}" for limit in s.winsor)
        text += (
            f"Each feature was winsorised at its {_ordinal(low)} and {_ordinal(high)} percentiles and then "
        )
    else:
        text += "Values were used as they are, without winsorising; each feature was "
    return (
        text + "scaled to mean 0 and standard deviation 1 in this cohort, so that effects are per 1 SD. No "
        "feature was cut at a threshold for any test."
    )


def _missing(s: RunSettings) -> str:
    if s.imputations:
        return (
            f"Missing feature values were imputed ({s.imputations} imputations) from the covariates, the "
            f"other features of "
            "the same family and the outcome (for survival the event indicator and the cumulative "
            "hazard), and estimates were "
            "pooled by Rubin's rules. Within the bootstrap, each draw was resampled first and imputed "
            "afterwards. Patients "
            "with a missing outcome or covariate were left out and counted."
        )
    return (
        "Each feature was analysed in the patients with that feature, the outcome and all covariates; "
        "base and extended "
        "models always used the same patients, and the number left out is given for each feature."
    )


def _models(s: RunSettings) -> list[str]:
    adjusted = (
        f"adjusted for {listed(list(s.covariates), limit=20)}" if s.covariates else "without covariates"
    )
    texts = []
    kinds: dict[tuple, list[OutcomeRun]] = {}
    for o in s.outcomes:
        kinds.setdefault((o.kind, o.model, o.firth, o.delayed_entry, bool(o.competing)), []).append(o)
    for (kind, model, firth, entry, competing), outcomes in kinds.items():
        names = listed([o.label for o in outcomes], limit=20)
        text = (
            f"{names}: each feature was entered by itself in "
            f"{model or REGRESSION.get(kind, kind + ' regression')}, {adjusted}"
        )
        if s.site:
            text += (
                ", stratified by site"
                if kind in ("survival", "recurrent")
                else ", with site as a fixed effect"
            )
        text += "."
        if competing:
            text += (
                " Competing events were handled by the cause-specific hazard: a patient left the risk set "
                "when a "
                "competing event occurred; cumulative incidence was estimated by the Aalen–Johansen method."
            )
        if entry:
            text += " Patients entered the risk set at their time of entry (delayed entry)."
        text += " " + _test(kind, s.interval_kind, firth=firth)
        texts.append(text)
    return texts


def _test(kind: str, interval_kind: str, *, firth: bool) -> str:
    effect = EFFECT.get(kind, "effect")
    if kind == "continuous":
        return (
            f"The {effect} (outcome SD per 1 SD of the feature) is given with its exact t interval; the "
            f"two-sided p-value is "
            "that of the t test of the coefficient."
        )
    if firth:
        return (
            f"Because events were few for the number of coefficients, or classes were separated, Firth's "
            f"penalised "
            f"likelihood was used: the {effect} per 1 SD is given with its 95 % profile interval of the "
            f"penalised likelihood, "
            "and the two-sided p-value is that of the penalised likelihood-ratio test."
        )
    rule = ""
    if kind in ("binary", "survival"):
        rule = (
            " A feature whose likelihood had no maximum (separation, monotone likelihood) was refitted "
            "with Firth's "
            "penalised likelihood; its row says so."
        )
    return (
        f"The {effect} per 1 SD is given with its 95 % {interval_kind} interval; the two-sided p-value is "
        f"that of the "
        f"likelihood-ratio test of the coefficient.{rule}"
    )


def _shape(s: RunSettings) -> list[str]:
    if s.shape != "flexible":
        return ["Effects were taken as linear in the (transformed) feature."]
    return [
        "Each feature was tested as a linear term and as a restricted cubic spline (4 knots at the 5th, "
        "35th, 65th and 95th "
        "percentiles; 3 knots at the 10th, 50th and 90th with fewer than 60 events); the two p-values "
        "were combined by the "
        "Cauchy combination. The effect printed is the linear one."
    ]


def _multiplicity(s: RunSettings) -> tuple[str, ...]:
    how = MULTIPLICITY.get(s.multiplicity, f"by the method {s.multiplicity}")
    rate = "familywise error rate" if s.multiplicity == "holm" else "false discovery rate"
    single = ""
    if s.multiplicity in ("selected-cells", "features-first") and len(s.outcomes) == 1:
        single = " With a single outcome this is the Benjamini–Hochberg procedure."
    texts = [
        f"Multiple comparisons were controlled {how} (level {s.fdr:g}; the q-value is the smallest level "
        f"of the {rate} "
        f"at which a feature would be selected).{single}"
    ]
    if s.permutations:
        kinds = {o.kind for o in s.outcomes}
        ways = []
        if kinds & {"survival", "binary", "ordinal", "multiclass", "count", "recurrent"}:
            within = " within sites" if s.site else ""
            within += " among patients of like predicted risk" if s.covariates else ""
            ways.append(
                f"the residuals of the base model were permuted{within} against the features adjusted for "
                f"the base model"
            )
        if "continuous" in kinds:
            ways.append(
                "for continuous outcomes by the method of Freedman and Lane (1983)"
                if ways
                else "residuals were permuted by the method of Freedman and Lane (1983)"
            )
        texts.append(
            f"Beside it, a familywise p-value was computed from the maximum statistic over all features in "
            f"{whole(s.permutations)} permutations: {', and '.join(ways)}. It is (1 + the number of "
            f"permutations at least as "
            "extreme) / (permutations + 1)."
        )
    else:
        texts.append("No permutation p-value was computed.")
    return tuple(texts)


def _ranking(s: RunSettings) -> tuple[str, ...]:
    texts = [
        "Features were ordered by the absolute signed root of their likelihood-ratio statistic, adjusted "
        "for the base model. "
        "Features were grouped in families by average-linkage clustering on 1 − |Spearman correlation|, "
        "cut at 0.3."
    ]
    measures = listed(list(dict.fromkeys(f"{_gain_name(o)} ({o.label})" for o in s.outcomes)), limit=20)
    if s.replicates:
        clustered = "patients were drawn with replacement" + (" within sites" if s.site else "")
        texts.append(
            f"In {whole(s.replicates)} bootstrap samples ({clustered}) the base model and all feature "
            f"models were refitted. Rank "
            f"intervals are the 2.5th and 97.5th percentiles of a feature's rank; the probability in the "
            f"top is that of "
            f"being among the first {s.top}. The gain over the base model is the difference in "
            f"{measures}; it was corrected for "
            "optimism of fitting and of having been picked at its rank, and its interval is the bootstrap "
            "percentile interval "
            "shifted by that correction (approximate). The gain was not used as a test."
        )
    else:
        texts.append(
            "Ranks and gains were not resampled in this run, so that neither rank intervals nor gains are "
            "given."
        )
    if s.n_features >= 20:
        texts.append(
            "Because the features at the top of a list were picked for looking large, shrunk estimates "
            "are given beside the "
            "plain ones (normal-mixture empirical Bayes over all features of an outcome)."
        )
    return tuple(texts)


def _gain_name(o: OutcomeRun) -> str:
    if o.competing:
        return (
            "the C of Wolbers et al. (2009) of the cause-specific model, in which a patient with a competing "
            "event stays comparable to the end of follow-up"
        )
    return GAIN.get(o.kind, "discrimination")


def _verdicts(s: RunSettings) -> str:
    strong = (
        "strong candidate: q at most the level, gain interval above 0, its family among the first with "
        "probability 0.8 or more, "
        "and local false sign rate at most 0.01; "
        if s.replicates
        else ""
    )
    return (
        f"The verdict is the first rule that fits. Not assessable: too few events with no penalised fit, "
        f"more than 40 % missing, "
        f"or a fit that did not converge; site-driven: significant only when site is ignored; "
        f"{strong}candidate: q at most {s.fdr:g} "
        f"and local false sign rate at most 0.05; suggestive: q at most {2 * s.fdr:g} or permutation p at "
        f"most 0.1; not supported: the "
        "rest, which does not mean that there is no effect."
    )


def _software(s: RunSettings) -> str:
    listed_versions = [f"{name} {version}" for name, version in sorted(s.versions.items())]
    text = (
        f"All randomness came from the seed {s.seed}; the same inputs, settings and versions give the "
        f"same files byte for byte."
    )
    return (f"Software: {listed(listed_versions, limit=99)}. " if listed_versions else "") + text


def _references(s: RunSettings) -> list[str]:
    keys = [s.multiplicity]
    keys += ["firth"] if any(o.firth or o.kind in ("binary", "survival") for o in s.outcomes) else []
    keys += ["permutation"] if s.permutations and any(o.kind == "continuous" for o in s.outcomes) else []
    keys += ["shrinkage"] if s.n_features >= 20 else []
    keys += ["interval"] if s.replicates else []
    keys += ["wolbers"] if s.replicates and any(o.competing for o in s.outcomes) else []
    keys += ["imputation"] if s.imputations else []
    return [REFERENCES[key] for key in keys if key in REFERENCES]


def _kind(o: OutcomeRun) -> str:
    words = {"survival": "time to event", "recurrent": "recurrent events", "count": "count"}.get(
        o.kind, o.kind
    )
    return f"{words}, {o.unit}" if o.unit else words


def _ordinal(number: str) -> str:
    ends = {"1": "st", "2": "nd", "3": "rd"}
    teen = number[-2:] in ("11", "12", "13")
    return number + ("th" if teen or "." in number else ends.get(number[-1], "th"))


def _escaped(text: str) -> str:
    flat = " ".join(text.split())
    return "".join("\\" + letter if letter in "\\`*_<>[]#|" else letter for letter in flat)
