"""A run fit to be shared: small counts masked in every table and text, before anything is drawn."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from discovery.association.design import design_of
from discovery.cohort.baseline import group_members
from discovery.cohort.baseline_suppression import suppress_baseline
from discovery.cohort.masked_counts import (
    COUNTS,
    SHARES,
    blank,
    hidden_in_baseline,
    mask_flow,
    mask_missing,
    mask_rows,
    mask_sites,
    small,
)
from discovery.cohort.masked_digits import step_of_digits, to_step
from discovery.cohort.masked_means import mask_statistics, tells_a_few
from discovery.markers.frozen import FrozenFeature, FrozenFindings, FrozenModel, FrozenOutcome, FrozenTerm
from discovery.pipeline.describe import (
    baseline_data,
    etiology_name,
    event_indicator,
    outcome_as_level,
    several_etiologies,
    site_name,
)
from discovery.pipeline.episodes_wing import whose_episodes
from discovery.pipeline.masked_gaps import Gaps, find_gaps
from discovery.pipeline.masked_measures import rounded_measures, to_spread
from discovery.pipeline.masked_tests import coarse_t_tests
from discovery.pipeline.phenotype_masking import KNOWN as PHENOTYPES_MASKED
from discovery.pipeline.phenotype_masking import masked_phenotypes
from discovery.pipeline.survival_wing import HAZARD
from discovery.problems import Problem
from discovery.report.format import Rounded
from discovery.report.settings import OutcomeRun, RunSettings
from discovery.study import Study
from discovery.survival.coarse_curves import coarse_at_risk, coarse_curves, coarse_roc
from discovery.terms import MEAN_EPISODES

BY_ROW = ("markers", "associations", "proportional_hazards", "shapes", "prediction", "follow_up")
WITHOUT_COUNTS = ("families", "correlations", "untested", "excluded_features", "phenotypes")
PEOPLE = "patients?|rows?|events?|cases?|subjects?|persons?|people|times?|missing|of them"
COUNTED = re.compile(rf"(?<!fewer than )\b(\d+)(?= (?:{PEOPLE}|of \d+)\b)")  # a limit is no count
IMPUTED = re.compile(r"\bimputed in \d+ patients?\b")
IMPUTED_IN_SOME = "imputed in some patients"
IN_STEPS = {
    "at_risk": "n_at_risk", "at_risk_all": "n_at_risk", "calibration": "n", "residuals": "n",
    "shape_curves": "n", "phenotype_at_risk": "n_at_risk",
}  # fmt: skip
OF_THE_MODEL = re.compile(rf"(?<=: )(\d+)(?= (?:{PEOPLE})\b)")  # "few events: 38 patients for 5 coefficients"
OF_A_TOTAL = re.compile(r" of (\d+)\b")
PATIENTS = re.compile(r" (?:patients?|rows?|subjects?|persons?|people)\b")
PERCENT_MISSING = re.compile(r"\b(\d+(?:\.\d+)?) % missing\b")
SINGLE = re.compile(r"\b1 (patient|row|event|case|subject|person|time)\b")
ALONE = re.compile(r"\b(?:a single|one) patient(?: alone)?( has)?\b")
RUG_OF = 5  # patients behind a tick of a rug


def masked(
    tables: Mapping[str, pd.DataFrame],
    settings: RunSettings,
    study: Study,
    members: pd.DataFrame | None = None,
) -> tuple[dict[str, pd.DataFrame], RunSettings]:
    """`tables` and `settings` with counts below the study's `suppress_below` masked; as they are without it.

    `members` : who is in which group of the search for groups (patient_id, phenotype), where it was made.
    A table that is not known here loses all its counts: nothing new leaves the house by accident.
    """
    limit = study.settings.analysis.suppress_below
    if not limit:
        return dict(tables), settings
    n_study = len(study.patients)
    totals = study_totals(study)
    gaps = find_gaps(study, [o.name for o in settings.outcomes], limit)
    n, events = totals_of_outcomes(settings, n_study, totals)
    everybody = known_numbers(settings, n_study)
    out = dict(tables)
    for name in (*BY_ROW, "sensitivity", "survival"):
        if name in out:
            out[name] = without_gaps(out[name], gaps)
    out["baseline"] = masked_baseline(tables["baseline"], study, limit)
    hidden, cells = hidden_by_baseline(study, out["baseline"])
    several = {etiology_name(study)} if several_etiologies(study) else set()
    out["missing"] = mask_missing(tables["missing"], limit, hidden, cells, overlapping=several)
    shown = {
        o.name: not (small(n_study - o.n, limit) or gaps.told_by(o.name, o.n)) for o in settings.outcomes
    }
    flow = mask_flow(tables["attrition"], limit, shown)
    told = [o.name for o in settings.outcomes if gaps.told_by(o.name, o.n)]
    out["attrition"] = blank(flow, flow["outcome"].isin(told).to_numpy())
    if "sites" in tables:
        sites = hidden.get(site_name(study), set())
        out["sites"] = mask_sites(tables["sites"], limit, sites, totals, n_study)
        out["site_shift"] = masked_shift(tables["site_shift"], out["missing"], study, limit)
    for name in BY_ROW:
        if name in out:
            out[name] = mask_rows(out[name], limit, n=n, events=events)
    if "sensitivity" in out and len(out["sensitivity"]):
        counts = {o.name: o.n for o in settings.outcomes}
        whole = out["sensitivity"]["n"] == out["sensitivity"]["outcome"].map(counts)
        partly = blank(out["sensitivity"].copy(), ~whole.fillna(False).to_numpy(dtype=bool))
        out["sensitivity"] = mask_rows(partly, limit, n=n, events=events)
    out |= masked_survival(out, study, limit, n, events)
    out |= masked_phenotypes(
        out, limit, etiology_sizes(study, out["baseline"]), features=study.features, members=members
    )
    if "roc" in out and len(out["roc"]):
        sizes = {o.name: (o.events or 0, o.n - (o.events or 0)) for o in settings.outcomes}
        parts = [
            coarse_roc(block, limit, *sizes[str(outcome)])
            for (outcome, _), block in out["roc"].groupby(["outcome", "feature"], sort=False)
        ]
        out["roc"] = pd.concat(parts, ignore_index=True)
    if "residuals" in out and len(out["residuals"]):
        bins = out["residuals"]
        out["residuals"] = bins[(bins["part"] != "bin") | (bins["n"] >= limit)].reset_index(drop=True)
    if "shape_curves" in out and len(out["shape_curves"]) and limit > RUG_OF:
        out["shape_curves"] = out["shape_curves"][out["shape_curves"]["part"] != "rug"]
    known = {
        *BY_ROW, *WITHOUT_COUNTS, "baseline", "missing", "attrition", "sites", "site_shift", "sensitivity",
        "survival", "curves", "at_risk", "at_risk_all", "calibration", "roc", "residuals", "shape_curves",
        *PHENOTYPES_MASKED,
    }  # fmt: skip
    for name, table in out.items():
        if name not in known and set(table.columns) & {*COUNTS, *SHARES}:
            out[name] = blank(table.copy(), np.ones(len(table), dtype=bool))
    for name, column in IN_STEPS.items():
        if len(out.get(name, ())):
            out[name] = rounded_down(out[name], column, gaps, limit)
    for name in out:
        for column in ("note", "reason", "reasons", "sentence", "verdict_rule"):
            if column in out[name]:
                # of the patients of the model: beside those of the study they may tell a few
                texts = out[name][column].map(
                    lambda text: said(IMPUTED.sub(IMPUTED_IN_SOME, str(text)), limit, everybody),
                    na_action="ignore",
                )
                out[name] = out[name].assign(**{column: texts})
    shown_settings = masked_settings(settings, limit, n_study, totals, gaps)
    for name in out:
        if {"outcome", "note"} <= set(out[name].columns):
            out[name] = rounded_notes(out[name], tables.get(name), shown_settings, limit)
    return coarse_t_tests(rounded_measures(out, settings), settings), shown_settings


def rounded_notes(
    table: pd.DataFrame, before: pd.DataFrame | None, shown: RunSettings, limit: int
) -> pd.DataFrame:
    """`table` whose notes say about how many patients and events a model has, where no column says it.

    That is so in rows that lost a count of `before`, and of outcomes whose numbers are rounded in the texts:
    what limits a model would tell them.
    """
    whole = {o.name: int(o.n) for o in shown.outcomes}
    lost = table["outcome"].isin([o.name for o in shown.outcomes if is_rounded(o)]).to_numpy(dtype=bool)
    if before is not None and before.index.equals(table.index):
        for column in {"n", "events"} & set(table.columns):
            lost |= (table[column].isna() & before[column].notna()).to_numpy(dtype=bool)

    def about(text: object, outcome: str) -> object:
        if pd.isna(text):
            return text
        return OF_THE_MODEL.sub(
            lambda found: str(rounded_count(int(found[1]), limit, whole.get(outcome))), str(text)
        )

    notes = [
        about(text, str(outcome)) if gone else text
        for text, outcome, gone in zip(table["note"], table["outcome"], lost)
    ]
    return table.assign(note=notes)


def is_rounded(outcome: OutcomeRun) -> bool:
    return isinstance(outcome.n, Rounded) or isinstance(outcome.events, Rounded)


def rounded_count(count: int, limit: int, whole: int | None = None) -> int:
    """`count` to the nearest multiple of `limit`, not above the `whole` that it is of."""
    near = limit * round(count / limit)
    if whole is not None and count <= whole < near:  # patients may have several events
        near = limit * (whole // limit)
    return Rounded(near) if count else 0


def totals_of_outcomes(
    settings: RunSettings, n_study: int, totals: Mapping[str, tuple[int, int]]
) -> tuple[dict[str, tuple[float, ...]], dict[str, tuple[float, ...]]]:
    """Outcome -> numbers of patients, and of events, that are printed for all of it."""
    n, events = {}, {}
    for o in settings.outcomes:
        runs = [o] if o.complete is None else [o, o.complete]
        n[o.name] = (float(n_study), *(float(run.n) for run in runs))
        happened = [
            count for run in runs if run.events is not None for count in (run.events, *run.competing.values())
        ]
        if happened:
            events[o.name] = (*(float(count) for count in totals.get(o.name, ())[1:]), *map(float, happened))
    return n, events


def known_numbers(settings: RunSettings, n_study: int) -> tuple[int, ...]:
    """Numbers of patients that a reader knows: of the study, and of the analyses of each outcome."""
    runs = [run for o in settings.outcomes for run in (o, o.complete) if run is not None]
    return (n_study, *(run.n for run in runs))


def without_gaps(table: pd.DataFrame, gaps: Gaps) -> pd.DataFrame:
    """`table` without the counts that would tell how few lack a covariate or a feature."""
    hidden = gaps.hidden(table)
    table = blank(table.copy(), hidden)
    if "note" in table and hidden.any():
        notes = table.loc[hidden, "note"].map(lambda text: COUNTED.sub("some", str(text)), na_action="ignore")
        table.loc[hidden, "note"] = notes
    if "missing_share" in table:
        table.loc[gaps.of_few(table), "missing_share"] = np.nan
    return table


def rounded_down(table: pd.DataFrame, column: str, gaps: Gaps, limit: int) -> pd.DataFrame:
    """`table` with the numbers of patients in a figure as multiples of `limit` where they would tell gaps."""
    counts = table[column].astype(float)
    return table.assign(**{column: counts.mask(gaps.concerned(table), counts // limit * limit)})


def study_totals(study: Study) -> dict[str, tuple[int, int]]:
    """Outcome -> patients of the study with it known, and those with the event."""
    found = {}
    for outcome in study.outcomes:
        indicator = event_indicator(outcome)
        if indicator is not None:
            found[outcome.name] = (int(indicator.notna().sum()), int((indicator == 1).sum()))
    return found


def hidden_by_baseline(study: Study, baseline: pd.DataFrame) -> tuple[dict[str, set], dict[tuple, bool]]:
    """Grouping -> levels whose size the baseline masks; (variable, grouping, level) -> missing masked."""
    hidden: dict[str, set] = {}
    cells: dict[tuple, bool] = {}
    if study.site is not None:
        hidden[site_name(study)] = hidden_in_baseline(baseline, site_name(study))
    sizes = baseline.drop_duplicates("group")
    gone = set(sizes.loc[sizes["group_n"].isna(), "group"].astype(str))
    by, names = None, {}
    if study.etiology is not None:
        by = etiology_name(study)
        names = {name: name for name in sizes["group"].astype(str)}
    else:
        first = next((o for o in study.outcomes if outcome_as_level(study, o).nunique() > 1), None)
        if first is not None:
            by = first.name
            for name in sizes["group"].astype(str):
                names[name] = name.removeprefix(f"{first.label}: ")
    if by is not None:
        hidden[by] = {names[name] for name in gone if name in names}
        for row in baseline.drop_duplicates(["variable", "group"]).itertuples():
            level = "all" if row.group == "overall" else names.get(str(row.group), str(row.group))
            cells[row.variable, by, level] = bool(pd.isna(row.missing))
    for row in baseline[baseline["group"] == "overall"].drop_duplicates("variable").itertuples():
        if pd.isna(row.missing):
            for grouping in {*hidden, *(outcome.name for outcome in study.outcomes)}:
                cells[row.variable, grouping, "all"] = True
    return hidden, cells


def etiology_sizes(study: Study, baseline: pd.DataFrame) -> dict[str, int]:
    """Etiology -> how many patients have it, of those whose size the masked `baseline` says."""
    if study.etiology is None:
        return {}
    sizes = baseline.drop_duplicates("group").dropna(subset="group_n")
    return {str(group): int(n) for group, n in zip(sizes["group"], sizes["group_n"])}


def masked_baseline(baseline: pd.DataFrame, study: Study, limit: int) -> pd.DataFrame:
    levels = {outcome.name: outcome_as_level(study, outcome) for outcome in study.outcomes}
    data, group, separator = baseline_data(study, levels)
    members = group_members(group, separator=separator) if group is not None else {}
    return suppress_baseline(baseline, limit, data, members, exclusive=not several_etiologies(study))


def masked_shift(shift: pd.DataFrame, missing: pd.DataFrame, study: Study, limit: int) -> pd.DataFrame:
    """Features by site: the counts that the table of missing values masks, no mean that tells of a few."""
    shift = shift.copy().astype({"n": "Int64", "missing": "Int64"})
    here = missing[missing["by"] == site_name(study)].set_index(["variable", "level"])
    for row in shift.index:
        key = shift.at[row, "feature"], shift.at[row, "site"]
        if key not in here.index or pd.isna(here.loc[key, "n_missing"]):
            shift.loc[row, ["n", "missing"]] = pd.NA
    members = group_members(study.site)
    for feature, mine in shift.groupby("feature", sort=False):
        values = study.features[feature].to_numpy(dtype=float, na_value=np.nan)
        parts = [values[members[site]] for site in mine["site"]]
        mask_statistics(shift, list(mine.index), parts, limit, counted=mine["n"].notna().tolist())
    return shift


def repeated_episodes(study: Study, curves: pd.DataFrame) -> dict[tuple, tuple[np.ndarray, np.ndarray]]:
    """(outcome, feature, curve, group) of a mean number of episodes -> their times, and whose they are."""
    found = {}
    mean = curves[curves["curve"] == MEAN_EPISODES].drop_duplicates(["outcome", "feature"])
    for name, mine in mean.groupby("outcome", sort=False):
        design = design_of(study, next(outcome for outcome in study.outcomes if outcome.name == name))
        for feature in mine["feature"]:
            values = study.features.loc[design.patient_id, feature].to_numpy(float) if feature else None
            for group, whose in whose_episodes(design, values).items():
                found[name, feature, MEAN_EPISODES, group] = whose
    return found


def masked_survival(tables, study: Study, limit: int, n, events) -> dict[str, pd.DataFrame]:
    """Curves, numbers at risk and calibration in steps of `limit`, the rows of models by `mask_rows`."""
    out: dict[str, pd.DataFrame] = {}
    survival = tables.get("survival")
    if survival is not None and "part" in survival and len(survival):
        # beside the curve, which is coarse at other times, a cumulative hazard would tell single events
        survival = survival[survival["part"] != HAZARD]
        curve = survival["part"] == "curve"
        parts = []
        if curve.any():
            repeated = repeated_episodes(study, survival[curve])
            parts.append(coarse_curves(survival[curve], limit, repeated))
        parts.append(mask_rows(survival[~curve], limit, n=n, events=events))
        kept = [part for part in parts if len(part)]
        out["survival"] = pd.concat(kept, ignore_index=True) if kept else survival.iloc[:0]
    if len(tables.get("curves", ())):
        out["curves"] = coarse_curves(tables["curves"], limit, repeated_episodes(study, tables["curves"]))
    for name in ("at_risk", "at_risk_all"):
        if len(tables.get(name, ())):
            out[name] = coarse_at_risk(tables[name], limit)
    if len(tables.get("calibration", ())):
        table = tables["calibration"].copy()
        free = table["n"] - table["events"]
        few = (table["part"] == "group") & (
            table["events"].between(1, limit - 1) | free.between(1, limit - 1)
        )
        table.loc[few, ["observed", "ci_low", "ci_high"]] = np.nan
        out["calibration"] = table.assign(events=np.nan)
    return out


def masked_settings(settings: RunSettings, limit: int, n_study: int, totals, gaps: Gaps) -> RunSettings:
    """What texts and captions say: numbers that would tell a small one are rounded, and said to be."""
    everybody = known_numbers(settings, n_study)
    notes = tuple(said(note, limit, everybody) for note in settings.notes)
    problems = masked_problems(settings.problems, limit, everybody)
    outcomes = tuple(masked_outcome(o, limit, n_study, totals.get(o.name), gaps) for o in settings.outcomes)
    return replace(settings, outcomes=outcomes, notes=notes, problems=problems)


def masked_outcome(
    outcome: OutcomeRun, limit: int, n_study: int, total, gaps: Gaps, shown_of: int | None = None
) -> OutcomeRun:
    """`shown_of`: how many patients are told that these are some of, where that is not `n_study`."""
    whole = n_study if shown_of is None else shown_of

    def rounded(value: int) -> int:
        return rounded_count(value, limit, whole)

    n, events = outcome.n, outcome.events
    # beside the patients without the event, as the table of missing values has them, events tell the number
    told = gaps.told_by(outcome.name, n) or small(n_study - n, limit)
    if told:
        n = rounded(n)
    if events is not None:
        free = outcome.n - events - sum(outcome.competing.values())
        near = total is not None and small(total[1] - events, limit)
        if told or near or small(events, limit) or small(free, limit):
            events = rounded(events)
    competing = {
        name: rounded(count) if told or small(count, limit) else count
        for name, count in outcome.competing.items()
    }
    complete = outcome.complete
    if complete is not None:
        near = small(outcome.n - complete.n, limit) or gaps.told_by(outcome.name, complete.n)
        complete = None if near else masked_outcome(complete, limit, outcome.n, total, gaps, int(n))
    return replace(outcome, n=n, events=events, competing=competing, complete=complete)


def masked_problems(
    problems: Iterable[Problem], limit: int, everybody: tuple[int, ...] = ()
) -> tuple[Problem, ...]:
    """Doubts about the input with small counts of patients in them as `said` has them."""
    return tuple(
        replace(
            problem,
            wanted=said(problem.wanted, limit, everybody),
            found=said(problem.found, limit, everybody),
        )
        for problem in problems
    )


def said(text: str, limit: int, everybody: tuple[int, ...] = ()) -> str:
    """`text` with small counts of patients in it as "fewer than".

    A count that leaves a small number of a total tells that number, and becomes "more than": of the total
    beside it ("78 of 80"), or of `everybody`, numbers of patients that are known elsewhere. So may a share
    of missing values.
    """

    def masked_number(found: re.Match) -> str:
        count, after = int(found[1]), found.string[found.end() :]
        if small(count, limit):
            return f"fewer than {limit}"
        beside = OF_A_TOTAL.match(after)
        totals = (int(beside[1]),) if beside else everybody if PATIENTS.match(after) else ()
        near = [total for total in totals if small(total - count, limit)]
        return f"more than {max(near) - limit}" if near else found[1]

    def masked_share(found: re.Match) -> str:
        few = (
            limit / min(everybody) if everybody and limit else 0.0
        )  # with fewer patients a share is of fewer
        share = float(found[1]) / 100
        return "few missing" if share < few else "nearly all missing" if 1 - share < few else found[0]

    text = PERCENT_MISSING.sub(masked_share, str(text))
    if small(1, limit):  # a singular would tell the number
        text = SINGLE.sub(r"1 \1s", text)
        text = ALONE.sub(lambda found: f"1 patients{' have' if found[1] else ''}", text)
    masked_text = COUNTED.sub(masked_number, text)
    return re.sub(rf"(fewer than {limit} [^,;]+), fewer than {limit}\b", r"\1", masked_text)


def masked_frozen(frozen: FrozenFindings, limit: int, values: pd.DataFrame) -> FrozenFindings:
    """The frozen findings with rounded counts, shares and means, baseline hazards in steps of `limit` events.

    values : the features of the study (patients, features), whose scales are rounded by `masked_scale`.
    Without `completion`: covariances of categories tell how many patients are in both.
    """
    if not limit:
        return frozen

    def rounded(count: int | None) -> int | None:
        """Never 0, as a number of patients must not be."""
        return None if count is None else int(rounded_count(max(count, limit), limit, frozen.n_patients))

    def coarse(model: FrozenModel | None) -> FrozenModel | None:
        """From 0 to the horizon, whatever the steps."""
        if model is None or not model.times:
            return model
        last = len(model.times) - 1
        at = [*range(last, limit - 2, -limit)][::-1] or [last]
        times, hazard = ((0.0, *(part[k] for k in at)) for part in (model.times, model.hazard))
        return model.model_copy(update={"times": times, "hazard": hazard})

    def scale(part: FrozenTerm) -> dict[str, float]:
        return {"mean": to_spread(part.mean, part.sd), "sd": to_spread(part.sd, part.sd)}

    def of_people(term: FrozenTerm) -> FrozenTerm:
        if term.share is None:
            return term.model_copy(update=scale(term))
        share = min(limit * round(term.share * frozen.n_patients / limit) / frozen.n_patients, 1.0)
        return term.model_copy(update={"share": share})

    def scale_of(outcome: FrozenOutcome) -> dict[str, float]:
        if outcome.mean is None or outcome.sd is None:
            return {}
        return {"mean": to_spread(outcome.mean, outcome.sd), "sd": to_spread(outcome.sd, outcome.sd)}

    outcomes = tuple(
        outcome.model_copy(
            update=scale_of(outcome)
            | {
                "terms": tuple(of_people(term) for term in outcome.terms),
                "signature": outcome.signature
                and outcome.signature.model_copy(update={"model": coarse(outcome.signature.model)}),
                "base": coarse(outcome.base),
                "completion": None,
                "candidates": tuple(
                    candidate.model_copy(
                        update={
                            "n": rounded(candidate.n),
                            "events": rounded(candidate.events),
                            "model": coarse(candidate.model),
                        }
                    )
                    for candidate in outcome.candidates
                ),
            }
        )
        for outcome in frozen.outcomes
    )
    features = tuple(
        f.model_copy(update={"n": rounded(f.n)} | masked_scale(f, values[f.name], limit, frozen.n_patients))
        for f in frozen.features
    )
    return frozen.model_copy(update={"outcomes": outcomes, "features": features})


def masked_scale(feature: FrozenFeature, values: pd.Series, limit: int, everybody: int) -> dict[str, float]:
    """Mean and SD of a frozen feature that do not tell how many patients have which of its `values`.

    The mean of two values is a count: it becomes that of a multiple of `limit` of `everybody`, with `limit`
    or more of them for each value. Their SD tells the count as well: of fewer than `limit` patients it is
    that of `limit` patients, and effects in a second cohort then are for a larger SD than in the first;
    otherwise it has two digits. Where all but a few have one of several values mean and SD have one digit of
    the SD.
    """
    column = values.to_numpy(dtype=float, na_value=np.nan)
    low = -np.inf if feature.low is None else feature.low
    high = np.inf if feature.high is None else feature.high
    known = np.clip(column[np.isfinite(column)], low, high)
    few, different = tells_a_few(known, limit), np.unique(known)
    if different.size == 2 and everybody >= 2 * limit:
        least, most = (float(value) for value in different)
        count = limit * round((known == most).mean() * everybody / limit)
        share = min(max(count, limit), everybody - limit) / everybody
        own = (most - least) * np.sqrt(share * (1 - share))
        sd = float(own) if few else to_step(feature.sd, step_of_digits(feature.sd, 2))
        return {"mean": least + (most - least) * share, "sd": sd}
    if few or different.size == 2:
        step = step_of_digits(feature.sd, 1)
        return {"mean": to_step(feature.mean, step), "sd": to_step(feature.sd, step)}
    return {"mean": to_spread(feature.mean, feature.sd), "sd": to_spread(feature.sd, feature.sd)}
