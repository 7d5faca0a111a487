"""Peaks against the bare curve: what a fit claims must show, what shows must be told."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from optimizer.arrays import Real
from optimizer.measure.curves.band import smooth_energy

SHARE_SHOWN = 0.3
"""A resonance rises at least this share of its height above the chord beneath it."""
LEAST_SHOWN_DB = 0.5
LEAST_HUMP_DB = 4.0
"""What rises as much above the driver's level, and falls as much on both sides, is a hump."""
AROUND_OCTAVES = 1.0
"""The level around a frequency is the median within this distance: steady where a slope passes."""
LEAST_RISE_DB = 3.0
"""A rise above the level around it that counts as break-up."""
LOWEST_RISE_DB = 12.0
"""What lies this far below the driver's own level does no harm."""
GAP_OCTAVES = 0.5
"""Rises that are nearer are one region: a cone breaks up in a row of resonances, not in one."""


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


def find_break_up(
    octave: Real, level_db: Real, reference_db: float, from_octave: float
) -> tuple[float, float, float] | None:
    """Find where a driver begins to break up, as a region against the level around it.

    Parameters
    ----------
    octave, level_db : ndarray, shape (F,)
        log2 of frequency in Hz, evenly spaced, and level in dB.
    reference_db : float
        Level of the driver.
    from_octave : float
        log2 of the lowest frequency that is asked about.

    Returns
    -------
    (float, float, float) or None
        log2 of frequency, height above the level around it in dB and Q of the lowest rise of the
        first region that counts. The frequency is the centre of what rises above half of
        `LEAST_RISE_DB`, which a ripple moves less than its highest point.

    Notes
    -----
    Read from the curve alone, averaged over 1/6 octave: no model of the rest of the response has a
    say, so it does not matter where the data begin or how finely they were smoothed. A region is
    where the level is half of `LEAST_RISE_DB` above the median around it, and counts where it reaches
    all of it (thresholds with hysteresis: Canny, IEEE Trans. PAMI 8(6), 1986, from memory): whether
    its lowest rise does so by itself does not decide. The figures are judgements, no source.
    """
    per_octave = (len(octave) - 1) / float(octave[-1] - octave[0])
    smooth = smooth_energy(level_db, per_octave / 6.0)
    reach = round(AROUND_OCTAVES * per_octave)
    around = [np.median(smooth[max(i - reach, 0) : i + reach + 1]) for i in range(len(smooth))]
    excess = smooth - np.array(around)
    weak = 0.5 * LEAST_RISE_DB
    asked = (octave >= from_octave) & (smooth > reference_db - LOWEST_RISE_DB)
    at = np.flatnonzero(asked & (excess >= weak))
    gaps = np.diff(at)
    for region in np.split(at, np.flatnonzero(gaps > GAP_OCTAVES * per_octave) + 1):
        if not len(region) or excess[region].max() < LEAST_RISE_DB:
            continue
        first = np.split(region, np.flatnonzero(np.diff(region) > 1) + 1)[0]
        weight = excess[first] - weak + 1e-9
        height = float(excess[first].max())
        half = 0.5 * float(np.count_nonzero(excess[first] >= 0.5 * height)) / per_octave
        q = float(1.0 / (2.0**half - 2.0**-half))
        return float(np.average(octave[first], weights=weight)), height, q
    return None


def _fall(level_db: Real, at: int, step: int) -> float:
    """How far a curve falls on one side before it rises above its height at a point."""
    lowest = level_db[at]
    side: Sequence[float] = level_db[at + step :: step].tolist()
    for value in side:
        if value > level_db[at]:
            break
        lowest = min(lowest, value)
    return float(level_db[at] - lowest)
