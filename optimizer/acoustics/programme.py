"""Simulated programme: how music-like noise spreads its power over frequency.

The table is IEC 60268-1:1985, clause 7, Table II (third-octave levels of the "simulated programme
signal"), as transcribed in the test data of a general acoustics library; the printed standard was
not at hand.
"""

from __future__ import annotations

import numpy as np

from optimizer.arrays import Real

PROGRAMME_BAND_DB: tuple[float, ...] = (
    -13.5,
    -10.2,
    -7.4,
    -5.2,
    -3.5,
    -2.3,
    -1.4,
    -0.9,
    -0.5,
    -0.2,
    -0.1,
    0.0,
    0.0,
    0.0,
    0.0,
    0.0,
    0.0,
    -0.1,
    -0.3,
    -0.6,
    -1.0,
    -1.6,
    -2.5,
    -3.7,
    -5.1,
    -7.0,
    -9.4,
    -11.9,
    -14.8,
    -18.2,
    -21.6,
)
"""Level of the third-octave bands from 20 Hz to 20 kHz re the plateau from 250 to 800 Hz."""

PROGRAMME_BAND_HZ: Real = 10.0 ** (np.arange(13, 44) / 10.0)
"""Exact centres of those bands (IEC 61260-1: 10^(n/10))."""

CREST = 2.0
"""Peak over rms voltage of the noise used in life tests (1.8 to 2.2: IEC 60268-7, 8.3.2)."""


def programme_share_below(frequency_hz: Real) -> Real:
    """Share of the programme's power below a frequency, 0 to 1.

    Parameters
    ----------
    frequency_hz : ndarray
        Frequencies in Hz.

    Returns
    -------
    ndarray
        Cumulative power of the bands, spread evenly over log frequency inside each band.
    """
    power = 10.0 ** (np.array(PROGRAMME_BAND_DB) / 10.0)
    half = 10.0**0.05  # half a band in frequency ratio
    edges = np.append(PROGRAMME_BAND_HZ / half, PROGRAMME_BAND_HZ[-1] * half)
    total = np.concatenate([[0.0], np.cumsum(power)]) / power.sum()
    return np.asarray(np.interp(np.log(frequency_hz), np.log(edges), total))


def programme_weights(frequency_hz: Real) -> Real:
    """Share of the programme's power that each point of a grid stands for.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Increasing grid in Hz, at least two points.

    Returns
    -------
    ndarray, shape (F,)
        Power between the geometric means with the neighbours; the first and the last point stand
        for as much outside the grid as inside. The sum is below 1 when the grid is shorter than
        the programme.
    """
    x = np.log(np.asarray(frequency_hz, dtype=np.float64))
    middle = 0.5 * (x[1:] + x[:-1])
    edges = np.concatenate([[2.0 * x[0] - middle[0]], middle, [2.0 * x[-1] - middle[-1]]])
    return np.diff(programme_share_below(np.exp(edges)))
