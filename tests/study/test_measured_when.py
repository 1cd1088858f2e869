"""Eligibility, times of measurement and dated outcomes in the study file, on an open cohort."""

from __future__ import annotations

import shutil

import numpy as np
import pandas as pd
import pytest

from discovery.association.design import build_design
from discovery.problems import InputError
from discovery.study import read_study
from discovery.study.eligibility import COMPARISONS
from discovery.study.settings import COMPARISONS as IN_THE_FILE


@pytest.fixture
def cohort(root, tmp_path):
    """The open cohort copied, with more study text and more columns."""

    def make(text="", outcome="", patients="", **columns):
        folder = tmp_path / "cohort"
        shutil.copytree(root / "cohorts" / "rotterdam", folder)
        table = pd.read_csv(folder / "patients.csv")
        for name, values in columns.items():
            table[name] = values(table)
        table.to_csv(folder / "patients.csv", index=False)
        study = (folder / "study.toml").read_text(encoding="utf-8")
        study = study.replace('unit = "days"', f'unit = "days"\n{outcome}')
        study = study.replace("adjust_for", f"{patients}\nadjust_for")
        (folder / "study.toml").write_text(f"{study}\n{text}", encoding="utf-8")
        return folder, table

    return make


def rule(column, comparison, value, reason=""):
    return (
        f'[[eligibility]]\ncolumn = "{column}"\ncomparison = "{comparison}"\nvalue = {value}\n'
        f'reason = "{reason}"\n'
    )


def test_the_study_file_knows_the_comparisons_of_the_rules():
    assert set(IN_THE_FILE) == set(COMPARISONS)


def test_rules_leave_patients_out_before_anything_is_learned(cohort):
    folder, table = cohort(
        rule("age_years", ">=", 40, "younger than 40") + rule("age_years", "<", 75, "75 or older")
    )
    study = read_study(folder)
    inside = table["age_years"].between(40, 75, inclusive="left")
    assert len(study.patients) == inside.sum() == len(study.features) == len(study.outcomes[0].time)
    assert study.patients["age_years"].between(40, 75, inclusive="left").all()
    flow = study.attrition.set_index("reason")
    assert flow.loc["younger than 40", "n_left_out"] == (table["age_years"] < 40).sum()
    assert flow.loc["75 or older", "n_left_out"] == (table["age_years"] >= 75).sum()
    assert study.attrition["n"].iloc[-1] == inside.sum()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (rule("age_yaers", ">=", 40), "did you mean 'age_years'"),
        (rule("age_years", ">>", 40), "one of <, <=, >, >="),
        (rule("age_years", ">=", '"forty"'), "a number, as in the column"),
        (rule("age_years", "in", 40), "a list of values"),
        ('[[eligibility]]\ncolumn = "age_years"\n', "this key is needed"),
        ('[eligibility]\ncolumn = "age_years"\n', "[[eligibility]], two brackets"),
        (
            rule("age_years", ">=", 4000),
            "two patients or more who fulfil the rules of eligibility are wanted; "
            "age_years >= 4000 leaves out",
        ),
        (rule("age_years", ">=", 40) + "because = 3\n", "a rule of eligibility has no key of this name"),
    ],
)
def test_faults_in_rules_are_said_in_words(cohort, text, words):
    folder, _ = cohort(text)
    with pytest.raises(InputError) as fault:
        read_study(folder)
    assert words in str(fault.value), str(fault.value)


def test_a_fault_in_one_rule_hides_none_of_the_others(cohort):
    folder, _ = cohort(
        rule("age_years", "in", 40) + rule("age_years", ">=", '"forty"') + rule("age_yaers", ">=", 40)
    )
    with pytest.raises(InputError) as fault:
        read_study(folder)
    assert len(fault.value.problems) == 3
    for words in ("a list of values", "a number, as in the column", "did you mean 'age_years'"):
        assert words in str(fault.value)


def test_a_rule_that_leaves_out_nobody_is_not_blamed_for_a_single_patient(cohort):
    folder, table = cohort(rule("age_years", ">=", 0))
    table.head(1).to_csv(folder / "patients.csv", index=False)
    with pytest.raises(InputError) as fault:
        read_study(folder)
    assert "two patients or more who fulfil the rules of eligibility are wanted" in str(fault.value)
    assert "leaves out" not in str(fault.value)


def test_patients_measured_after_the_outcome_are_left_out_of_it_and_counted(cohort):
    folder, table = cohort(
        patients='measured_at = "measured_days"',
        measured_days=lambda t: np.where(np.arange(len(t)) < 25, t["time_days"] + 3, -1),
    )
    study = read_study(folder)
    assert any("25 patients were measured at or after the outcome" in w.sentence() for w in study.warnings)
    design = build_design(study.outcomes[0], study.covariates, study.features)
    gone = design.left_out.set_index("reason")["n"]
    assert gone["features measured at or after the outcome"] == 25
    assert design.n == len(table) - 25
    assert "measured_days" not in study.features


def test_measured_on_another_clock_is_refused(cohort):
    folder, _ = cohort(
        patients='measured_at = "measured_days"', measured_days=lambda t: t["time_days"] * 86_400
    )
    with pytest.raises(InputError, match="times on one clock are wanted"):
        read_study(folder)


def test_time_before_the_measurement_is_doubted_and_entry_settles_it(cohort):
    folder, _ = cohort(patients='measured_at = "measured_days"', measured_days=lambda t: t["time_days"] / 10)
    assert any("could not have the event before" in w.sentence() for w in read_study(folder).warnings)
    text = (folder / "study.toml").read_text(encoding="utf-8")
    (folder / "study.toml").write_text(
        text.replace('unit = "days"', 'unit = "days"\nentry = "measured_days"'), encoding="utf-8"
    )
    assert not any("could not have the event" in w.sentence() for w in read_study(folder).warnings)


@pytest.mark.parametrize(
    ("outcome", "words"),
    [
        ('entry = "begin"', "7 patients were measured after they entered"),
        ("landmark = 20", "7 patients were measured after the landmark"),
        ("landmark = 29", ""),
        ('entry = "measured"', ""),
    ],
)
def test_entry_and_landmark_settle_it_only_where_they_are_no_earlier_than_the_measurement(
    cohort, outcome, words
):
    """Seven patients measured on day 29, the others on day 20; all outcomes are later than day 30."""
    folder, table = cohort(
        outcome=outcome,
        patients='measured_at = "measured"',
        measured=lambda t: np.where(np.arange(len(t)) < 7, 29.0, 20.0),
        begin=lambda t: np.full(len(t), 20.0),
    )
    assert table["time_days"].min() > 30
    said = [w.sentence() for w in read_study(folder).warnings if "could not have the event" in w.sentence()]
    assert len(said) == bool(words)
    assert not words or words in said[0]
    assert ("landmark of 29 or later" in "".join(said)) == ("landmark = 20" in outcome)


def test_an_outcome_without_a_time_can_be_dated(cohort):
    folder, _ = cohort(
        '[[outcomes]]\nname = "relapsed"\nkind = "binary"\ncolumn = "relapse_or_death"\ndated = "visit"\n',
        patients='measured_at = "measured_days"',
        measured_days=lambda t: np.where(np.arange(len(t)) < 30, 9.0, -1.0),
        visit=lambda t: np.full(len(t), 9.0),
    )
    study = read_study(folder)
    binary = next(o for o in study.outcomes if o.kind == "binary")
    assert binary.left_out[0][1].sum() == 30
    assert binary.known.sum() == len(binary.known) - 30
