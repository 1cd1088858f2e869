"""One patient with a rare value who enters late and has the next event: no estimate, and no rounding errors.

The likelihood has no maximum then, and Newton's first step leaps so far that nothing is left to gain.
"""

from __future__ import annotations

from math import fsum

import numpy as np
import pandas as pd
import pytest

from discovery.association.outcome_models import fit_columns
from discovery.association.response import Response
from discovery.kernels.cox import fit_cox, screen_cox
from discovery.kernels.screen_fit import REASONS, SEPARATED
from discovery.survival.changing_effects import proportional_hazards_screen
from discovery.survival.cox import prepare_cox
from discovery.survival.cox_terms import event_terms, schoenfeld_residuals, term_covariances


def late_patient(seed=0, n=190):
    """Time, event, entry, two covariates and a feature that is 0 but in one patient, who enters between two
    events of others and dies before the second."""
    rng = np.random.default_rng(seed)
    base = rng.normal(size=(n, 2))
    entry = rng.uniform(0, 100, n)
    time = entry + rng.exponential(300 * np.exp(-0.6 * base[:, 0]))
    event = (rng.random(n) < 0.5).astype(float)
    deaths = np.sort(time[(event == 1) & (np.arange(n) > 0)])
    before, after = deaths[len(deaths) // 2 : len(deaths) // 2 + 2]
    entry[0], time[0], event[0] = (2 * before + after) / 3, (before + 2 * after) / 3, 1.0
    feature = np.zeros(n)
    feature[0] = 1.0
    return time, event, entry, base, feature


@pytest.mark.parametrize("seed", range(9))
def test_the_screen_finds_that_there_is_no_estimate(seed):
    time, event, entry, base, feature = late_patient(seed)
    x = (feature - feature.mean()) / feature.std()
    plain = screen_cox(time, event, base, x[:, None], entry=entry)
    assert plain.code[0] == SEPARATED
    assert fit_cox(time, event, np.column_stack([base, x]), entry=entry).code == SEPARATED
    response = Response(kind="survival", time=time, event=event, entry=entry)
    fits = fit_columns(response, base, x[:, None])
    assert fits.firth[0]
    assert fits.fit.code[0] == 0
    assert 0 < fits.fit.coef[0, -1] < 1  # of one event among about a hundred at risk, per SD of 0.07
    assert np.isfinite([fits.ci_low[0], fits.fit.se[0], fits.p_value[0]]).all()


def test_hazards_over_time_says_why_it_has_no_test():
    time, event, entry, base, feature = late_patient()
    other = np.random.default_rng(1).normal(size=len(time))
    table = proportional_hazards_screen(
        time, event, pd.DataFrame({"rare": feature, "other": other}),
        base=pd.DataFrame(base, columns=["age", "size"]), entry=entry,
    ).set_index("feature")  # fmt: skip
    assert np.isnan(table.at["rare", "p_value"])
    assert table.at["rare", "note"] == f"no test: {REASONS[SEPARATED]}"
    assert 0 < table.at["other", "p_value"] < 1


def test_risk_sets_of_the_others_are_exact_whatever_his_weight():
    """Reference: sums over each risk set by definition, rounded once (math.fsum)."""
    time, event, entry, base, feature = late_patient()
    ready = prepare_cox(time, event, pd.DataFrame(np.column_stack([base, feature])), entry=entry)
    rows = ready.rows
    beta = np.array([0.6, 0.0, 40.0 / np.ptp(rows.x[:, 2])])  # his risk is e^40 times that of the others
    terms = event_terms(rows, beta, ties="efron")
    for place, at in enumerate(terms.group_time):
        here = (rows.entry < at) & (rows.time >= at)
        assert terms.s0[terms.first[place]] == pytest.approx(fsum(terms.r[here]), rel=1e-13)
        mean = fsum(terms.r[here] * rows.x[here, 0]) / fsum(terms.r[here])
        assert terms.mean[terms.first[place], 0] == pytest.approx(mean, rel=1e-9, abs=1e-12)
    assert np.isfinite(term_covariances(rows, terms)).all()
    assert np.isfinite(schoenfeld_residuals(rows, terms)[1]).all()
