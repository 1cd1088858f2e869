"""Correlation families against pandas' pairwise Spearman and hand-made structure."""

from __future__ import annotations

import numpy as np
import pandas as pd

from discovery.markers.families import family_leads, family_scores, find_families, spearman_matrix


def two_blocks(seed=0, n=400):
    rng = np.random.default_rng(seed)
    common = rng.normal(size=(n, 2))
    noise = rng.normal(size=(n, 6))
    blocks = np.repeat(common, 3, axis=1) * 0.9 + noise * np.sqrt(1 - 0.81)
    return np.column_stack([blocks, rng.normal(size=(n, 2))])


def test_spearman_with_missing_values_equals_pandas_pairwise_complete(dataset):
    table = dataset("pima_tr2.csv").select_dtypes("number")
    assert table.isna().any().sum() >= 3
    want = table.corr(method="spearman").to_numpy()
    np.testing.assert_allclose(spearman_matrix(table.to_numpy(float)), want, atol=1e-12)


def test_blocks_are_found_whatever_the_sign_or_the_scale():
    x = two_blocks()
    x[:, 1] *= -40.0
    x[:, 4] = np.exp(x[:, 4])
    assert find_families(x).number.tolist() == [1, 1, 1, 2, 2, 2, 3, 4]


def test_members_of_a_family_correlate_by_the_cut_on_average():
    x = two_blocks(3)
    found = find_families(x)
    for family in range(1, found.count + 1):
        members = np.flatnonzero(found.number == family)
        assert set(found.centre[members]) <= set(members)
        if members.size > 1:
            pairs = np.abs(found.rho[np.ix_(members, members)])[np.triu_indices(members.size, 1)]
            assert pairs.mean() >= 0.7


def test_order_of_patients_changes_nothing_and_order_of_features_only_the_numbering():
    x = two_blocks(1)
    rng = np.random.default_rng(2)
    rows, columns = rng.permutation(len(x)), rng.permutation(x.shape[1])
    base, moved = find_families(x), find_families(x[rows][:, columns])
    together = base.number[:, None] == base.number
    np.testing.assert_array_equal(moved.number[:, None] == moved.number, together[np.ix_(columns, columns)])


def test_constant_and_unpaired_features_stand_alone():
    x = two_blocks()[:, :4].copy()
    x[:, 0] = 5.0
    x[:200, 1], x[200:, 2] = np.nan, np.nan
    assert find_families(x).number.tolist() == [1, 2, 3, 4]
    assert find_families(x[:, :1]).number.tolist() == [1]


def test_lead_is_the_strongest_member_and_an_unscored_family_has_none():
    number = np.array([1, 1, 2, 2, 3])
    score = np.array([1.0, 3.0, np.nan, 2.0, np.nan])
    assert family_leads(score, number).tolist() == [1, 1, 3, 3, -1]
    np.testing.assert_array_equal(
        family_scores(np.stack([score, -score]), number), [[3, 2, np.nan], [-1, -2, np.nan]]
    )


def test_family_correlations_match_a_table_read_by_pandas_after_shuffling(dataset):
    table = dataset("wdbc.csv").drop(columns="malignant").select_dtypes("number")
    got = spearman_matrix(table.to_numpy(float))
    want = pd.DataFrame(table).sample(frac=1.0, random_state=1).corr(method="spearman").to_numpy()
    np.testing.assert_allclose(got, want, atol=1e-12)
