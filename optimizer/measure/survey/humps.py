"""Peaks against the bare curve: what a fit claims must show, what shows must be told."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from optimizer.arrays import Real

SHARE_SHOWN = 0.3
"""A resonance rises at least this share of its height above the chord beneath it."""
LEAST_SHOWN_DB = 0.5
LEAST_HUMP_DB = 4.0
"""What rises as much above the driver's level, and falls as much on both sides, is a hump."""


def shows_in_curve(
    octave: Real, level_db: Real, at_octave: float, height_db: float, q: float
) -> bool:
    """Whether a fitted resonance can be seen in the curve itself.

    Parameters
    ----------
    octave, level_db : ndarray, shape (F,)
        log2 of frequency in Hz, and level in dB.
    at_octave, height_db, q : float
        Of the resonance; a negative height is a dip.

    Returns
    -------
    bool
        False where the curve runs along the chord between the flanks: there the resonance only
        makes up for a roll-off of another shape than the model's.
    """
    width = float(np.clip(1.2 / q, 0.15, 0.8))
    left, right = max(at_octave - width, octave[0]), min(at_octave + width, octave[-1])
    a, middle, b = np.interp([left, at_octave, right], octave, level_db)
    chord = a + (b - a) * (at_octave - left) / max(right - left, 1e-9)
    rise = float((middle - chord) * np.sign(height_db))
    return rise >= max(LEAST_SHOWN_DB, SHARE_SHOWN * abs(height_db))


def find_humps(
    octave: Real, level_db: Real, reference_db: float
) -> list[tuple[float, float, float]]:
    """Find maxima well above a driver's level.

    Parameters
    ----------
    octave, level_db : ndarray, shape (F,)
        log2 of frequency in Hz, evenly spaced, and level in dB.
    reference_db : float
        Level of the driver.

    Returns
    -------
    list of (float, float, float)
        log2 of frequency, height above the reference in dB, and Q from the width at half that
        height.
    """
    window = np.hanning(7)[1:-1]
    smooth = np.convolve(np.pad(level_db, 2, mode="edge"), window / window.sum(), "valid")
    found = []
    for i in range(1, len(smooth) - 1):
        height = float(smooth[i] - reference_db)
        if not smooth[i - 1] <= smooth[i] > smooth[i + 1] or height < LEAST_HUMP_DB:
            continue
        if min(_fall(smooth, i, -1), _fall(smooth, i, 1)) < LEAST_HUMP_DB:
            continue
        below = np.flatnonzero(smooth <= reference_db + 0.5 * height)
        first = below[below < i].max(initial=0)
        last = below[below > i].min(initial=len(smooth) - 1)
        half = 0.5 * float(octave[last] - octave[first])
        found.append((float(octave[i]), height, float(1.0 / (2.0**half - 2.0**-half))))
    return found


def _fall(level_db: Real, at: int, step: int) -> float:
    """How far a curve falls on one side before it rises above its height at a point."""
    lowest = level_db[at]
    side: Sequence[float] = level_db[at + step :: step].tolist()
    for value in side:
        if value > level_db[at]:
            break
        lowest = min(lowest, value)
    return float(level_db[at] - lowest)
