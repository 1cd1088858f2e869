"""Missing feature values in a run: pooled screens, completed copies for the ranking, tipping points."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from discovery.association.design import Design
from discovery.association.screen import Screen
from discovery.cohort.imputation import Completed
from discovery.cohort.imputed_fits import ImputedFits
from discovery.cohort.incomplete_covariates import COVARIATE
from discovery.pipeline.leading import joined
from discovery.study import Study


@dataclass(frozen=True, kw_only=True)
class ImputedScreens:
    """`screens`, pooled where there are gaps, and by outcome the `completed` copies and their pooled models
    `fits`; `wider`: the design they are of where covariates were imputed."""

    screens: dict[str, Screen]
    completed: dict[str, Completed]
    fits: dict[str, ImputedFits]
    wider: dict[str, Design]
    table: pd.DataFrame
    notes: tuple[str, ...]

    def analysed(self, designs: Sequence[Design]) -> list[Design]:
        """The designs of the patients that estimates and ranks are of."""
        return [self.wider.get(design.outcome, design) for design in designs]


def impute_screens(
    study: Study, designs: Sequence[Design], screens: Mapping[str, Screen], *, workers: int = 1
) -> ImputedScreens:
    """Pooled answers for the features with gaps, as the study's `imputations` asks (0: complete cases)."""
    from joblib import Parallel, delayed

    from discovery.cohort.imputation_table import IMPUTATION_COLUMNS
    from discovery.cohort.incomplete_covariates import wide_design
    from discovery.cohort.screen_with_covariates import impute_screen_and_covariates

    analysis = study.settings.analysis
    outcomes = {outcome.name: outcome for outcome in study.outcomes}
    answers = Parallel(n_jobs=workers, prefer="threads")(
        delayed(impute_screen_and_covariates)(
            design,
            screens[design.outcome],
            wide_design(outcomes[design.outcome], study.covariates, study.features, design, site=study.site),
            imputations=analysis.imputations,
            seed=study.settings.study.seed,
            limits=study.limits,
            fdr=analysis.fdr,
            multiplicity=analysis.multiplicity,
        )
        for design in designs
    )
    found = {design.outcome: one for design, one in zip(designs, answers)}
    table = joined([one.table for one in found.values() if len(one.table)])
    notes = notes_in_lines({outcome: one.notes for outcome, one in found.items()})
    return ImputedScreens(
        screens={outcome: one.screen for outcome, one in found.items()},
        completed={outcome: one.completed for outcome, one in found.items() if one.completed is not None},
        fits={outcome: one.fits for outcome, one in found.items() if one.fits is not None},
        wider={outcome: one.design for outcome, one in found.items() if one.design is not None},
        table=table if len(table) else pd.DataFrame(columns=list(IMPUTATION_COLUMNS)),
        notes=tuple(notes),
    )


def notes_in_lines(notes: Mapping[str, Sequence[str]]) -> list[str]:
    """The notes of all outcomes, each once: features of which the same is said are named together."""
    said: dict[str, list[str]] = {}
    for outcome, mine in notes.items():
        features: dict[str, list[str]] = {}
        for note in mine:
            name, found, reason = note.partition(" was ")
            features.setdefault(reason if found else "", []).append(name)
        for reason, names in features.items():
            several = f"{len(names)} features ({', '.join(names)}) were {reason}"
            lines = names if not reason else [several if len(names) > 1 else f"{names[0]} was {reason}"]
            for line in lines:
                said.setdefault(line, []).append(outcome)
    return [f"{', '.join(outcomes)}: {line}" for line, outcomes in said.items()]


def tipping_table(
    study: Study, designs: Sequence[Design], imputed: ImputedScreens, markers: pd.DataFrame, *, workers: int
) -> pd.DataFrame:
    """Tipping points of the imputed features that are significant by themselves or by their q-value."""
    from discovery.cohort.tipping import tipping_points

    tables = []
    for design in designs:
        if design.outcome in imputed.completed:
            mine = markers[(markers["outcome"] == design.outcome) & (markers["p_value"] <= 0.05)]
            names = mine["feature"].tolist()
            filled, fits = imputed.completed[design.outcome], imputed.fits[design.outcome]
            of = imputed.wider.get(design.outcome, design)
            tables.append(tipping_points(of, filled, fits, names, labels=dict(study.labels), workers=workers))
    return joined([table for table in tables if len(table)])


def imputations_made(tables: Mapping[str, pd.DataFrame]) -> int:
    """How many copies the tables rest on, 0 where nothing was imputed."""
    table = tables.get("imputation")
    return 0 if table is None or not len(table) else int(table["imputations"].max())


def covariates_imputed(tables: Mapping[str, pd.DataFrame]) -> tuple[str, ...]:
    """Covariates with a row among the imputed."""
    table = tables.get("imputation")
    names = [] if table is None or not len(table) else list(dict.fromkeys(table["feature"].astype(str)))
    return tuple(name.removeprefix(COVARIATE) for name in names if name.startswith(COVARIATE))
