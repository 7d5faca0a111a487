"""The preference score of Olive (AES convention paper 6190, 2004) on inputs whose answer is known.

Formula as quoted in public; definitions of its variables from memory.
"""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.acoustics.preference import (
    combine_preference,
    find_bass_limit,
    narrow_band_deviation_db,
    score_preference,
    straightness,
)

F = np.geomspace(10.0, 20_000.0, 600)


def test_formula() -> None:
    """NBD 0.40 and 0.35 dB, bass to 40 Hz, SM 0.90 give 5.830621 (arithmetic on the formula)."""
    assert combine_preference(0.40, 0.35, 40.0, 0.90) == pytest.approx(5.830621, abs=5e-7)


def test_ten_needs_bass_to_fourteen_and_a_half() -> None:
    """Without any deviation and with SM 1 a score of 10 takes bass down to 14.535 Hz."""
    assert combine_preference(0.0, 0.0, 14.535, 1.0) == pytest.approx(10.0, abs=1e-4)


def test_narrow_bands_do_not_see_slope_or_level() -> None:
    """Level does not count at all; a slope of s dB/octave counts as the mean distance of ten
    evenly spaced points per band from their middle, 0.125 s dB (the last band is shorter)."""
    assert narrow_band_deviation_db(F, np.full(len(F), 87.0)) == pytest.approx(0.0, abs=1e-12)
    falling = narrow_band_deviation_db(F, -2.0 * np.log2(F))
    assert falling == pytest.approx(2.0 * 0.125, rel=0.02)


def test_narrow_bands_see_ripple() -> None:
    """Ripple of 1 dB with a period of half an octave, met at ten points a period (36 degrees
    apart), counts as (sin 36 + sin 72) 2/5 = 0.6155 dB."""
    fine = np.geomspace(10.0, 20_000.0, 20_000)
    level = np.sin(2.0 * np.pi * 2.0 * np.log2(fine / 100.0))
    expected = 0.4 * (np.sin(np.radians(36.0)) + np.sin(np.radians(72.0)))
    assert narrow_band_deviation_db(fine, level) == pytest.approx(expected, rel=0.01)


def test_straightness_is_r_squared() -> None:
    """A straight falling curve has SM 1, a flat one 0 (the known quirk), noise as numpy's
    correlation says."""
    rng = np.random.default_rng(2)
    assert straightness(F, -1.75 * np.log2(F)) == pytest.approx(1.0)
    assert straightness(F, np.zeros(len(F))) == 0.0
    level = -0.4 * np.log2(F) + rng.normal(size=len(F))
    inside = (F >= 100.0) & (F <= 16_000.0)
    expected = np.corrcoef(np.log(F[inside]), level[inside])[0, 1] ** 2
    assert straightness(F, level) == pytest.approx(expected)


def test_bass_limit_of_a_closed_box() -> None:
    """Sound power of a second-order Butterworth high-pass is 6 dB down at 0.7598 of its corner:
    1 + (fc/f)^4 = 10^0.6."""
    corner = 60.0
    power = -10.0 * np.log10(1.0 + (corner / F) ** 4)
    expected = corner / (10.0**0.6 - 1.0) ** 0.25
    found, real = find_bass_limit(F, power, np.zeros(len(F)))
    assert real
    assert found == pytest.approx(expected, rel=1e-3)
    assert find_bass_limit(F, np.zeros(len(F)), np.zeros(len(F))) == (F[0], False)


def test_whole_score() -> None:
    """A perfect falling speaker with bass to 30 Hz: only its slope and bass count."""
    corner = 30.0 * (10.0**0.6 - 1.0) ** 0.25
    flat = np.zeros(len(F))
    power = -10.0 * np.log10(1.0 + (corner / F) ** 4)
    got = score_preference(
        F,
        on_axis_db=flat,
        listening_window_db=flat,
        sound_power_db=power,
        in_room_db=-1.0 * np.log2(F / 100.0),
    )
    # The in-room curve falls by 1 dB/octave: NBD 0.125, SM 1.
    expected = 12.69 - 2.99 * 0.125 - 4.31 * np.log10(30.0) + 2.32
    assert got.score == pytest.approx(expected, abs=0.02)
    assert got.bass_limit_hz == pytest.approx(30.0, rel=1e-3)
    assert got.narrow_band_on_axis_db == 0.0
