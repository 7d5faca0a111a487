"""Minimum phase against closed forms, scipy's filters and scipy's quadrature.

Source of the pairs: the transfer functions themselves (textbook Butterworth, Linkwitz-Riley and
peaking forms), whose phase is known in closed form; the printed angles below are those numbers
to six decimals. The log-frequency integral is Bode's (Network Analysis and Feedback Amplifier
Design, 1945, chapter 14; cited from memory).

Tolerance: level is taken as linear between points, so at 96 points per octave over ten octaves to
either side the method itself is good to 0.002 degrees; that is what is asserted, not the printed
digits.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal
from scipy.integrate import quad

from optimizer.measure.curves.grid import log_grid
from optimizer.measure.curves.phase import bode_kernel, minimum_phase

F = log_grid(1000 / 2**10, 1000 * 2**10, 96)
OCTAVE_DB = 20 * np.log10(2)
TOLERANCE_DEG = 0.002


def first_order(f):
    return 1 / (1 + 1j * f / 1000)


def butterworth_2(f):
    s = 1j * f / 1000
    return 1 / (s**2 + np.sqrt(2) * s + 1)


def linkwitz_riley_4(f):
    return butterworth_2(f) ** 2


def bell(f):
    s, gain, q = 1j * f / 1000, 10 ** (6 / 20), 2
    return (s**2 + gain * s / q + 1) / (s**2 + s / q + 1)


# (response, slope at the top in units of 6.02 dB/octave, frequency in Hz, phase in degrees)
PAIRS = [
    (first_order, -1, 1000, -45.0),
    (butterworth_2, -2, 100, -8.129693),
    (butterworth_2, -2, 500, -43.313857),
    (butterworth_2, -2, 1000, -90.0),
    (butterworth_2, -2, 2000, -136.686143),
    (butterworth_2, -2, 5000, -163.583560),
    (butterworth_2, -2, 10_000, -171.870307),
    (linkwitz_riley_4, -4, 500, -86.627713),
    (linkwitz_riley_4, -4, 1000, -180.0),
    (bell, 0, 500, 15.192431),
    (bell, 0, 800, 17.708576),
    (bell, 0, 1000, 0.0),
    (bell, 0, 1250, -17.708576),
    (bell, 0, 2000, -15.192431),
]


@pytest.mark.parametrize(("response", "order", "at", "degrees"), PAIRS)
def test_phase_of_known_filters(response, order, at, degrees):
    """Textbook filters get their textbook phase from their level alone."""
    level = 20 * np.log10(np.abs(response(F)))
    phase = minimum_phase(
        F,
        level,
        slope_low_db_per_octave=0.0,
        slope_high_db_per_octave=order * OCTAVE_DB,
        at_hz=np.array([float(at)]),
    )
    assert np.rad2deg(phase[0]) == pytest.approx(degrees, abs=TOLERANCE_DEG)


@pytest.mark.parametrize(("at", "level_db"), [(500, 1.133105), (800, 4.227541), (1000, 6.0)])
def test_bell_is_the_one_the_angles_belong_to(at, level_db):
    """The peaking form has the printed levels, so its angles are the printed ones."""
    assert 20 * np.log10(abs(bell(float(at)))) == pytest.approx(level_db, abs=5e-7)


# Slopes at both ends in units of 6.02 dB/octave, tolerance in degrees: the sharper a pole pair
# (Q 5.6 in the Chebyshev), the more the level bends between two points.
SCIPY = {
    "butterworth 3 low": (signal.butter(3, 1000, "lowpass", analog=True), 0, -3, 0.003),
    "butterworth 4 high": (signal.butter(4, 1000, "highpass", analog=True), 4, 0, 0.003),
    "bessel 4 low": (signal.bessel(4, 1000, "lowpass", analog=True), 0, -4, 0.003),
    "butterworth band": (signal.butter(2, [200, 3000], "bandpass", analog=True), 2, -2, 0.003),
    "chebyshev 1 dB, 5 low": (signal.cheby1(5, 1, 1000, "lowpass", analog=True), 0, -5, 0.03),
}


@pytest.mark.parametrize("name", SCIPY)
def test_phase_of_scipy_filters(name):
    """Filters designed and evaluated by scipy.signal get their phase over the whole range."""
    (numerator, denominator), low, high, tolerance = SCIPY[name]
    _, value = signal.freqs(numerator, denominator, F)
    phase = minimum_phase(
        F,
        20 * np.log10(np.abs(value)),
        slope_low_db_per_octave=low * OCTAVE_DB,
        slope_high_db_per_octave=high * OCTAVE_DB,
    )
    error = np.rad2deg(np.angle(value * np.exp(-1j * phase)))
    assert np.abs(error).max() < tolerance


def test_default_slopes_cost_little_on_an_audio_range():
    """From 20 Hz to 20 kHz with slopes taken from the data a B2 is right within 0.005 degrees."""
    f = log_grid(20, 20_000, 48)
    phase = minimum_phase(f, 20 * np.log10(np.abs(butterworth_2(f))))
    error = np.rad2deg(np.angle(butterworth_2(f) * np.exp(-1j * phase)))
    assert np.abs(error).max() < 0.005


def test_error_falls_with_the_square_of_the_spacing():
    """Halving the spacing quarters the error at the corner's flank."""

    def error(per_octave):
        f = log_grid(1000 / 2**10, 1000 * 2**10, per_octave)
        phase = minimum_phase(
            f,
            20 * np.log10(np.abs(butterworth_2(f))),
            slope_low_db_per_octave=0.0,
            slope_high_db_per_octave=-2 * OCTAVE_DB,
            at_hz=np.array([800.0]),
        )
        return abs(phase[0] - np.angle(butterworth_2(800.0)))

    assert error(12) / error(24) == pytest.approx(4, rel=0.3)


@pytest.mark.parametrize("x", [1e-6, 0.01, 0.5, 1.0, 3.0, 10.0])
def test_kernel_is_the_integral_of_ln_coth(x):
    """The dilogarithm form equals numerical quadrature of the published weight."""
    wanted, _ = quad(lambda t: np.log(1 / np.tanh(t / 2)), 0, x, epsabs=1e-13, epsrel=1e-13)
    assert float(bode_kernel(x)) == pytest.approx(wanted, abs=1e-12)


def test_weight_integrates_to_half_pi_squared():
    """Over both sides the weight holds pi^2/2, which makes 20 dB/decade 90 degrees."""
    assert 2 * float(bode_kernel(700.0)) == pytest.approx(np.pi**2 / 2, rel=1e-15)
