"""How the polarity of each way can be checked on the finished speaker, for this network."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from optimizer.arrays import Flags, Real
from optimizer.bench.tolerance.tracking import Tracking, track_ways
from optimizer.problem.candidate import Candidate

NULL_DB = 10.0
"""A null this deep is found with any microphone."""

LEVEL_DB = 3.0
"""A change of level by less is lost among what rooms and positions do (common practice)."""

AUDIBLE_DB = 20.0
"""Levels further than this below the loudest are not asked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PolarityTest:
    """What exchanging the leads of one way does to the level on the axis.

    Parameters
    ----------
    way : str
        The way whose leads are exchanged, and no other's.
    beside : str
        The way below it, which it is heard with; empty for a single way.
    kind : {"null", "level", "none"}
        Whether a deep null appears at the crossover, or the level changes at some frequency, or
        nothing changes by as much as can be relied on.
    hz : float or None
        Where; None when the two are nowhere heard together.
    change_db : float
        Level with the leads exchanged less that as built, on the axis.
    """

    way: str
    beside: str
    kind: Literal["null", "level", "none"]
    hz: float | None
    change_db: float


def list_polarity_tests(candidate: Candidate) -> tuple[PolarityTest, ...]:
    """List a test of polarity for each pair of neighbouring ways.

    Parameters
    ----------
    candidate : Candidate
        Its curves hold the pressure of each way.

    Returns
    -------
    tuple of PolarityTest
        From the lowest pair up; a single way has one of kind "none".

    Notes
    -----
    A driver is a load without a sense: with its leads exchanged everything in the network stays as
    it is, and its pressure changes sign. A pair is looked at where no third way is louder than
    either of the two, so that the test tells of this pair.
    """
    names = [way.name for way in candidate.network.ways]
    pairs = track_ways(candidate)
    if not pairs:
        return tuple(
            PolarityTest(way=name, beside="", kind="none", hz=None, change_db=0.0) for name in names
        )
    return tuple(_test_pair(candidate, names, pair) for pair in pairs)


def _test_pair(candidate: Candidate, names: Sequence[str], pair: Tracking) -> PolarityTest:
    curves = candidate.curves
    pressure = curves.way_pressure
    assert pressure is not None
    low, high = names.index(pair.lower), names.index(pair.upper)
    built, turned = (
        20.0 * np.log10(np.maximum(np.abs(total), 1e-15))
        for total in (pressure.sum(axis=0), pressure.sum(axis=0) - 2.0 * pressure[high])
    )
    loud = np.maximum(built, turned) >= built.max() - AUDIBLE_DB
    level = np.abs(pressure)
    others = np.delete(level, (low, high), axis=0).max(axis=0, initial=0.0)
    open_to = loud & (others <= np.minimum(level[low], level[high]))
    together = open_to & np.isfinite(pair.phase_deg)
    change = np.asarray(turned - built)
    null = _farthest(-change, together)
    if null is not None and change[null] <= -NULL_DB:
        return _found(pair, "null", curves.frequency_hz, change, null)
    most = _farthest(np.abs(change), open_to)
    if most is None:
        return PolarityTest(way=pair.upper, beside=pair.lower, kind="none", hz=None, change_db=0.0)
    kind: Literal["level", "none"] = "level" if abs(change[most]) >= LEVEL_DB else "none"
    return _found(pair, kind, curves.frequency_hz, change, most)


def _farthest(size: Real, where: Flags) -> int | None:
    return int(np.argmax(np.where(where, size, -np.inf))) if where.any() else None


def _found(
    pair: Tracking, kind: Literal["null", "level", "none"], f: Real, change: Real, at: int
) -> PolarityTest:
    return PolarityTest(
        way=pair.upper, beside=pair.lower, kind=kind, hz=float(f[at]), change_db=float(change[at])
    )
