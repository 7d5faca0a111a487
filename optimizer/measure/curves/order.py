"""Which of several curves lies lower."""

from __future__ import annotations

import numpy as np

from optimizer.arrays import Real


def order_upwards(frequency_hz: Real, energy: Real) -> list[int]:
    """Order curves by the mean of log frequency that their energy weights.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
    energy : ndarray, shape (N, F)
        Squared magnitude of each curve.

    Returns
    -------
    list of int
        Rows from the lowest curve up; of two alike the first comes first.
    """
    centre = (energy @ np.log(frequency_hz)) / energy.sum(axis=1)
    return [int(row) for row in np.argsort(centre, kind="stable")]
