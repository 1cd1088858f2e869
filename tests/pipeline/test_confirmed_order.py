"""The confirmed order as a study file asks for it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import discovery
from discovery.problems import InputError
from discovery.study import read_study

WALK = '[[outcomes]]\nname = "walk"\nkind = "continuous"\ncolumn = "walk"\n'
SETTINGS = {"replicates": 80, "permutations": 0, "phenotypes": False, "workers": 1}


@pytest.fixture
def folder(tmp_path):
    rng, n = np.random.default_rng(5), 160
    x, age = rng.normal(size=(n, 6)), rng.normal(60, 9, n)
    ids = [f"p{k:03d}" for k in range(n)]
    patients = pd.DataFrame({"patient_id": ids, "age": age, "walk": 2 * x[:, 0] + rng.normal(size=n)})
    patients.to_csv(tmp_path / "patients.csv", index=False)
    features = pd.DataFrame(x, columns=[f"f{k}" for k in range(6)]).assign(patient_id=ids)
    features.to_csv(tmp_path / "features.csv", index=False)
    return tmp_path


def test_a_study_that_asks_is_told_above_how_many_a_feature_ranks(folder, study_text):
    (folder / "study.toml").write_text(study_text(WALK, **SETTINGS, confirmed_order=True))
    result = discovery.run(folder / "study.toml", out=folder / "out")
    markers = pd.read_csv(folder / "out" / "markers.csv").set_index("feature")
    # one effect of 2 SD of the noise against five of 0: every other feature is below it beyond doubt
    assert markers.loc["f0", "confirmed_order"] == "confirmed to rank above at least 5 of 6 features"
    assert (markers.drop("f0")["confirmed_order"] == "confirmed to rank above at least 0 of 6 features").all()
    assert "ranks beyond doubt" in (folder / "out" / "methods.md").read_text()
    assert result.tables["markers"]["feature"].iloc[0] == "f0"


def test_it_is_off_without_being_asked_and_a_word_is_no_answer(folder, study_text):
    (folder / "study.toml").write_text(study_text(WALK, **SETTINGS))
    assert read_study(folder / "study.toml").settings.analysis.confirmed_order is False
    (folder / "study.toml").write_text(study_text(WALK, **SETTINGS, confirmed_order="yes"))
    with pytest.raises(InputError, match="true or false is wanted"):
        read_study(folder / "study.toml")
