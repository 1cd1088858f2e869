"""Outcomes of features that were measured over a window: judged from the end of the window on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from discovery.problems import InputError, Problem
from discovery.study import Outcome, Study
from discovery.study.settings import SurvivalOutcome
from discovery.survival.landmark import landmark

LANDMARK, FROM_START = "from the landmark", "from time 0"
PLACE = "study.toml"
CONTRAST = "for contrast: mixed with having lived through the window"


def from_landmarks(study: Study) -> Study:
    """`study` with every outcome that states a landmark judged from there; nothing changes without one.

    Raises
    ------
    InputError
        Nobody is followed beyond a landmark, or nobody has the event there; reading a study finds that too.
    """
    return replace(study, outcomes=tuple(_from_its_landmark(study, outcome) for outcome in study.outcomes))


def _from_its_landmark(study: Study, outcome: Outcome) -> Outcome:
    section = next((s for s in study.settings.outcomes if s.name == outcome.name), None)
    at = section.landmark if isinstance(section, SurvivalOutcome) else None
    return outcome if at is None or outcome.landmark is not None else at_landmark(outcome, float(at))


def at_landmark(outcome: Outcome, at: float) -> Outcome:
    """The outcome of those still followed without an event at `at`, times counted from there."""
    found = landmark(outcome.time, outcome.status, at, entry=outcome.entry)
    if not (found.status == 1).any():
        raise InputError([Problem(file=PLACE, found="none", wanted="an event after the landmark is wanted")])

    def spread(values: np.ndarray) -> np.ndarray:
        whole = np.full(len(found.kept), np.nan)
        whole[found.kept] = values
        return whole

    time, status = np.asarray(outcome.time), np.asarray(outcome.status)
    ended = np.isfinite(time) & np.isfinite(status) & (time <= at)
    reasons = tuple(
        (f"{what} before the landmark at {at:g}", mask)
        for what, mask in (
            ("event", ended & (status == 1)),
            ("competing event", ended & (status > 1)),
            ("follow-up ended", ended & (status == 0)),
        )
        if mask.any()
    )
    return replace(
        outcome,
        time=spread(found.time),
        status=spread(found.status),
        entry=None if found.entry is None else spread(found.entry),
        left_out=(*outcome.left_out, *reasons),
        landmark=at,
        original=outcome,
    )


def landmark_contrasts(study: Study, leading: Mapping[str, Sequence[str]]) -> pd.DataFrame:
    """Leading features from the landmark and, for contrast, from time 0 with all patients.

    outcome, feature, model, effect_measure, estimate, ci_low, ci_high, p_value, n, events, note; empty
    without a landmark. From time 0 an effect of the window is mixed with having lived through it.
    """
    from discovery.association.design import build_design
    from discovery.association.outcome_models import effect_text, fit_columns

    rows = []
    for outcome in study.outcomes:
        if outcome.landmark is None or outcome.original is None:
            continue
        features = list(leading.get(outcome.name, ()))
        for model, version in ((LANDMARK, outcome), (FROM_START, outcome.original)):
            design = build_design(
                version,
                study.covariates,
                study.features[features],
                site=study.site,
                winsor=study.settings.analysis.winsor,
            )
            fits = fit_columns(design.response, design.base, design.features, observed=design.observed)
            for j, feature in enumerate(design.feature_names):
                rows.append(
                    {
                        "outcome": outcome.name,
                        "feature": feature,
                        "model": f"{model} at {outcome.landmark:g}" if model == LANDMARK else model,
                        "effect_measure": effect_text(design.kind, "per 1 SD"),
                        "estimate": fits.fit.coef[j, -1],
                        "ci_low": fits.ci_low[j],
                        "ci_high": fits.ci_high[j],
                        "p_value": fits.p_value[j],
                        "n": int(fits.fit.n[j]),
                        "events": int(fits.fit.events[j]),
                        "note": "" if model == LANDMARK else CONTRAST,
                    }
                )
    columns = ["outcome", "feature", "model", "effect_measure", "estimate", "ci_low", "ci_high", "p_value",
               "n", "events", "note"]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)
