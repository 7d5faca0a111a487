"""From a survey to the text of a design file: goals, assumptions, and what they rest on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from optimizer.acoustics.averages import named_averages
from optimizer.design.start.ladders import Plan, plan_ways
from optimizer.errors import InputError, Subject
from optimizer.measure.curve import ON_AXIS, Direction, MeasuredCurve
from optimizer.measure.curves.thin import interpolate_log
from optimizer.measure.geometry import SOUND_SPEED_M_S
from optimizer.measure.readings import DriverFiles
from optimizer.measure.survey.nouns import Survey
from optimizer.measure.timing.align import align_responses
from optimizer.measure.timing.timing import Timing, check_shared_clock
from optimizer.text.units import say_hz

SEARCH_SECONDS = 10.0
MANY_DIRECTIONS = 4
"""Fewer, the axis included, say too little of the sound in a room: their plain mean is asked to be
even instead (common practice, no source)."""
SAFE_TO_OHM = 4.0
"""Rated impedance that an amplifier is taken to be safe with, where nothing is known of it (common
practice, no source)."""
COIL_REACH = 4.0
"""A low-pass still acts two octaves below its crossover, most of all on the impedance peak of its
driver (common practice, no source)."""

Clock = Literal["shared", "none"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """Everything a first design needs.

    Parameters
    ----------
    survey : Survey
        What it starts from.
    plan : Plan
        The ways.
    clock : {"shared", "none"}
        Whether the files share a time zero.
    clock_why : str
        How that is known.
    responses : dict of str to dict of Direction to str
        File of each direction by driver.
    impedances : dict of str to str
        File by driver.
    preset : str
        Preset of goals.
    off_axis : tuple of Direction
        Directions off the axis that every driver has.
    band_hz : tuple of float
        Band of the on-axis goal.
    band_why : tuple of str
        What sets it.
    impedance_band_hz : tuple of float
        Where the impedance is judged.
    low_drive_db : float or None
        How far down the drive of upper drivers at their resonance has to be.
    notes : tuple of str
        What else was assumed.
    depths_m, diameters_m : dict of str to float
        By driver, as stated by the user.
    """

    survey: Survey
    plan: Plan
    clock: Clock
    clock_why: str
    responses: dict[str, dict[Direction, str]]
    impedances: dict[str, str]
    preset: str
    off_axis: tuple[Direction, ...]
    band_hz: tuple[float, float]
    band_why: tuple[str, ...]
    impedance_band_hz: tuple[float, float]
    low_drive_db: float | None
    notes: tuple[str, ...]
    depths_m: dict[str, float]
    diameters_m: dict[str, float]


def plan_start(
    survey: Survey,
    *,
    clock: Clock | None = None,
    depths_m: dict[str, float] | None = None,
    diameters_m: dict[str, float] | None = None,
) -> Start:
    """Decide everything a design file has to say.

    Parameters
    ----------
    survey : Survey
        With one driver or more.
    clock : {"shared", "none"}, optional
        As the user states it; else told from the file of all drivers at once.
    depths_m, diameters_m : dict of str to float, optional
        As the user states them.

    Returns
    -------
    Start

    Raises
    ------
    InputError
        A driver has no impedance, or no response.
    """
    notes: list[str] = []
    if not survey.drivers:
        raise InputError(
            "a network needs a response of every driver", file=survey.folder.path,
            value="impedances only", remedy="add the responses, or say which files they are",
            by_stating=(Subject("file", part="role"),),
        )  # fmt: skip
    for driver in survey.drivers:
        if survey.folder.drivers[driver.name].impedance is None:
            raise InputError(
                f"a network needs the impedance of every driver; {driver.name} has none",
                file=survey.folder.path,
                remedy="measure it, say which file it is, or leave out the driver's files",
                by_stating=(
                    Subject("file", f"{driver.name} impedance", "role"),
                    Subject("file", "ignore", "role"),
                ),
            )
    plan = plan_ways(survey)
    found, why = (clock, "as stated") if clock else tell_clock(survey)
    responses = {
        d.name: _choose_files(survey.folder.drivers[d.name], notes) for d in survey.drivers
    }
    shared = set.intersection(*(set(files) for files in responses.values()))
    off_axis = tuple(d for d in next(iter(responses.values())) if d in shared and d != ON_AXIS)
    for name, files in responses.items():
        left = [str(d) for d in files if d not in shared]
        if left:
            notes.append(f"{name} alone was measured at {', '.join(left)}: not used off the axis")
    band, band_why = _choose_band(plan)
    for driver in survey.drivers:
        if survey.folder.drivers[driver.name].near_field is not None and driver.splice is None:
            notes.append(
                f"the near field of {driver.name} is not part of this design: its response on "
                "axis is continued below its data; --front states what joining it needs"
            )
    return Start(
        survey=survey, plan=plan, clock=found, clock_why=why, responses=responses,
        impedances={
            name: files.impedance.path
            for name, files in survey.folder.drivers.items() if files.impedance is not None
        },
        preset=_choose_preset(responses, (ON_AXIS, *off_axis)),
        off_axis=off_axis, band_hz=band, band_why=band_why,
        impedance_band_hz=_impedance_band(survey, plan),
        low_drive_db=_choose_low_drive(plan), notes=tuple(notes),
        depths_m=dict(depths_m or {}), diameters_m=dict(diameters_m or {}),
    )  # fmt: skip


def tell_clock(survey: Survey) -> tuple[Clock, str]:
    """Tell from the file of all drivers at once whether the files share a time zero.

    Parameters
    ----------
    survey : Survey
        With its timing.

    Returns
    -------
    clock : {"shared", "none"}
        Shared only where the files, added as they stand, meet the measured sum about as well as
        the best relative delays do.
    why : str
        The figures.
    """
    together = survey.folder.together
    if len(survey.drivers) < 2:
        return "none", "one driver: nothing to add"
    if together is None or together.curve is None:
        return "none", "no file of all drivers at once tells otherwise; --clock shared says so"
    curves: dict[str, MeasuredCurve] = {}
    for driver in survey.drivers:
        response = survey.folder.drivers[driver.name].on_axis
        if response is None or not response.has_phase:
            return "none", f"{driver.name} has no measured phase"
        curves[driver.name] = response
    timing = survey.timing
    if timing is None or timing.residual_db is None or timing.band_hz is None:
        return "none", "the timing is not determined"
    plain = _sum_residual_db(curves, together.curve, timing.band_hz)
    told = (
        f"added as they stand the files meet {together.path} within {plain:.2f} dB rms, with the "
        f"delays found within {timing.residual_db:.2f} dB rms"
    )
    return ("shared" if plain <= max(1.3 * timing.residual_db, 0.3) else "none"), told


def _sum_residual_db(
    curves: dict[str, MeasuredCurve], together: MeasuredCurve, band_hz: tuple[float, float]
) -> float:
    """Root mean square of the plain sum against the measured one; its level is free."""
    grid = np.geomspace(*band_hz, 200)
    total = np.zeros(len(grid), dtype=np.complex128)
    for response in align_responses(curves, check_shared_clock(curves)).values():
        level = interpolate_log(response.frequency_hz, response.level_db, grid)
        phase = interpolate_log(response.frequency_hz, response.phase_rad, grid)
        total += 10.0 ** (level / 20.0) * np.exp(1j * phase)
    measured = interpolate_log(together.frequency_hz, together.level_db, grid)
    error = 20.0 * np.log10(np.abs(total) + 1e-30) - measured
    return float(np.std(error))


def describe_delays(timing: Timing) -> list[str]:
    """Say a timing in lines for a comment.

    Parameters
    ----------
    timing : Timing
        Of a survey.

    Returns
    -------
    list of str
    """
    if timing.refused:
        return [f"the timing is not determined: {timing.refused}"]
    lines = []
    if timing.residual_db is not None and timing.band_hz is not None:
        lines.append(
            f"{timing.method}: the predicted sum meets the measured one within "
            f"{timing.residual_db:.2f} dB rms from {say_hz(timing.band_hz[0])} to "
            f"{say_hz(timing.band_hz[1])}"
        )
    for name, delay in timing.delays_s.items():
        if name in timing.interval_s and delay:
            low, high = timing.interval_s[name]
            lines.append(
                f"{name}: {delay * 1e6:+z.1f} us (95 %: {low * 1e6:+z.1f} to {high * 1e6:+z.1f}), "
                f"{delay * SOUND_SPEED_M_S * 1e3:+z.0f} mm"
            )
    return lines


def _choose_files(files: DriverFiles, notes: list[str]) -> dict[Direction, str]:
    """Files by the directions a design file can state; the nearest to the axis becomes 0."""
    found = {}
    for direction, reading in files.responses.items():
        oblique = direction.horizontal_deg != 0.0 and direction.vertical_deg != 0.0
        if oblique or max(abs(direction.horizontal_deg), abs(direction.vertical_deg)) > 180.0:
            notes.append(f"{reading.path} is left out: a direction lies on one of the two circles")
        else:
            found[direction] = reading.path
    if ON_AXIS not in found:
        first = next(iter(files.responses))
        path = found.pop(first, files.responses[first].path)
        found = {ON_AXIS: path, **found}
        notes.append(f"{path} ({first}) stands for the reference axis of {files.name}")
    return found


def _choose_band(plan: Plan) -> tuple[tuple[float, float], tuple[str, ...]]:
    """Band of the on-axis goal: what is measured, valid, and within the drivers' own reach."""
    lowest, highest = plan.groups[0][0], plan.groups[-1][0]
    why = []
    first_crossover = plan.crossovers[0].crossover_hz[0] if plan.crossovers else np.inf
    low, reason = 200.0, "from 200 Hz: below, rooms and placement decide"
    if first_crossover / COIL_REACH < low:
        # A large coil and the driver's own resonance boost the bass where nothing watches them.
        low = first_crossover / COIL_REACH
        reason = f"from {say_hz(low)}: as far below its crossover as a coil acts"
    own = lowest.usable_hz[0] * np.sqrt(2.0)
    # Where the data end before the driver does, its own fall is not seen.
    if own > low and lowest.usable_hz[0] > 1.02 * lowest.valid_from_hz:
        low, reason = own, f"from {say_hz(own)}: below, {lowest.name} falls by itself"
    if lowest.valid_from_hz > low:
        low = lowest.valid_from_hz
        reason = f"from {say_hz(low)}: no valid data of {lowest.name} below (its gate, or its end)"
    why.append(reason)
    for crossover in plan.crossovers:
        upper = next(d for group in plan.groups for d in group if d.name == crossover.upper)
        if upper.valid_from_hz > crossover.crossover_hz[0] / 2.0:
            why.append(
                f"the data of {upper.name} are valid only from {say_hz(upper.valid_from_hz)}, less "
                f"than an octave below its crossover: its slope there is an assumption"
            )
    high = min(16000.0, highest.measured_hz[1], highest.usable_hz[1])
    if high < 16000.0:
        why.append(f"to {say_hz(high)}: {highest.name} ends there")
    if high < 2.0 * low:
        # A driver of a very narrow band: take what there is.
        low, high = lowest.measured_hz[0], highest.measured_hz[1]
        why = ["everything that was measured"]
    return (float(f"{low:.3g}"), float(f"{high:.3g}")), tuple(why)


def _impedance_band(survey: Survey, plan: Plan) -> tuple[float, float]:
    """Judge the impedance where that of the lowest driver is measured."""
    low = 20.0
    for driver in plan.groups[0]:
        if driver.impedance is not None:
            low = max(low, driver.impedance.measured_hz[0])
    highest = [d.impedance.measured_hz[1] for d in survey.drivers if d.impedance is not None]
    high = min([20000.0, *highest])
    return (float(f"{low:.3g}"), float(f"{high:.3g}")) if high > 2.0 * low else (20.0, 20000.0)


def _choose_preset(
    responses: Mapping[str, Mapping[Direction, str]], shared: Sequence[Direction]
) -> str:
    """Aim at the room where the directions tell of it, else at an early first listening."""
    curves = named_averages(tuple(shared), find_mirror(responses))
    told = "in_room" in curves and len(shared) >= MANY_DIRECTIONS
    return "living-room" if told else "bench-start"


def _choose_low_drive(plan: Plan) -> float | None:
    """12 dB, a second-order filter an octave above, and as much more as a resonance peaks."""
    upper = [driver for group in plan.groups[1:] for driver in group]
    if not upper:
        return None
    qts = max((d.impedance.qts or 0.0) if d.impedance is not None else 0.0 for d in upper)
    return 12.0 + min(round(20.0 * float(np.log10(max(qts, 1.0)))), 8.0)


def limit_lowest(plan: Plan) -> dict[str, float]:
    """State below what frequency each driver should not be driven.

    Parameters
    ----------
    plan : Plan
        All ways.

    Returns
    -------
    dict of str to float
        In Hz, by driver: the resonance, or half the lowest safe crossover where that is unknown.
        The lowest drivers stay below all others, because nothing passive protects them.
    """
    found = {}
    for group in plan.groups:
        for driver in group:
            found[driver.name] = driver.resonance_hz or driver.lowest_hz / 2.0
    upper = [found[driver.name] for group in plan.groups[1:] for driver in group]
    for driver in plan.groups[0]:
        found[driver.name] = min([found[driver.name], *(0.7 * value for value in upper)])
    return found


def limit_highest(plan: Plan) -> dict[str, float]:
    """State above what frequency each driver but the highest should be silent, see `limit_lowest`.

    It is an octave above the highest crossover proposed for it, in Hz. Measurements on axis alone
    would let two drivers share two octaves, which lobes and beams off axis.
    """
    return {
        driver.name: 2.0 * crossover.crossover_hz[1]
        for group, crossover in zip(plan.groups, plan.crossovers, strict=False)
        for driver in group
    }


def find_mirror(responses: Mapping[str, Mapping[Direction, str]]) -> bool:
    """Whether horizontal angles were measured on one side only, so that the other is taken alike.

    Parameters
    ----------
    responses : mapping of str to mapping of Direction to str
        Files by driver and direction.

    Returns
    -------
    bool
    """
    angles = [d.horizontal_deg for files in responses.values() for d in files]
    beside = [angle for angle in angles if 0.0 < abs(angle) < 180.0]
    return bool(beside) and (min(beside) > 0.0 or max(beside) < 0.0)


def list_crossings(plan: Plan) -> list[tuple[str, str, tuple[float, float]]]:
    """List where ways may meet: names of the lower and the upper, and the range in Hz."""
    return [
        (lower.name, upper.name, pair.crossover_hz)
        for (below, above), pair in zip(pairwise(plan.groups), plan.crossovers, strict=True)
        for lower in below
        for upper in above
    ]


def explain_goals(start: Start) -> list[str]:
    """Say in a few lines what a first design asks for, and why.

    Parameters
    ----------
    start : Start
        What was decided.

    Returns
    -------
    list of str
        At most five lines.
    """
    low, high = (say_hz(hz) for hz in start.band_hz)
    lines = [f"direct sound flat from {low} to {high} ({'; '.join(start.band_why)})"]
    if start.preset == "living-room":
        lines.append(
            f"even sound in the room and even directivity: {len(start.off_axis)} directions off "
            "the axis were measured of every driver"
        )
    elif start.off_axis:
        angles = ", ".join(map(str, start.off_axis))
        lines.append(f"even sound off the axis: every driver was measured at {angles}")
    else:
        lines.append("nothing off the axis: no direction was measured of every driver")
    if start.plan.crossovers:
        ranges = ", ".join(
            f"{pair.lower} to {pair.upper} from {say_hz(pair.crossover_hz[0])} to "
            f"{say_hz(pair.crossover_hz[1])}"
            for pair in start.plan.crossovers
        )
        lines.append(f"crossovers in their ranges ({ranges}): what the drivers stand and reach")
        lines.append(
            "ways in step, a deep null with one turned round, drivers silent beyond their ranges, "
            "no loudness thrown away: so they add up and stay whole"
        )
    lines.append(
        f"a load for an amplifier that is safe to {SAFE_TO_OHM:g} ohm: assumed, state yours under "
        "amplifier"
    )
    return lines
