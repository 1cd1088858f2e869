"""The planted coefficients come back from large samples, by general libraries."""

from __future__ import annotations

from dataclasses import replace

import lifelines
import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from discovery.seeds import named_rng
from discovery.virtual.outcomes import DRIVERS, draw_outcomes, draw_saturation_trend
from discovery.virtual.people import make_person
from discovery.virtual.visits import COUPLING_CENTRE, COUPLING_SPREAD, TAU_CENTRE, TAU_SPREAD, Latent

PATIENTS = 4000
ANY = Latent(
    ees=0.6, ea=0.6, coupling=1.0, tau_s=0.04, stiffness=0.02, resistance=0.1, compliance=3.0,
    cardiac_output=4.5, stroke_volume=60.0, ejection=0.5, rate=75.0, svo2=68.0, rv_peak=30.0, rv_edp=6.0,
    pa_mean=18.0, cvp_mean=5.0, la_mean=8.0,
)  # fmt: skip


@pytest.fixture(scope="module")
def drawn():
    """Invented patients with latent scores drawn at random, so that nothing else goes with them."""
    rows = []
    for number in range(1, PATIENTS + 1):
        rng = named_rng(5, "scores", number)
        coupling, tau = rng.standard_normal(2)
        latent = replace(
            ANY,
            coupling=float(COUPLING_CENTRE * np.exp(COUPLING_SPREAD * coupling)),
            tau_s=float(TAU_CENTRE * np.exp(TAU_SPREAD * tau)),
        )
        person = make_person(number, 5)
        _, _, starts, hours = draw_saturation_trend(person, latent, 5)
        rows.append(
            {
                "coupling": coupling, "tau": tau, "age": (person.age_years - 60.0) / 12.0,
                "male": float(person.sex == "male"), "site": person.hospital.key,
                "ventilated": person.ventilated,
                "episodes": len(starts), "hours": hours, "etiology": person.etiology.key,
                **draw_outcomes(person, latent, 5),
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


X = ["coupling", "tau", "age"]


def within(estimates, errors, name, slack=0.0):
    """Each estimate lies within 4 standard errors (and a slack) of the planted coefficient."""
    planted = [DRIVERS[name][term] for term in X]
    np.testing.assert_array_less(np.abs(np.asarray(estimates) - planted), 4 * np.asarray(errors) + slack)


def test_rv_failure(drawn):
    fit = sm.Logit(drawn["rv_failure"], sm.add_constant(drawn[X])).fit(disp=0)
    within(fit.params[X], fit.bse[X], "rv_failure")
    assert 0.25 < drawn["rv_failure"].mean() < 0.45


@pytest.mark.parametrize(("cause", "name"), [(1, "death"), (2, "transplant")])
def test_cause_specific_hazards_with_late_entry(drawn, cause, name):
    table = drawn[[*X, "entry_days", "time_days"]].assign(event=(drawn["status"] == cause).astype(int))
    fit = lifelines.CoxPHFitter().fit(table, "time_days", "event", entry_col="entry_days")
    within(fit.params_[X], fit.standard_errors_[X], name)
    assert (drawn["time_days"] > drawn["entry_days"]).all()


def test_walk_distance_and_who_misses_it(drawn):
    seen = drawn.dropna(subset="walk_distance_m")
    fit = sm.OLS(seen["walk_distance_m"], sm.add_constant(seen[[*X, "male"]])).fit()
    within(fit.params[X], fit.bse[X], "walk_distance")
    missing = drawn["walk_distance_m"].isna()
    assert missing[drawn["ventilated"]].all()
    free = drawn[~drawn["ventilated"]]
    by_site = free["walk_distance_m"].isna().groupby(free["site"]).mean()
    assert by_site["cedar"] > by_site["alder"] + 0.1


def test_episodes_of_desaturation(drawn):
    watched = np.log(drawn["hours"])
    model = sm.GLM(drawn["episodes"], sm.add_constant(drawn[X]), sm.families.Poisson(), offset=watched)
    fit = model.fit(scale="X2")
    # Falls that touch each other count once, which flattens the steepest coefficient a little.
    within(fit.params[X], fit.bse[X], "desaturation", slack=0.08)


def test_the_null_outcome_goes_with_nothing_and_the_site_outcome_with_the_site_alone(drawn):
    fit = sm.Logit(drawn["site_bruise"], sm.add_constant(drawn[X])).fit(disp=0)
    assert (np.abs(fit.params[X] / fit.bse[X]) < 3.5).all()
    sites = pd.get_dummies(drawn["site"], drop_first=True, dtype=float)
    plain = sm.Logit(drawn["long_stay"], sm.add_constant(sites)).fit(disp=0)
    more = sm.Logit(drawn["long_stay"], sm.add_constant(pd.concat([sites, drawn[X]], axis=1))).fit(disp=0)
    assert (np.abs(more.params[X] / more.bse[X]) < 3.5).all()
    assert plain.llr_pvalue < 1e-50
