"""Methods text of the models: associations, events that compete, hazards over time, etiologies."""

from __future__ import annotations

from discovery.report.format import listed, whole
from discovery.report.methods_classes import KINDS_OF_CLASSES, class_test
from discovery.report.settings import OutcomeRun, RunSettings

REGRESSION = {
    "survival": "Cox proportional hazards regression with Efron's handling of tied times",
    "binary": "logistic regression",
    "continuous": "linear regression",
    "ordinal": "proportional odds regression",
    "multiclass": "multinomial logistic regression",
    "count": "negative binomial regression",
    "recurrent": "a proportional rate model for recurrent events (Andersen and Gill 1982)",
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
MULTIPLICITY = {
    "bh": "by the false discovery rate of Benjamini and Hochberg (1995) over {all}",
    "by": "by the false discovery rate of Benjamini and Yekutieli (2001), which holds under any dependence, "
    "over {all}",
    "storey": "by Storey's false discovery rate with the share of true null hypotheses estimated at λ = 0.5, "
    "over {all}",
    "selected-cells": "in two steps (Benjamini and Bogomolov 2014): each outcome was a family of hypotheses; "
    "families were selected by the Benjamini–Hochberg procedure on their Simes p-values, and features were "
    "then tested inside the selected families at the level multiplied by the share of families selected",
    "features-first": "in two steps: features were selected by the Benjamini–Hochberg procedure on their "
    "Simes p-values over the outcomes, and outcomes were then tested inside the selected features at the "
    "level multiplied by the share of features selected",
    "holm": "by Holm's procedure, which controls the familywise error, over {all}",
}
TWO_STEPS = ("selected-cells", "features-first")


DISTRIBUTION = (
    " It takes what the model leaves of the rate to be a gamma variable. Where strong causes that the model "
    "lacks make rates vary otherwise, it errs (simulated: 9 % of features without an effect had p below 0.05 "
    "beside five such causes). A test by all signs that the patients' scores could have (Hemerik, Goeman and "
    "Finos 2020) was made too: where its p is above 0.05 and the likelihood ratio's is not, the row says so."
)


def multiplicity_used(s: RunSettings) -> str:
    """The procedure that was in fact run: with one outcome the two-step ones are Benjamini-Hochberg."""
    return "bh" if s.multiplicity in TWO_STEPS and len(s.outcomes) == 1 else s.multiplicity


POOLED = (
    " Where values of the feature or of a covariate were imputed, interval and p-value are pooled over the "
    "imputations instead; the rows “complete cases” of associations.csv have those named here."
)


def model_paragraphs(s: RunSettings) -> list[str]:
    """A paragraph for each kind of model among the outcomes."""
    texts = []
    kinds: dict[tuple, list[OutcomeRun]] = {}
    for o in s.outcomes:
        kinds.setdefault((o.kind, o.model, o.firth, o.delayed_entry, bool(o.competing)), []).append(o)
    for (kind, model, firth, entry, competing), outcomes in kinds.items():
        names = listed([o.label for o in outcomes], limit=20)
        text = (
            f"{names}: each feature was entered by itself in {model_words(kind, model)}, "
            f"{adjusted_words(s, kind)}."
        )
        if competing:
            text += _competing(s, entry)
        if entry:
            text += " Patients entered the risk set at their time of entry (delayed entry)."
        text += " " + _test(kind, s.interval_kind, firth=firth)
        if s.imputations and kind != "recurrent":  # whose own words say it
            text += POOLED
        texts.append(text)
    return texts


def model_words(kind: str, model: str = "") -> str:
    """The regression of an outcome of this kind; `model` replaces it where the run says so."""
    return model or REGRESSION.get(kind, f"{kind} regression")


def model_sentence(s: RunSettings, o: OutcomeRun) -> str:
    """The model behind a figure, for its caption: `Logistic regression, each feature by itself, …`."""
    text = model_words(o.kind, o.model).removeprefix("a ")
    penalised = ", Firth's penalised likelihood" if o.firth else ""
    return f"{text[:1].upper()}{text[1:]}{penalised}, each feature by itself, {adjusted_words(s, o.kind)}."


def base_sentence(s: RunSettings, o: OutcomeRun) -> str:
    """What the base model of a figure is, for its caption; nothing where it is empty."""
    if not s.adjusted:
        return ""
    return f"Base model: {model_words(o.kind, o.model).removeprefix('a ')}, {adjusted_words(s, o.kind)}."


def adjusted_words(s: RunSettings, kind: str) -> str:
    """What a model of this kind is adjusted for, and how it takes the sites in."""
    if not s.adjusted:
        return "not adjusted (the base model was empty)"
    text = f"adjusted for {listed(list(s.covariates), limit=20)}" if s.covariates else "without covariates"
    if s.site and s.sites != 1:
        stratified = kind in ("survival", "recurrent")
        text += ", stratified by site" if stratified else ", with site as a fixed effect"
    return text


def _competing(s: RunSettings, entry: bool) -> str:
    text = (
        " Competing events were handled by the cause-specific hazard: a patient left the risk set when a "
        "competing event occurred; cumulative incidence was estimated by the Aalen–Johansen method. The same "
        "models were fitted with each competing event as the event."
    )
    if "subdistribution" in s.analyses:
        text += (
            f" For the leading features (the best of each of the first {whole(s.leading)} families) the "
            "subdistribution hazard ratio of Fine and Gray (1999) stands beside the cause-specific ones, "
            "as a description: no rank, p-value or verdict rests on it. Its interval and p-value are by t, "
            "from patients' contributions freed of their own pull (Mancl and DeRouen 2001; degrees of "
            "freedom: Pan and Wall 2002), since the sandwich standard error beside them is too small in a "
            "few hundred patients (simulated, 100 to 400 patients with 30 to 135 events: 94.5 to 96.7 % of "
            "the intervals held the truth). Neither is given where fewer than 5 patients, whose values stand "
            "apart from all others, would decide it."
        )
        if entry:
            text += (
                " In that model a patient who had a competing event stays in the risk set, weighted for "
                "censoring and delayed entry (Geskus 2011); the standard error includes that the weights are "
                "estimated. Entry is taken to depend neither on the covariates nor on the event."
            )
    return text


def _test(kind: str, interval_kind: str, *, firth: bool) -> str:
    effect = EFFECT.get(kind, "effect")
    if kind == "continuous":
        return (
            f"The {effect} (outcome SD per 1 SD of the feature) is given with its exact t interval; the "
            f"two-sided p-value is "
            "that of the t test of the coefficient."
        )
    if kind == "recurrent":
        return (
            f"The two-sided p-value of the {effect} per 1 SD is that of the score test of patients' sums "
            "(Lin, Wei, Yang and Ying 2000), since the episodes of a patient are not independent. Each sum "
            "was freed, by its hat value, of what the base model follows of that patient (Mancl and DeRouen "
            "2001), and the score was judged by all signs that the sums could have (Hemerik, Goeman and "
            "Finos 2020), by the saddlepoint; where nothing was imputed, the 95 % interval has every value "
            "that this test would not reject. A "
            "terminal event ends the observation, so that the rate is that among patients still observed. "
            "As a check that does not treat death as censoring, the mean number of episodes over time was "
            "estimated by thirds of the leading features (Ghosh and Lin 2000) where all patients were "
            "watched from the start; where the study names a "
            "terminal event, each feature's hazard of it stands beside its rate ratio."
        )
    if firth:
        return (
            f"Because events were few for the number of coefficients, or classes were separated, Firth's "
            f"penalised "
            f"likelihood was used: the {effect} per 1 SD is given with its 95 % profile interval of the "
            f"penalised likelihood, "
            "and the two-sided p-value is that of the penalised likelihood-ratio test."
        )
    if kind in KINDS_OF_CLASSES:
        return class_test(kind, interval_kind)
    rule = DISTRIBUTION if kind == "count" else ""
    if kind in ("binary", "survival"):
        few = "20 patients in the rarer class" if kind == "binary" else "5 events"
        rule = (
            f" A feature whose patients had fewer than {few} for each coefficient, or whose likelihood had "
            "no maximum (separation, monotone likelihood), was fitted with Firth's penalised likelihood; its "
            "row says so."
        )
    return (
        f"The {effect} per 1 SD is given with its 95 % {interval_kind} interval; the two-sided p-value is "
        f"that of the "
        f"likelihood-ratio test of the coefficient.{rule}"
    )


def shape_paragraph(s: RunSettings) -> str:
    if s.shape != "flexible":
        return "Effects were taken as linear in the (transformed) feature."
    return (
        "Each feature was tested as a linear term and as a restricted cubic spline (4 knots at the 5th, "
        "35th, 65th and 95th percentiles; 3 knots at the 10th, 50th and 90th with fewer than 60 events); "
        "the two p-values were combined by the Cauchy combination. The effect printed is the linear one. "
        "Percentiles that are one value count as one knot. The columns that bend were added one by one and "
        "their statistics summed, each with Firth's penalty where the rule for few events asks for it (for "
        "episodes, Wald's tests robust by patient)."
    )


def hazards_paragraphs(s: RunSettings) -> list[str]:
    """Whether hazard ratios hold over time; nothing where it was not tested."""
    if "proportional hazards" not in s.analyses:
        return []
    text = (
        "Proportional hazards were tested for every feature in its adjusted model by the score test for a "
        "trend of its effect with ranked time (Grambsch and Therneau 1994), with the Benjamini–Hochberg "
        f"adjustment over the features of an outcome; q at most {s.fdr:g} flags a feature as “hazards not "
        "proportional”."
    )
    if "by period" in s.analyses:
        text += (
            " For leading features so flagged the effect is given by period: the hazard ratio up to and "
            "after the median event time and their change"
        )
        text += ", beside restricted mean times by third." if "restricted mean" in s.analyses else "."
    return [text]


def etiology_paragraphs(s: RunSettings) -> list[str]:
    """The profiles of etiologies; nothing where there were none."""
    if "etiologies" not in s.analyses:
        return []
    others = [f"for {listed(list(s.covariates), limit=20)}"] if s.covariates else []
    others += ["for site as a fixed effect"] if s.site and s.sites != 1 else []
    adjusted = f"adjusted {' and '.join(others)}" if others else "not adjusted"
    if "joint etiologies" in s.analyses:
        what = (
            "patients carry several labels, so that all labels were in one model and the estimate compares "
            "patients with and without a label, given the other labels. Every patient here has a label, so "
            "that with and without are told apart by the patients alone who have another number of labels "
            "than most; where these were fewer than 30, the row says so and is to be read with caution, "
            "while the pairs of etiologies do not rest on them"
        )
    else:
        what = "the estimate is the deviation of an etiology from the equal-weight mean of all etiologies"
    return [
        f"Each feature was compared between etiologies by least squares ({adjusted}), in SDs of the "
        "feature, or, for a feature of two values, by logistic regression with Firth's penalty, as a log "
        f"odds: {what}. An etiology with fewer than 3 patients was listed and not estimated.",
        "An omnibus test (F, or Wald for a feature of two values) asks whether any etiology differs. "
        "q-values are selected: features were picked by the Benjamini–Hochberg procedure on the omnibus "
        "p-values, and etiologies were then tested inside a picked feature at the level multiplied by the "
        "share picked (Benjamini and Bogomolov 2014). The area under the curve of an etiology against the "
        "others is that of the feature's residual, covariates and site taken out, with its DeLong "
        "interval. Deviations were shrunk towards 0 by normal empirical Bayes over the features of an "
        "etiology (Morris 1983) where 5 or more could be estimated.",
        "Every two etiologies were then compared in every feature, from the same model. Inside a feature, "
        "p-values were adjusted by Holm's procedure; a pair's q is the smallest level at which its feature "
        "is picked by the omnibus test and the pair holds at the level multiplied by the share picked, which "
        "controls the mean share of picked features with any false pair (Benjamini and Bogomolov 2014).",
    ]


def identification_paragraphs(s: RunSettings) -> list[str]:
    """The model that tells the etiologies apart; nothing where there was none."""
    if "identification" not in s.analyses:
        return []
    sites = ", and once more with each site left out" if s.sites > 1 else ""
    return [
        "Whether the features tell the etiologies apart was judged by multinomial regression with a ridge "
        "penalty among patients with one etiology (10 or more of each), families of correlated features with "
        "the weight of one, beside a model of the covariates and site alone. Missing values were filled by "
        "their expectation given covariates and site, and the penalty was tuned, inside every fold of 2 "
        f"times 5-fold cross-validation{sites}. The AUC of each etiology has its DeLong interval; the "
        "pairwise AUC is that of Hand and Till (2001)."
    ]


def signature_paragraphs(s: RunSettings) -> list[str]:
    """The small model of several markers; nothing where there was none."""
    if "signature" not in s.analyses:
        return []
    return [
        "A signature of at most six markers was sought for each survival, binary or continuous outcome: the "
        "lead of each family, ordered by its evidence given the base model, in a regression with a ridge "
        "penalty on the markers. Number of markers and penalty were chosen by the predictive likelihood of "
        "5-fold cross-validation, the selection of leads repeated in every fold; none is a possible answer. "
        "Missing values of a marker were predicted from the base model. A suspected leak had no part in the "
        "search unless the study file names it in freeze.",
        "The whole search was repeated in bootstrap draws (patients drawn within sites); discrimination and "
        "its gain over the base model and over the best single marker are 0.368 of the apparent value and "
        "0.632 of that in patients not drawn (Efron 1983), with intervals from the shifted quantiles of the "
        "draws (Noma et al. 2021). The calibration slope is corrected alike, slopes in patients not drawn "
        "being averaged by their precision, with an interval as wide as that of the apparent slope. Net "
        "benefit (Vickers and Elkin 2006) uses risks predicted for patients left out, the search repeated in "
        "every fold of 4 times 5-fold cross-validation.",
    ]


NOT_IMPUTED = (
    "They impute nothing: each is of the patients with all values of its model. The main analysis that they "
    "are held against is that of the ranking, with missing values imputed where there were any; the same "
    "model in the complete cases stands beside it then, so that what an alternative changes can be told from "
    "what imputation does. "
)


def sensitivity_paragraphs(s: RunSettings) -> list[str]:
    """The board of alternatives; nothing where there was none."""
    if "sensitivity" not in s.analyses:
        return []
    ways = ["without adjustment in the patients of the adjusted model"] if s.adjusted else []
    more = [*(["etiology"] if s.etiology else []), *s.adjust_more]
    ways += [f"adjusted for {listed(more)} too"] if more else []
    ways += ["in reliable records alone"] if "reliability" in s.analyses else []
    ways += ["in complete cases", "with rank-normal values", "with other limits of winsorising"]
    ways += ["with each site left out"] if s.sites > 1 else []
    ways += ["with each etiology left out"] if s.etiology else []
    if any(o.kind == "survival" for o in s.outcomes):
        ways.append("from two landmarks on (a tenth and a quarter of the events)")
    if any(o.competing for o in s.outcomes):
        late = any(o.competing and o.delayed_entry for o in s.outcomes)
        sources = "Fine and Gray 1999" + ("; with delayed entry Geskus 2011" if late else "")
        ways.append(f"by the subdistribution hazard ratio ({sources})")
    return [
        f"The leading features were tested again under alternatives fixed in advance, where they applied: "
        f"{listed(ways, limit=20)}. {NOT_IMPUTED if s.imputations else ''}"
        "A finding holds under an alternative with the sign of the main analysis "
        "and p at most 0.05. E-values (VanderWeele and Ding 2017) say how strong an unmeasured confounder "
        "would have to be to explain a finding away."
    ]


def multiplicity_paragraphs(s: RunSettings) -> list[str]:
    used, alone = multiplicity_used(s), len(s.outcomes) == 1
    how = MULTIPLICITY.get(used, f"by the method {used}")
    how = how.replace("{all}", "all features" if alone else "all features and outcomes together")
    rate = "familywise error rate" if used == "holm" else "false discovery rate"
    single = ""
    if used != s.multiplicity:
        single = " With a single outcome the two-step procedure that was asked for is this one."
    texts = [
        f"Multiple comparisons were controlled {how} (level {s.fdr:g}; the q-value is the smallest level of "
        f"the {rate} at which a feature would be selected).{single}"
    ]
    return [*texts, _permutations(s)]


def _permutations(s: RunSettings) -> str:
    if not s.permutations:
        return "No permutation p-value was computed."
    kinds = {o.kind for o in s.outcomes}
    ways = []
    others = kinds & {"binary", "ordinal", "multiclass", "count"}  # whose risk the sites are part of
    if others or "survival" in kinds:
        sites = bool(s.site and s.sites != 1)
        within = " among patients of like predicted risk" if s.covariates or (sites and others) else ""
        if sites and "survival" in kinds:
            within = f"{within} (survival: of one site too)" if others else f" within sites{within}"
        freed = " adjusted for the base model" if s.adjusted else ""
        ways.append(f"the residuals of the base model were permuted{within} against the features{freed}")
    if "continuous" in kinds:
        ways.append(
            ("for continuous outcomes, " if ways else "")
            + "residuals were permuted by the method of Freedman and Lane (1983)"
        )
    if "recurrent" in kinds:
        ways.append(
            ("for recurrent events, " if ways else "")
            + "each patient's contribution to the robust scores got a random sign, the same for all "
            "features, in place of a permutation"
        )
    text = (
        "Beside it, a familywise p-value was computed from the maximum statistic over all features of an "
        f"outcome in {whole(s.permutations)} permutations: {'; '.join(ways)}. It is (1 + the number of "
        "permutations at least as extreme) / (permutations + 1)."
    )
    if "few events" in s.analyses:
        text += (
            " Where a feature has fewer than 30 events (patients in the rarer class), this is the primary "
            "p-value, since tests that lean on large samples reject too often there."
        )
    return text
