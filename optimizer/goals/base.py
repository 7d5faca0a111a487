"""What every goal offers: residuals, their derivatives, a figure and a cost."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.errors import InputError

Real = NDArray[np.float64]

HARD_COST_PER_DB = 100.0
"""Cost of each dB rms by which a hard limit is broken.

The figure of a limit is a norm of the shortfall, so a finite price is exact: far above what any
other goal can gain, it keeps the best network inside the limit.
"""


class Goal(Protocol):
    """A prepared goal on the grid of a problem."""

    name: str
    unit: str
    weight: float
    hard: bool
    curve_names: tuple[str, ...]

    def residuals(self, curves: Curves) -> Real:
        """Residuals in `unit`, scaled so that the root of their sum of squares is the figure.

        Returns
        -------
        ndarray, shape (..., N)
        """

    def tangents(self, curves: Curves, tangents: CurveTangents) -> Real:
        """Derivatives of `residuals` with respect to log values.

        Returns
        -------
        ndarray, shape (P, S, N)
        """

    def thinned(self, index: NDArray[np.intp], *, bound: bool) -> Goal:
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
        Weight times figure; a hard limit is priced at `HARD_COST_PER_DB`.
    """
    figure = np.sqrt(np.einsum("...n,...n->...", residuals, residuals))
    return figure * (HARD_COST_PER_DB if goal.hard else goal.weight)


def band_index(
    frequency_hz: Real, band_hz: tuple[float, float], goal_name: str, points: int = 3
) -> NDArray[np.intp]:
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
            key=f"goals.{goal_name}.band", value=f"{band_hz[0]:g}..{band_hz[1]:g} Hz",
            remedy="widen the band or measure there")
    return index
