"""Group delay and step against analog networks of known transfer, solved by scipy.signal.

The two-way of the tests: Linkwitz-Riley of fourth order at 2 kHz, with a closed box at 50 Hz below
and a second-order end at 25 kHz above, all minimum phase; the published group delay of the sum of
such ways is that of an all-pass.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy import signal

from optimizer.acoustics.time_response import (
    advance,
    find_arrival_s,
    group_delay_s,
    step_response,
)
from optimizer.arrays import Complex, Real

Analog = tuple[Real, Real]


def in_turn(*parts: Analog) -> Analog:
    """Numerator and denominator of filters one after the other."""
    over, under = np.ones(1), np.ones(1)
    for b, a in parts:
        over, under = np.polymul(over, b), np.polymul(under, a)
    return over, under


def butter(hz: float, kind: str) -> Analog:
    return signal.butter(2, 2.0 * np.pi * hz, kind, analog=True)


ENDS = (butter(50.0, "high"), butter(25000.0, "low"))
WOOFER = in_turn(butter(2000.0, "low"), butter(2000.0, "low"), *ENDS)
TWEETER = in_turn(butter(2000.0, "high"), butter(2000.0, "high"), *ENDS)


def transfer(system: Analog) -> Callable[[Real], Complex]:
    return lambda f: np.asarray(signal.freqs(*system, worN=2.0 * np.pi * f)[1])


def analog_step(system: Analog, time_s: Real) -> Real:
    """Step of scipy.signal; zero before the jump."""
    answer = np.zeros(len(time_s))
    after = time_s >= 0.0
    zeros_poles = signal.ZerosPolesGain(*signal.tf2zpk(*system))
    answer[after] = signal.step(zeros_poles, T=time_s[after])[1]
    return answer


def test_step_is_that_of_the_analog_two_way():
    """From 0.1 ms on within 0.2 % of the level; the edge is as steep as 20 kHz is."""
    f = np.geomspace(20.0, 20000.0, 201)
    time_s = np.arange(-1e-3, 30e-3, 1e-5)
    ways = np.array([transfer(WOOFER)(f), transfer(TWEETER)(f)])
    wanted = np.array([analog_step(WOOFER, time_s), analog_step(TWEETER, time_s)])
    found = step_response(f, np.concatenate([ways, ways.sum(axis=0)[None]]), time_s)
    wanted = np.concatenate([wanted, wanted.sum(axis=0)[None]])
    off = np.abs(found - wanted)
    assert off[:, time_s > 1e-4].max() < 0.002
    assert off[:, time_s < -1e-4].max() < 0.002
    assert off.max() < 0.09
    assert wanted.max() > 0.9


def test_step_of_a_turned_way_is_turned():
    """Polarity shows in the sign: below the data the phase goes to the nearer of both."""
    f = np.geomspace(20.0, 20000.0, 241)
    time_s = np.arange(0.0, 10e-3, 1e-5)
    pressure = transfer(WOOFER)(f)
    np.testing.assert_allclose(
        step_response(f, -pressure, time_s), -step_response(f, pressure, time_s), atol=1e-9
    )


def test_steps_add_up():
    """The step of a sum is the sum of the steps to within what is assumed below the data."""
    f = np.geomspace(20.0, 20000.0, 241)
    time_s = np.arange(0.0, 5e-3, 1e-5)
    ways = np.array([transfer(WOOFER)(f), transfer(TWEETER)(f)])
    each = step_response(f, ways, time_s)
    np.testing.assert_allclose(
        step_response(f, ways.sum(axis=0), time_s), each.sum(axis=0), atol=1e-3
    )


def test_group_delay_is_the_derivative_of_the_analog_phase():
    """Within 0.2 % at 24 frequencies per octave; the peak of the all-pass is where it is published."""
    f = np.geomspace(20.0, 20000.0, 241)

    def total(hz: Real) -> Complex:
        return transfer(WOOFER)(hz) + transfer(TWEETER)(hz)

    tiny = 1e-4
    turn = np.angle(total(f * (1 + tiny)) * np.conj(total(f * (1 - tiny))))
    wanted = -turn / (2.0 * tiny * 2.0 * np.pi * f)
    np.testing.assert_allclose(group_delay_s(f, total(f)), wanted, rtol=2e-3)

    # Peak of the fourth-order Linkwitz-Riley sum: 3.41421 / w0 at 0.64359 f0 (closed form of its
    # all-pass of second order).
    def ideal(hz: Real) -> Complex:
        low = transfer(in_turn(butter(2000.0, "low"), butter(2000.0, "low")))(hz)
        return low + transfer(in_turn(butter(2000.0, "high"), butter(2000.0, "high")))(hz)

    fine = np.geomspace(500.0, 4000.0, 2000)
    delay = group_delay_s(fine, ideal(fine))
    assert delay.max() == pytest.approx(3.41421 / (2.0 * np.pi * 2000.0), rel=1e-4)
    assert fine[np.argmax(delay)] == pytest.approx(0.64359 * 2000.0, rel=2e-3)


@pytest.mark.parametrize("delay_s", [0.0, 2.91e-3, -1.3e-3])
def test_arrival_is_the_delay_beyond_minimum_phase(delay_s: float):
    """Of one way, which is minimum phase, it is the delay that was put in, to 3 mm of path.

    What is left is what the level does above the data, which nobody knows.
    """
    f = np.geomspace(20.0, 20000.0, 241)
    ends = signal.butter(2, 2.0 * np.pi * 25000.0, "low", analog=True)
    pressure = advance(f, transfer(in_turn(butter(50.0, "high"), ends))(f), -delay_s)
    assert find_arrival_s(f, pressure) == pytest.approx(delay_s, abs=9e-6)


def test_group_delay_of_a_pure_delay_is_that_delay():
    """Whatever the level does not know."""
    f = np.geomspace(20.0, 20000.0, 481)
    np.testing.assert_allclose(
        group_delay_s(f, advance(f, np.ones(len(f), complex), -4e-4)), 4e-4, rtol=1e-6
    )
