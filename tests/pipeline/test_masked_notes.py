"""Numbers in sentences of a run fit to be shared: none that the tables beside them have masked."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

import discovery
from discovery.association.kind_ordinal import small_classes
from discovery.pipeline.check import check, outcome_counts
from discovery.pipeline.masking import rounded_count, said
from discovery.problems import InputError
from discovery.study import read_study

LIMIT, N = 5, 101
STUDY = """[study]
name = "notes"
seed = 1
[patients]
file = "patients.csv"
id = "patient_id"
adjust_for = ["age", "height", "weight", "pulse"]
[features]
file = "features.csv"
[[outcomes]]
name = "bin"
kind = "binary"
column = "died"
[[outcomes]]
name = "grade"
kind = "ordinal"
column = "grade"
[[outcomes]]
name = "days"
kind = "count"
column = "days"
exposure = "watched"
[analysis]
replicates = 0
permutations = 0
phenotypes = false
suppress_below = LIMIT
"""


@pytest.fixture
def cohort(tmp_path):
    """Writes a cohort of 101; 3 lack `died`, 2 are of the highest grade; `limit` and cells as asked."""

    def written(limit, **cells):
        rng = np.random.default_rng(4)
        ids = [f"P{i:03d}" for i in range(N)]
        table = pd.DataFrame({name: rng.normal(50, 9, N) for name in ("age", "height", "weight", "pulse")})
        table = table.assign(
            patient_id=ids, died=np.resize([0.0, 1.0, 0.0], N),
            grade=rng.permutation([0] * 52 + [1] * 47 + [2] * 2), days=rng.poisson(2, N),
            watched=rng.uniform(1, 2, N),
        )  # fmt: skip
        table.loc[[10, 20, 30], "died"] = np.nan
        for name, value in cells.items():
            table.loc[7, name] = value
        table.to_csv(tmp_path / "patients.csv", index=False)
        pd.DataFrame({"patient_id": ids, "rv_a": rng.normal(size=N), "rv_b": rng.normal(size=N)}).to_csv(
            tmp_path / "features.csv", index=False
        )
        (tmp_path / "study.toml").write_text(STUDY.replace("LIMIT", str(limit)), encoding="utf-8")
        return tmp_path

    return written


def notes_of(folder, outcome):
    tables = (pd.read_csv(folder / name) for name in ("markers.csv", "associations.csv"))
    return [text for t in tables for text in t.loc[t["outcome"] == outcome, "note"].dropna().map(str)]


def test_notes_do_not_tell_the_events_or_a_class_that_the_tables_mask(cohort, tmp_path):
    """Of 101 patients 3 lack the outcome: 33 with it beside the 65 without it would tell so."""
    plain = discovery.run(cohort(0), out=tmp_path / "plain", workers=1).folder
    shared = discovery.run(cohort(LIMIT), out=tmp_path / "shared", workers=1).folder
    died = pd.read_csv(tmp_path / "patients.csv")["died"]
    counts = [
        {
            found[1]
            for text in notes_of(folder, "bin")
            if (found := re.search(r"few events: (.*) patients", text))
        }
        for folder in (plain, shared)
    ]
    assert counts == [{f"{died.sum():.0f}"}, {f"about {5 * round(died.sum() / 5):.0f}"}]
    assert any("2 (2 patients)" in text for text in notes_of(plain, "grade"))
    told = [text for text in notes_of(shared, "grade") if "classes with" in text]
    assert told
    for text in told:
        assert "classes with fewer than 5 patients: 2 (fewer than 5 patients)" in text


def test_classes_of_few_are_named_with_their_patients():
    class Design:
        y = np.repeat([0.0, 1.0, 2.0], [20, 4, 1])
        observed = np.ones((25, 1))
        categories = ("I", "II", "III")
        feature_names = ("a",)

    [[text]] = small_classes(Design())
    assert text == "classes with fewer than 5 patients: II (4 patients), III (1 patient)"
    masked = said(text, LIMIT)
    assert masked.count("(fewer than 5 patients)") == 2
    assert not re.search(r"\b[14] patient", masked)


def test_a_limit_in_a_sentence_is_no_count():
    assert said("sites with fewer than 3 patients are one level", 5) == (
        "sites with fewer than 3 patients are one level"
    )


def test_no_rounded_number_exceeds_the_whole_that_it_is_of(cohort):
    assert [int(rounded_count(n, 5, 84)) for n in (84, 83, 82, 78, 77)] == [80, 80, 80, 80, 75]
    assert int(rounded_count(93, 5, 84)) == 95  # events of patients who may have several
    assert int(rounded_count(84, 5)) == 85
    outcome = read_study(cohort(10)).outcomes[0]  # known of 98 of 101
    assert outcome_counts(outcome, 10).startswith("about 100 patients")
    assert outcome_counts(outcome, 17).startswith("about 85 patients")  # not 102


def test_warnings_beside_an_error_are_masked_as_without_it(cohort):
    def warnings(limit, **cells):
        with pytest.raises(InputError) as caught:
            check(cohort(limit, **cells))
        return caught.value

    found = warnings(LIMIT, watched=-1)
    assert [problem.found for problem in found.problems] == ["-1.0"]
    assert found.problems[0].row == 9
    texts = [problem.wanted for problem in found.warnings]
    assert any("fewer than 5 of 101 patients" in text for text in texts)
    assert not any(re.search(r"\b[1-4] (?:of \d+ )?patient", text) for text in texts)
    assert any("3 of 101 patients" in problem.wanted for problem in warnings(0, watched=-1).warnings)


def test_warnings_are_masked_where_the_patients_cannot_be_read(cohort):
    folder = cohort(LIMIT)
    features = pd.read_csv(folder / "features.csv")
    features["rv_c"] = np.where(np.arange(N) < 2, 1.0, np.nan)
    features.to_csv(folder / "features.csv", index=False)
    (folder / "patients.csv").unlink()
    with pytest.raises(InputError) as caught:
        check(folder)
    assert not any(re.search(r"\b[1-4] (?:of \d+ )?patient", p.wanted) for p in caught.value.warnings)
