"""The closed loop: laws it must keep, and the events a pressure trace must show."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from discovery.problems import InputError
from discovery.seeds import named_rng
from discovery.virtual.breathing import POSITIVE, Breathing
from discovery.virtual.circulation import SIGNALS, first_state, simulate
from discovery.virtual.circulation_loops import VOLUMES
from discovery.virtual.etiologies import ETIOLOGIES, Drugs, draw_breathing, draw_physiology, draw_rhythm
from discovery.virtual.parameters import Physiology
from discovery.virtual.rhythm import Rhythm

PRESSURES = SIGNALS[:8]
STEADY = Rhythm(variability=0.0, sinus_arrhythmia=0.0)
STILL = Breathing(swing=1e-9)


@pytest.mark.parametrize("volume", [900.0, 1500.0, 2400.0])
def test_the_first_state_holds_exactly_the_volume(volume):
    state = first_state(replace(Physiology(), volume=volume), -3.0)
    assert state[:VOLUMES].sum() == pytest.approx(volume, rel=1e-12)
    assert (state[:VOLUMES] > 0).all()


@pytest.mark.parametrize("etiology", ETIOLOGIES, ids=lambda e: e.key)
def test_volume_is_conserved_and_halving_the_step_changes_no_pressure_by_a_hundredth(etiology):
    runs = []
    for step in (0.001, 0.0005):
        rng = named_rng(7, "step", etiology.key)
        physiology = draw_physiology(etiology, 1.0, Drugs(False, False, False, False), rng)
        rhythm, breathing = draw_rhythm(etiology, etiology.rate, rng), draw_breathing(etiology, False, rng)
        runs.append(simulate(physiology, rhythm, breathing, rng, duration_s=15.0, step_s=step))
    total = runs[0]["total_volume"]
    assert np.ptp(total) / total[0] < 1e-6
    assert total[0] == pytest.approx(physiology.volume, rel=1e-6)
    for signal in PRESSURES:
        assert np.abs(runs[0][signal] - runs[1][signal]).max() < 0.01, signal


def test_the_scheme_keeps_its_order_through_valve_events(run):
    """Two halvings shrink the change that a halving makes over six times: a first-order scheme gives four.

    At an event the error depends on where in the step it falls, so that single halvings scatter.
    """
    runs = [run(duration_s=4.0, step_s=step, settle_s=8.0) for step in (0.001, 0.0005, 0.00025, 0.000125)]
    pressures = [recorded.samples[:, :8] for recorded in runs]
    change = [np.sqrt(np.mean((a - b) ** 2)) for a, b in pairwise(pressures)]
    assert change[0] / change[2] > 6.0


def test_what_leaves_a_chamber_arrives_in_the_next(resting):
    """Mean flows through both hearts agree up to what the lungs store over 30 s."""
    right, left = resting["pulmonary_flow"].mean(), resting["aortic_flow"].mean()
    assert right == pytest.approx(left, rel=0.02)
    moved = np.cumsum(resting["tricuspid_flow"] - resting["pulmonary_flow"]) / resting.rate_hz
    assert np.abs(np.diff(resting["rv_volume"] - moved)).max() < 0.5


def test_the_same_generator_gives_the_same_bytes(run):
    first, again = run(duration_s=3.0), run(duration_s=3.0)
    assert first.samples.tobytes() == again.samples.tobytes()
    assert run(name="other", duration_s=3.0).samples.tobytes() != first.samples.tobytes()


def test_isovolumic_phases_and_the_dicrotic_notch_appear(run):
    recorded = run(rhythm=STEADY, breathing=STILL, duration_s=4.0)
    beats = recorded.beats.onset[recorded.beats.onset > 0.0]
    a, b = (np.searchsorted(recorded.time_s, beats[k]) for k in (0, 1))
    rv, pa, volume = (recorded[s][a:b] for s in ("rv", "pa", "rv_volume"))
    flow_out, flow_in = recorded["pulmonary_flow"][a:b], recorded["tricuspid_flow"][a:b]
    # A shutting valve lets a few mL/s fall back: the phase lies between forward flows above 2 mL/s.
    forward_in, ejecting = np.flatnonzero(flow_in > 2.0), np.flatnonzero(flow_out > 2.0)
    shut, opens = forward_in[forward_in < ejecting[0]][-1], ejecting[0]
    closes, fills = ejecting[-1], forward_in[forward_in > ejecting[-1]][0]
    assert 0.020 < (opens - shut) / recorded.rate_hz < 0.090
    assert 0.015 < (fills - closes) / recorded.rate_hz < 0.150
    assert np.ptp(volume[shut:opens]) < 1.0
    assert rv[opens] - rv[shut] > 3.0
    assert rv[closes] - rv[fills] > 3.0
    notch = closes + np.argmin(pa[closes : closes + 20])
    assert pa[notch : notch + 40].max() - pa[notch] > 0.3  # it climbs out of the notch
    assert (flow_out < -5.0).any()  # a little blood falls back and shuts the valve


def test_isovolumic_pressure_falls_with_the_latent_time_constant(run):
    """Activation multiplies isovolumic pressure above the passive one; once off, it falls with 1 / tau."""
    for tau in (0.030, 0.060):
        recorded = run(replace(Physiology(), rv_tau=tau), STEADY, STILL, duration_s=3.0, rate_hz=1000.0)
        e = recorded["rv_activation"]
        onset = recorded.beats.onset[recorded.beats.onset > 0.0][0]
        a = np.searchsorted(recorded.time_s, onset + 0.28 * 1.05 + 0.125)
        falling = e[a : a + 60]
        slope = np.polyfit(np.arange(60) / 1000.0, np.log(falling), 1)[0]
        assert -1.0 / slope == pytest.approx(tau, rel=0.01)


def test_relaxation_is_carried_into_the_next_beat_at_short_cycles(run):
    slow = replace(Physiology(), rv_tau=0.09)
    left = {}
    for rate in (60.0, 130.0):
        rhythm = replace(STEADY, rate=rate)
        recorded = run(slow, rhythm, STILL, duration_s=5.0)
        onsets = recorded.beats.onset[(recorded.beats.onset > 0.5) & (recorded.beats.onset < 4.5)]
        left[rate] = np.median(recorded["rv_activation"][np.searchsorted(recorded.time_s, onsets)])
    assert left[60.0] < 0.01
    assert left[130.0] > 0.10


def test_a_body_half_as_large_has_the_same_pressures_and_half_the_flow(run):
    large = run(rhythm=STEADY, breathing=STILL)
    small = run(Physiology().for_size(0.5), STEADY, STILL)
    # The inertia of the valves' own blood is all that does not scale.
    assert np.abs(large["rv"] - small["rv"]).max() < 1.5
    assert small["pulmonary_flow"].mean() == pytest.approx(0.5 * large["pulmonary_flow"].mean(), rel=0.03)


def test_breathing_moves_pressures_in_opposite_directions(run):
    spontaneous = run(rhythm=STEADY, duration_s=30.0)
    ventilated = run(rhythm=STEADY, breathing=Breathing(mode=POSITIVE, rest=1.0, swing=5.0), duration_s=30.0)
    for recorded, sign in ((spontaneous, -1.0), (ventilated, 1.0)):
        filling = sign * (recorded.chest - np.median(recorded.chest))
        deep = filling > np.quantile(filling, 0.85)
        rest = filling < np.quantile(filling, 0.3)
        low = np.quantile(recorded["rv"][deep], 0.2) - np.quantile(recorded["rv"][rest], 0.2)
        assert np.sign(low) == sign


def test_impossible_input_is_refused_with_every_fault():
    with pytest.raises(InputError) as caught:
        Physiology(rv_ees=-1.0, rv_tau=float("nan"))
    assert len(caught.value.problems) == 2
    with pytest.raises(InputError) as caught:
        simulate(Physiology(), Rhythm(), Breathing(), named_rng(1, "x"), duration_s=-1.0, step_s=1.0)
    assert len(caught.value.problems) == 2
    with pytest.raises(InputError, match="sinus"):
        Rhythm(kind="sinsu")
