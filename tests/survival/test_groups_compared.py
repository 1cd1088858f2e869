"""Groups over time: against lifelines, within strata, and what is left out."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from lifelines.statistics import multivariate_logrank_test

from discovery.survival.groups_over_time import COLUMNS, FAMILY, GRAY, LOG_RANK, groups_over_time
from discovery.survival.logrank import grays_test, logrank_test


@pytest.fixture
def patients(dataset):
    """The Rotterdam tumour bank: size class and menopause."""
    table = dataset("rotterdam.csv").iloc[::5].reset_index(drop=True)
    time = np.minimum(table["rtime"], table["dtime"]).to_numpy(dtype=float)
    status = np.where(table["recur"] == 1, 1, np.where(table["death"] == 1, 2, 0))
    return time, status, table["size"].astype(object), table["meno"].map({0: "before", 1: "after"})


def test_the_log_rank_family_is_that_of_lifelines(patients):
    time, status, size, meno = patients
    found = groups_over_time(time, (status == 1).astype(int), {"size": size, "menopause": meno})
    assert list(found.columns) == COLUMNS
    weights = {"Gehan-Wilcoxon": "wilcoxon", "Tarone-Ware": "tarone-ware", "Peto-Peto": "peto"}
    for by, group in (("size", size), ("menopause", meno)):
        mine = found[found["by"] == by].set_index("quantity")
        assert list(mine.index) == list(FAMILY)
        wanted = multivariate_logrank_test(time, group.astype(str), status == 1)
        assert mine.at[LOG_RANK, "statistic"] == pytest.approx(wanted.test_statistic, rel=1e-8)
        assert mine.at[LOG_RANK, "p_value"] == pytest.approx(wanted.p_value, rel=1e-8)
        for name, weight in weights.items():
            wanted = multivariate_logrank_test(time, group.astype(str), status == 1, weightings=weight)
            assert mine.at[name, "statistic"] == pytest.approx(wanted.test_statistic, rel=2e-2)
    first = found[found["quantity"] == LOG_RANK]
    assert first["q_value"].max() == first["p_value"].max()
    assert found.loc[found["quantity"] != LOG_RANK, "q_value"].isna().all()


def test_competing_events_bring_grays_test_and_strata_are_kept(patients):
    time, status, size, meno = patients
    site = np.resize([0, 1, 2], len(time))
    found = groups_over_time(time, status, {"size": size, "meno": meno}, strata={"meno": site})
    gray = found[found["quantity"] == GRAY].set_index("by")
    assert gray.at["size", "p_value"] == grays_test(time, status, size.astype(str)).p_value
    within = logrank_test(time, status == 1, meno, stratum=site)
    row = found[(found["by"] == "meno") & (found["quantity"] == LOG_RANK)].iloc[0]
    assert row["p_value"] == within.p_value
    assert row["note"] == "stratified by site"
    late = groups_over_time(time + 1, status, {"size": size}, entry=np.full(len(time), 0.5))
    test = late[late["quantity"] == GRAY].iloc[0]
    assert test["p_value"] == pytest.approx(gray.at["size", "p_value"], rel=1e-12)


def test_small_groups_and_patients_without_a_label_are_left_out(patients):
    time, status, size, _ = patients
    few = size.copy()
    few.iloc[:4], few.iloc[4:9] = "rare", None
    found = groups_over_time(time, status, {"size": few, "one": pd.Series(["a"] * len(time))})
    assert set(found["by"]) == {"size"}
    assert "rare" not in found["groups"].iloc[0]
    assert (found["n"] == len(time) - 9).all()
