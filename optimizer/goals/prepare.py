"""From what the user asked for to residuals on the grid of a problem."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import numpy as np
from numpy.typing import NDArray

from optimizer.errors import InputError
from optimizer.goals.base import Goal, band_index
from optimizer.goals.electrical import ImpedanceFloorGoal
from optimizer.goals.response import LineGoal
from optimizer.goals.specs import (
    CurveGoalSpec,
    DirectivityGoalSpec,
    GoalSpec,
    ImpedanceGoalSpec,
    SmoothCurveGoalSpec,
)

Real = NDArray[np.float64]


def prepare_goal(
    name: str, spec: GoalSpec, frequency_hz: Real, available: Collection[str]
) -> Goal | None:
    """Prepare one goal.

    Parameters
    ----------
    name : str
        Its name in the design file.
    spec : GoalSpec
        The user's choices.
    frequency_hz : ndarray, shape (F,)
        Grid of the problem in Hz.
    available : collection of str
        Names of the curves that the measured directions allow.

    Returns
    -------
    Goal or None
        None for a goal without residuals (the price of parts).

    Raises
    ------
    InputError
        When the band holds no data or the curve needs directions that were not measured.
    """
    if isinstance(spec, CurveGoalSpec | SmoothCurveGoalSpec):
        _need(name, (name,), available)
        index = band_index(frequency_hz, spec.band_hz, name)
        return LineGoal(
            name=name, curve_names=(name,), index=index,
            octaves=np.log2(frequency_hz[index] / 1000.0), weight=spec.weight,
            tilt_db_per_octave=spec.tilt_db_per_octave, level_db=spec.level_db,
            scale=1.0 / np.sqrt(len(index)))
    if isinstance(spec, DirectivityGoalSpec):
        names = ("listening_window", "sound_power")
        _need(name, names, available)
        index = band_index(frequency_hz, spec.band_hz, name)
        return LineGoal(
            name=name, curve_names=names, index=index,
            octaves=np.log2(frequency_hz[index] / 1000.0), weight=spec.weight,
            tilt_db_per_octave=None, level_db=None, scale=1.0 / np.sqrt(len(index)))
    if isinstance(spec, ImpedanceGoalSpec):
        index = band_index(frequency_hz, spec.band_hz, name)
        return ImpedanceFloorGoal(
            name=name, index=index, frequency_hz=frequency_hz[index], floor_ohm=spec.floor_ohm,
            weight=spec.weight, hard=spec.hard, scale=1.0 / np.sqrt(len(index)))
    return None


def prepare_goals(
    specs: Mapping[str, GoalSpec], frequency_hz: Real, available: Collection[str]
) -> tuple[Goal, ...]:
    """Prepare every goal that has residuals, in the given order.

    Parameters
    ----------
    specs : mapping of str to GoalSpec
        By name.
    frequency_hz : ndarray, shape (F,)
        Grid in Hz.
    available : collection of str
        Names of the available curves.

    Returns
    -------
    tuple of Goal

    Raises
    ------
    InputError
        See `prepare_goal`; also when no goal with residuals and weight remains.
    """
    goals = [g for n, s in specs.items()
             if (g := prepare_goal(n, s, frequency_hz, available)) is not None]
    if not any(g.weight > 0.0 and not isinstance(g, ImpedanceFloorGoal) for g in goals):
        raise InputError("at least one goal on a curve needs a weight above 0", key="goals",
                         remedy="add on_axis, in_room or another curve")
    return tuple(goals)


def _need(name: str, curves: tuple[str, ...], available: Collection[str]) -> None:
    for curve in curves:
        if curve not in available:
            raise InputError(
                f"the goal needs the curve {curve.replace('_', ' ')}, for which no off-axis "
                "directions were given", key=f"goals.{name}",
                remedy="add directions under drivers.<name>.response or remove the goal")
