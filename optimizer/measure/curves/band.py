"""The band a driver is usable in, and its level there."""

from __future__ import annotations

import numpy as np

from optimizer.arrays import Flags, Real


def find_usable(frequency_hz: Real, level_db: Real) -> tuple[float, tuple[float, float]]:
    """Find the level and the band within 6 dB of it.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Evenly spaced over log frequency.
    level_db : ndarray, shape (F,)
        Level.

    Returns
    -------
    float
        Median level of the band.
    tuple of float
        Its ends in Hz.

    Notes
    -----
    Averaged over 1/3 octave. Of all levels the one is taken whose band, from 6 dB below to 9 dB
    above it, is widest and has that level as its median. Gaps narrower than 1/2 octave are
    bridged: a narrow dip does not end a driver's band, nor does a peak decide its level.
    """
    per_octave = (len(frequency_hz) - 1) / np.log2(frequency_hz[-1] / frequency_hz[0])
    smooth = smooth_energy(level_db, per_octave / 3.0)
    best = (0, float(np.median(smooth)), 0, len(smooth) - 1)
    for reference in np.arange(smooth.max(), smooth.max() - 25.0, -0.25):
        inside = (smooth >= reference - 6.0) & (smooth <= reference + 9.0)
        first, last = _widest_run(inside, int(per_octave / 2.0))
        median = float(np.median(smooth[first : last + 1]))
        if last - first > best[0] and abs(median - reference) < 1.0:
            best = (last - first, median, first, last)
    _, reference, first, last = best
    return float(reference), (float(frequency_hz[first]), float(frequency_hz[last]))


def _widest_run(inside: Flags, gap: int) -> tuple[int, int]:
    """First and last index of the widest run of true values, gaps up to `gap` bridged."""
    at = np.flatnonzero(inside)
    if not len(at):
        return 0, 0
    breaks = np.flatnonzero(np.diff(at) > gap + 1)
    firsts = at[np.concatenate([[0], breaks + 1])]
    lasts = at[np.concatenate([breaks, [len(at) - 1]])]
    widest = int(np.argmax(lasts - firsts))
    return int(firsts[widest]), int(lasts[widest])


def smooth_energy(level_db: Real, width: float) -> Real:
    """Average a level as energy over a sliding window.

    Parameters
    ----------
    level_db : ndarray, shape (F,)
        Level, evenly spaced over log frequency.
    width : float
        Window in points.

    Returns
    -------
    ndarray, shape (F,)
        The window is cut at the ends.
    """
    half = max(round(width / 2.0), 0)
    kernel = np.ones(2 * half + 1)
    energy = np.convolve(10.0 ** (level_db / 10.0), kernel, "same")
    return np.asarray(10.0 * np.log10(energy / np.convolve(np.ones(len(level_db)), kernel, "same")))
