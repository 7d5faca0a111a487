"""Where ways meet in level."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from optimizer.arrays import Real
from optimizer.measure.curves.order import order_upwards


def find_crossing(frequency_hz: Real, lower_db: Real, upper_db: Real) -> float | None:
    """Find where a way gives over to the one above it.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
    lower_db, upper_db : ndarray, shape (F,)
        On-axis level of each way alone.

    Returns
    -------
    float or None
        In Hz; None when the lower way never falls below the upper one.

    Notes
    -----
    Of several crossings the one where both are loudest counts, found by linear interpolation in log
    frequency.
    """
    x = np.log(frequency_hz)
    difference = lower_db - upper_db
    falls = np.flatnonzero((difference[:-1] > 0.0) & (difference[1:] <= 0.0))
    if not len(falls):
        return None
    level = np.minimum(lower_db, upper_db)
    k = int(falls[np.argmax(level[falls])])
    share = difference[k] / (difference[k] - difference[k + 1])
    return float(np.exp(x[k] + share * (x[k + 1] - x[k])))


def find_crossovers(
    frequency_hz: Real, way_db: Real
) -> tuple[tuple[float | None, float | None], ...]:
    """Find where neighbouring ways meet in level.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
    way_db : ndarray, shape (W, F)
        On-axis level of each way alone.

    Returns
    -------
    tuple of (float or None, float or None), one per way
        Crossing with the way playing below and with the way playing above, in Hz; None at the ends
        of the chain or when the levels never cross.

    Notes
    -----
    Ways are ordered by the energy-weighted mean of log frequency; see `find_crossing`.
    """
    order = order_upwards(frequency_hz, 10.0 ** (way_db / 10.0))
    below: list[float | None] = [None] * len(way_db)
    above: list[float | None] = [None] * len(way_db)
    for lower, upper in pairwise(order):
        hz = find_crossing(frequency_hz, way_db[lower], way_db[upper])
        above[lower] = below[upper] = hz
    return tuple(zip(below, above, strict=True))
