"""Outcomes: codes to arrays, and the words for what cannot be analysed."""

# The words of a message stand on one line.
# ruff: noqa: E501

from __future__ import annotations

import numpy as np
import pytest

from discovery.association.episodes import episode_rows
from discovery.study.findings import LISTED_PER_KIND

SURVIVAL = """kind = "survival"
time = "time_days"
status = "status"
event = 1
competing = [2]
entry = "entry_days"
"""
BINARY = 'kind = "binary"\ncolumn = "responder"\n'


def only(study, lines):
    """The study with one outcome, given by its lines."""
    study.toml = study.toml[: study.toml.index("[[outcomes]]")] + '[[outcomes]]\nname = "o"\n' + lines
    return study


# --- survival ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("column", "value", "expected"),
    [
        ("time_days", -1, "patients.csv, row 4, column 'time_days': found '-1'; a time of 0 or more is wanted"),
        ("time_days", np.inf, "patients.csv, row 4, column 'time_days': found 'inf'; a finite number is wanted"),
        ("time_days", "long", "patients.csv, row 4, column 'time_days': found 'long'; a number is wanted"),
        ("time_days", "2026-11-25", "found '2026-11-25'; a number is wanted, this looks like a date"),
        ("status", 7, "patients.csv, row 4, column 'status': found '7'; this code is not declared in censored, event or competing of 'o' (1 row)"),
        ("status", "dead", "found 'dead'; this code is not declared in censored, event or competing of 'o' (1 row)"),
        ("entry_days", 5000, "patients.csv, row 4, column 'entry_days': found '5000'; an entry before the end of follow-up (time_days is "),
        ("entry_days", -3, "patients.csv, row 4, column 'entry_days': found '-3'; a time of 0 or more is wanted"),
    ],
)  # fmt: skip
def test_faulty_cells_of_a_survival_outcome(study, column, value, expected):
    only(study, SURVIVAL)
    study.patients[column] = study.patients[column].astype(object)
    study.patients.loc[2, column] = value
    said = study.sentences()
    assert len(said) == 1
    assert expected in said[0]


@pytest.mark.parametrize("cell", ["1e-320", "5e-324", "9e-101"])
@pytest.mark.parametrize("column", ["time_days", "entry_days"])
def test_a_time_too_small_to_compute_with_is_refused(study, column, cell):
    only(study, SURVIVAL if column == "entry_days" else SURVIVAL.replace('entry = "entry_days"\n', ""))
    study.patients[column] = study.patients[column].astype(object)
    study.patients.loc[2, column] = cell
    assert study.sentences() == [
        f"patients.csv, row 4, column '{column}': found '{cell}'; a time of 0, or one that can be computed with "
        "(1e-100 or more), is wanted"
    ]


def test_an_entry_at_the_very_end_is_a_fault(study):
    only(study, SURVIVAL)
    study.patients.loc[2, "entry_days"] = study.patients.loc[2, "time_days"]
    assert "an entry before the end of follow-up" in study.sentences()[0]


def test_a_zero_time_is_kept_with_a_doubt(study):
    only(study, SURVIVAL.replace('entry = "entry_days"\n', ""))
    study.patients.loc[[2, 4], "time_days"] = 0
    got = study.read()
    assert got.outcomes[0].time[2] == 0
    assert got.outcomes[0].known.all()
    assert [problem.sentence() for problem in got.warnings] == [
        "patients.csv, row 4, column 'time_days': found '0'; 2 patients have no follow-up for 'o': kept, but without "
        "an event such a row is never at risk; check that the time is known"
    ]


@pytest.mark.parametrize("who", ["everybody", "those with the event"])
def test_events_that_are_all_at_time_0_are_refused_with_the_first_of_them(study, who):
    only(study, SURVIVAL.replace('entry = "entry_days"\n', ""))
    study.patients.loc[(study.patients["status"] == 1) | (who == "everybody"), "time_days"] = 0
    events = int((study.patients["status"] == 1).sum())
    assert study.sentences() == [
        "patients.csv, row 3, column 'time_days': found '0'; an event after time 0 is wanted for 'o': its "
        f"{events} events are at time 0, when nobody has been followed yet; is this the time from the start to the event?"
    ]


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        ("horizon = 1e9", "1000 at most: the longest time"),
        ("horizon = 1000.5", "1000 at most: the longest time"),
        ("horizon = 1000", ""),
        ("landmark = 200\nhorizon = 801", "800 at most, counted from the landmark at 200: the longest time"),
        ("landmark = 200\nhorizon = 800", ""),
    ],
)
def test_a_horizon_that_nobody_is_followed_up_to_is_refused_with_the_longest_time(study, lines, expected):
    only(study, SURVIVAL + lines)
    study.patients["time_days"] = np.linspace(50, 1000, len(study.patients))
    if not expected:
        assert len(study.read().outcomes) == 1
        return
    said = study.sentences()
    assert len(said) == 1
    assert said[0].startswith("study.toml, column 'horizon of o': found '")
    assert f"{expected} in patients.csv, column 'time_days', is 1000" in said[0]


def test_a_single_patient_with_half_an_outcome_is_one_patient(study):
    only(study, SURVIVAL)
    study.patients = study.patients.astype({"time_days": object, "status": object})
    study.patients.loc[1, "time_days"] = None
    told = "time and status belong together: 1 patient has one of them and is left out of 'o'"
    assert f"patients.csv, row 3, column 'time_days'; {told}" in study.doubts()


def test_missing_parts_leave_the_patient_out_of_the_outcome_aloud(study):
    only(study, SURVIVAL)
    study.patients = study.patients.astype({"time_days": object, "status": object})
    study.patients.loc[1, "time_days"] = None
    study.patients.loc[2, "status"] = None
    study.patients.loc[3, ["time_days", "status"]] = None
    got = study.read()
    assert got.outcomes[0].known.sum() == 37
    said = [problem.wanted for problem in got.warnings]
    assert "time and status belong together: 2 patients have one of them and are left out of 'o'" in said
    assert "the outcome 'o' is not known for 3 of 40 patients; they are left out of it" in said


def test_a_missing_entry_is_named_under_its_own_column(study):
    study.patients = study.patients.astype({"entry_days": object, "status": object})
    study.patients.loc[[1, 2, 3], "entry_days"] = None
    study.patients.loc[3, "status"] = None
    said = study.doubts()
    left_out = "of 40 patients; they are left out of it"
    assert [one for one in said if "not known" in one] == [
        f"patients.csv, column 'status'; the outcome 'death' is not known for 1 {left_out}",
        f"patients.csv, column 'entry_days'; the entry time of 'death' is not known for 2 {left_out}",
    ]


def test_a_missing_time_alone_is_named_under_the_times(study):
    study.patients = study.patients.astype({"time_days": object})
    study.patients.loc[1, "time_days"] = None
    (said,) = [one for one in study.doubts() if "not known" in one]
    assert said.startswith("patients.csv, column 'time_days'; the outcome 'death' is not known for 1 of 40")


def test_a_missing_exposure_is_named_under_its_own_column(study):
    only(study, 'kind = "count"\ncolumn = "visits"\nexposure = "months"')
    study.patients["visits"] = np.resize([0, 2, 5], 40)
    study.patients["months"] = np.where(np.arange(40) < 4, np.nan, 12.0)
    (said,) = [one for one in study.doubts() if "not known" in one]
    assert said.startswith("patients.csv, column 'months'; the exposure of 'o' is not known for 4 of 40")


def test_competing_codes_are_numbered_as_listed(study):
    study.patients["status"] = np.resize(["alive", "dead", "transplant", "lost"], 40)
    only(
        study,
        'kind = "survival"\ntime = "time_days"\nstatus = "status"\nevent = "dead"\ncompeting = ["transplant"]\n'
        'censored = ["alive", "lost"]\n',
    )
    np.testing.assert_array_equal(study.read().outcomes[0].status[:4], [0, 1, 2, 0])


def test_one_and_two_as_in_older_tables_asks_for_the_censored_code(study):
    study.patients["status"] = np.resize([1, 2], 40)
    only(study, 'kind = "survival"\ntime = "time_days"\nstatus = "status"\nevent = 2\n')
    assert study.sentences() == [
        "patients.csv, row 2, column 'status': found '1'; this code is not declared in censored, event or competing of "
        "'o' (20 rows); if it is the code of censored patients, state censored = 1"
    ]
    only(study, 'kind = "survival"\ntime = "time_days"\nstatus = "status"\nevent = 2\ncensored = 1\n')
    np.testing.assert_array_equal(study.read().outcomes[0].status[:2], [0, 1])


def test_codes_are_compared_as_numbers_truths_or_text(study):
    study.patients["status"] = np.resize(["1.0", "0", "TRUE", "False"], 40)
    only(study, 'kind = "survival"\ntime = "time_days"\nstatus = "status"\nevent = true\ncensored = false\n')
    np.testing.assert_array_equal(study.read().outcomes[0].status[:4], [1, 0, 1, 0])


def test_no_event_and_few_events(study):
    only(study, SURVIVAL)
    study.patients["status"] = 0
    assert study.sentences() == [
        "patients.csv, column 'status': found '0'; patients with the event of 'o' (event = 1) are wanted, there is none"
    ]
    (study.folder / "patients.csv").unlink()
    study.patients.loc[:4, "status"] = 1
    doubts = study.doubts()
    assert any(
        "only 5 events for 'o': too few to fit any regression: no feature will be tested" in doubt
        for doubt in doubts
    )
    assert any("found '2'; no patient has this competing event of 'o'" in doubt for doubt in doubts)


# --- binary ------------------------------------------------------------------------------------


def test_binary_by_code(study):
    study.patients["responder"] = np.resize(["yes", "no", ""], 40)
    only(study, BINARY + 'positive = "yes"\n')
    np.testing.assert_array_equal(study.read().outcomes[0].value[:3], [1, 0, np.nan])


@pytest.mark.parametrize(
    ("cells", "lines", "expected"),
    [
        ([0, 2], "", "found '0, 2'; two classes are wanted; no patient has positive = 1"),
        ([1, 1], "", "found '1'; two classes are wanted; no patient has anything but positive = 1"),
        ([0, 1, 2], "", "found '0, 2'; two classes are wanted, here are several beside positive: list those that count as negative in negative = […] of 'o', and empty the others"),
        ([0, 1, 9], "negative = 0\n", "found '9'; this code is not declared in positive or negative of 'o' (13 rows)"),
        (["yes", "no"], 'positive = "Yes"\n', "found 'yes, no'; two classes are wanted; no patient has positive = Yes"),
    ],
)  # fmt: skip
def test_fewer_or_more_than_two_classes(study, cells, lines, expected):
    study.patients["responder"] = np.resize(cells, 40)
    only(study, BINARY + lines)
    said = study.sentences()
    assert len(said) == 1
    assert expected in said[0]


def test_a_small_class_is_doubted(study):
    study.patients["responder"] = np.where(np.arange(40) < 4, 1, 0)
    assert any("only 4 patients in the smaller class for 'responder'" in doubt for doubt in study.doubts())
    (study.folder / "patients.csv").unlink()
    study.patients["responder"] = np.where(np.arange(40) < 1, 1, 0)
    assert any("only 1 patient in the smaller class for 'responder'" in doubt for doubt in study.doubts())


# --- the other kinds ---------------------------------------------------------------------------


def test_continuous(study):
    study.patients["walk_m"] = np.arange(40) * 10.0
    study.patients.loc[3, "walk_m"] = np.nan
    only(study, 'kind = "continuous"\ncolumn = "walk_m"\nunit = "m"\nlabel = "Walking distance"\n')
    got = study.read().outcomes[0]
    np.testing.assert_array_equal(got.value, study.patients["walk_m"])
    assert (got.label, got.unit) == ("Walking distance", "m")
    (study.folder / "patients.csv").unlink()
    study.patients["walk_m"] = 3
    assert study.sentences() == [
        "patients.csv, column 'walk_m': found '3'; different values are wanted for 'o', here is one"
    ]
    (study.folder / "patients.csv").unlink()
    study.patients["walk_m"] = np.resize([3, 4], 40)
    assert "only two values occur; is the outcome 'o' binary?" in study.doubts()[0]


def test_ordinal_by_levels_and_by_number(study):
    study.patients["class"] = np.resize(["II", "I", "III", ""], 40)
    only(study, 'kind = "ordinal"\ncolumn = "class"\nlevels = ["I", "II", "III", "IV"]\n')
    got = study.read()
    assert got.outcomes[0].categories == ("I", "II", "III")
    np.testing.assert_array_equal(got.outcomes[0].value[:4], [1, 0, 2, np.nan])
    assert any(
        "found 'IV'; no patient has this class of 'o'; it is left out" in p.sentence() for p in got.warnings
    )
    only(study, 'kind = "ordinal"\ncolumn = "class"\n')
    assert "the order of the classes is wanted: levels = [low, …, high] of 'o'" in study.sentences()[0]
    only(study, 'kind = "ordinal"\ncolumn = "class"\nlevels = ["I", "II"]\n')
    assert "found 'III'; this code is not declared in levels of 'o' (10 rows)" in study.sentences()[0]
    (study.folder / "patients.csv").unlink()
    study.patients["class"] = np.resize([10, 9, 2], 40)
    only(study, 'kind = "ordinal"\ncolumn = "class"\n')
    got = study.read().outcomes[0]
    assert got.categories == ("2", "9", "10")
    np.testing.assert_array_equal(got.value[:3], [2, 1, 0])


def test_multiclass(study):
    study.patients["species"] = np.resize(["b", "a", "c"], 40)
    only(study, 'kind = "multiclass"\ncolumn = "species"\n')
    assert study.read().outcomes[0].categories == ("a", "b", "c")
    only(study, 'kind = "multiclass"\ncolumn = "species"\nlevels = ["c", "a", "b"]\n')
    got = study.read().outcomes[0]
    assert got.categories == ("c", "a", "b")
    np.testing.assert_array_equal(got.value[:3], [2, 1, 0])
    (study.folder / "patients.csv").unlink()
    study.patients["species"] = "a"
    only(study, 'kind = "multiclass"\ncolumn = "species"\n')
    assert "two classes or more are wanted for 'o'" in study.sentences()[0]


def test_counts_and_exposure(study):
    study.patients["visits"] = np.resize([0, 1, 4], 40)
    study.patients["years"] = 2.5
    only(study, 'kind = "count"\ncolumn = "visits"\nexposure = "years"\n')
    got = study.read().outcomes[0]
    assert (got.exposure == 2.5).all()
    (study.folder / "patients.csv").unlink()
    study.patients["visits"] = study.patients["visits"].astype(object)
    study.patients.loc[0, "visits"] = -1
    study.patients.loc[1, "visits"] = 1.5
    study.patients.loc[2, "years"] = 0
    assert study.sentences() == [
        "patients.csv, row 2, column 'visits': found '-1'; a count of 0 or more is wanted",
        "patients.csv, row 3, column 'visits': found '1.5'; a whole number is wanted",
        "patients.csv, row 4, column 'years': found '0.0'; a time above 0 is wanted",
    ]
    (study.folder / "patients.csv").unlink()
    study.patients["visits"], study.patients["years"] = 0, 2.5
    assert study.sentences() == [
        "patients.csv, column 'visits': found '0'; different counts are wanted for 'o', here is one"
    ]


COUNT = 'kind = "count"\ncolumn = "visits"\nexposure = "years"\n'


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        ("1e-320", "a time above 0 that can be computed with (1e-100 or more) is wanted"),
        ("1e-30", "a time from a millionth to a million times the median of the column (2.5) is wanted"),
        ("2.4e-6", "a time from a millionth to a million times the median of the column (2.5) is wanted"),
        ("3e6", "a time from a millionth to a million times the median of the column (2.5) is wanted"),
        ("-1e-320", "a time above 0 is wanted"),
        ("1e300", "a number is wanted"),
    ],
)
def test_an_exposure_that_is_no_time_beside_the_others_is_refused(study, cell, expected):
    study.patients["visits"] = np.resize([0, 1, 4], 40)
    study.patients["years"] = ["2.5"] * 39 + [cell]
    only(study, COUNT)
    (said,) = study.sentences()
    assert said.startswith(f"patients.csv, row 41, column 'years': found '{cell}'; ")
    if cell != "1e300":  # refused before, as any number too large to compute with
        assert expected in said


@pytest.mark.parametrize("cell", ["0.0024", "2600"])
def test_an_exposure_far_off_the_others_is_doubted(study, cell):
    study.patients["visits"] = np.resize([0, 1, 4], 40)
    study.patients["years"] = ["2.5"] * 39 + [cell]
    only(study, COUNT)
    (said,) = [one for one in study.doubts() if "years" in one]
    assert said == (
        f"patients.csv, row 41, column 'years': found '{cell}'; 1 patient with a time more than 1000 times "
        "off the median (2.5): is this in the unit of the others?"
    )


def test_exposures_within_a_thousand_times_the_median_are_taken_as_they_are(study):
    study.patients["visits"] = np.resize([0, 1, 4], 40)
    study.patients["years"] = np.r_[0.0026, 2400, np.full(38, 2.5)]
    only(study, COUNT)
    assert not [one for one in study.doubts() if "median" in one]


RECURRENT = (
    'kind = "recurrent"\nfile = "events.csv"\ntime = "day"\nfollowup = "time_days"\nterminal = "died"\n'
)


def test_recurrent_events(study):
    study.patients["died"] = np.resize([0, 1], 40)
    study.patients["seen_from"] = np.where(study.patients.index == 1, 3.0, 0.0)
    only(study, RECURRENT)
    study.put("events.csv", "patient_id,day\nP001,20\nP000,5\nP001,10\nQ,3\nP002,\n")
    got = study.read()
    outcome = got.outcomes[0]
    np.testing.assert_array_equal(outcome.event_patient, [0, 1, 1])
    np.testing.assert_array_equal(outcome.event_time, [5, 10, 20])
    np.testing.assert_array_equal(outcome.value[:3], [1, 2, 0])
    np.testing.assert_array_equal(outcome.time, study.patients["time_days"])
    np.testing.assert_array_equal(outcome.status[:2], [0, 1])
    said = [problem.sentence() for problem in got.warnings]
    assert (
        "events.csv, row 5, column 'patient_id': found 'Q'; patients.csv has no such id; the event is left out"
        in said
    )
    assert "events.csv, column 'day'; the time is missing in 1 event; it is left out" in said
    study.put("events.csv", "patient_id,day\nP001,99999\nP002,-1\n")
    for row, found, end in ((2, "99999", outcome.time[1]), (3, "-1", outcome.time[2])):
        wanted = f"a time from 0 up to {end:g} (time_days), this patient's own follow-up, is wanted"
        assert f"events.csv, row {row}, column 'day': found '{found}'; {wanted}" in study.sentences()
    study.put("events.csv", "patient_id,day\nP001,0\nP002,0\n")
    assert np.flatnonzero(study.read().outcomes[0].value).tolist() == [1, 2]
    only(study, RECURRENT + 'entry = "seen_from"\n')
    assert len(study.sentences()) == 1
    said = f"found '0'; a time after {study.patients.at[1, 'seen_from']:g} (seen_from) up to"
    assert study.sentences()[0].startswith(f"events.csv, row 2, column 'day': {said}")
    only(study, RECURRENT)
    study.put("events.csv", "id,day\nP001,9\n")
    assert "events.csv, column 'id'" not in study.sentences()[0]
    assert "there is no such column, which id of 'o' names; did you mean 'id'?" in study.sentences()[0]


def test_episodes_of_a_patient_at_one_time_count_once_and_are_named(study):
    study.patients["died"] = 0
    only(study, RECURRENT)
    study.put("events.csv", "patient_id,day\nP001,20\nP000,5\nP001,20\nP001,10\nP002,20\nP001,20.0\n")
    got = study.read()
    outcome = got.outcomes[0]
    np.testing.assert_array_equal(outcome.event_patient, [0, 1, 1, 2])
    np.testing.assert_array_equal(outcome.event_time, [5, 10, 20, 20])
    np.testing.assert_array_equal(outcome.value[:3], [1, 2, 1])
    said = [p.sentence() for p in got.warnings if "same time" in p.sentence()]
    assert said == [
        f"events.csv, row {row}, column 'day': found '20'; row 2 has this patient at the same time; the two are counted as one event"
        for row in (4, 7)
    ]
    rows = episode_rows(outcome, np.arange(len(outcome.patient_id)))
    assert rows.event.sum() == outcome.value.sum()  # the number in tables is that of the model
    many = "".join("P001,20\n" for _ in range(40))
    study.put("events.csv", f"patient_id,day\n{many}P000,5\n")
    said = [p.sentence() for p in study.read().warnings]
    assert len([text for text in said if "at the same time" in text]) == LISTED_PER_KIND
    assert f"events.csv; and {39 - LISTED_PER_KIND} more of this kind (same time)" in said


def test_the_same_code_twice_is_a_fault(study):
    only(study, SURVIVAL.replace("competing = [2]", "competing = [2, 2]"))
    assert "the code 2 stands twice in event, competing and censored" in study.sentences()[0]
