"""What is said twice is said once: doubts about many columns, notes of many outcomes."""

from __future__ import annotations

from discovery.pipeline.imputation import notes_in_lines
from discovery.problems import Problem
from discovery.report.doubts_view import doubts_in_lines


def test_columns_of_which_the_same_is_said_share_a_line_and_nothing_is_lost():
    empty = [Problem(file="f.csv", column=f"c{k}", wanted="all values are missing") for k in range(9)]
    other = Problem(file="f.csv", column="d", wanted="a value is missing in 3 of 9 patients")
    key = Problem(file="study.toml", column="analysis.fdr", row=3, found="0.5", wanted="0.05 is usual")
    lines = doubts_in_lines([empty[0], other, *empty[1:], key])
    assert (
        lines[0] == "f.csv, 9 columns ('c0', 'c1', 'c2', 'c3', 'c4' and 4 more); each: all values are missing"
    )
    assert lines[1:] == [problem.sentence() for problem in (other, key)]


def test_a_doubt_about_single_patients_does_not_say_who_they_are():
    strangers = [
        Problem(file="p.csv", column="id", row=row, found=name, wanted="f.csv has no such id")
        for row, name in ((17, "Jane"), (23, "Joan"))
    ]
    assert doubts_in_lines(strangers) == [
        "p.csv, column 'id'; f.csv has no such id (which rows: discovery check)"
    ]


def test_notes_name_all_their_features_and_outcomes():
    never = "was never measured at site B: patients there left out, not imputed"
    both = [f"a {never}", "covariates were imputed (age)", f"b {never}"]
    found = notes_in_lines({"death": both, "stay": [*both, f"c {never}"], "walk": ["values are not imputed"]})
    where = "were never measured at site B: patients there left out, not imputed"
    assert found == [
        f"death: 2 features (a, b) {where}",
        "death, stay: covariates were imputed (age)",
        f"stay: 3 features (a, b, c) {where}",
        "walk: values are not imputed",
    ]
