"""The leading findings under alternatives chosen in advance: which of them depend on a choice?"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from discovery.association.design import Design, build_design
from discovery.association.kinds import kind_of
from discovery.association.outcome_models import fit_columns, standardised_outcome
from discovery.association.scaling import FeatureScaling, learn_scaling
from discovery.kernels.screen_fit import REASONS
from discovery.markers.e_value import e_values
from discovery.problems import InputError
from discovery.terms import COMPLETE, FINE_GRAY, LEAST_EVENTS, MAIN

if TYPE_CHECKING:
    from discovery.study import Outcome

ALPHA = 0.05
LANDMARKS = (0.1, 0.25)  # shares of the events that have come by the landmark
MOST_GROUPS = 20  # sites or etiologies left out one by one; the largest where there are more
LEAST_GROUP = 5
HOLDS, WEAKER, TURNS, NOT_DONE = "holds", "weaker", "sign turns", "not done"

COLUMNS = (
    "outcome", "feature", "label", "group", "alternative", "effect_measure", "estimate", "ci_low", "ci_high",
    "p_value", "n", "events", "ratio_to_main", "result", "survives_all", "e_value", "e_value_limit", "note",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Cohort:
    """What the alternatives change: tables indexed by patient, and the leading features alone."""

    outcome: Outcome
    covariates: pd.DataFrame
    features: pd.DataFrame
    site: pd.Series | None
    etiology: pd.Series | None
    more: pd.DataFrame  # covariates of the fuller model, beside `covariates`
    reliable: pd.Series | None  # bool: patients observed long and well

    def where(self, keep: np.ndarray) -> Cohort:
        """The patients of `keep` (n,) bool, in the order of the outcome."""
        ids = pd.Index(self.outcome.patient_id)[keep]
        picked: dict[str, Any] = {
            name: None if values is None else np.asarray(values)[keep]
            for name, values in (
                (key, getattr(self.outcome, key)) for key in ("value", "time", "status", "entry", "exposure")
            )
        }
        gone = tuple((reason, np.asarray(rows)[keep]) for reason, rows in self.outcome.left_out)
        picked["left_out"] = gone
        if self.outcome.event_patient is not None:  # positions among those who stay
            whose = np.asarray(self.outcome.event_patient)
            stays = np.asarray(keep)[whose]
            picked["event_patient"] = (np.cumsum(keep) - 1)[whose[stays]]
            picked["event_time"] = np.asarray(self.outcome.event_time)[stays]
        outcome = replace(self.outcome, patient_id=np.asarray(self.outcome.patient_id)[keep], **picked)
        return replace(
            self,
            outcome=outcome,
            covariates=self.covariates.loc[ids],
            features=self.features.loc[ids],
            site=None if self.site is None else self.site.loc[ids],
            etiology=None if self.etiology is None else self.etiology.loc[ids],
            more=self.more.loc[ids],
            reliable=None if self.reliable is None else self.reliable.loc[ids],
        )


@dataclass(frozen=True, kw_only=True)
class Alternative:
    """One way to do the analysis; `scaling` None keeps that of the main analysis."""

    group: str
    name: str
    cohort: Cohort
    scaling: FeatureScaling | None = None
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class ImputedMain:
    """The main analysis where missing values were imputed: `rows` by feature (estimate, ci_low, ci_high,
    p_value, n, events), and the mean and SD of a continuous outcome that its slopes are in."""

    rows: pd.DataFrame
    level: tuple[float, float] = (0.0, 1.0)


def sensitivity_board(
    cohort: Cohort,
    *,
    winsor: tuple[float, float] | bool | None,
    imputed: ImputedMain | None = None,
    labels: dict[str, str] | None = None,
    effect_measure: str = "",
) -> pd.DataFrame:
    """Every feature of `cohort` under every alternative that applies; columns `COLUMNS`.

    The alternatives impute nothing: each is of the patients with the value and all covariates of its model,
    "not adjusted" with those of the adjusted one. So is the main analysis, but where it is given as
    `imputed`: then the complete cases stand beside it as the first alternative.

    `result` compares with the main analysis: "holds" has its sign and p <= .05, "weaker" its sign and a
    larger p, "sign turns" the other sign, "not done" says why in `note`. `survives_all` is true where every
    alternative that could be done holds. Smaller samples are less sure, so "weaker" where sites or
    etiologies are left out need not mean that the finding is wrong. Classes without an order have no sign and
    no single estimate: their rows are compared by p alone.

    `effect_measure` is that of the main analysis; the Fine-Gray rows have their own.

    The E-values of the main analysis say how strong an unmeasured confounder would have to be.
    """
    scaling = learn_scaling(cohort.features, winsor)
    main = Alternative(group="", name=MAIN, cohort=cohort)
    rows: list[dict] = []
    if imputed is None:
        level = kind_of(cohort.outcome.kind).level(_design(main, scaling))
    else:
        main, level = replace(main, group="patients", name=COMPLETE), imputed.level
        rows += _imputed_rows(imputed.rows, cohort)
    for alternative in (main, *alternatives(cohort, winsor)):
        rows += _rows(alternative, scaling, level)
    table = pd.DataFrame(rows).assign(effect_measure=effect_measure)
    if beside := _subdistribution_rows(cohort, scaling):
        table = pd.concat([table, pd.DataFrame(beside)], ignore_index=True)
    table["label"] = [(labels or {}).get(name, name) for name in table["feature"]]
    return _compared(table, cohort)[list(COLUMNS)]


def alternatives(cohort: Cohort, winsor) -> Iterator[Alternative]:
    """All that apply, in the order of the board."""
    if cohort.covariates.shape[1] or cohort.site is not None:
        same = cohort.where(_adjusted(cohort, winsor))
        bare = replace(same, covariates=same.covariates.iloc[:, :0], site=None)
        yield Alternative(group="base model", name="not adjusted", cohort=bare)
    fuller = cohort.more
    if cohort.etiology is not None and not cohort.etiology.astype(str).str.contains(";").any():
        fuller = fuller.assign(etiology=cohort.etiology.astype("category"))
    fuller = fuller[[name for name in fuller.columns if name not in cohort.covariates.columns]]
    if fuller.shape[1]:
        wide = replace(cohort, covariates=cohort.covariates.join(fuller))
        name = f"adjusted for {', '.join(map(str, fuller.columns))} too"
        yield Alternative(group="base model", name=name, cohort=wide)
    whole = cohort.features.notna().all(axis=1).to_numpy()
    if not whole.all():
        yield Alternative(group="patients", name="complete cases of all leaders", cohort=cohort.where(whole))
    if cohort.reliable is not None:
        sure = cohort.reliable.to_numpy(dtype=bool)
        if not sure.all():
            yield Alternative(group="patients", name="reliable records only", cohort=cohort.where(sure))
    normal = cohort.features.apply(rank_normal)
    yield Alternative(
        group="scale",
        name="rank-normal feature",
        cohort=replace(cohort, features=normal),
        scaling=learn_scaling(normal, None),
    )
    for limits in (None, (0.05, 0.95)):
        if limits != (winsor or None):
            name = "values as they are" if limits is None else "winsorised at 5 and 95 %"
            yield Alternative(
                group="scale", name=name, cohort=cohort, scaling=learn_scaling(cohort.features, limits)
            )
    yield from _left_out("without site", cohort.site, cohort)
    yield from _left_out("without etiology", cohort.etiology, cohort)
    yield from _landmarks(cohort)


def _adjusted(cohort: Cohort, winsor) -> np.ndarray:
    """Who is in the adjusted model where nothing is imputed, (n,) bool.

    Without adjustment others could be in, with a covariate or a site missing: what changed then would be the
    patients as well.
    """
    main = Alternative(group="", name=MAIN, cohort=cohort)
    design = _design(main, learn_scaling(cohort.features, winsor))
    return np.isin(np.asarray(cohort.outcome.patient_id), design.patient_id)


def rank_normal(column: pd.Series) -> pd.Series:
    """Normal scores of the ranks (ties share their mean rank), (rank - 3/8) / (n + 1/4): Blom 1958."""
    from scipy.stats import norm

    rank = column.rank()
    return pd.Series(norm.ppf((rank - 0.375) / (rank.count() + 0.25)), index=column.index)


def _left_out(words: str, labels: pd.Series | None, cohort: Cohort) -> Iterator[Alternative]:
    if labels is None:
        return
    own = labels.astype(object).map(lambda cell: () if pd.isna(cell) else tuple(_parts(cell)))
    counts = own.explode().value_counts()
    counts = counts[counts >= LEAST_GROUP].head(MOST_GROUPS)
    if len(counts) < 2:
        return
    for label in sorted(counts.index, key=str):
        keep = np.array([label not in cell for cell in own])
        yield Alternative(group=words, name=f"{words} {label}", cohort=cohort.where(keep))


def _parts(cell: object) -> Iterable[str]:
    return (part.strip() for part in str(cell).split(";") if part.strip())


def _landmarks(cohort: Cohort) -> Iterator[Alternative]:
    """Follow-up from a later time on: who had the event before speaks no more."""
    outcome = cohort.outcome
    if outcome.kind != "survival":
        return
    time, status = np.asarray(outcome.time, float), np.asarray(outcome.status, float)
    come = time[status == 1]
    for share in LANDMARKS if come.size >= 4 * LEAST_EVENTS else ():
        at = float(np.quantile(come, share))
        entry = np.zeros(time.size) if outcome.entry is None else np.asarray(outcome.entry, float)
        later = replace(outcome, entry=np.maximum(entry, at))
        keep = ~(time <= at)
        unit = f" {outcome.unit}" if outcome.unit else ""
        clock = " after the landmark" if outcome.landmark else ""
        yield Alternative(
            group="landmark",
            name=f"from {at:.3g}{unit}{clock} on",
            cohort=replace(cohort, outcome=later).where(keep),
        )


def _design(alternative: Alternative, scaling: FeatureScaling) -> Design:
    cohort = alternative.cohort
    return build_design(
        replace(cohort.outcome, excluded_features=()),
        cohort.covariates,
        cohort.features,
        site=cohort.site,
        scaling=alternative.scaling or scaling,
    )


def _imputed_rows(rows: pd.DataFrame, cohort: Cohort) -> list[dict]:
    common = {"outcome": cohort.outcome.name, "group": "", "alternative": MAIN, "note": "values imputed"}
    given = rows.loc[list(map(str, cohort.features))].rename_axis("feature").reset_index()
    return [common | row for row in given.to_dict("records")]


def _rows(alternative: Alternative, scaling: FeatureScaling, level: tuple[float, float]) -> list[dict]:
    cohort = alternative.cohort
    names = list(map(str, cohort.features.columns))
    common = {"outcome": cohort.outcome.name, "group": alternative.group, "alternative": alternative.name}
    nothing = dict.fromkeys(("estimate", "ci_low", "ci_high", "p_value", "events"), np.nan) | {"n": 0}
    try:
        design = _design(alternative, scaling)
    except InputError as fault:
        note = fault.problems[0].wanted
        return [common | nothing | {"feature": name, "note": note} for name in names]
    if design.kind == "continuous":
        assert design.y is not None
        design = replace(design, y=(design.y - level[0]) / level[1])
    sizes = design.response.effective_sizes(design.observed)
    enough = sizes >= LEAST_EVENTS
    events = kind_of(design.kind).events(design, design.observed)
    fits = fit_columns(design.response, design.base, design.features, observed=design.observed & enough)
    rows = []
    for j, name in enumerate(design.feature_names):
        row = common | nothing | {"feature": name, "n": int(design.observed[:, j].sum()), "note": ""}
        row["events"] = float(events[j])
        if not enough[j]:
            row["note"] = f"{kind_of(design.kind).said_size(int(sizes[j]))}, fewer than {LEAST_EVENTS}"
        elif fits.fit.code[j] != 0:
            row["note"] = str(REASONS[int(fits.fit.code[j])])
        else:
            row |= {
                "estimate": float(fits.fit.coef[j, -1]),
                "ci_low": float(fits.ci_low[j]),
                "ci_high": float(fits.ci_high[j]),
                "p_value": float(fits.p_value[j]),
            }
        rows.append(row)
    return rows


def _subdistribution_rows(cohort: Cohort, scaling: FeatureScaling) -> list[dict]:
    """Fine-Gray beside the cause-specific main analysis, where there are competing events."""
    if cohort.outcome.kind != "survival" or not (np.asarray(cohort.outcome.status) > 1).any():
        return []
    from discovery.survival.competing_models import competing_models

    design = standardised_outcome(_design(Alternative(group="", name=MAIN, cohort=cohort), scaling))
    terms = [f"base {k}" for k in range(design.base.shape[1])]
    base = pd.DataFrame(design.base, columns=terms) if terms else None
    rows = []
    for j, name in enumerate(design.feature_names):
        seen = design.observed[:, j]
        assert design.time is not None
        assert design.status is not None
        found = competing_models(
            design.time[seen],
            design.status[seen],
            pd.DataFrame({name: design.features[seen, j]}),
            base=None if base is None else base[seen],
            entry=None if design.entry is None else design.entry[seen],
            stratum=None if design.site is None else design.site[seen],
            outcome=design.outcome,
        )
        row = found[found["model"].str.startswith("subdistribution")].iloc[0]
        rows.append(
            {
                "outcome": design.outcome,
                "group": "competing events",
                "alternative": FINE_GRAY,
                "feature": name,
                "effect_measure": f"{row['effect_measure']} per 1 SD",
                **{key: float(row[key]) for key in ("estimate", "ci_low", "ci_high", "p_value")},
                "n": int(row["n"]),
                "events": float(row["events"]),
                "note": str(row["note"]) if pd.notna(row["note"]) else "",
            }
        )
    return rows


def _compared(table: pd.DataFrame, cohort: Cohort) -> pd.DataFrame:
    """The table with how each row compares with the main one; features and alternatives in their order."""
    place = {name: k for k, name in enumerate(map(str, cohort.features.columns))}
    table = table.assign(_place=table["feature"].map(place)).sort_values("_place", kind="stable")
    main = table[table["alternative"] == MAIN].set_index("feature")["estimate"]
    own = table["feature"].map(main)
    if kind_of(cohort.outcome.kind).directed:
        same, done = table["estimate"] * own > 0, table["estimate"].notna() & own.notna()
        done &= table["p_value"].notna()  # an estimate that too few patients decide has no p
    else:
        found = table["feature"].map(table[table["alternative"] == MAIN].set_index("feature")["p_value"])
        done = same = table["p_value"].notna() & found.notna()
    result = np.select([~done, ~same, table["p_value"] <= ALPHA], [NOT_DONE, TURNS, HOLDS], default=WEAKER)
    table = table.assign(ratio_to_main=table["estimate"] / own, result=result)
    judged = table[table["result"] != NOT_DONE]
    all_hold = judged.groupby("feature")["result"].agg(lambda words: bool((words == HOLDS).all()))
    surviving = set(all_hold.index[all_hold.to_numpy(dtype=bool)])
    table["survives_all"] = table["feature"].isin(surviving)
    is_main = table["alternative"] == MAIN
    values = [
        e_values(cohort.outcome.kind, r.estimate, r.ci_low, r.ci_high, r.events / r.n if r.n else np.nan)
        if main_row
        else (np.nan, np.nan)
        for r, main_row in zip(table.itertuples(), is_main)
    ]
    table[["e_value", "e_value_limit"]] = values
    return table.drop(columns="_place").reset_index(drop=True)
