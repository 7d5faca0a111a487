"""Differences of curves in a table, averaged over octaves."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from optimizer.arrays import Real
from optimizer.report.document import Table
from optimizer.report.words import say_frequency

_OCTAVES_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
_WIDTH = 5


def tabulate_octaves(curves_db: Mapping[str, Real], frequency_hz: Real) -> Table:
    """Set differences of curves in a table, averaged over octaves, in dB.

    Parameters
    ----------
    curves_db : mapping of str to ndarray (F,)
        Differences by the name of the curve; NaN where there is none.
    frequency_hz : ndarray, shape (F,)
        Grid.

    Returns
    -------
    Table
        A column for each octave that has data, and the largest difference with its frequency.
    """
    known = np.any(np.isfinite(list(curves_db.values())), axis=0)
    bands = {
        hz: (frequency_hz >= hz / np.sqrt(2.0)) & (frequency_hz < hz * np.sqrt(2.0))
        for hz in _OCTAVES_HZ
    }
    bands = {hz: inside for hz, inside in bands.items() if known[inside].any()}
    heads = [say_frequency(hz).replace(" Hz", "").replace(" kHz", "k") for hz in bands]
    rows = []
    for name, difference in curves_db.items():
        at = int(np.nanargmax(np.abs(difference)))
        rows.append(
            (
                name.replace("_", " "),
                *(_say_mean(difference[inside]) for inside in bands.values()),
                f"{difference[at]:+z.1f} at {say_frequency(float(frequency_hz[at]))}",
            )
        )
    return Table(
        heads=("difference, dB", *heads, "largest"),
        rows=tuple(rows),
        align="l" + "r" * (len(heads) + 1),
        fixed=1,
        widths=(0, *[_WIDTH] * len(heads)),
    )


def _say_mean(difference: Real) -> str:
    some = difference[np.isfinite(difference)]
    if not len(some):
        return ""
    return f"{float(some.mean()):+z.1f}".replace("+0.0", "0.0")
