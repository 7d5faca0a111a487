"""The shared grid, and how a curve goes on where its measurement ends."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.errors import InputError
from optimizer.measure.curve import MeasuredCurve
from optimizer.measure.curves.grid import log_grid, resample

OCTAVE_DB = 20.0 * np.log10(2.0)


def curve(frequency, value, quantity="pressure", has_phase=True) -> MeasuredCurve:
    return MeasuredCurve(
        frequency_hz=np.asarray(frequency, dtype=float),
        value=np.asarray(value, dtype=complex),
        quantity=quantity,
        source="woofer.txt",
        has_phase=has_phase,
    )


def driver(f, delay_s=0.0):
    """Band-pass: closed box at 80 Hz, second-order roll-off at 3 kHz, delay."""
    s = 1j * np.asarray(f)
    low, high = 80.0, 3000.0
    box = s**2 / (s**2 + 1.2 * low * s + low**2)
    roll_off = high**2 / (s**2 + 1.4 * high * s + high**2)
    return 1000.0 * box * roll_off * np.exp(-2j * np.pi * np.asarray(f) * delay_s)


def voice_coil(f):
    """Resistance, semi-inductance and a resonance at 50 Hz: a positive real impedance."""
    s = 2j * np.pi * np.asarray(f)
    w0 = 2 * np.pi * 50.0
    return 5.6 + 0.06 * np.sqrt(s) + 30.0 / (1.0 + 4.0 * (s / w0 + w0 / s))


def turn_deg(value, wanted):
    return np.abs(np.rad2deg(np.angle(value / wanted)))


class TestLogGrid:
    def test_both_ends_are_met_exactly(self):
        """The first and last frequency are those asked for, bit by bit."""
        grid = log_grid(20.0, 20_000.0, 24)
        assert grid[0] == 20.0
        assert grid[-1] == 20_000.0

    def test_steps_are_even_and_never_coarser_than_asked(self):
        """All ratios are alike and at most 2^(1/n)."""
        ratio = np.diff(np.log2(log_grid(23.0, 19_000.0, 12)))
        np.testing.assert_allclose(ratio, ratio[0], rtol=1e-9)
        assert ratio[0] <= 1 / 12 + 1e-12

    def test_whole_octaves_give_the_exact_step(self):
        """Ten octaves at 48 per octave are 481 points."""
        assert len(log_grid(20.0, 20_480.0, 48)) == 481

    @pytest.mark.parametrize(
        ("low", "high", "per_octave"),
        [
            (0, 100, 12),
            (-1, 100, 12),
            (100, 100, 12),
            (200, 100, 12),
            (20, np.inf, 12),
            (np.nan, 100, 12),
            (20, 200, 0),
            (20, 200, -3),
            (20, 200, np.nan),
            (20, 200, 5000),
        ],
    )
    def test_senseless_grid_is_refused(self, low, high, per_octave):
        """Ends and density out of range are bad input."""
        with pytest.raises(InputError):
            log_grid(low, high, per_octave)


class TestInside:
    def test_measured_points_are_kept(self):
        """On the frequencies of the file the values are those of the file."""
        f = log_grid(20, 20_000, 24)
        new = resample(curve(f, driver(f, 0.2e-3)), f)
        np.testing.assert_allclose(new.value, driver(f, 0.2e-3), rtol=1e-12)
        assert new.notes == ()
        assert new.coverage.slope_low_db_per_octave == 0.0
        assert new.coverage.slope_high_db_per_octave == 0.0

    def test_level_and_unwrapped_phase_are_linear_over_log_frequency(self):
        """Half way in octaves lies half way in dB and in unwrapped degrees, past 180."""
        phases = np.deg2rad([150.0, 210.0, 270.0])
        response = curve(
            [100, 400, 1600], 10 ** (np.array([80, 74, 60]) / 20) * np.exp(1j * phases)
        )
        value = resample(response, np.array([200.0, 800.0])).value
        np.testing.assert_allclose(20 * np.log10(np.abs(value)), [77, 67], rtol=1e-12)
        np.testing.assert_allclose(np.rad2deg(np.angle(value)), [180, -120], rtol=1e-12)

    def test_finer_grid_comes_closer_with_the_square_of_the_step(self):
        """Halving the step of the file quarters the error of a smooth curve."""
        grid = log_grid(50, 5000, 97)

        def error(per_octave):
            f = log_grid(20, 20_000, per_octave)
            return np.abs(resample(curve(f, driver(f)), grid).value / driver(grid) - 1).max()

        assert 3.0 < error(12) / error(24) < 5.0

    def test_no_phase_stays_no_phase(self):
        """A curve without phase is real and positive everywhere, also outside."""
        f = log_grid(100, 10_000, 24)
        new = resample(curve(f, np.abs(driver(f)), has_phase=False), log_grid(20, 20_000, 12))
        assert (new.value.imag == 0).all()
        assert (new.value.real > 0).all()


class TestOutside:
    def test_power_law_goes_on_as_itself(self):
        """A curve of 12 dB/octave and its 180 degrees is continued as itself."""
        f = log_grid(100, 1000, 24)
        grid = log_grid(20, 1000, 24)
        new = resample(curve(f, -((f / 100.0) ** 2)), grid)
        np.testing.assert_allclose(np.abs(new.value), (grid / 100.0) ** 2, rtol=1e-9)
        # Above 1 kHz a pressure may not go on rising, which is felt a little below 100 Hz.
        assert turn_deg(new.value, -1.0).max() < 0.05
        assert new.coverage.slope_low_db_per_octave == pytest.approx(2 * OCTAVE_DB, rel=1e-9)

    @pytest.mark.parametrize("delay_s", [0.0, 0.4e-3, 3e-3])
    def test_driver_goes_on_as_minimum_phase_and_delay(self, delay_s):
        """An octave beyond both ends a band-pass with delay is met within 1 degree, 0.2 dB."""
        f, grid = log_grid(20, 20_000, 48), log_grid(10, 40_000, 48)
        new = resample(curve(f, driver(f, delay_s)), grid)
        outside = (grid < 20) | (grid > 20_000)
        assert turn_deg(new.value, driver(grid, delay_s))[outside].max() < 1.0
        assert np.abs(20 * np.log10(np.abs(new.value / driver(grid))))[outside].max() < 0.2

    def test_there_is_no_jump_at_the_edges(self):
        """Just outside the range the curve is that just inside."""
        f = log_grid(150, 8000, 48)
        edges = np.array([150 * (1 - 1e-6), 150, 8000, 8000 * (1 + 1e-6)])
        value = resample(curve(f, driver(f, 1e-3)), edges).value
        np.testing.assert_allclose(value[[0, 3]], value[[1, 2]], rtol=1e-3)

    def test_far_below_the_phase_tends_to_that_of_the_slope(self):
        """Six octaves below, 6.02 dB/octave stands at 90 degrees."""
        f = log_grid(100, 10_000, 24)
        s = 1j * f / 1000.0
        new = resample(curve(f, s / (1 + s)), np.array([1.5, 1000.0]))
        assert np.rad2deg(np.angle(new.value[0])) == pytest.approx(90, abs=1.0)

    def test_reversed_polarity_goes_on_reversed(self):
        """A driver connected the other way round stays so outside."""
        f, grid = log_grid(50, 10_000, 24), log_grid(20, 20_000, 24)
        one = resample(curve(f, driver(f)), grid).value
        other = resample(curve(f, -driver(f)), grid).value
        np.testing.assert_allclose(other, -one, rtol=1e-9)

    def test_pressure_never_rises_outside(self):
        """A curve that rises towards both ends is held level there."""
        f = log_grid(100, 10_000, 24)
        level = np.abs(np.log2(f / 1000)) * 6
        new = resample(curve(f, 10 ** (level / 20)), log_grid(20, 20_000, 24))
        level_db = 20 * np.log10(np.abs(new.value))
        np.testing.assert_allclose(level_db[[0, -1]], level[[0, -1]], rtol=1e-9)
        assert "not measured below 100 Hz: level held" in new.notes

    def test_slope_is_limited_to_48_db_per_octave(self):
        """A cliff of 100 dB/octave goes on at 48."""
        f = log_grid(100, 10_000, 24)
        level = -100 * np.log2(np.maximum(f / 4000, 1))
        new = resample(curve(f, 10 ** (level / 20)), np.array([1000.0, 20_000.0]))
        assert new.coverage.slope_high_db_per_octave == -48.0
        assert 20 * np.log10(abs(new.value[1])) == pytest.approx(level[-1] - 48, abs=1e-9)

    def test_coverage_and_notes_tell_where_it_ends(self):
        """Source, ends, slopes and one note for each end that is not measured."""
        f = log_grid(300, 15_000, 24)
        new = resample(curve(f, driver(f)), log_grid(20, 20_000, 24))
        assert new.coverage.source == "woofer.txt"
        assert (new.coverage.low_hz, new.coverage.high_hz) == (300, 15_000)
        assert new.coverage.slope_high_db_per_octave == pytest.approx(-2 * OCTAVE_DB, rel=0.02)
        assert [note[:23] for note in new.notes] == [
            "not measured below 300 ",
            "not measured above 1.5e",
        ]

    @pytest.mark.parametrize("grid", [[10.0, 20.0], [30_000.0, 40_000.0]])
    def test_curve_that_misses_the_grid_is_refused(self, grid):
        """A grid without one measured point would be pure invention (kHz for Hz, perhaps)."""
        f = log_grid(100, 10_000, 24)
        with pytest.raises(InputError, match=r"woofer\.txt: a curve must be measured somewhere"):
            resample(curve(f, driver(f)), np.array(grid))

    @pytest.mark.parametrize("grid", [[], [0.0, 10.0], [200.0, 100.0], [100.0, np.nan], [[100.0]]])
    def test_senseless_grid_is_refused(self, grid):
        """A grid must be positive and rise."""
        f = log_grid(100, 10_000, 24)
        with pytest.raises(InputError):
            resample(curve(f, driver(f)), np.array(grid))


class TestImpedance:
    def test_modulus_is_held_below(self):
        """Below the first frequency the modulus stays and the angle goes to zero."""
        f = log_grid(10, 20_000, 48)
        new = resample(curve(f, voice_coil(f), "impedance"), log_grid(2, 20_000, 12))
        assert abs(new.value[0]) == pytest.approx(abs(voice_coil(10.0)), rel=1e-9)
        assert np.rad2deg(np.angle(new.value[0])) == pytest.approx(0, abs=4)

    def test_semi_inductance_goes_on(self):
        """An octave above the file the modulus is met within 2 % and the angle within 3 deg."""
        f, grid = log_grid(10, 20_000, 48), np.array([1000.0, 40_000.0])
        value = resample(curve(f, voice_coil(f), "impedance"), grid).value[1]
        assert abs(value) == pytest.approx(abs(voice_coil(40_000.0)), rel=0.02)
        assert turn_deg(value, voice_coil(40_000.0)) < 3

    @pytest.mark.parametrize(("power", "slope"), [(-1.0, 0.0), (3.0, OCTAVE_DB)])
    def test_slope_stays_between_resistor_and_inductor(self, power, slope):
        """Above, the slope is limited to 0 ... 6.02 dB/octave."""
        f = log_grid(10, 1000, 24)
        new = resample(curve(f, 8 * (f / 10) ** power, "impedance"), np.array([100.0, 2000.0]))
        assert new.coverage.slope_high_db_per_octave == pytest.approx(slope, abs=1e-12)

    @pytest.mark.parametrize("angle_deg", [100.0, -120.0, 180.0])
    def test_real_part_stays_positive(self, angle_deg):
        """Measured angles beyond 89 degrees are limited, and a note says so."""
        f = log_grid(100, 1000, 24)
        value = 8 * np.exp(1j * np.deg2rad(np.where(f > 500, angle_deg, 10.0)))
        new = resample(curve(f, value, "impedance"), log_grid(20, 20_000, 24))
        assert (new.value.real > 0).all()
        assert any("passes 89 degrees" in note for note in new.notes)

    def test_whole_turns_do_not_matter(self):
        """An angle written as 370 degrees is 10 degrees, also outside."""
        f, grid = log_grid(100, 1000, 24), log_grid(20, 4000, 24)
        one = resample(curve(f, voice_coil(f), "impedance"), grid).value
        other = resample(curve(f, voice_coil(f) * np.exp(2j * np.pi), "impedance"), grid).value
        np.testing.assert_allclose(one, other, rtol=1e-9)


class TestCoarsePhase:
    def test_long_delay_on_a_coarse_file_is_followed(self):
        """3 ms at 24 points per octave turn by more than 360 degrees a step, yet are met."""
        f, grid = log_grid(100, 20_000, 24), log_grid(100, 20_000, 96)
        new = resample(curve(f, driver(f, 3e-3)), grid)
        assert turn_deg(new.value, driver(grid, 3e-3)).max() < 0.1
        assert any("taking out a delay of 3" in note for note in new.notes)

    def test_phase_that_cannot_be_followed_is_said(self):
        """Random phase gives a warning with a frequency."""
        f = log_grid(100, 20_000, 24)
        angle = np.random.default_rng(1).uniform(-np.pi, np.pi, len(f))
        new = resample(curve(f, np.exp(1j * angle)), f)
        assert any("more than 150 degrees between neighbours at" in note for note in new.notes)

    def test_even_spacing_cannot_tell_a_delay_from_its_aliases(self):
        """On an even grid a turn of 170 degrees a step stays a warning."""
        f = np.arange(100.0, 10_000.0, 100.0)
        new = resample(curve(f, np.exp(-1j * np.deg2rad(170) * np.arange(len(f)))), f)
        assert any("more than 150 degrees" in note for note in new.notes)


def test_very_fine_file_stays_quick_and_right():
    """32768 evenly spaced points are continued like a short file."""
    f = np.linspace(0.7, 24_000, 32_768)
    grid = log_grid(10, 40_000, 24)
    new = resample(curve(f, driver(f, 1e-3)), grid)
    assert turn_deg(new.value, driver(grid, 1e-3)).max() < 1.0
