"""Comparable phases for the drivers of a design, by what it says of the clock."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from optimizer.design.nouns import Design, DesignDriver
from optimizer.errors import InputError
from optimizer.measure.curve import ON_AXIS, Direction, MeasuredCurve
from optimizer.measure.timing.align import align_directions
from optimizer.measure.timing.timing import Timing, assume_timing, check_shared_clock, find_timing
from optimizer.text.units import format_quantity, say_hz

DriverCurves = dict[str, dict[Direction, MeasuredCurve]]
"""Responses by driver and direction."""


def align_drivers(
    design: Design,
    chosen: Sequence[DesignDriver],
    curves: DriverCurves,
    together: MeasuredCurve | None,
    idle: Mapping[str, MeasuredCurve] | None = None,
) -> tuple[DriverCurves, list[str]]:
    """Give the responses of all drivers phases that can be added.

    Parameters
    ----------
    design : Design
        What it says of clock, delays and places.
    chosen : sequence of DesignDriver
        Drivers that a way uses.
    curves : dict of str to dict of Direction to MeasuredCurve
        Their files, with phase where the files hold one.
    together : MeasuredCurve or None
        All drivers driven at once.
    idle : mapping of str to MeasuredCurve, optional
        Drivers no way uses but that play in `together`.

    Returns
    -------
    curves : dict
        The same files, turned and levelled; as they stand with a shared clock or with delays
        given by hand.
    notes : list of str
        What was done and what it rests on.

    Notes
    -----
    Delays given by hand go before everything else: they say how much later than in its file a
    driver arrives, so the phases of the files are kept. Without a common clock the timing is
    found from `together`; without that file, or where it does not determine the timing, minimum
    phase and the stated depths stand in, with a warning.
    """
    if len(chosen) < 2:
        return curves, []
    first = {one.name: curves[one.name][ON_AXIS] for one in chosen}
    if design.measured.clock == "shared":
        return curves, _check_clock(first)
    if any(is_given(design, one, "delay") for one in chosen):
        return curves, ["no common clock: relative timing as given by hand under delay"]
    depths = {
        one.name: one.place_m[2] for one in chosen if f"drivers.{one.name}.at" in design.spots
    }
    timing, notes = _find(first | dict(idle or {}), together)
    if timing is None:
        timing = assume_timing(first, depths)
        notes += timing.notes
    aligned = {
        one.name: align_directions(
            curves[one.name],
            timing,
            one.name,
            place_m=one.place_m,
            levels=not is_given(design, one, "level"),
        )
        for one in chosen
    }
    return aligned, notes


def is_given(design: Design, driver: DesignDriver, key: str) -> bool:
    """Whether the design file states a key of a driver."""
    return f"drivers.{driver.name}.{key}" in design.spots


def say_timing(timing: Timing, source: str) -> str:
    """Say in one line how a timing was found and how well it meets the measurement.

    Parameters
    ----------
    timing : Timing
        As `find_timing` returned it.
    source : str
        File of all drivers at once.

    Returns
    -------
    str
        Method, and for each driver delay, interval, level, polarity; residual and band.
    """
    parts = []
    for number, (name, delay) in enumerate(timing.delays_s.items()):
        text = f"{name} {format_quantity(delay, 's')}"
        if number and name in timing.interval_s:
            low, high = timing.interval_s[name]
            text += f" (95 %: {format_quantity(low, 's')} .. {format_quantity(high, 's')})"
        text += f" {timing.levels_db[name]:+z.2f} dB"
        if timing.polarity[name] < 0:
            text += " inverted"
        parts.append(text)
    residual = ""
    if timing.residual_db is not None and timing.band_hz is not None:
        low_hz, high_hz = timing.band_hz
        residual = (
            f"; the predicted sum meets it within {timing.residual_db:.2f} dB rms "
            f"from {say_hz(low_hz)} to {say_hz(high_hz)}"
        )
    return f"timing found from {source}, {timing.method}: {', '.join(parts)}{residual}"


def _find(
    responses: Mapping[str, MeasuredCurve], together: MeasuredCurve | None
) -> tuple[Timing | None, list[str]]:
    if together is None:
        return None, []
    from pathlib import Path

    name = Path(together.source).name
    try:
        timing = find_timing(responses, together)
    except InputError as error:
        return None, [f"{name} cannot tell the timing: {error.rule}"]
    if timing.refused:
        return None, [f"{name} does not determine the timing: {timing.refused}"]
    # The first note of the timing repeats band and residual.
    return timing, [say_timing(timing, name), *timing.notes[1:]]


def _check_clock(responses: Mapping[str, MeasuredCurve]) -> list[str]:
    if not all(response.has_phase for response in responses.values()):
        return []
    try:
        notes = check_shared_clock(responses).notes
    except InputError as error:
        return [f"the shared clock was not checked: {error.rule}"]
    return [note for note in notes if "hardly share" in note]
