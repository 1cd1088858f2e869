"""The measurement chain against closed forms and against the project's own reading of a flush."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import cont2discrete

from discovery.problems import InputError
from discovery.recordings.flush import read_ringing
from discovery.seeds import named_rng
from discovery.virtual.measurement import (
    MMHG_PER_CM,
    Handling,
    Line,
    Transducer,
    line_filter,
    motion,
    store,
    through_line,
)

QUIET = Transducer(noise=0.0, wander=0.0, quantum=1e-6)


@pytest.mark.parametrize(("hz", "zeta"), [(8.0, 0.9), (25.0, 0.3), (60.0, 0.1), (14.0, 1.7)])
def test_the_line_is_that_of_an_independent_discretisation(hz, zeta):
    w = 2 * np.pi * hz
    top, bottom, _ = cont2discrete(([w * w], [1.0, 2 * zeta * w, w * w]), 0.004, method="foh")
    mine = line_filter(Line(natural_hz=hz, damping=zeta), 0.004)
    np.testing.assert_allclose(mine[0], np.ravel(top), rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(mine[1], bottom, rtol=1e-9)


def test_a_step_overshoots_by_the_closed_form():
    """Overshoot of a second-order system is exp(-pi zeta / sqrt(1 - zeta^2)) at half a damped period."""
    hz, zeta, rate = 12.0, 0.25, 5000.0
    step = np.where(np.arange(5000) < 1000, 0.0, 1.0)
    out = through_line(step, rate, Line(natural_hz=hz, damping=zeta))
    assert out.max() - 1.0 == pytest.approx(np.exp(-np.pi * zeta / np.sqrt(1 - zeta**2)), rel=2e-3)
    peak = (np.argmax(out) - 1000) / rate
    assert peak == pytest.approx(0.5 / (hz * np.sqrt(1 - zeta**2)), abs=2 / rate)


@pytest.mark.parametrize(("hz", "zeta"), [(12.0, 0.2), (20.0, 0.15)])
def test_a_flush_is_read_back_as_the_line_that_made_it(resting, hz, zeta):
    flush = Handling(flush=((2.0, 3.0),))
    line = Line(natural_hz=hz, damping=zeta)
    x = store(resting["cvp"], 250.0, named_rng(1, "flush"), line=line, transducer=QUIET, handling=flush)
    at = int(3.0 * 250.0) - 1
    damped, damping = read_ringing(x[at : at + 250], 250.0)
    assert damped / np.sqrt(1 - damping**2) == pytest.approx(hz, rel=0.06)
    assert damping == pytest.approx(zeta, abs=0.04)


def test_zero_level_and_drift_add_up(resting):
    x = resting["rv"]
    transducer = Transducer(zero=2.0, level_cm=10.0, drift=3.0, noise=0.0, wander=0.0, quantum=1e-6)
    wide = Line(natural_hz=900.0, damping=0.7)
    got = store(x, 250.0, named_rng(1, "z"), line=wide, transducer=transducer) - through_line(x, 250.0, wide)
    minutes = np.arange(x.size) / 250.0 / 60.0
    np.testing.assert_allclose(got, 2.0 + 10.0 * MMHG_PER_CM + 3.0 * minutes, atol=1e-3)


def test_steps_clipping_loss_and_spikes(resting):
    transducer = Transducer(quantum=0.4, floor=0.0, ceiling=20.0, spikes=30.0)
    lost = Handling(lost=((5.0, 6.0),))
    x = store(
        resting["rv"], 250.0, named_rng(2, "s"), transducer=transducer, handling=lost, stored_rate_hz=125.0
    )
    assert x.size == resting["rv"].size // 2
    assert np.isnan(x[625:750]).all()
    assert np.isfinite(np.delete(x, np.s_[625:750])).all()
    good = x[np.isfinite(x)]
    np.testing.assert_allclose(good / 0.4, np.round(good / 0.4), atol=1e-9)
    assert good.min() == 0.0
    assert good.max() == 20.0


def test_a_lumen_that_migrates_reads_the_other_place(resting):
    moved = Handling(migrated=((15.0, 99.0),))
    x = store(
        resting["rv"], 250.0, named_rng(3, "m"), line=Line(natural_hz=100.0, damping=0.7), transducer=QUIET,
        handling=moved, elsewhere=resting["pa"],
    )  # fmt: skip
    late = slice(17 * 250, None)
    assert np.corrcoef(x[late], resting["pa"][late])[0, 1] > 0.97
    with pytest.raises(InputError) as caught:
        store(resting["rv"], 250.0, named_rng(3, "m"), handling=moved, stored_rate_hz=100.0)
    assert len(caught.value.problems) == 2


@pytest.mark.parametrize("rate", [125.0, 250.0, 1000.0])
def test_the_motion_of_the_tip_has_the_stated_size_and_band(rate):
    """A second-order Butterworth band passes 0.867 / 1.111 of its noise between its half-power points: the
    integrals of 1 / (1 + w^4) from 0 to 1 and to infinity. The swelling moves a little more of it out.
    """
    from scipy.integrate import quad
    from scipy.signal import welch

    x = motion(round(600 * rate), rate, named_rng(8, "motion", rate))
    assert x.std() == pytest.approx(1.0, abs=0.1)
    hz, power = welch(x, rate, nperseg=round(8 * rate))
    share = power[(hz >= 4.0) & (hz <= 13.0)].sum() / power.sum()
    passed, whole = (quad(lambda w: 1.0 / (1.0 + w**4), 0.0, end)[0] for end in (1.0, np.inf))
    assert share == pytest.approx(passed / whole, abs=0.05)


def test_a_line_without_motion_stores_the_same_as_before(resting):
    """The generator is not touched by what does not happen."""
    still, moved = (
        store(
            resting["rv"], 250.0, named_rng(3, "m"), line=Line(flutter=size), transducer=Transducer(noise=0.0)
        )
        for size in (0.0, 1.0)
    )
    again = store(resting["rv"], 250.0, named_rng(3, "m"), line=Line(), transducer=Transducer(noise=0.0))
    np.testing.assert_array_equal(still, again)
    assert 0.5 < (moved - still).std() < 3.0
