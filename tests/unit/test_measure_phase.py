"""Slopes at the ends, delays and the limits of the minimum-phase integral."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.errors import InputError
from optimizer.measure.curve import MeasuredCurve
from optimizer.measure.curves.grid import log_grid
from optimizer.measure.curves.phase import (
    MOST_KNOTS,
    bode_kernel,
    edge_slopes,
    excess_phase,
    fit_delay,
    minimum_phase,
)

F = log_grid(20, 20_000, 48)
DB_PER_DECADE_TO_OCTAVE = np.log10(2.0)


def pressure(frequency, value, has_phase=True) -> MeasuredCurve:
    return MeasuredCurve(
        frequency_hz=frequency,
        value=np.asarray(value, dtype=complex),
        quantity="pressure",
        has_phase=has_phase,
    )


def low_pass(f, corner=1000.0):
    s = 1j * f / corner
    return 1 / (s**2 + np.sqrt(2) * s + 1)


class TestSlopes:
    def test_slopes_of_the_nearest_octave(self):
        """Different slopes at the ends are found for themselves."""
        level = np.where(F < 200, 12 * np.log2(F / 200), -24 * np.log2(np.maximum(F, 2000) / 2000))
        low, high = edge_slopes(F, level)
        assert low == pytest.approx(12, rel=1e-9)
        assert high == pytest.approx(-24, rel=1e-9)

    def test_what_lies_beyond_an_octave_does_not_count(self):
        """A change two octaves from the end changes nothing."""
        level = 6 * np.log2(F)
        bent = level - 30 * ((F > 100) & (F < 5000))
        assert edge_slopes(F, bent) == pytest.approx(edge_slopes(F, level))

    @pytest.mark.parametrize("size", [2, 3, 4])
    def test_sparse_curves_use_their_nearest_points(self, size):
        """Points more than an octave apart still give a slope."""
        f = 100.0 * 3.0 ** np.arange(size)
        assert edge_slopes(f, 5 * np.log2(f)) == pytest.approx((5, 5))


class TestMinimumPhase:
    def test_a_slope_for_ever_is_90_degrees_for_each_20_db_per_decade(self):
        """n x 20 dB/decade is n x 90 degrees, at any frequency."""
        for n in (-4, -2, -1, 0, 1, 3):
            phase = minimum_phase(F, 20 * n * np.log10(F))
            np.testing.assert_allclose(phase, n * np.pi / 2, atol=1e-9)

    def test_level_offset_does_not_matter(self):
        """Louder is not later."""
        level = 20 * np.log10(np.abs(low_pass(F)))
        np.testing.assert_allclose(
            minimum_phase(F, level + 73), minimum_phase(F, level), atol=1e-10
        )

    def test_stated_slopes_replace_the_measured_ones(self):
        """One more 20 dB/decade below for ever adds up to 90 degrees at the low end."""
        flat = np.zeros_like(F)
        raised = minimum_phase(F, flat, slope_low_db_per_octave=20 * DB_PER_DECADE_TO_OCTAVE)
        # At the edge of the data half of the weight lies on either side.
        assert np.rad2deg(raised[0]) == pytest.approx(45, abs=1e-9)
        assert (np.diff(raised) < 0).all()

    def test_phase_can_be_had_outside_the_data(self):
        """Two decades out, the phase is that of the slopes within 1 degree."""
        level = 20 * np.log10(np.abs(low_pass(F)))
        phase = minimum_phase(F, level, at_hz=np.array([0.2, 1000.0, 2e6]))
        np.testing.assert_allclose(np.rad2deg(phase), [0, -90, -180], atol=1.0)

    def test_very_many_points_are_thinned_not_refused(self):
        """A fine even grid gives the phase of the coarse one within 0.02 degrees."""
        f = np.linspace(5, 40_000, 50_000)
        assert len(f) > MOST_KNOTS
        phase = minimum_phase(f, 20 * np.log10(np.abs(low_pass(f))), slope_low_db_per_octave=0)
        inside = (f > 50) & (f < 20_000)
        error = np.rad2deg(phase - np.angle(low_pass(f)))
        assert np.abs(error[inside]).max() < 0.02

    def test_blocks_give_what_one_piece_gives(self):
        """Many wanted frequencies are worked in blocks without a seam."""
        level = 20 * np.log10(np.abs(low_pass(F)))
        at = np.geomspace(10, 40_000, 9001)
        whole = minimum_phase(F, level, at_hz=at)
        np.testing.assert_allclose(
            whole[::1000], minimum_phase(F, level, at_hz=at[::1000]), atol=1e-12
        )

    @pytest.mark.parametrize(
        ("frequency", "level"),
        [
            ([100.0], [0.0]),
            ([100.0, 200.0], [0.0]),
            ([0.0, 200.0], [0.0, 0.0]),
            ([200.0, 100.0], [0.0, 0.0]),
            ([100.0, 100.0], [0.0, 0.0]),
            ([100.0, 200.0], [0.0, np.inf]),
            ([100.0, np.nan], [0.0, 0.0]),
        ],
    )
    def test_senseless_curves_are_refused(self, frequency, level):
        """Frequencies must be positive and rise, all values finite."""
        with pytest.raises(InputError):
            minimum_phase(np.array(frequency), np.array(level))

    @pytest.mark.parametrize("at", [0.0, -5.0, np.nan, np.inf])
    def test_senseless_wanted_frequency_is_refused(self, at):
        """A phase can be had at positive finite frequencies."""
        with pytest.raises(InputError):
            minimum_phase(F, np.zeros_like(F), at_hz=np.array([at]))


class TestExcess:
    def test_excess_of_a_delayed_minimum_phase_curve_is_the_delay(self):
        """Delay in, delay out: 0.5 ms within 0.1 us."""
        late = low_pass(F) * np.exp(-2j * np.pi * F * 0.5e-3)
        excess = excess_phase(pressure(F, late))
        assert fit_delay(F, excess, (200, 5000)) == pytest.approx(0.5e-3, abs=1e-7)

    def test_excess_of_an_all_pass_is_the_all_pass(self):
        """A first-order all-pass stays in the excess: -90 degrees at its frequency."""
        s = 1j * F / 1000
        excess = excess_phase(pressure(F, low_pass(F) * (1 - s) / (1 + s)))
        wanted = -2 * np.arctan(F / 1000)
        np.testing.assert_allclose(excess, wanted, atol=np.deg2rad(0.01))

    def test_reversed_polarity_is_half_a_turn(self):
        """The reverse connection shows as 180 degrees at all frequencies."""
        excess = excess_phase(pressure(F, -low_pass(F)))
        np.testing.assert_allclose(np.abs(excess), np.pi, atol=1e-3)

    def test_no_phase_no_excess(self):
        """Without a measured phase there is nothing to compare."""
        with pytest.raises(InputError, match="needs a measured phase"):
            excess_phase(pressure(F, np.abs(low_pass(F)), has_phase=False))


class TestDelay:
    @pytest.mark.parametrize("delay", [-2e-4, 0.0, 3e-3])
    def test_constant_angle_does_not_disturb(self, delay):
        """Delay is the slope, polarity or offset is none."""
        phase = 1.23 - 2 * np.pi * F * delay
        assert fit_delay(F, phase, (300, 3000)) == pytest.approx(delay, abs=1e-15)

    def test_only_the_band_counts(self):
        """Nonsense outside the band is not seen."""
        phase = np.where((F > 250) & (F < 4000), -2 * np.pi * F * 1e-3, 99.0)
        assert fit_delay(F, phase, (300, 3000)) == pytest.approx(1e-3, rel=1e-12)

    def test_empty_band_is_refused(self):
        """A band with fewer than two points cannot hold a slope."""
        with pytest.raises(InputError, match="100000 to 200000 Hz"):
            fit_delay(F, np.zeros_like(F), (100_000, 200_000))


def test_kernel_is_odd():
    """K(-x) = -K(x), K(0) = 0."""
    x = np.array([0.0, 1e-9, 0.1, 1.0, 30.0])
    np.testing.assert_array_equal(bode_kernel(-x), -bode_kernel(x))
