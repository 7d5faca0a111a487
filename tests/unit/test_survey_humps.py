"""What a curve shows by itself: humps, and resonances that a fit claims."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.measure.survey.humps import find_break_up, find_humps, shows_in_curve

OCTAVE = np.linspace(np.log2(100.0), np.log2(20000.0), 200)


def mound(centre_hz: float, height_db: float, width: float) -> np.ndarray:
    return np.asarray(height_db * np.exp(-(((OCTAVE - np.log2(centre_hz)) / width) ** 2)))


def test_a_mound_is_found_once_with_its_width() -> None:
    """One mound of 8 dB: its place, height, and the Q of its width at half height."""
    (found,) = find_humps(OCTAVE, 80.0 + mound(3000.0, 8.0, 0.3), 80.0)
    where, height, q = found
    assert where == pytest.approx(np.log2(3000.0), abs=0.04)
    assert height == pytest.approx(8.0, abs=0.3)
    half = 0.3 * np.sqrt(np.log(2.0))
    assert q == pytest.approx(1.0 / (2.0**half - 2.0**-half), rel=0.1)


@pytest.mark.parametrize(
    "level",
    [
        mound(3000.0, 3.5, 0.3),  # too low
        np.clip(OCTAVE - np.log2(400.0), 0.0, 1.0) * 6.0,  # a step that stays up
        3.0 * np.sin(20.0 * OCTAVE),  # ripple
    ],
)
def test_no_hump_where_there_is_none(level: np.ndarray) -> None:
    """Small mounds, steps that stay up and ripple are none."""
    assert find_humps(OCTAVE, 80.0 + level, 80.0) == []


def test_a_resonance_shows_above_its_chord() -> None:
    """On a flat or a steep curve a real mound shows; a bare slope or knee shows none."""
    steep = -24.0 * (OCTAVE - OCTAVE[0])
    knee = -24.0 * np.log2(1.0 + 2.0 ** (OCTAVE - np.log2(3000.0)))
    at = float(np.log2(3000.0))
    for bare in (np.zeros_like(OCTAVE), steep):
        assert shows_in_curve(OCTAVE, bare + mound(3000.0, 8.0, 0.3), at, 8.0, 3.0)
        assert shows_in_curve(OCTAVE, bare - mound(3000.0, 8.0, 0.3), at, -8.0, 3.0)
        assert not shows_in_curve(OCTAVE, bare, at, 8.0, 3.0)
    assert not shows_in_curve(OCTAVE, knee, at, 10.0, 3.0)


def test_break_up_is_read_against_the_level_around_it() -> None:
    """A resonance on a falling slope is found in its place; a bare knee or slope breaks up nowhere."""
    knee = -12.0 * np.log2(1.0 + 2.0 ** (OCTAVE - np.log2(6000.0)))
    start = float(np.log2(1500.0))
    assert find_break_up(OCTAVE, 80.0 + knee, 80.0, start) is None
    for centre in (2500.0, 4500.0):
        found = find_break_up(OCTAVE, 80.0 + knee + mound(centre, 7.0, 0.25), 80.0, start)
        assert found is not None
        assert found[0] == pytest.approx(np.log2(centre), abs=1 / 12)
        assert 4.0 < found[1] < 8.0
    # Far below the driver's level it does no harm, nor where nobody asks.
    faint = -24.0 * np.maximum(OCTAVE - np.log2(3000.0), 0.0) + mound(9000.0, 7.0, 0.25)
    assert find_break_up(OCTAVE, 80.0 + faint, 80.0, start) is None
    assert find_break_up(OCTAVE, 80.0 + mound(1000.0, 7.0, 0.25), 80.0, start) is None


def test_break_up_begins_with_the_first_of_a_row() -> None:
    """A rise of 2 dB counts where a larger one follows it closely, and not where it stands alone."""
    small, large = mound(4000.0, 2.4, 0.15), mound(6000.0, 7.0, 0.15)
    far = mound(11000.0, 7.0, 0.15)
    start = float(np.log2(1500.0))
    assert find_break_up(OCTAVE, 80.0 + small, 80.0, start) is None
    for level, centre in ((small + large, 4000.0), (small + far, 11000.0)):
        found = find_break_up(OCTAVE, 80.0 + level, 80.0, start)
        assert found is not None
        assert found[0] == pytest.approx(np.log2(centre), abs=1 / 12)


def test_break_up_does_not_hang_on_where_the_data_begin() -> None:
    """Cut at 100, 300 and 700 Hz a curve breaks up in the same place to the last digit."""
    level = 80.0 + mound(4500.0, 7.0, 0.25) + mound(400.0, 8.0, 0.3)
    start = float(np.log2(1500.0))
    found = {
        find_break_up(OCTAVE[kept], level[kept], 80.0, start)[0]  # type: ignore[index]
        for kept in (np.log2(hz) <= OCTAVE for hz in (100.0, 300.0, 700.0))
    }
    assert np.ptp(list(found)) < 1e-9
