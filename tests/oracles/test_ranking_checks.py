"""The ranking rows of statistical_checks.csv, each through our own functions."""

from __future__ import annotations

import json

import numpy as np
import pytest

from discovery.kernels.concordance import concordance, pair_discrimination, survival_pairs
from discovery.markers.rank_agreement import kendall_w, mean_jaccard, rank_correlations, selection_stability
from discovery.markers.ranks import joint_rank_interval, rank_descending, rank_interval, share_in_top

NAMES = ["age", "ph.ecog", "ph.karno", "pat.karno", "meal.cal", "wt.loss"]


@pytest.fixture(scope="module")
def lung(dataset):
    """Time, event, markers of the 167 complete patients, and the weights of 200 stored resamples."""
    table = dataset("lung.csv").dropna()
    index = dataset("lung_complete_boot_index.csv", header=None).to_numpy(dtype=int)
    weights = np.stack([np.bincount(row, minlength=len(table)) for row in index], axis=1).astype(float)
    event = (table["status"] == 2).to_numpy(float)
    return table["time"].to_numpy(float), event, table[NAMES].to_numpy(float), weights, index


@pytest.fixture(scope="module")
def resampled_ranks(lung):
    time, event, markers, weights, _ = lung
    c = pair_discrimination(survival_pairs(time, event), -markers, weights).value
    # the sides of .5 are compared as exact numbers: a tie differs by rounding only
    return rank_descending(np.round(np.abs(c.T - 0.5), 12))


def near(found, row):
    np.testing.assert_allclose(
        np.asarray(found, dtype=float), row["expected"], rtol=0, atol=row["tolerance"] + 1e-15
    )


def test_rk01_concordance_and_the_ranks_it_gives(check, lung):
    time, event, markers, *_ = lung
    c = concordance(time, event, -markers).value
    near(c, check("RK01"))
    ranks = check("RK01")["note"].split("[")[1].split("]")[0]
    assert rank_descending(np.abs(c - 0.5)).tolist() == json.loads(f"[{ranks}]")


def test_rk02_mean_rank_over_resamples(check, resampled_ranks):
    near(resampled_ranks.mean(axis=0), check("RK02"))


def test_rk03_rank_interval(check, resampled_ranks):
    near(np.concatenate(rank_interval(resampled_ranks)), check("RK03"))


def test_rk04_share_of_resamples_at_the_top(check, resampled_ranks):
    near(np.concatenate([share_in_top(resampled_ranks, 1), share_in_top(resampled_ranks, 2)]), check("RK04"))


def test_rk05_mean_rank_by_cox_z(check, lung):
    from discovery.kernels.cox import screen_cox

    time, event, markers, _, index = lung
    ranks = []
    for rows in index:  # rows are repeated, so that they tie: a weight is not a repetition under Efron
        fit = screen_cox(time[rows], event[rows], None, markers[rows])
        ranks.append(rank_descending(np.abs(fit.coef[:, -1] / fit.se)))
    near(np.mean(ranks, axis=0), check("RK05"))


def test_rk06_kendall_w(check):
    near(kendall_w(json.loads(check("RK06")["dataset_or_inputs"])["ranks"]), check("RK06"))


def test_rk07_two_rankings_with_ties(check):
    inputs = json.loads(check("RK07")["dataset_or_inputs"])
    near(rank_correlations(inputs["a"], inputs["b"]), check("RK07"))


def test_rk08_stability_of_selections(check):
    selected = json.loads(check("RK08")["dataset_or_inputs"])["selected"]
    near([selection_stability(selected), mean_jaccard(selected)], check("RK08"))


def test_rk09_joint_rank_intervals(check):
    inputs = json.loads(check("RK09")["dataset_or_inputs"])
    near(np.concatenate(joint_rank_interval(**inputs)), check("RK09"))
