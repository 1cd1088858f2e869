"""Mean numbers of episodes by group, as rows of the curve table."""

from __future__ import annotations

import numpy as np
import pandas as pd

from discovery.association.design import build_design
from discovery.pipeline.episodes_wing import mean_curves
from discovery.study import Outcome
from discovery.survival.curve_tables import NO_EVENT


def test_a_group_without_an_episode_has_a_mean_of_0_and_no_interval():
    index = pd.Index([f"p{i:02d}" for i in range(30)], name="patient_id")
    outcome = Outcome(
        name="stays", label="stays", kind="recurrent", patient_id=index.to_numpy(),
        value=np.repeat([0.0, 1.0], 15), time=np.linspace(5, 9, 30), event_patient=np.arange(15, 30),
        event_time=np.linspace(1, 4, 15),
    )  # fmt: skip
    design = build_design(outcome, pd.DataFrame(index=index), pd.DataFrame({"x": range(30)}, index=index))
    curves = mean_curves(design, pd.Categorical(np.repeat(["none", "one"], 15)))[0]
    none = curves[curves["group"] == "none"]
    assert none["time"].tolist() == [0, np.linspace(5, 9, 30)[14]]
    assert none["n_at_risk"].tolist() == [15, 1]
    assert none["estimate"].eq(0).all()
    assert none["note"].tolist() == ["", NO_EVENT]
    assert curves.loc[curves["group"] == "one", "note"].eq("").all()
