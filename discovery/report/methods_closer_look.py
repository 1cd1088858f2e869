"""Methods text of the closer look at leading features, of eligibility, and of masked counts."""

from __future__ import annotations

from discovery.report.format import listed, plural, whole
from discovery.report.settings import RunSettings


def eligibility_paragraphs(s: RunSettings) -> list[str]:
    """The rules as stated, in their order; nothing without one."""
    if not s.eligibility:
        return []
    return [
        "Patients were eligible if the study file's rules held, asked in this order before anything was "
        f"learned from the data: {'; '.join(s.eligibility)}. A patient without a value was not eligible. The "
        "flow of patients (attrition.csv) counts each patient once."
    ]


def landmark_paragraphs(s: RunSettings) -> list[str]:
    texts = []
    for outcome in s.outcomes:
        if outcome.landmark is not None:
            texts.append(
                f"{outcome.label}: the features were measured over a window that ended at "
                f"{outcome.landmark:g}. All analyses start there, in patients still followed "
                "without an event, with time counted from there; who left before stands in the flow of "
                "patients. "
                "The effects from time 0 stand beside, for contrast (survival.csv): they mix an effect of "
                "the window with having lived through it (Anderson, Cain and Gelber 1983)."
            )
    return texts


def closer_look_paragraphs(s: RunSettings) -> list[str]:
    """What was done for the leading features beyond the screen."""
    done = set(s.analyses)
    texts = []
    if "shapes" in done:
        texts.append(
            f"For the leading features of each outcome (the best of each of the first {whole(s.leading)} "
            "families) the effect was also fitted as a restricted cubic spline (knots at the 5th, 35th, 65th "
            "and 95th percentiles, or at the 10th, 50th and 90th with fewer than 60 events). The bend beyond "
            "the line was tested by likelihood ratio, with Benjamini–Hochberg over these features; line and "
            "spline were combined by the Cauchy combination (shapes.csv)."
        )
    if "effect modification" in done:
        texts.append(
            "Whether a leading feature's effect differs by etiology, sex or site was tested by one "
            "interaction test over all groups of each, likelihood ratio (F for a continuous outcome, a "
            "penalised Wald test with few events), with Benjamini–Hochberg over all tests of an outcome. "
            f"{_other_interactions(s)}Groups with fewer than 5 events were left out. Effects by group "
            "are given with those drawn to the common effect (effect_modification.csv)."
        )
    if "site meta-analysis" in done:
        texts.append(
            "Effects at the sites, from one model with a slope for each site and the base model shared, were "
            "pooled with random effects (between-site variance by Paule and Mandel 1982; Hartung–Knapp "
            "interval with its factor at least 1, Röver, Knapp and Friede 2015) where three sites or more "
            "had 5 events each, with the interval in which the effect at a new site is expected."
        )
    if "restricted mean" in done:
        texts.append(_mean_times(s))
    if "groups compared" in done:
        text = (
            "The course of etiologies, sexes and sites (each with 5 patients or more) was compared by the "
            "log-rank test, not adjusted for covariates"
        )
        text += ", within sites but for the sites themselves" if s.site else ""
        text += (
            ", with Benjamini–Hochberg over these groupings of an outcome; beside it the weighted tests "
            "of Gehan, Tarone and Ware, Peto, and Fleming and Harrington (0, 1) say whether a difference is "
            "early or late (survival.csv)."
        )
        if any(o.competing for o in s.outcomes):
            text += " Cumulative incidences were compared by Gray's test"
            if any(o.competing and o.delayed_entry for o in s.outcomes):
                text += (
                    "; with delayed entry by its risk sets weighted as Geskus (2011) does, in each group by "
                    "itself, while every group was under observation"
                )
            text += "."
        texts.append(text)
    if "prediction" in done:
        competing = any(o.competing for o in s.outcomes)
        text = (
            "Prediction was judged on patients left out of the fit (10 folds, mean of 5 divisions) for the "
            "base model and the base model with the first leading feature, without site, which a new "
            "patient's hospital need not share. Given are Harrell's C and Uno's C to the horizon (the latest "
            "round time with 20 patients and 15 % of all still followed, unless the study states one), "
            "cumulative/dynamic AUC and Brier score over time weighted for censoring, the integrated Brier "
            "score, and calibration at the horizon: observed over expected risk, slope, and observed risk in "
            "groups of predicted risk. The 95 % intervals of C, AUC and Brier score are of patients drawn "
            "anew and judged by the same predictions, from each patient's influence with the weights for "
            "censoring estimated (infinitesimal jackknife, logit scale)."
        )
        if competing:
            text += (
                " With competing events the risk is the cumulative incidence from the cause-specific models, "
                "a patient with a competing event stays free of the event, and observed risks are those "
                "of Aalen and Johansen."
            )
        if any(o.delayed_entry for o in s.outcomes):
            text += " With delayed entry C and calibration alone are given."
        texts.append(text)
    return texts


def _mean_times(s: RunSettings) -> str:
    """How mean times without and lost to events were estimated, as far as the run has them."""
    timed = [o for o in s.outcomes if o.kind == "survival"]
    text = (
        "The restricted mean time without the event (area under Kaplan–Meier) was estimated in the lowest "
        "and highest third of a leading feature (in its two groups, where it has too few values for thirds), "
        "with their difference, to the horizon of prediction, or to the earlier end of the follow-up of a "
        "third, not adjusted. The interval of a third is normal for the logit of its mean's share of the "
        "whole time, and so keeps to it; that of the difference is normal, and a little short in small "
        "groups (simulated: with 20 to 40 patients in each, 91 to 94 % held the truth)."
    )
    if any(o.competing for o in timed):
        text += (
            " Where events compete, given are the time without any of them and the time lost to each, the "
            "area under its Aalen–Johansen curve (Andersen 2013), with the infinitesimal jackknife of the "
            "patients as standard error."
        )
    if any(o.delayed_entry for o in timed):
        text += (
            " With delayed entry risk sets hold the patients under observation, and the areas begin where "
            "the curves by third do, for those free of any event then."
        )
    return text


def masking_paragraphs(s: RunSettings) -> list[str]:
    if not s.suppress_below:
        return []
    few = f"1 to {s.suppress_below - 1}"
    return [
        f"Counts of {few} are masked in all tables, figures and texts, with those that would tell them by "
        "subtraction, and so are tests of masked counts. Means, SDs and quartiles of fewer than "
        f"{s.suppress_below} values, or of values that are the same but for {few}, are left out; all others "
        "are rounded to three digits of the SD, coarser where they would tell a masked number of patients or "
        f"a mean that is left out. Curves are drawn in steps of {plural(s.suppress_below, 'event')} or more, "
        "with three digits. "
        "Where few patients lack a covariate or a feature, counts of those who lack nothing are left out, "
        f"and those in figures are rounded down to a multiple of {s.suppress_below}. "
        "Measures of prediction and gains have two digits, or three where there are many pairs of patients, "
        "as in full they would tell how many; net benefits are those of a share of events of two digits. "
        "Of tests by t (continuous outcomes, etiologies) effects have two digits of half their interval and "
        "p-values and q-values two, rounded upwards: in full they would tell the degrees of freedom. "
        "In the frozen findings the mean of a feature of two values is that of a rounded number of patients "
        f"with each, {s.suppress_below} or more; where fewer have one of them so is the SD, and effects in a "
        "second cohort are for a larger SD than here. "
        "Estimates come from all patients."
    ]


def dated_paragraphs(s: RunSettings) -> list[str]:
    if not s.measured_at:
        return []
    names = listed([o.label for o in s.outcomes], limit=8)
    return [
        f"The time of measurement (column {s.measured_at}) was compared with the time of each outcome "
        f"({names}): patients measured at or after an outcome were left out of it."
    ]


def _other_interactions(s: RunSettings) -> str:
    """How an interaction is tested for the kinds of outcome that take another test."""
    kinds = {outcome.kind for outcome in s.outcomes}
    text = ""
    if "multiclass" in kinds:
        text += (
            "For classes without an order it is the likelihood-ratio test over all classes, with a slope of "
            "the feature for each class but the first in each group but one, and no effects by group are "
            "given. "
        )
    if "recurrent" in kinds:
        text += "For recurrent episodes it is Wald's test with errors robust by patient. "
    return text
