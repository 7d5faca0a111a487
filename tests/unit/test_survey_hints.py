"""Starting values of compounds, break-up, orders, beaming, pair proposals."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.measure.curve import ON_AXIS, Direction, MeasuredCurve
from optimizer.measure.survey.beaming import beaming_of_piston, find_beaming
from optimizer.measure.survey.hints import hint_peak, order_to_silence
from optimizer.measure.survey.shape import Peak

PEAK = Peak(frequency_hz=4000.0, height_db=6.0, q=3.0)
FREQUENCY = np.geomspace(500, 20000, 300)


def test_trap_and_notch_mirror_the_peak():
    """Peak times trap before a resistive load is flat; likewise the notch behind one."""
    hint = hint_peak(PEAK, 7.0)
    jw = 2j * np.pi * FREQUENCY
    x = 1j * PEAK.q * (FREQUENCY / 4000 - 4000 / FREQUENCY)
    a = 10 ** (6 / 20)
    peak = (a + x) / (1 + x)
    t, n = hint.trap, hint.notch
    z = 1 / (1 / t.resistance_ohm + 1 / (jw * t.inductance_h) + jw * t.capacitance_f)
    np.testing.assert_allclose(np.abs(peak * 7 / (7 + z)), 1.0, rtol=1e-9)
    z = n.resistance_ohm + jw * n.inductance_h + 1 / (jw * n.capacitance_f)
    np.testing.assert_allclose(np.abs(peak * z / (7 + z)), 1.0, rtol=1e-9)


def test_trap_depth_of_the_published_relation():
    """Depth 20 log10((R + RL)/RL) and Q = R sqrt(C/L): 7.043650 dB, Q 1.414214 for the example.

    L 0.5 mH, C 10 uF, R 10 ohm before 8 ohm resonate at 2250.791 Hz (calculated).
    """
    trap = hint_peak(Peak(frequency_hz=2250.791, height_db=7.043650, q=1.414214), 8.0).trap
    assert trap.resistance_ohm == pytest.approx(10.0, rel=1e-5)
    assert trap.inductance_h == pytest.approx(0.5e-3, rel=1e-5)
    assert trap.capacitance_f == pytest.approx(10e-6, rel=1e-5)


@pytest.mark.parametrize(
    ("level", "crossover", "peak", "order"),
    [
        (0, 1000, 4000, 2),
        (6, 1000, 4000, 3),
        (-12, 1000, 4000, 1),
        (0, 2000, 2500, 4),
        (0, 2000, 1000, 4),
    ],
)
def test_order_that_silences(level, crossover, peak, order):
    """20 dB below the rest at 6 dB per octave and order."""
    assert order_to_silence(level, crossover, peak) == order


def test_beaming_of_a_piston():
    """Sd 132 cm2 (a 64.8204 mm) is 6.02 dB down at 60 degrees at 2155.34 Hz, at 45 at 2639.74.

    Calculated from 2 J1(x)/x (piston formula, Eargle).
    """
    d = 2 * 64.8204e-3
    assert beaming_of_piston(d).frequency_hz == pytest.approx(2155.34, rel=2e-3)
    assert beaming_of_piston(d, 45).frequency_hz == pytest.approx(2639.74, rel=2e-3)


def test_beaming_from_directions():
    """A computed piston measured at 0, 30 and 60 degrees beams where the formula says."""
    from scipy.special import j1

    def at(angle):
        x = 2 * np.pi * FREQUENCY / 343.2 * 64.8204e-3 * np.sin(np.radians(angle)) + 1e-9
        return MeasuredCurve(
            frequency_hz=FREQUENCY, value=np.abs(2 * j1(x) / x) + 0j, quantity="pressure"
        )

    found = find_beaming({Direction(horizontal_deg=a): at(a) for a in (0.0, 30.0, 60.0)})
    assert found.angle_deg == 60
    assert found.source == "measured"
    assert found.frequency_hz == pytest.approx(2155, rel=0.06)
    assert find_beaming({ON_AXIS: at(0), Direction(horizontal_deg=15.0): at(15)}) is None
    assert find_beaming({ON_AXIS: at(0), Direction(horizontal_deg=60.0): at(0)}) is None
