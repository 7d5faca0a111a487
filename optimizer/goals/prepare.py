"""From what the user asked for to residuals on the grid of a problem."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from optimizer.acoustics.averages import direction_curve
from optimizer.arrays import Real
from optimizer.errors import InputError, Subject
from optimizer.goals import specs as spec_of
from optimizer.goals.base import Goal, band_index
from optimizer.goals.crossover import BreakUpGoal, InvertedNullGoal, PhaseTrackingGoal
from optimizer.goals.directivity import (
    LobeDepthGoal,
    LobeSymmetryGoal,
    MonotonyGoal,
    SimilarityGoal,
)
from optimizer.goals.electrical import EpdrFloorGoal, ImpedanceFloorGoal, ImpedancePhaseGoal
from optimizer.goals.prepare_protection import prepare_low_drive, prepare_stress
from optimizer.goals.response import LineGoal, SensitivityGoal
from optimizer.goals.specs import GoalSpec
from optimizer.measure.curve import Direction
from optimizer.measure.driver import Driver

Ways = Sequence[tuple[str, Driver]]

_REMEDY = "add such directions to every driver, let them be estimated, or remove the goal"
_BY_STATING = (
    Subject("driver", part="directions"),
    Subject("drivers", part="estimated directions"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What a builder of a goal gets.

    Parameters
    ----------
    name : str
        Name of the goal in the design file.
    spec : GoalSpec
        The user's choices.
    frequency_hz : ndarray, shape (F,)
        Grid in Hz.
    available : collection of str
        Names of the available curves.
    ways : sequence of (str, Driver)
        Name of each way with its driver.
    """

    name: str
    spec: Any
    frequency_hz: Real
    available: Collection[str]
    ways: Ways

    def band(self, terms: int = 1) -> dict[str, Any]:
        """Fields that every goal over the band of its spec shares.

        Parameters
        ----------
        terms : int
            Curves that are averaged over besides frequency.
        """
        index = band_index(self.frequency_hz, self.spec.band_hz, self.name)
        return {
            "name": self.name,
            "index": index,
            "frequency_hz": self.frequency_hz[index],
            "weight": self.spec.weight,
            "hard": getattr(self.spec, "hard", False),
            "scale": 1.0 / np.sqrt(len(index) * terms),
        }

    def need(self, *curves: str) -> None:
        """Refuse the goal when a curve is missing."""
        for curve in curves:
            if curve not in self.available:
                raise InputError(
                    f"the goal needs the curve {curve.replace('_', ' ')}, for which no off-axis "
                    "directions were given",
                    subject=Subject("goal", self.name),
                    remedy=_REMEDY,
                    by_stating=_BY_STATING,
                )

    def directions(self, *, vertical: bool) -> list[Direction]:
        """Directions of the drivers within the angle of the spec, the axis left out."""
        if not self.ways:
            return []
        limit = self.spec.angle_deg + 1e-9
        return [
            d
            for d in self.ways[0][1].directions
            if 0.0 < max(abs(d.horizontal_deg), abs(d.vertical_deg)) <= limit
            and not (vertical and d.horizontal_deg)
        ]


def prepare_goal(
    name: str,
    spec: GoalSpec,
    frequency_hz: Real,
    available: Collection[str],
    ways: Ways = (),
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
    ways : sequence of (str, Driver)
        Name of each way with its driver, for goals on single directions, ways or drivers.

    Returns
    -------
    Goal or None
        None for a goal without residuals (the price of parts).

    Raises
    ------
    InputError
        When the band holds no data, or the curve, the directions or the limits that the goal
        needs are not there.
    """
    if isinstance(spec, spec_of.ECONOMY_SPECS):
        return None
    build = _BUILDERS[type(spec)]
    return build(
        Request(name=name, spec=spec, frequency_hz=frequency_hz, available=available, ways=ways)
    )


def prepare_goals(
    specs: Mapping[str, GoalSpec],
    frequency_hz: Real,
    available: Collection[str],
    ways: Ways = (),
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
    ways : sequence of (str, Driver)
        As in `prepare_goal`.

    Returns
    -------
    tuple of Goal

    Raises
    ------
    InputError
        See `prepare_goal`; also when no goal on a curve with a weight remains.
    """
    goals = [
        g
        for n, s in specs.items()
        if (g := prepare_goal(n, s, frequency_hz, available, ways)) is not None
    ]
    if not any(g.weight > 0.0 and g.curve_names for g in goals):
        raise InputError(
            "at least one goal on a curve needs a weight above 0",
            subject=Subject("goals"),
            remedy="add on_axis, in_room or another curve",
        )
    return tuple(goals)


def neighbouring_ways(frequency_hz: Real, ways: Ways) -> tuple[tuple[int, int], ...]:
    """Pair ways whose drivers follow each other upwards in frequency.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Grid in Hz.
    ways : sequence of (str, Driver)

    Returns
    -------
    tuple of (int, int)
        Lower way first. Drivers are ordered by the mean log frequency of their raw energy.
    """
    x = np.log(frequency_hz)
    centre = []
    for _, driver in ways:
        energy = np.abs(driver.pressure[0]) ** 2
        centre.append(float(energy @ x / energy.sum()))
    order = [int(i) for i in np.argsort(centre, kind="stable")]
    return tuple(pairwise(order))


def _line(request: Request, curves: tuple[str, ...]) -> LineGoal:
    request.need(*curves)
    shared = request.band()
    return LineGoal(
        name=request.name,
        curve_names=curves,
        index=shared["index"],
        weight=shared["weight"],
        octaves=np.log2(shared["frequency_hz"] / 1000.0),
        scale=shared["scale"],
        tilt_db_per_octave=getattr(request.spec, "tilt_db_per_octave", None),
        level_db=getattr(request.spec, "level_db", None),
        shelf=(request.spec.shelf_db, request.spec.shelf_hz)
        if getattr(request.spec, "shelf_db", 0.0)
        else None,
    )


def _curve(request: Request) -> Goal:
    return _line(request, (request.name,))


def _directivity(request: Request) -> Goal:
    second = "early_reflections" if request.name == "early_reflections_index" else "sound_power"
    return _line(request, ("listening_window", second))


def _monotony(request: Request) -> Goal:
    curves = ("listening_window", "sound_power")
    request.need(*curves)
    return MonotonyGoal(**request.band(), unit="dB rms fallen", curve_names=curves)


def _similarity(request: Request) -> Goal:
    directions = request.directions(vertical=False)
    if not directions:
        raise _no_directions(request, "off-axis")
    curves = ("on_axis", *(direction_curve(d) for d in directions))
    return SimilarityGoal(**request.band(len(directions)), unit="dB rms", curve_names=curves)


def _lobe_symmetry(request: Request) -> Goal:
    angles = {d.vertical_deg for d in request.directions(vertical=True)}
    both = sorted(a for a in angles if a > 0.0 and -a in angles)
    if not both:
        raise _no_directions(request, "equal upward and downward")
    curves = tuple(direction_curve(Direction(vertical_deg=s * a)) for a in both for s in (1, -1))
    return LobeSymmetryGoal(**request.band(len(both)), unit="dB rms", curve_names=curves)


def _lobe_depth(request: Request) -> Goal:
    directions = request.directions(vertical=True)
    if not directions:
        raise _no_directions(request, "vertical")
    curves = ("on_axis", *(direction_curve(d) for d in directions))
    return LobeDepthGoal(
        **request.band(len(directions)),
        unit="dB rms below",
        curve_names=curves,
        allowed_db=request.spec.allowed_db,
    )


def _no_directions(request: Request, what: str) -> InputError:
    return InputError(
        f"the goal needs {what} directions up to {request.spec.angle_deg:g} degrees, for which "
        "no off-axis directions were given",
        subject=Subject("goal", request.name),
        remedy=_REMEDY,
        by_stating=_BY_STATING,
    )


def _neighbours(request: Request) -> dict[str, Any]:
    pairs = neighbouring_ways(request.frequency_hz, request.ways)
    if not pairs:
        raise InputError(
            "the goal needs at least two ways",
            subject=Subject("goal", request.name),
            value=len(request.ways),
            remedy="remove the goal",
        )
    return {"pairs": pairs, "ways": tuple(name for name, _ in request.ways)}


def _phase_tracking(request: Request) -> Goal:
    pairs = _neighbours(request)
    return PhaseTrackingGoal(
        **request.band(len(pairs["pairs"])),
        unit="deg rms",
        curve_names=("on_axis",),
        overlap_db=request.spec.overlap_db,
        **pairs,
    )


def _inverted_null(request: Request) -> Goal:
    pairs = _neighbours(request)
    shared = request.band()
    shared["scale"] = 1.0 / np.sqrt(len(pairs["pairs"]))
    return InvertedNullGoal(
        **shared,
        unit="dB short",
        curve_names=("on_axis",),
        wanted_db=request.spec.wanted_db,
        **pairs,
    )


def _break_up(request: Request) -> Goal:
    f = request.frequency_hz
    limited = [
        (w, d.limits.highest_hz)
        for w, (_, d) in enumerate(request.ways)
        if d.limits.highest_hz is not None and d.limits.highest_hz < f[-1]
    ]
    if not limited:
        raise InputError(
            "the goal needs a driver whose highest frequency is stated",
            subject=Subject("goal", request.name),
            remedy="state the highest frequency of a driver, or remove the goal",
            by_stating=(Subject("driver", part="highest frequency"),),
        )
    index = np.flatnonzero(f > min(hz for _, hz in limited))
    starts = tuple((w, int(np.count_nonzero(f[index] <= hz))) for w, hz in limited)
    points = sum(len(index) - start for _, start in starts)
    return BreakUpGoal(
        name=request.name,
        index=index,
        frequency_hz=f[index],
        weight=request.spec.weight,
        hard=request.spec.hard,
        scale=1.0 / np.sqrt(max(1, points)),
        unit="dB rms over",
        curve_names=("on_axis",),
        starts=starts,
        down_db=request.spec.down_db,
        ways=tuple(name for name, _ in request.ways),
    )


def _sensitivity(request: Request) -> Goal:
    shared = {**request.band(), "scale": 1.0}
    return SensitivityGoal(
        **shared, unit="dB below", curve_names=("on_axis",), floor_db=request.spec.floor_db
    )


def _impedance(request: Request) -> Goal:
    return ImpedanceFloorGoal(
        **request.band(), unit="dB rms below", floor_ohm=request.spec.floor_ohm
    )


def _impedance_phase(request: Request) -> Goal:
    return ImpedancePhaseGoal(
        **request.band(), unit="deg rms over", limit_deg=request.spec.limit_deg
    )


def _epdr(request: Request) -> Goal:
    return EpdrFloorGoal(**request.band(), unit="dB rms below", floor_ohm=request.spec.floor_ohm)


def _low_drive(request: Request) -> Goal:
    return prepare_low_drive(request.name, request.spec, request.frequency_hz, request.ways)


def _stress(request: Request) -> Goal:
    return prepare_stress(request.name, request.spec, request.frequency_hz, request.ways)


_BUILDERS: dict[type, Callable[[Request], Goal]] = {
    spec_of.CurveGoalSpec: _curve,
    spec_of.SmoothCurveGoalSpec: _curve,
    spec_of.DirectivityGoalSpec: _directivity,
    spec_of.MonotonyGoalSpec: _monotony,
    spec_of.SimilarityGoalSpec: _similarity,
    spec_of.LobeSymmetryGoalSpec: _lobe_symmetry,
    spec_of.LobeDepthGoalSpec: _lobe_depth,
    spec_of.PhaseTrackingGoalSpec: _phase_tracking,
    spec_of.InvertedNullGoalSpec: _inverted_null,
    spec_of.BreakUpGoalSpec: _break_up,
    spec_of.SensitivityGoalSpec: _sensitivity,
    spec_of.ImpedanceGoalSpec: _impedance,
    spec_of.ImpedancePhaseGoalSpec: _impedance_phase,
    spec_of.EpdrGoalSpec: _epdr,
    spec_of.LowDriveGoalSpec: _low_drive,
    spec_of.PowerGoalSpec: _stress,
    spec_of.ExcursionGoalSpec: _stress,
}
