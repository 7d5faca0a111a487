"""How neighbouring ways work together: phase between them, and the null with one turned round."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from optimizer.arrays import Real
from optimizer.measure.curves.order import order_upwards
from optimizer.problem.candidate import Candidate
from optimizer.text.brief import brief

OVERLAP_DB = 12.0
"""Phase between two ways is shown where neither is further than this below the louder one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tracking:
    """Two neighbouring ways.

    Parameters
    ----------
    lower, upper : str
        Their names.
    phase_deg : ndarray, shape (F,)
        Phase of the upper re the lower, -180 to 180; NaN where one is more than `OVERLAP_DB` below
        the other or a third way is louder than both.
    inverted_db : ndarray, shape (F,)
        Level of the sum on the axis with the upper way and all above it turned round.
    null_db, null_hz : float or None
        Deepest point of that sum below the ordinary one where they overlap; None without overlap.
    """

    lower: str
    upper: str
    phase_deg: Real
    inverted_db: Real
    null_db: float | None
    null_hz: float | None

    __repr__ = brief


def track_ways(candidate: Candidate) -> tuple[Tracking, ...]:
    """Compare neighbouring ways of a candidate on the axis.

    Parameters
    ----------
    candidate : Candidate
        Its curves hold the pressure of each way.

    Returns
    -------
    tuple of Tracking
        From the lowest pair up; empty for a single way or when the pressures are not kept.

    Notes
    -----
    Ways are ordered by the energy-weighted mean of log frequency, as crossovers are. Turning
    round all ways above the crossover leaves every other crossover as it is.
    """
    pressure = candidate.curves.way_pressure
    if pressure is None or len(pressure) < 2:
        return ()
    names = [way.name for way in candidate.network.ways]
    frequency = candidate.curves.frequency_hz
    order = order_upwards(frequency, np.abs(pressure) ** 2)
    level = 20.0 * np.log10(np.maximum(np.abs(pressure), 1e-15))
    total = pressure.sum(axis=0)
    found = []
    for place, (low, high) in enumerate(pairwise(order), 1):
        louder = np.maximum(level[low], level[high])
        heard = np.abs(level[low] - level[high]) <= OVERLAP_DB
        heard &= louder >= level.max(axis=0)
        phase = np.degrees(np.angle(pressure[high] * pressure[low].conj()))
        turned = total - 2.0 * pressure[order[place:]].sum(axis=0)
        inverted = 20.0 * np.log10(np.maximum(np.abs(turned), 1e-15))
        depth = 20.0 * np.log10(np.maximum(np.abs(total), 1e-15)) - inverted
        deepest = int(np.argmax(np.where(heard, depth, -np.inf)))
        found.append(
            Tracking(
                lower=names[low],
                upper=names[high],
                phase_deg=np.where(heard, phase, np.nan),
                inverted_db=inverted,
                null_db=float(depth[deepest]) if heard.any() else None,
                null_hz=float(frequency[deepest]) if heard.any() else None,
            )
        )
    return tuple(found)
