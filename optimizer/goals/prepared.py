"""What goals are prepared for, what an evaluator asks of a prepared one, and what it costs."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol, Self

import numpy as np

from optimizer.acoustics.averages import direction_averages, named_averages
from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.arrays import Index, Real
from optimizer.measure.curve import Direction
from optimizer.measure.curves.order import order_upwards
from optimizer.measure.driver import Driver

HARD_COST_PER_DB = 100.0
"""Cost of each dB rms by which a hard limit is broken: the way back is downhill."""

HARD_STEP = 1000.0
"""Cost of breaking a hard limit at all."""

HARD_MET_DB = 1e-9
"""A shortfall up to this is rounding."""

Ways = Sequence[tuple[str, Driver]]
"""Name of each way with its driver."""


class PreparedGoal(Protocol):
    """What an evaluator asks of a goal, its own or one made for a question of the moment."""

    @property
    def name(self) -> str:
        """Name of the goal."""

    @property
    def unit(self) -> str:
        """Unit of the figure."""

    @property
    def weight(self) -> float:
        """Cost of one unit."""

    @property
    def hard(self) -> bool:
        """Whether the figure must be 0."""

    @property
    def curve_names(self) -> tuple[str, ...]:
        """Named curves it looks at."""

    def residuals(self, curves: Curves) -> Real:
        """Residuals in `unit`, scaled so that the root of their sum of squares is the figure.

        Returns
        -------
        ndarray, shape (..., N)
        """

    def tangents(self, curves: Curves, tangents: CurveTangents) -> Real:
        """Return the derivatives of `residuals` with respect to log values.

        Returns
        -------
        ndarray, shape (P, S, N)
        """

    def thinned(self, index: Index, *, bound: bool) -> PreparedGoal:
        """Return the goal on a subset of the grid.

        Parameters
        ----------
        index : ndarray of int
            Grid points kept.
        bound : bool
            True keeps the scale of the full grid, so that the figure never exceeds the full one;
            False rescales, so that it estimates the full one.
        """

    def describe(self, curves: Curves) -> str:
        """One plain sentence on where the figure comes from, for a single network."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossoverRange:
    """Where two ways may meet in level.

    Parameters
    ----------
    lower, upper : str
        Names of the ways.
    low_hz, high_hz : float or None
        The range in Hz; None for an end that nothing is known of.
    source : str
        Where it comes from, in a few words.
    """

    lower: str
    upper: str
    low_hz: float | None = None
    high_hz: float | None = None
    source: str = "stated"

    @property
    def pair(self) -> str:
        """What the two are called together."""
        return f"{self.lower} to {self.upper}"

    @property
    def centre_hz(self) -> float | None:
        """Middle of the range; half an octave inside it where one end is open."""
        if self.low_hz is not None and self.high_hz is not None:
            return float(np.sqrt(self.low_hz * self.high_hz))
        if self.low_hz is not None:
            return self.low_hz * float(np.sqrt(2.0))
        return None if self.high_hz is None else self.high_hz / float(np.sqrt(2.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What goals are prepared for.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Grid of the problem in Hz.
    curves : collection of str
        Names of the curves that the measured directions allow.
    ways : sequence of (str, Driver)
        Name of each way with its driver, for goals on single directions, ways or drivers.
    crossings : tuple of CrossoverRange
        What is stated of where ways may meet.
    """

    frequency_hz: Real
    curves: Collection[str]
    ways: Ways = ()
    crossings: tuple[CrossoverRange, ...] = ()

    @classmethod
    def measured(
        cls, ways: Ways, *, mirror: bool = False, crossings: Sequence[CrossoverRange] = ()
    ) -> Self:
        """Give all that goals can be prepared for with some drivers.

        Parameters
        ----------
        ways : sequence of (str, Driver)
            At least one; the drivers on one grid and in the same directions.
        mirror : bool
            Whether the user states left-right symmetry.
        crossings : sequence of CrossoverRange
            What is stated of where ways may meet.
        """
        _, driver = ways[0]
        averages = named_averages(driver.directions, mirror)
        return cls(
            frequency_hz=driver.frequency_hz,
            curves={**averages, **direction_averages(driver.directions)},
            ways=ways,
            crossings=tuple(crossings),
        )

    @property
    def way_names(self) -> tuple[str, ...]:
        """Names of the ways, for sentences."""
        return tuple(name for name, _ in self.ways)

    def directions(self, angle_deg: float, *, vertical: bool = False) -> list[Direction]:
        """Directions of the drivers within an angle, the axis left out."""
        if not self.ways:
            return []
        limit = angle_deg + 1e-9
        return [
            d
            for d in self.ways[0][1].directions
            if 0.0 < max(abs(d.horizontal_deg), abs(d.vertical_deg)) <= limit
            and not (vertical and d.horizontal_deg)
        ]

    def neighbours(self) -> tuple[tuple[int, int], ...]:
        """Pair ways whose drivers follow each other upwards in frequency.

        Returns
        -------
        tuple of (int, int)
            Lower way first. Drivers are ordered by the mean log frequency of their raw energy.
        """
        if not self.ways:
            return ()
        raw = np.array([driver.pressure[0] for _, driver in self.ways])
        return tuple(pairwise(order_upwards(self.frequency_hz, np.abs(raw) ** 2)))

    def meetings(self) -> tuple[CrossoverRange, ...]:
        """Where each pair of neighbouring ways may meet, the lowest pair first.

        Returns
        -------
        tuple of CrossoverRange
            As stated; else what the lowest frequency of the upper driver and the highest of the
            lower one leave, which may be nothing.
        """
        stated = {frozenset((one.lower, one.upper)): one for one in self.crossings}
        names = self.way_names
        found = []
        for first, second in self.neighbours():
            own = stated.pop(frozenset((names[first], names[second])), None)
            found.append(own or self._between(first, second))
        return (*found, *stated.values())

    def _between(self, lower: int, upper: int) -> CrossoverRange:
        """Take the range from the limits of two drivers."""
        low = self.ways[upper][1].limits.lowest_hz
        high = self.ways[lower][1].limits.highest_hz
        known = [
            f"{name} {word}"
            for name, word, hz in (
                (self.way_names[upper], "plays from", low),
                (self.way_names[lower], "plays to", high),
            )
            if hz is not None
        ]
        if low is not None and high is not None and low >= high:
            high = None  # what keeps the upper driver whole comes first
        return CrossoverRange(
            lower=self.way_names[lower],
            upper=self.way_names[upper],
            low_hz=low,
            high_hz=high,
            source=f"limits: {' and '.join(known)}" if known else "nothing is stated",
        )

    def own_bands(self, band_hz: tuple[float, float]) -> dict[int, tuple[float, float]]:
        """Part of a band that each way is there for, by its index.

        Parameters
        ----------
        band_hz : tuple of float
            What all ways play together, in Hz.

        Returns
        -------
        dict of int to tuple of float
            Ways meet in the middle of their ranges, or where their raw levels do. A way without a
            part of its own is left out.
        """
        if len(self.ways) < 2:
            return dict.fromkeys(range(len(self.ways)), band_hz)
        ranges = {frozenset((r.lower, r.upper)): r for r in self.meetings()}
        names = self.way_names
        chain = self.neighbours()
        edges = [band_hz[0]]
        for first, second in chain:
            centre = ranges[frozenset((names[first], names[second]))].centre_hz
            edges.append(self._raw_meeting_hz(first, second) if centre is None else centre)
        edges.append(band_hz[1])
        order = [chain[0][0], *(second for _, second in chain)]
        parts = {
            way: (max(low, band_hz[0]), min(high, band_hz[1]))
            for way, (low, high) in zip(order, pairwise(edges), strict=True)
        }
        return {way: part for way, part in parts.items() if part[0] < part[1]}

    def _raw_meeting_hz(self, lower: int, upper: int) -> float:
        """Where the raw level of a driver falls below that of the next for good."""
        gap = np.abs(self.ways[lower][1].pressure[0]) - np.abs(self.ways[upper][1].pressure[0])
        louder = np.flatnonzero(gap > 0.0)
        return float(self.frequency_hz[louder[-1] if len(louder) else 0])


def goal_cost(goal: PreparedGoal, residuals: Real) -> Real:
    """Cost of a goal from its residuals.

    Parameters
    ----------
    goal : PreparedGoal
        The goal.
    residuals : ndarray, shape (..., N)
        As returned by its `residuals`.

    Returns
    -------
    ndarray, shape (...)
        Weight times figure; a hard limit is priced at `HARD_COST_PER_DB` and, as soon as it is
        broken, at `HARD_STEP` besides, so that no network that breaks it ranks before one that
        does not.
    """
    figure: Real = np.sqrt(np.einsum("...n,...n->...", residuals, residuals))
    if goal.hard:
        # The step holds on a part of the grid too: a limit broken there is broken.
        return np.asarray(figure * HARD_COST_PER_DB + HARD_STEP * (figure > HARD_MET_DB))
    return np.asarray(figure * goal.weight)


def span_of(index: Index) -> slice:
    """Slice of the grid from the first to the last point of a band."""
    return slice(int(index[0]), int(index[-1]) + 1) if len(index) else slice(0, 0)


def join_terms(terms: Sequence[Real]) -> Real:
    """Join residuals along the last axis; their leading axes broadcast against each other."""
    if len(terms) == 1:
        return terms[0]
    lead = np.broadcast_shapes(*(t.shape[:-1] for t in terms))
    return np.concatenate([np.broadcast_to(t, (*lead, t.shape[-1])) for t in terms], axis=-1)
