"""What every goal offers: residuals, their derivatives, a figure and a cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol, Self

import numpy as np

from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.arrays import Index, Real
from optimizer.errors import InputError, Subject

HARD_COST_PER_DB = 100.0
"""Cost of each dB rms by which a hard limit is broken: the way back is downhill."""

HARD_STEP = 1000.0
"""Cost of breaking a hard limit at all."""

HARD_MET_DB = 1e-9
"""A shortfall up to this is rounding."""


class Goal(Protocol):
    """A prepared goal on the grid of a problem."""

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

    def thinned(self, index: Index, *, bound: bool) -> Goal:
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


def goal_cost(goal: Goal, residuals: Real) -> Real:
    """Cost of a goal from its residuals.

    Parameters
    ----------
    goal : Goal
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


@dataclass(frozen=True, slots=True, kw_only=True)
class BandGoal:
    """What goals over a band of the grid share; each point of the band stands for itself.

    Parameters
    ----------
    name : str
        Name of the goal.
    index : ndarray of int, shape (N,)
        Grid points of the band, without gaps.
    frequency_hz : ndarray, shape (N,)
        Their frequencies.
    weight : float
        Cost of one unit of the figure.
    scale : float
        1/sqrt(number of terms that the mean runs over).
    unit : str
        Unit of the figure.
    hard : bool
        Whether the figure must be 0.
    curve_names : tuple of str
        Named curves it looks at.
    """

    name: str
    index: Index
    frequency_hz: Real
    weight: float
    scale: float
    unit: str
    hard: bool = False
    curve_names: tuple[str, ...] = ()

    @property
    def span(self) -> slice:
        """The band as a slice of the grid: a view where an index would copy."""
        return span_of(self.index)

    def thinned(self, index: Index, *, bound: bool) -> Self:
        """See `Goal.thinned`; dropping points that stand for themselves can only lower a norm."""
        chosen = np.isin(self.index, index)
        kept = int(np.count_nonzero(chosen))
        factor = 1.0 if bound else float(np.sqrt(len(self.index) / max(1, kept)))
        return replace(
            self,
            index=np.searchsorted(index, self.index[chosen]),
            frequency_hz=self.frequency_hz[chosen],
            scale=self.scale * factor,
        )


def span_of(index: Index) -> slice:
    """Slice of the grid from the first to the last point of a band."""
    return slice(int(index[0]), int(index[-1]) + 1) if len(index) else slice(0, 0)


def join_terms(terms: Sequence[Real]) -> Real:
    """Join residuals along the last axis; their leading axes broadcast against each other."""
    if len(terms) == 1:
        return terms[0]
    lead = np.broadcast_shapes(*(t.shape[:-1] for t in terms))
    return np.concatenate([np.broadcast_to(t, (*lead, t.shape[-1])) for t in terms], axis=-1)


def band_index(
    frequency_hz: Real, band_hz: tuple[float, float], goal_name: str, points: int = 3
) -> Index:
    """Grid points inside a band.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Grid in Hz.
    band_hz : tuple of float
        Both ends included.
    goal_name : str
        For the message.
    points : int
        Fewest points that make sense.

    Returns
    -------
    ndarray of int

    Raises
    ------
    InputError
        When the band holds fewer points.
    """
    inside = (frequency_hz >= band_hz[0] * (1 - 1e-9)) & (frequency_hz <= band_hz[1] * (1 + 1e-9))
    index = np.flatnonzero(inside)
    if len(index) < points:
        raise InputError(
            f"a goal's band must hold at least {points} points of the grid, which runs from "
            f"{frequency_hz[0]:.4g} to {frequency_hz[-1]:.4g} Hz",
            subject=Subject("goal", goal_name, "band"),
            value=f"{band_hz[0]:g}..{band_hz[1]:g} Hz",
            remedy="widen the band or measure there",
        )
    return index
