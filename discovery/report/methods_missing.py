"""What the methods section says of missing values that were imputed."""

from __future__ import annotations

from discovery.report.format import listed
from discovery.report.settings import RunSettings

INFINITE = " (infinite where the copies agree, since the test without gaps is of the normal distribution)"


def imputed_text(s: RunSettings) -> str:
    """Sentences on an analysis with `s.imputations` completed copies."""
    kinds = {o.kind for o in s.outcomes}
    how = []
    if "survival" in kinds:
        how.append(
            "for survival the indicator of each event and its cumulative hazard over the time watched, by "
            "the base model's Cox regression (Nelson-Aalen below ten events or without covariates)"
        )
    if kinds & {"count", "recurrent"}:
        what = [word for kind, word in (("count", "counts"), ("recurrent", "episodes")) if kind in kinds]
        how.append(f"for {listed(what)} their number and the one that the base model expects")
    outcome = f"the outcome ({'; '.join(how)})" if how else "the outcome"
    text = (
        f"Missing feature values were imputed by chained equations ({s.imputations} imputations) from the "
        f"covariates of the base model{', the site' if s.site else ''}, {outcome} and up to six features "
        "that correlate most with the one imputed (0.2 or more), fewer where few patients have a value; each "
        "was taken from one of "
        "the five patients with the nearest prediction (predictive mean matching). Values known only to lie "
        "beyond a limit of the device were drawn from the normal distribution beyond that limit, and so "
        "were the other gaps of such a feature, without a limit. Every model was fitted in each "
        "completed copy, and estimates were pooled by Rubin's rules, with the degrees of freedom of Barnard "
        f"and Rubin{INFINITE if kinds - {'continuous'} else ''}. "
        + ("The number of imputations is that of the outcome with most gaps. " if len(s.outcomes) > 1 else "")
    )
    if any(o.kind == "multiclass" for o in s.outcomes):
        text += (
            "The test over all classes was pooled by the multivariate Wald statistic (Li, Raghunathan and "
            "Rubin 1991), each copy's covariance scaled to its likelihood ratio. "
        )
    if "recurrent" in kinds:
        text += (
            "For episodes p-values were pooled with the variance of the score test, which is that without an "
            "effect. Intervals of imputed features are of the variance between 100 bootstrap draws with two "
            "imputations in each (von Hippel and Bartlett, Stat Sci 2021;36:400–420), because Rubin's is too "
            "large for episodes; where such an interval and its p-value disagree about 0, the row says so, "
            "and p, the more cautious of the two, decides. The standard error of an imputed feature, in "
            "markers.csv and imputation.csv alike, is that of its interval, with the degrees of freedom in "
            "imputation.csv; that of a feature without gaps is its estimate divided by the score test's "
            "deviate. Tipping points go by p; their intervals keep the "
            "width found without a shift. Intervals of covariates are pooled with the variance robust by "
            "patient, freed of what each fit follows (Mancl and DeRouen, Biometrics 2001;57:126–134). "
        )
    if s.replicates:
        text += (
            "Within the bootstrap, each draw was resampled first and its missing values imputed afterwards, "
            "once. "
        )
    if s.imputed_covariates:
        again = ", and anew in every draw of the bootstrap" if s.replicates else ""
        text += (
            f"Missing covariates were imputed in the same chain ({listed(list(s.imputed_covariates))}), a "
            "category as a whole from a donor and a number of ten values or more from the normal "
            "regression, so that estimates, ranks and gains are of all patients with "
            f"an outcome{again}; familywise p-values, curves, shapes, prediction, "
            "signatures and the checks of sites and of redundancy are of the patients with all "
            "covariates. "
        )
        last = (
            "Patients without an outcome, or without a covariate that more than 40 % lack, were left out and "
            "counted: such a covariate was not imputed."
        )
    else:
        last = "Patients without an outcome or a covariate were left out and counted."
    return text + (
        "Features missing in more than 40 % of patients were neither imputed nor ranked"
        f"{', nor was anything at a site that never measured it' if s.site else ''}. "
        "The analysis of "
        "the patients with a value stands beside the pooled one in associations.csv (model “complete "
        "cases”); familywise p-values, curves, and the checks of sites and of redundancy are of those "
        "patients. By how much the missing values would have to lie lower or higher than imputed, up to "
        f"1 SD, for an association with p at most 0.05 to go is in tipping_points.csv. {last}"
    )
