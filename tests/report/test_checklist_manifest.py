"""The checklist claims only what is there; the manifest holds what decides the results and no more."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace

import numpy as np

from discovery.report.checklist import COLUMNS, ITEMS, UNWRITTEN, checklist
from discovery.report.headline import headline
from discovery.report.manifest import SCHEMA, write_manifest

ALL_FILES = {name for item in ITEMS for name in item.where}


def heads(made):
    settings = made.run_settings()
    return settings, [headline(made.study_tables()["markers"], o, settings) for o in settings.outcomes]


def test_every_item_of_the_three_statements_is_there():
    """STROBE has 22 items, REMARK 20, TRIPOD+AI 27: each has a row."""

    def numbers(field):
        found = set()
        for item in ITEMS:
            for part in getattr(item, field).replace("12c", "12").split(","):
                ends = [int(x) for x in part.strip().split("-") if x.strip()]
                found |= set(range(ends[0], ends[-1] + 1)) if ends else set()
        return found

    assert numbers("strobe") == set(range(1, 23))
    assert numbers("remark") == set(range(1, 21))
    assert numbers("tripod_ai") == set(range(1, 28))


def test_an_item_without_its_file_is_not_claimed(made):
    settings, found = heads(made)
    nothing = checklist(settings, found, set())
    assert list(nothing.columns) == COLUMNS
    assert set(nothing["fill"]) == {"U"}
    assert set(nothing["text"]) == {UNWRITTEN}
    full = checklist(settings, found, ALL_FILES)
    assert (full.loc[full["fill"] != "U", "where"] != "").all()
    assert (full.loc[full["fill"] == "U", "text"] == UNWRITTEN).all()
    assert set(full["fill"]) == {"A", "P", "U"}
    assert full["fill"].tolist() == [item.fill for item in ITEMS]
    assert full.loc[full["fill"] == "P", "text"].str.endswith("(draft: edit)").all()
    assert not full["text"].str.contains(r"None|nan\b").any()


def test_the_summary_for_an_abstract_warns_of_what_may_give_the_outcome_away(made):
    settings, found = heads(made)
    warned = [replace(found[0], beware="Beware of Cardiac index: it tells the outcome too well."), *found[1:]]
    summary = checklist(settings, warned, ALL_FILES)["text"].iloc[0]
    assert f"{found[0].found} {warned[0].beware}" in summary


def test_manifest_has_the_hash_of_every_file_and_the_clock_only_under_run(made, tmp_path):
    (tmp_path / "figures").mkdir()
    (tmp_path / "markers.csv").write_bytes(b"a\n")
    (tmp_path / "figures" / "x.svg").write_bytes(b"<svg/>")
    (tmp_path / ".part").write_bytes(b"")
    study = {"analysis": {"fdr": 0.05, "workers": 7, "odd": float("nan")}, "study": {"name": "x"}}
    kept = json.dumps(study, sort_keys=True)
    path = write_manifest(
        made.run_settings(), study, tmp_path, {"started": "2026-01-01T00:00:00", "host": "h"}
    )
    got = json.loads(path.read_text("utf-8"), parse_constant=lambda name: 1 / 0)  # NaN is not JSON
    assert got["schema"] == SCHEMA
    assert got["outputs"] == {
        "figures/x.svg": hashlib.sha256(b"<svg/>").hexdigest(),
        "markers.csv": hashlib.sha256(b"a\n").hexdigest(),
    }
    assert got["settings"]["analysis"] == {"fdr": 0.05, "odd": None}
    assert got["run"] == {"started": "2026-01-01T00:00:00", "host": "h", "workers": 7}
    assert got["seed"] == 20261125
    assert got["inputs"]["patients.csv"] == "0" * 64
    assert json.dumps(study, sort_keys=True) == kept
    other = dict(study, analysis=dict(study["analysis"], workers=1))
    again = json.loads(write_manifest(made.run_settings(), other, tmp_path, {"host": "g"}).read_text("utf-8"))
    for part in ("schema", "name", "seed", "inputs", "settings", "versions", "outputs"):
        assert again[part] == got[part]


def test_manifest_takes_values_that_json_does_not_know(made, tmp_path):
    path = write_manifest(made.run_settings(), {"a": np.float64(2.5), "b": tmp_path, "c": (1, 2)}, tmp_path)
    assert json.loads(path.read_text("utf-8"))["settings"]["c"] == [1, 2]
