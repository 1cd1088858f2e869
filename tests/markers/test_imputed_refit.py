"""Missing values imputed inside the draws of the bootstrap."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.association.design import build_design
from discovery.cohort.imputation import complete, completed_designs, plan_imputation
from discovery.markers.bootstrap import bootstrap_refits
from discovery.markers.imputed_refit import ImputedRefit
from discovery.markers.refit import prepare_refit
from discovery.markers.stability import stability_shares
from discovery.seeds import named_rng
from discovery.study import Outcome


def made(kind, *, n=160, seed=2, gaps=True):
    rng = np.random.default_rng(seed)
    ids = np.array([f"p{i:04d}" for i in range(n)])
    index = pd.Index(ids, name="patient_id")
    z = rng.normal(size=n)
    x = 0.5 * z + rng.normal(size=n)
    features = pd.DataFrame(
        {"a": x, "b": 0.8 * x + 0.6 * rng.normal(size=n), "c": rng.normal(size=n), "d": rng.normal(size=n)},
        index=index,
    )
    if gaps:
        for name in ("a", "c"):
            features.loc[rng.random(n) < 0.2, name] = np.nan
    given = {"name": "out", "label": "out", "kind": kind, "patient_id": ids}
    pull = 0.6 * x + 0.4 * z
    if kind == "survival":
        time = rng.exponential(size=n) * np.exp(-pull)
        given |= {"time": np.minimum(time, 1.5), "status": (time <= 1.5).astype(float)}
    elif kind == "binary":
        given["value"] = (pull + rng.logistic(size=n) > 0).astype(float)
    else:
        given["value"] = pull + rng.normal(size=n)
    return build_design(Outcome(**given), pd.DataFrame({"z": z}, index=index), features)


def imputed(design, which=(0, 1, 2, 3), firth=None):
    completed = complete(design, plan_imputation(design), imputations=3, seed=1)
    firth = np.zeros(len(design.feature_names), dtype=bool) if firth is None else firth
    return ImputedRefit(design, firth, np.array(which), completed), completed


@pytest.mark.parametrize("kind", ["survival", "binary", "continuous"])
@pytest.mark.parametrize("which", [(0, 1, 2, 3), (2, 1)])
def test_a_copy_is_refitted_as_if_it_were_the_data(kind, which):
    design = made(kind)
    refit, completed = imputed(design, which)
    w = named_rng(1, "w").multinomial(design.n, np.ones(design.n) / design.n).astype(float)
    for k in (0, 2):
        whole = completed_designs(design, completed)[k]
        wanted = prepare_refit(whole, np.zeros(4, dtype=bool), which)(w)
        got = refit.in_copy(k)(w)
        for name in ("z", "estimate", "gain", "base"):
            np.testing.assert_array_equal(getattr(got, name), getattr(wanted, name))


def test_over_copies_is_the_mean_and_leaves_the_refit_alone():
    design = made("binary")
    refit, completed = imputed(design)
    w = np.ones(design.n)
    before = refit(w)
    every = [refit.in_copy(k)(w).gain for k in range(completed.m)]
    np.testing.assert_allclose(refit.over_copies(w).gain, np.mean(every, axis=0))
    np.testing.assert_array_equal(refit(w).gain, before.gain)


def test_features_fitted_with_and_without_the_penalty_mix():
    design = made("binary")
    firth = np.array([True, False, False, True])
    refit, completed = imputed(design, firth=firth)
    whole = completed_designs(design, completed)[1]
    w = np.ones(design.n)
    np.testing.assert_array_equal(refit.in_copy(1)(w).z, prepare_refit(whole, firth, range(4))(w).z)


def test_draws_do_not_depend_on_workers_and_differ_in_the_imputed_features():
    design = made("survival")
    refit, _ = imputed(design)
    alone = prepare_refit(design, np.zeros(4, dtype=bool), range(4))
    one = bootstrap_refits([refit], replicates=12, seed=3)[0]
    two = bootstrap_refits([refit], replicates=12, seed=3, workers=2)[0]
    np.testing.assert_array_equal(one.z, two.z)
    np.testing.assert_array_equal(one.tested, two.tested)
    complete_cases = bootstrap_refits([alone], replicates=12, seed=3)[0]
    np.testing.assert_allclose(one.z[:, [1, 3]], complete_cases.z[:, [1, 3]], rtol=1e-9)
    assert (one.z[:, [0, 2]] != complete_cases.z[:, [0, 2]]).all()


def test_imputation_keeps_what_the_patients_with_gaps_say():
    # reference: the draws on the whole data before values were taken out; the imputed draws lie nearer
    whole = made("continuous", n=400, gaps=False)
    gone = made("continuous", n=400)
    assert gone.observed.mean() < 1
    refit, _ = imputed(gone)
    wanted = bootstrap_refits(
        [prepare_refit(whole, np.zeros(4, dtype=bool), range(4))], replicates=200, seed=1
    )[0]
    got = bootstrap_refits([refit], replicates=200, seed=1)[0]
    alone = bootstrap_refits(
        [prepare_refit(gone, np.zeros(4, dtype=bool), range(4))], replicates=200, seed=1
    )[0]
    spread = [draws.estimate[:, 0].std() for draws in (wanted, got, alone)]
    assert got.estimate[:, 0].mean() == pytest.approx(wanted.estimate[:, 0].mean(), abs=0.06)
    assert spread[0] < spread[1] < spread[2] * 1.1


def test_stability_over_copies():
    design = made("binary")
    _, completed = imputed(design)
    copies = completed_designs(design, completed)
    rng = lambda: named_rng(1, "halves")  # noqa: E731
    got = stability_shares(design, range(4), rng=rng(), pairs=4, completed=copies)
    assert np.isfinite(got).all()
    same = stability_shares(copies[0], range(4), rng=rng(), pairs=4)
    np.testing.assert_array_equal(
        stability_shares(design, range(4), rng=rng(), pairs=4, completed=copies[:1]), same
    )
    assert completed.plan.missing.sum() == (~design.observed).sum()
