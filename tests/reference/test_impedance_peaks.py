"""Peaks of an impedance curve, against scipy's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import find_peaks

from optimizer.measure.survey.impedance_peaks import find_prominent


@pytest.mark.parametrize("seed", range(40))
def test_maxima_and_how_far_they_stand_out_are_scipys(seed: int) -> None:
    """Noisy curves, short ones, and coarse ones with flat tops, flat starts and equal peaks."""
    rng = np.random.default_rng(seed)
    level = rng.normal(size=rng.integers(0, 120)).cumsum() / 4.0
    if seed % 2:
        level = np.round(level)
    for least in (0.0, 0.3, 1.0):
        at, prominence = find_prominent(level, least)
        wanted, facts = find_peaks(level, prominence=least)
        np.testing.assert_array_equal(at, wanted)
        np.testing.assert_array_equal(prominence, facts["prominences"])
