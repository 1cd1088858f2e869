"""The methods section, written from the settings as run: a draft that is right, for the authors to edit."""

from __future__ import annotations

from dataclasses import dataclass

from discovery.report.format import counted_one, listed, plural, whole
from discovery.report.methods_closer_look import (
    closer_look_paragraphs,
    dated_paragraphs,
    eligibility_paragraphs,
    landmark_paragraphs,
    masking_paragraphs,
)
from discovery.report.methods_missing import imputed_text
from discovery.report.methods_models import (
    etiology_paragraphs,
    hazards_paragraphs,
    identification_paragraphs,
    model_paragraphs,
    multiplicity_paragraphs,
    multiplicity_used,
    sensitivity_paragraphs,
    shape_paragraph,
    signature_paragraphs,
)
from discovery.report.methods_phenotypes import phenotype_paragraphs
from discovery.report.methods_ranking import (
    ranking_paragraphs,
    reach_paragraph,
    site_paragraphs,
    verdict_paragraphs,
)
from discovery.report.settings import OutcomeRun, RunSettings

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
    "fine-gray": "Fine JP, Gray RJ. J Am Stat Assoc 1999;94:496–509.",
    "fine-gray interval": "Mancl LA, DeRouen TA. Biometrics 2001;57:126–134.",
    "fine-gray df": "Pan W, Wall MM. Stat Med 2002;21:1429–1441.",
    "fine-gray entry": "Geskus RB. Biometrics 2011;67:39–49.",
    "landmark": "Anderson JR, Cain KC, Gelber RD. J Clin Oncol 1983;1:710–719.",
    "uno": "Uno H, et al. Stat Med 2011;30:1105–1117.",
    "auc": "Blanche P, Dartigues JF, Jacqmin-Gadda H. Stat Med 2013;32:5381–5397.",
    "brier": "Graf E, et al. Stat Med 1999;18:2529–2545.",
    "mean time": "Royston P, Parmar MK. Stat Med 2011;30:2409–2421.",
    "time lost": "Andersen PK. Stat Med 2013;32:5278–5285.",
    "tau": "Paule RC, Mandel J. J Res Natl Bur Stand 1982;87:377–385.",
    "knapp": "Röver C, Knapp G, Friede T. BMC Med Res Methodol 2015;15:99.",
    "hazards": "Grambsch PM, Therneau TM. Biometrika 1994;81:515–526.",
    "permutation": "Freedman D, Lane D. J Bus Econ Stat 1983;1:292–298.",
    "wolbers": "Wolbers M, et al. Epidemiology 2009;20:555–561.",
    "interval": "Noma H, et al. Stat Med 2021;40:5691–5701.",
    "confirmed order": "Mogstad M, Romano JP, Shaikh AM, Wilhelm D. Rev Econ Stud 2024;91:476–518.",
    "stability": "Shah RD, Samworth RJ. J R Stat Soc B 2013;75:55–80.",
    "shrinkage": "Stephens M. Biostatistics 2017;18:275–294.",
    "schoenfeld": "Schoenfeld DA. Biometrics 1983;39:499–503.",
    "hsieh": "Hsieh FY, Bloch DA, Larsen MD. Stat Med 1998;17:1623–1634.",
    "etiologies": "Benjamini Y, Bogomolov M. J R Stat Soc B 2014;76:297–318.",
    "delong": "DeLong ER, DeLong DM, Clarke-Pearson DL. Biometrics 1988;44:837–845.",
    "morris": "Morris CN. J Am Stat Assoc 1983;78:47–55.",
    "hand-till": "Hand DJ, Till RJ. Mach Learn 2001;45:171–186.",
    "dip": "Hartigan JA, Hartigan PM. Ann Stat 1985;13:70–84.",
    "hennig": "Hennig C. Comput Stat Data Anal 2007;52:258–271.",
    "horn": "Horn JL. Psychometrika 1965;30:179–185.",
    "kaiser": "Kaiser HF. Psychometrika 1958;23:187–200.",
    "efron": "Efron B. J Am Stat Assoc 1983;78:316–331.",
    "net-benefit": "Vickers AJ, Elkin EB. Med Decis Making 2006;26:565–574.",
    "e-value": "VanderWeele TJ, Ding P. Ann Intern Med 2017;167:268–274.",
    "imputation": "White IR, Royston P. Stat Med 2009;28:1982–1998.",
    "matching": "Van Buuren S. Flexible Imputation of Missing Data, 2nd ed. Chapman & Hall/CRC 2018.",
    "pooling": "Barnard J, Rubin DB. Biometrika 1999;86:948–955.",
    "tipping": "Ratitch B, O'Kelly M, Tosiello R. Pharm Stat 2013;12:337–347.",
}


@dataclass(frozen=True)
class Part:
    """A heading and its paragraphs."""

    heading: str
    paragraphs: tuple[str, ...]


def methods_parts(settings: RunSettings) -> list[Part]:
    """The methods section as headings with paragraphs of plain text."""
    parts = [
        Part(
            "Patients, features and outcomes",
            (
                _data(settings),
                *eligibility_paragraphs(settings),
                *_outcomes(settings),
                *landmark_paragraphs(settings),
                *dated_paragraphs(settings),
            ),
        ),
        Part("Preparation of the features", (_preparation(settings), _missing(settings))),
        Part("Association", (*model_paragraphs(settings), shape_paragraph(settings))),
        Part("Hazards over time", tuple(hazards_paragraphs(settings))),
        Part("Multiplicity", tuple(multiplicity_paragraphs(settings))),
        Part("Ranking", tuple(ranking_paragraphs(settings))),
        Part("Sites", tuple(site_paragraphs(settings))),
        Part("Telling the etiologies apart", tuple(identification_paragraphs(settings))),
        Part("Phenotypes", tuple(phenotype_paragraphs(settings))),
        Part("Signature", tuple(signature_paragraphs(settings))),
        Part("Sensitivity analyses", tuple(sensitivity_paragraphs(settings))),
        Part("What could have been seen", (reach_paragraph(settings),)),
        Part("Verdicts", tuple(verdict_paragraphs(settings))),
        Part("Etiologies", tuple(etiology_paragraphs(settings))),
        Part("A closer look at the leading features", tuple(closer_look_paragraphs(settings))),
        Part("Masked counts", tuple(masking_paragraphs(settings))),
        Part("Software", (_software(settings),)),
    ]
    parts = [part for part in parts if part.paragraphs]
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
            one = counted_one(o.kind).replace("case", "positive case")
            text += f", {plural(o.events, one)}"
        for name, count in o.competing.items():
            event = f"a {name}" if name.startswith("competing event") else f"the competing event {name}"
            text += f", {whole(count)} with {event}"
        if o.followed:
            text += f"; {o.followed} by the reverse Kaplan–Meier method"
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
        text = imputed_text(s)
    else:
        text = (
            "Each feature was analysed in the patients with that feature, the outcome and all covariates; "
            "base and extended models always used the same patients, and the number left out is given for "
            "each feature."
        )
    if "missing tests" in s.analyses:
        groups = ["site"] if s.site else []
        groups += ["etiology"] if s.etiology else []
        text += (
            " Whether a variable is missing more often in some patients was tested by likelihood ratio "
            f"against {listed([*groups, 'each outcome'])} (numbers for trend; missing.csv; not adjusted for "
            "the number of tests)."
        )
        if "joint etiologies" in s.analyses:
            text += (
                " A patient with several etiologies counts in each of them; the test has an indicator of "
                "each in one logistic model."
            )
    return text


def _software(s: RunSettings) -> str:
    listed_versions = [f"{name} {version}" for name, version in sorted(s.versions.items())]
    text = (
        f"All randomness came from the seed {s.seed}; the same inputs, settings and versions give the "
        f"same files byte for byte."
    )
    return (f"Software: {listed(listed_versions, limit=99)}. " if listed_versions else "") + text


def _references(s: RunSettings) -> list[str]:
    kinds, done = {o.kind for o in s.outcomes}, s.analyses
    etiologies = "etiologies" in done
    used = {
        multiplicity_used(s): True,
        "bh": "proportional hazards" in done or etiologies or multiplicity_used(s) == "bh",
        "firth": etiologies or any(o.firth or o.kind in ("binary", "survival") for o in s.outcomes),
        "fine-gray": "subdistribution" in done,
        "fine-gray interval": "subdistribution" in done,
        "fine-gray df": "subdistribution" in done,
        "fine-gray entry": "subdistribution" in done
        and any(o.competing and o.delayed_entry for o in s.outcomes),
        "landmark": "landmark" in done,
        "uno": "prediction" in done,
        "auc": "prediction" in done,
        "brier": "prediction" in done,
        "mean time": "restricted mean" in done,
        "time lost": "restricted mean" in done and any(o.competing for o in s.outcomes),
        "tau": "site meta-analysis" in done,
        "knapp": "site meta-analysis" in done,
        "hazards": "proportional hazards" in done,
        "permutation": bool(s.permutations) and "continuous" in kinds,
        "wolbers": bool(s.replicates) and any(o.competing for o in s.outcomes),
        "interval": bool(s.replicates),
        "confirmed order": "confirmed order" in done,
        "stability": "stability" in done,
        "shrinkage": "shrinkage" in done,
        "schoenfeld": True,
        "hsieh": True,
        "etiologies": etiologies,
        "delong": etiologies,
        "morris": etiologies,
        "hand-till": "identification" in done,
        "dip": "phenotypes" in done,
        "hennig": "phenotypes" in done,
        "horn": "phenotypes" in done,
        "kaiser": "phenotypes" in done and s.search.rotation == "varimax",
        "efron": "signature" in done,
        "net-benefit": "signature" in done,
        "e-value": "sensitivity" in done,
        "imputation": bool(s.imputations),
        "matching": bool(s.imputations),
        "pooling": bool(s.imputations),
        "tipping": bool(s.imputations),
    }
    return list(dict.fromkeys(text for key, text in REFERENCES.items() if used.get(key)))


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
