"""A feature against the event and against the competing events, hazard by hazard and side by side."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from discovery.problems import InputError
from discovery.survival.covariates import as_table
from discovery.survival.cox import cox_model
from discovery.survival.curve_tables import cause_label
from discovery.survival.fine_gray import fine_gray
from discovery.survival.follow_up import as_follow_up
from discovery.survival.regression_table import COLUMNS


def competing_models(
    time, status, features: pd.DataFrame, *, base=None, entry=None, stratum=None, outcome="",
    cause_names: Mapping[int, str] | None = None, conf_level=0.95,
) -> pd.DataFrame:  # fmt: skip
    """Cause-specific Cox models for every cause, and Fine-Gray for the event as descriptive companion.

    A marker acts on an event when the cause-specific hazard of that event says so. A subdistribution
    effect alone can come from the competing event: a feature that only hastens death "protects" from
    anything that death prevents. So both are shown, and the claim rests on the first.

    Parameters
    ----------
    time, status, entry : array (n,); status 0 censored, 1 the event, 2, 3, … competing
    features : DataFrame (n, p), one model each; base : DataFrame (n, q), optional
    stratum : array (n,), optional
        Strata of the Cox models; in the Fine-Gray model, which has none, indicator columns.

    Returns
    -------
    DataFrame
        Columns of `RegressionFit.table` with a leading `feature`: one row a feature and model, model being
        "cause-specific hazard of <cause>" or "subdistribution hazard of <event>". A model that cannot be
        fitted is an empty row with the reason in `note`.

    References
    ----------
    Latouche et al., J Clin Epidemiol 2013;66:648-653. Oracle: CR07, CR09.
    """
    follow_up = as_follow_up(time, status, entry=entry)
    code = follow_up.status.astype(int)
    causes = np.union1d([1], np.unique(code[code > 0])).astype(int)
    adjust = None if base is None else as_table(base).reset_index(drop=True)
    parts = []
    for name in features.columns:
        one = features[[name]].reset_index(drop=True)
        table = one if adjust is None else pd.concat([adjust, one], axis=1)
        for cause in causes:
            model = f"cause-specific hazard of {cause_label(int(cause), cause_names)}"
            effect = "log hazard ratio"

            def cox(table=table, cause=cause):
                return cox_model(
                    time, code == cause, table, entry=entry, stratum=stratum, conf_level=conf_level
                )

            parts.append(_row(cox, name, outcome, model, effect))
        model = f"subdistribution hazard of {cause_label(1, cause_names)}"
        effect = "log subdistribution hazard ratio"
        sites = table
        if stratum is not None:
            labels = pd.Series(np.asarray(stratum), name="stratum").astype(str)
            sites = pd.concat([table, labels], axis=1) if labels.nunique() > 1 else table

        def subdistribution(sites=sites):
            return fine_gray(time, code, sites, entry=entry, conf_level=conf_level)

        parts.append(_row(subdistribution, name, outcome, model, effect))
    return pd.concat(parts, ignore_index=True)[["feature", *COLUMNS]]


def _row(fit, feature, outcome, model, effect) -> pd.DataFrame:
    try:
        table = fit().table(outcome=outcome, model=model)
    except InputError as error:
        return _empty(
            feature, outcome, model, effect, "; ".join(problem.wanted for problem in error.problems)
        )
    return table[table["term"] == str(feature)].assign(feature=feature)


def _empty(feature, outcome, model, effect, note) -> pd.DataFrame:
    row: dict[str, object] = dict.fromkeys(["estimate", "se", "ci_low", "ci_high", "p_value"], np.nan)
    row |= dict.fromkeys(["n", "events", "n_left_out"], 0) | {"method": "", "note": note}
    row |= {
        "feature": feature,
        "outcome": outcome,
        "model": model,
        "term": str(feature),
        "effect_measure": effect,
    }
    return pd.DataFrame([row])
