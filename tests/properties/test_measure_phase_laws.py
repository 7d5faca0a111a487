"""Laws of the minimum-phase integral and of resampling that hold for any curve."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from optimizer.measure.curve import MeasuredCurve
from optimizer.measure.curves.grid import log_grid, resample
from optimizer.measure.curves.phase import minimum_phase
from tests.conftest import examples

F = log_grid(1, 1_000_000, 48)
OCTAVE_DB = 20 * np.log10(2)

pairs = st.tuples(st.floats(100, 10_000), st.floats(0.3, 3.0))  # frequency, Q
levels = st.lists(st.floats(-40, 40), min_size=4, max_size=30)


@examples(50)
@given(poles=st.lists(pairs, min_size=1, max_size=3), zeros=st.lists(pairs, max_size=2))
def test_any_minimum_phase_system_is_recovered(poles, zeros):
    """Poles and zeros in the left half plane: level alone gives the phase within 0.1 degree."""

    def roots(sections):
        return np.concatenate([np.roots([1, f / q, f * f]) for f, q in sections] or [np.zeros(0)])

    _, value = signal.freqs_zpk(roots(zeros), roots(poles), 1.0, F)
    phase = minimum_phase(
        F,
        20 * np.log10(np.abs(value)),
        slope_low_db_per_octave=0.0,
        slope_high_db_per_octave=2 * (len(zeros) - len(poles)) * OCTAVE_DB,
    )
    assert np.abs(np.rad2deg(np.angle(value * np.exp(-1j * phase)))).max() < 0.1


@examples(50)
@given(one=levels, scale=st.floats(-3, 3))
def test_phase_is_linear_in_level(one, scale):
    """Twice the dB is twice the phase."""
    f = log_grid(100, 10_000, (len(one) - 1) / np.log2(100))
    level = np.resize(one, len(f))
    np.testing.assert_allclose(
        minimum_phase(f, scale * level), scale * minimum_phase(f, level), atol=1e-8
    )


@examples(50)
@given(level=levels, ratio=st.floats(0.01, 100))
def test_phase_moves_with_frequency(level, ratio):
    """The same shape an octave higher has the same phase an octave higher."""
    f = np.geomspace(100, 10_000, len(level))
    one = minimum_phase(f, np.array(level))
    np.testing.assert_allclose(minimum_phase(f * ratio, np.array(level)), one, atol=1e-6)


@examples(50)
@given(level=levels)
def test_mirrored_shape_has_mirrored_phase(level):
    """Turning the level round in log frequency turns the phase round and its sign."""
    f = np.geomspace(100, 10_000, len(level))
    one = minimum_phase(f, np.array(level))
    other = minimum_phase(f, np.array(level[::-1]))
    np.testing.assert_allclose(other[::-1], -one, atol=1e-6)


@examples(50)
@given(
    level=levels,
    delay_s=st.floats(-1e-4, 1e-3),
    quantity=st.sampled_from(["pressure", "impedance"]),
    low=st.floats(10, 900),
    high=st.floats(1100, 90_000),
)
def test_continuation_is_finite_and_never_rises(level, delay_s, quantity, low, high):
    """Whatever the curve: finite, no rise of pressure outwards, real part of impedance above 0."""
    f = np.geomspace(100, 10_000, len(level))
    phase = np.clip(np.array(level), -1.5, 1.5) - 2 * np.pi * f * delay_s
    value = 10 ** (np.array(level) / 20) * np.exp(1j * phase)
    grid = log_grid(low, high, 12)
    grid = np.unique(np.concatenate([grid, [1000.0]]))
    new = resample(MeasuredCurve(frequency_hz=f, value=value, quantity=quantity), grid)
    assert np.isfinite(new.value).all()
    modulus = np.abs(new.value)
    if quantity == "impedance":
        assert (new.value.real > 0).all()
        np.testing.assert_allclose(
            modulus[grid < 100],
            modulus[grid < 100][:1].repeat(np.count_nonzero(grid < 100)),
            rtol=1e-9,
        )
    else:
        assert (np.diff(modulus[grid < 100]) >= -1e-9 * modulus[grid < 100][1:]).all()
        above = modulus[grid > 10_000]
        assert (np.diff(above) <= 1e-9 * above[1:]).all()


@examples(30)
@given(gain=st.floats(0.01, 100), angle=st.floats(-3, 3))
def test_resampling_commutes_with_gain_and_turn(gain, angle):
    """A louder or turned curve is resampled to the louder or turned result."""
    f = log_grid(100, 5000, 24)
    s = 1j * f / 700
    value = s / (s**2 + s + 1)
    grid = log_grid(30, 20_000, 12)
    turned = gain * np.exp(1j * angle)
    one = resample(MeasuredCurve(frequency_hz=f, value=value, quantity="pressure"), grid).value
    other = resample(MeasuredCurve(frequency_hz=f, value=turned * value, quantity="pressure"), grid)
    np.testing.assert_allclose(other.value, turned * one, rtol=1e-8)
