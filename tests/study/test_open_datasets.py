"""The open datasets of shared/ load as studies, with the counts that their publications give."""

# The words of a message stand on one line.
# ruff: noqa: E501

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.study import draft_study, read_study


def written(folder, table, toml):
    """A study of one table; a row number is the id where the dataset has none."""
    table = table.copy()
    table.insert(0, "row_id", np.arange(1, len(table) + 1))
    table.to_csv(folder / "patients.csv", index=False)
    head = '[study]\nname = "open"\n[patients]\nfile = "patients.csv"\nid = "row_id"\n'
    (folder / "study.toml").write_text(head + toml, encoding="utf-8")
    return read_study(folder)


def test_wdbc_is_binary_with_thirty_features(tmp_path, dataset):
    """569 biopsies, 212 malignant (Street et al. 1993, as in shared/datasets/DATASETS.md)."""
    got = written(
        tmp_path,
        dataset("wdbc.csv"),
        '[features]\nfile = "patients.csv"\n[[outcomes]]\nname = "malignant"\nkind = "binary"\ncolumn = "malignant"\n',
    )
    assert got.features.shape == (569, 30)
    assert got.outcomes[0].value.sum() == 212
    assert not any("leak" in problem.wanted for problem in got.warnings)


def test_rotterdam_is_survival(tmp_path, dataset):
    """2982 patients, 1272 deaths (Royston & Altman 2013)."""
    got = written(
        tmp_path,
        dataset("rotterdam.csv").drop(columns=["rtime", "recur"]),
        'adjust_for = ["age", "size"]\n[features]\nfile = "patients.csv"\ncolumns = ["nodes", "pgr", "er"]\n'
        '[[outcomes]]\nname = "death"\nkind = "survival"\ntime = "dtime"\nstatus = "death"\nevent = 1\n',
    )
    assert got.features.shape == (2982, 3)
    assert (got.outcomes[0].status == 1).sum() == 1272
    assert got.covariates["size"].nunique() == 3


def test_mgus2_has_competing_risks(tmp_path, dataset):
    """1384 patients: 409 censored, 115 progressed, 860 died first (Kyle et al. 2002); missing cells as counted."""
    got = written(
        tmp_path,
        dataset("mgus2.csv"),
        'adjust_for = ["age", "sex"]\n[features]\nfile = "patients.csv"\ncolumns = ["hgb", "creat", "mspike"]\n'
        '[[outcomes]]\nname = "pcm"\nkind = "survival"\ntime = "etime"\nstatus = "event"\nevent = 1\ncompeting = [2]\n',
    )
    assert np.bincount(got.outcomes[0].status.astype(int)).tolist() == [409, 115, 860]
    assert got.features.isna().sum().to_dict() == {"hgb": 13, "creat": 30, "mspike": 11}


def test_diabetes_is_continuous(tmp_path, dataset):
    """442 patients (Efron et al. 2004)."""
    got = written(
        tmp_path,
        dataset("diabetes_lars.csv"),
        'adjust_for = ["age", "sex"]\n[features]\nfile = "patients.csv"\n'
        '[[outcomes]]\nname = "progression"\nkind = "continuous"\ncolumn = "progression"\n',
    )
    assert len(got.features) == 442
    assert {"bmi", "bp", "s1", "s6"} <= set(got.features.columns)
    assert "sex" not in got.features


def test_lung_asks_for_its_censored_code(tmp_path, dataset):
    """Status 1 is censored and 2 dead (165) in this file; nothing is guessed about it."""
    toml = (
        '[features]\nfile = "patients.csv"\ncolumns = ["age", "ph.karno"]\n'
        '[[outcomes]]\nname = "death"\nkind = "survival"\ntime = "time"\nstatus = "status"\nevent = 2\n'
    )
    with pytest.raises(ValueError, match="state censored = 1"):
        written(tmp_path, dataset("lung.csv"), toml)
    got = written(tmp_path, dataset("lung.csv"), toml + "censored = 1\n")
    assert (got.outcomes[0].status == 1).sum() == 165


def test_channing_has_the_five_rows_that_need_care(tmp_path, dataset):
    """Four rows with entry = exit and one with entry 959 > exit 912 (Hyde 1980) are refused, by line."""
    toml = (
        '[features]\nfile = "patients.csv"\ncolumns = ["entry"]\n'
        '[[outcomes]]\nname = "death"\nkind = "survival"\ntime = "exit"\nstatus = "cens"\nevent = 1\nentry = "entry"\n'
    ).replace('columns = ["entry"]', 'columns = ["sexcode"]')
    table = dataset("channing.csv").assign(sexcode=lambda t: (t["sex"] == t["sex"].iloc[0]).astype(int))
    with pytest.raises(ValueError) as caught:
        written(tmp_path, table, toml)
    late = [problem for problem in caught.value.problems if problem.column == "entry"]
    assert len(late) == len(caught.value.problems) == 5
    stands = pd.read_csv(tmp_path / "patients.csv")
    for problem in late:
        row = stands.iloc[problem.row - 2]
        assert row["entry"] >= row["exit"]


def test_etiologies_and_classes_of_penguins(tmp_path, dataset):
    """Adelie 152, Chinstrap 68, Gentoo 124 (Gorman et al. 2014)."""
    got = written(
        tmp_path,
        dataset("penguins.csv"),
        'site = "island"\n[features]\nfile = "patients.csv"\nexclude = ["year"]\n'
        '[[outcomes]]\nname = "species"\nkind = "multiclass"\ncolumn = "species"\n',
    )
    assert np.bincount(got.outcomes[0].value.astype(int)).tolist() == [152, 68, 124]
    assert got.outcomes[0].categories == ("Adelie", "Chinstrap", "Gentoo")


@pytest.mark.parametrize(
    "name", ["wdbc.csv", "veteran.csv", "mgus2.csv", "rotterdam.csv", "lung.csv", "ovarian.csv"]
)
def test_a_draft_for_an_open_dataset_passes_its_own_check(tmp_path, dataset, name):
    table = dataset(name)
    table.insert(0, "record_id", [f"r{number}" for number in range(len(table))])
    table.to_csv(tmp_path / name, index=False)
    draft = draft_study(tmp_path)
    assert draft.guesses[-1] == "the draft was checked against the tables: nothing stands in the way"
    (tmp_path / "study.toml").write_text(draft.text, encoding="utf-8")
    assert len(read_study(tmp_path).outcomes) >= 1


def test_every_cohort_that_comes_with_the_project_is_read_without_an_error(root):
    """The demo's tables are made on first use: tests/end_to_end/test_demo.py reads them."""
    studies = [path for path in sorted((root / "cohorts").glob("*/study.toml")) if path.parent.name != "demo"]
    assert len(studies) > 4
    for path in studies:
        assert len(read_study(path).patients) > 1
