"""A design file and its measurements become a problem."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from optimizer.acoustics.field import estimate_directions
from optimizer.arrays import Real
from optimizer.design.build.drivers import explain_gates, load_drivers
from optimizer.design.build.stock import build_stock, check_stock
from optimizer.design.keys import locate
from optimizer.design.nouns import Design
from optimizer.errors import InputError, Subject
from optimizer.goals import Epdr, Goal, GoalSet, Impedance, Scene, Stress
from optimizer.goals.electrical import EPDR_SHARE, IMPEDANCE_SHARE
from optimizer.measure.driver import Driver
from optimizer.problem.problem import Problem
from optimizer.text.units import say_hz


def build_problem(design: Design) -> Problem:
    """Read the measurements, choose the stock and prepare the goals.

    Parameters
    ----------
    design : Design
        As `load_design` returned it.

    Returns
    -------
    Problem
        Ready to be searched.

    Raises
    ------
    InputError
        With file, line, key, value, rule and remedy: a measurement is missing or damaged, the
        stock holds nothing for a slot, a goal cannot be computed from the data.
    """
    stock = build_stock(design)
    topology, stock_notes = check_stock(design, stock)
    drivers, notes = load_drivers(design)
    mirror = bool(design.measured.mirror)
    if design.measured.estimate:
        try:
            drivers, said = estimate_directions(drivers, baffle_m=design.measured.baffle_m)
        except InputError as error:
            raise locate(design, error, "measured.estimate") from None
        notes = (*notes, *said)
    specs, goal_notes = _choose_goals(design, drivers, mirror)
    try:
        return Problem(
            title=design.title, drivers=drivers, topology=topology, stock=stock,
            goals=specs, crossings=design.crossings, amplifier=design.amplifier.rated,
            mirror=mirror, reading=design.measured.reflections, limits=design.limits.sums,
            assumed=(
                *design.notes, *stock_notes, *notes, *explain_gates(drivers, specs), *goal_notes,
            ),
        )  # fmt: skip
    except InputError as error:
        raise locate(design, error) from None


def _choose_goals(
    design: Design, drivers: Sequence[Driver], mirror: bool
) -> tuple[GoalSet, list[str]]:
    """Leave out what only the preset asks for and the data cannot tell; check every band.

    A goal that the user wrote is never left out: `Problem` refuses it.
    """
    by_name = {driver.name: driver for driver in drivers}
    ways = [(way.name, by_name[way.driver]) for way in design.topology.ways]
    scene = Scene.measured(ways, mirror=mirror, crossings=design.crossings)
    wanted = GoalSet(_suit_amplifier(design, goal) for goal in design.goals.specs.values())
    kept: list[Goal] = []
    notes: list[str] = []
    silent: list[str] = []
    for goal, prepared, error in wanted.tried(scene):
        name = goal.name
        if error is not None:
            if name not in design.goals.from_preset or error.subject != Subject("goal", name):
                raise locate(design, error, f"goals.{name}") from None
            if name in design.goals.from_base:
                silent.append(name)
            else:
                notes.append(f"{name}, asked for by the preset, is left out: {error.rule}")
            continue
        if prepared is not None and prepared.curve_names and name not in design.goals.from_base:
            notes += _check_data(design, goal, drivers)
        kept.append(goal)
    if silent:
        notes.append(f"the data and the design do not tell enough for {', '.join(silent)}")
    return GoalSet(kept), notes


def _suit_amplifier(design: Design, goal: Goal) -> Goal:
    """Take what a preset asks of the load from the amplifier, where that is stated."""
    rated, watts = design.amplifier.safe_to_ohm, design.amplifier.watts
    preset = goal.name in design.goals.from_preset
    if rated is not None and preset and isinstance(goal, Impedance):
        return replace(goal, floor_ohm=float(f"{IMPEDANCE_SHARE * rated:.3g}"))
    if rated is not None and preset and isinstance(goal, Epdr):
        return replace(goal, floor_ohm=float(f"{EPDR_SHARE * rated:.3g}"))
    stated = f"goals.{goal.name}.amplifier" in design.goals.spots
    if watts is not None and not stated and isinstance(goal, Stress):
        return replace(goal, amplifier_w=watts, rated_ohm=rated or goal.rated_ohm)
    return goal


def _check_data(design: Design, goal: Goal, drivers: Sequence[Driver]) -> list[str]:
    """Compare the band of a goal on a curve with what the drivers' files cover together."""
    low, high = goal.band_hz
    if low <= 0.0 and np.isinf(high):
        return []  # it asks for nothing in particular: all there is
    files = [driver.coverage[0] for driver in drivers]
    first, last = min(f.low_hz for f in files), max(f.high_hz for f in files)
    inside = _count(drivers[0].frequency_hz, max(low, first), min(high, last))
    measured = f"{say_hz(first)} .. {say_hz(last)}"
    band = f"{say_hz(low)} .. {say_hz(high)}"
    if not inside:
        raise design.where(f"goals.{goal.name}.band").error(
            f"the band of a goal must overlap what was measured, {measured}", value=band,
            remedy="change the band or measure there",
        )  # fmt: skip
    if inside < _count(drivers[0].frequency_hz, low, high):
        return [f"{goal.name}: band {band} reaches beyond the measured {measured}"]
    return []


def _count(frequency_hz: Real, low: float, high: float) -> int:
    return int(np.count_nonzero((frequency_hz >= low) & (frequency_hz <= high)))
