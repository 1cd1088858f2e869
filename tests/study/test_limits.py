"""Cells that say a value lies beyond a limit of the device."""

from __future__ import annotations

import numpy as np
import pytest

from discovery.problems import InputError


def limited(study, cells, *, more=""):
    study.features["rv_a"] = study.features["rv_a"].astype(object)
    for row, cell in cells.items():
        study.features.loc[row, "rv_a"] = cell
    study.toml = study.toml.replace(
        'file = "features.csv"', f'file = "features.csv"\nbeyond_limit = ["rv_a"]{more}'
    )
    return study


def test_cells_beyond_a_limit_are_kept_as_limits(study):
    cells = {0: "<0.5", 1: "<= 0.5", 2: "≤0,5".replace(",", "."), 3: ">60", 4: ">=60", 5: "≥ 60", 6: ""}
    found = limited(study, cells).read()
    assert found.features["rv_a"].iloc[:7].isna().all()
    assert found.features["rv_a"].iloc[7:].notna().all()
    np.testing.assert_array_equal(found.limits.below["rv_a"].iloc[:7], [0.5, 0.5, 0.5, *[np.nan] * 4])
    np.testing.assert_array_equal(found.limits.above["rv_a"].iloc[:7], [*[np.nan] * 3, 60, 60, 60, np.nan])
    assert found.limits.below["rv_a"].iloc[7:].isna().all()


def test_limits_belong_to_patients_not_to_rows(study):
    limited(study, {0: "<0.5"})
    study.features = study.features.iloc[::-1].reset_index(drop=True)
    assert study.read().limits.below["rv_a"].dropna().to_dict() == {"P000": 0.5}


def test_a_column_mostly_beyond_its_limit_is_a_feature_when_it_is_named(study):
    found = limited(study, {row: "<0.5" for row in range(30)}).read()
    assert found.limits.below["rv_a"].notna().sum() == 30
    assert "rv_a" in found.features


def test_whatever_else_is_no_number_stays_a_fault(study):
    with pytest.raises(InputError) as fault:
        limited(study, {0: "<0.5", 1: "<low", 2: "about 3"}).read()
    assert [problem.found for problem in fault.value.problems] == ["<low", "about 3"]


def test_a_cell_beyond_a_limit_in_another_column_says_what_to_write(study):
    study.features["rv_b"] = study.features["rv_b"].astype(object)
    study.features.loc[3, "rv_b"] = ">60"
    with pytest.raises(InputError, match="name the column in beyond_limit under"):
        study.read()


def test_a_name_in_beyond_limit_that_no_column_has(study):
    study.toml = study.toml.replace('file = "features.csv"', 'file = "features.csv"\nbeyond_limit = ["rv_q"]')
    with pytest.raises(InputError, match=r"which beyond_limit under .features. names"):
        study.read()


def test_without_such_cells_there_are_no_limits(study):
    assert limited(study, {}).read().limits is None
