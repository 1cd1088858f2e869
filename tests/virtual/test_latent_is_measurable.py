"""What is latent leaves its mark on what is measured: rank correlations over the virtual population.

Bounds are lower limits of what a fair line allows; the values are printed (`pytest -s`). No measurement of
relaxation or coupling is exact: see the cautions of the dictionary.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from joblib import Parallel, delayed
from scipy.stats import spearmanr

from discovery.beats import measure
from discovery.seeds import named_rng
from discovery.virtual.measurement import Line, Transducer, store
from discovery.virtual.people import make_person
from discovery.virtual.visits import latent_of, simulate_visit

FEATURES = (
    "rv_systolic_pressure", "rv_end_diastolic_pressure", "rv_minimum_diastolic_pressure", "pa_mean_pressure",
    "heart_rate", "rv_tau_exponential", "rv_tau_weiss", "rv_tau_logistic", "rv_coupling_ratio",
    "rv_systolic_centroid", "cvp_mean", "pa_effective_elastance", "sampling_site",
)  # fmt: skip


def measured(number: int) -> dict[str, object]:
    person = make_person(number, 1)
    recorded = simulate_visit(person, 1, 1)
    latent = latent_of(person, 1, recorded)
    rng = named_rng(number, "measured")
    fair = {"line": Line(natural_hz=40.0, damping=0.5), "transducer": Transducer(noise=0.15)}
    rv, pa, cvp = (store(recorded[s], 250.0, rng, **fair) for s in ("rv", "pa", "cvp"))
    found = measure(
        rv, 250.0, pa=pa, cvp=cvp, line=(40.0, 0.5), pa_delay_s=0.0, cardiac_output=latent.cardiac_output
    )
    window = found.windows.iloc[0]
    return {**{f"true_{k}": v for k, v in vars(latent).items()}, **{key: window.get(key) for key in FEATURES}}


@pytest.fixture(scope="module")
def table(full_validity):
    numbers = range(1, 401 if full_validity else 71)
    return pd.DataFrame(Parallel(n_jobs=2, prefer="threads")(delayed(measured)(n) for n in numbers))


PAIRS = [
    ("rv_systolic_pressure", "true_rv_peak", 0.98),
    ("rv_end_diastolic_pressure", "true_rv_edp", 0.75),
    ("pa_mean_pressure", "true_pa_mean", 0.98),
    ("cvp_mean", "true_cvp_mean", 0.95),
    ("heart_rate", "true_rate", 0.95),
    ("pa_effective_elastance", "true_ea", 0.90),
    ("rv_tau_weiss", "true_tau_s", 0.60),
    ("rv_tau_logistic", "true_tau_s", 0.60),
    ("rv_tau_exponential", "true_tau_s", 0.45),
    ("rv_minimum_diastolic_pressure", "true_tau_s", 0.35),
    ("rv_coupling_ratio", "true_coupling", 0.40),
]


@pytest.mark.parametrize(("feature", "truth", "least"), PAIRS, ids=[pair[0] for pair in PAIRS])
def test_a_feature_follows_what_is_latent(feature, truth, least, table):
    both = table[[feature, truth]].astype(float).dropna()
    rho = spearmanr(both[feature], both[truth]).statistic
    r = np.corrcoef(both[feature], both[truth])[0, 1]
    print(f"{feature} against {truth}: n {len(both)}, Spearman {rho:.2f}, Pearson {r:.2f}")
    assert len(both) >= 0.3 * len(table)
    assert rho > least


def test_load_shows_in_a_late_peak(table):
    """Poor coupling moves the centroid of systole late (Fukumitsu M et al., J Physiol 2022: later peak)."""
    both = table[["rv_systolic_centroid", "true_coupling"]].astype(float).dropna()
    assert spearmanr(*both.to_numpy().T).statistic < -0.5


def test_the_ventricle_is_known_as_such(table):
    assert (table["sampling_site"] == "RV").mean() > 0.93
