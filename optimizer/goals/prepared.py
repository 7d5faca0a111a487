"""What goals are prepared for, what an evaluator asks of a prepared one, and what it costs."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

import numpy as np

from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.arrays import Index, Real
from optimizer.measure.curve import Direction
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
    """

    frequency_hz: Real
    curves: Collection[str]
    ways: Ways = ()

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
        x = np.log(self.frequency_hz)
        centre = []
        for _, driver in self.ways:
            energy = np.abs(driver.pressure[0]) ** 2
            centre.append(float(energy @ x / energy.sum()))
        order = [int(i) for i in np.argsort(centre, kind="stable")]
        return tuple(pairwise(order))


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
