"""Fewer points for curves exported on a fine linear grid, and interpolation in log frequency."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from optimizer.arrays import Real
from optimizer.measure.curve import MeasuredCurve

MOST_POINTS = 1500


def interpolate_log(frequency_hz: Real, values: Real, grid_hz: Real) -> Real:
    """Interpolate linearly over log frequency; the end values hold beyond the data.

    Parameters
    ----------
    frequency_hz, values : ndarray, shape (F,)
        The curve, frequencies increasing.
    grid_hz : ndarray, shape (K,)
        Where it is wanted.

    Returns
    -------
    ndarray, shape (K,)
    """
    return np.interp(np.log(grid_hz), np.log(frequency_hz), values)


def thin_response(response: MeasuredCurve, *, per_octave: int = 96) -> MeasuredCurve:
    """Average a finely sampled curve into log-spaced bins; short curves pass unchanged.

    Parameters
    ----------
    response : MeasuredCurve
        Any curve.
    per_octave : int
        Bins in each octave.

    Returns
    -------
    MeasuredCurve
        At most about `MOST_POINTS` points over ten octaves. Level is averaged as energy, phase
        after unwrapping; a bin's frequency is the geometric mean of its points.
    """
    f = response.frequency_hz
    if len(f) <= MOST_POINTS:
        return response
    number = np.floor(np.log2(f / f[0]) * per_octave).astype(np.intp)
    starts = np.flatnonzero(np.diff(number, prepend=-1))
    sizes = np.diff(np.append(starts, len(f)))
    frequency = np.exp(np.add.reduceat(np.log(f), starts) / sizes)
    energy = np.add.reduceat(np.abs(response.value) ** 2, starts) / sizes
    phase = np.add.reduceat(response.phase_rad, starts) / sizes
    value = np.sqrt(energy) * np.exp(1j * phase)
    return replace(
        response,
        frequency_hz=frequency,
        value=np.asarray(value, dtype=np.complex128),
        notes=(*response.notes, f"{len(f)} points averaged to {len(frequency)}"),
    )
