"""Mean numbers of episodes by group, as rows of the curve table."""

from __future__ import annotations

import numpy as np
import pandas as pd

from discovery.association.design import build_design
from discovery.pipeline.episodes_wing import mean_curves, more_episodes
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


def test_a_difference_between_two_groups_names_them():
    """A feature of two values has no thirds. Reference: a mean without censoring is a plain one."""
    rng, n = np.random.default_rng(2), 60
    index = pd.Index([f"p{i:02d}" for i in range(n)], name="patient_id")
    whose = np.sort(rng.integers(0, n, 80))
    outcome = Outcome(
        name="stays", label="stays", kind="recurrent", patient_id=index.to_numpy(),
        value=np.bincount(whose, minlength=n).astype(float), time=np.full(n, 9.0), event_patient=whose,
        event_time=rng.uniform(0.5, 8, 80),
    )  # fmt: skip
    mark = np.arange(n) % 2
    design = build_design(outcome, pd.DataFrame(index=index), pd.DataFrame({"mark": mark}, index=index))
    row = more_episodes(design, mark.astype(float))
    assert row["quantity"] == "mean number of episodes, higher value (1) less lower value (0)"
    gap = outcome.value[mark == 1].mean() - outcome.value[mark == 0].mean()
    assert np.isclose(row["estimate"], gap)
    third = more_episodes(design, np.arange(n, dtype=float))
    assert third["quantity"] == "mean number of episodes, highest less lowest third"
