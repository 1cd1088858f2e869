"""Recurrent episodes as start-stop rows, and their rate by Andersen and Gill's model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from discovery.survival.cox import CoxModel, cox_model
from discovery.survival.refusals import refuse

SOURCE = "recurrent episodes"


def start_stop_rows(patient, end, episodes: Sequence[Sequence[float]]) -> pd.DataFrame:
    """Rows (patient, start, stop, event, number) from one list of episode times a patient.

    Parameters
    ----------
    patient : sequence (n,) of identifiers
    end : array (n,)
        End of observation: censoring or the terminal event, after which no episode can happen.
    episodes : sequence (n,) of ascending times, in (0, end], possibly none

    Raises
    ------
    InputError
        Lengths differ; an episode outside (0, end] or out of order (two at one time count as out of order).
    """
    end = np.asarray(end, dtype=float)
    patient = list(patient)
    if not len(patient) == len(end) == len(episodes):
        refuse(
            SOURCE,
            "wanted one end and one list of episodes a patient",
            found=f"{len(patient)}, {len(end)}, {len(episodes)}",
        )
    rows = []
    for who, last, listed in zip(patient, end, episodes):
        times = np.asarray(listed, dtype=float)
        marks = np.concatenate([[0.0], times])
        if (
            (np.diff(marks) <= 0).any()
            or (times > last).any()
            or not np.isfinite(marks).all()
            or not last > 0
        ):
            refuse(
                SOURCE,
                "wanted ascending times above 0 and up to the end",
                column="episodes",
                found=f"{who}: {times}",
            )
        stops = times if times.size and times[-1] == last else np.append(times, last)
        starts = np.concatenate([[0.0], stops[:-1]])
        happened = np.arange(stops.size) < times.size
        rows += [(who, a, b, int(e), i + 1) for i, (a, b, e) in enumerate(zip(starts, stops, happened))]
    return pd.DataFrame(rows, columns=["patient", "start", "stop", "event", "number"])


def andersen_gill(
    start, stop, event, covariates, patient, *, stratum=None, ties="efron", conf_level=0.95
) -> CoxModel:
    """Rate ratio of episodes from start-stop rows: Cox model of all episodes, errors robust by patient.

    Episodes of one patient are not independent, which the model's own errors ignore; the sandwich does
    not. A terminal event ends the observation like a censoring, so the rate is that among those alive:
    say so, and report the terminal event beside it.

    Parameters
    ----------
    start, stop, event : array (n_rows,), at risk while start < t <= stop
    covariates : DataFrame or array (n_rows, k)
    patient : array (n_rows,)

    References
    ----------
    Andersen & Gill, Ann Stat 1982;10:1100-1120; Lin, Wei, Yang & Ying, J R Stat Soc B 2000;62:711-730.
    """
    fit = cox_model(
        stop,
        event,
        covariates,
        entry=start,
        cluster=patient,
        stratum=stratum,
        ties=ties,
        conf_level=conf_level,
    )
    method = f"Andersen-Gill, {ties.capitalize()} ties, robust by patient"
    return replace(fit, method=method, effect_measure="log rate ratio")
