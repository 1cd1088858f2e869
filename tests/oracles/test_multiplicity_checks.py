"""Adjusted p-values against published examples and other programs: rows MU of the reference table.

Rows MU01-MU04, MU06-MU08: R stats 4.2.2 and qvalue 2.30.0 on the 15 p-values of Benjamini & Hochberg
1995. MU05: that paper's own count of rejections. MU09-MU11: worked from the definitions, seconded by
statsmodels 0.15.0 and numpy. MU12: R multtest 2.54.0, full enumeration. Each row names its source.
"""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy.stats import false_discovery_control

from discovery.association import multiplicity as mu
from discovery.association.westfall_young import westfall_young


def inputs(row):
    return json.loads(row["dataset_or_inputs"])


def close(row, got):
    np.testing.assert_allclose(got, row["expected"], rtol=0, atol=row["tolerance"])


@pytest.mark.parametrize(
    ("check_id", "method"),
    [
        ("MU01", mu.holm),
        ("MU02", mu.hochberg),
        ("MU03", mu.benjamini_hochberg),
        ("MU04", mu.benjamini_yekutieli),
    ],
)
def test_adjusted_p_values_of_r(check, check_id, method):
    row = check(check_id)
    close(row, method(inputs(row)["p"]))


def test_rejections_printed_in_the_paper_that_introduced_the_false_discovery_rate(check):
    row = check("MU05")
    p = inputs(row)["p"]
    adjusted = [mu.bonferroni(p), mu.hochberg(p), mu.benjamini_hochberg(p)]
    assert [int((a <= 0.05).sum()) for a in adjusted] == row["expected"]


def test_share_of_nulls_without_the_added_one(check):
    row = check("MU06")
    close(row, mu.share_of_nulls(inputs(row)["p"], threshold=0.5, finite_sample=False))
    # the row's note gives the finite-sample form: 5 / 7.5
    assert mu.share_of_nulls(inputs(row)["p"]) == pytest.approx(5 / 7.5, abs=1e-12)


def test_storey_q_values(check):
    row = check("MU07")
    close(row, mu.storey(inputs(row)["p"], finite_sample=False))


def test_share_of_nulls_at_the_threshold_of_least_error(check):
    row = check("MU08")
    given = inputs(row)
    close(row, mu.share_of_nulls_by_least_error(given["p"], given["lambda"]))


def test_two_stage_step_up(check):
    row = check("MU09")
    assert mu.two_stage_rejected(inputs(row)["p"], 0.05).sum() == row["expected"]


def test_effective_number_of_tests(check):
    row = check("MU10")
    found = mu.effective_number_of_tests(inputs(row)["correlation"])
    close(row, [found.li_ji, found.nyholt, found.galwey])


def test_selected_cells(check):
    row = check("MU11")
    families = inputs(row)["families"]
    q = mu.selected_cells(families)
    got = [mu.simes(p) for p in families.values()] + [int((q[f] <= 0.05).sum()) for f in families]
    close(row, got)


def test_step_down_by_full_enumeration(check):
    row = check("MU12")
    given = inputs(row)
    found = westfall_young(np.array(given["markers"]).T, np.array(given["group"]))
    assert found.enumerated
    assert found.relabellings == 70
    close(row, [*found.p_raw, *found.p_adjusted])


def test_benjamini_hochberg_and_yekutieli_agree_with_scipy_on_random_p():
    p = np.random.default_rng(5).uniform(size=(40, 25)) ** 3
    for values in p:
        np.testing.assert_allclose(
            mu.benjamini_hochberg(values), false_discovery_control(values, method="bh"), rtol=1e-12
        )
        np.testing.assert_allclose(
            mu.benjamini_yekutieli(values), false_discovery_control(values, method="by"), rtol=1e-12
        )
