"""From the files a design names to drivers on one grid with the same directions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from optimizer.arrays import Real
from optimizer.design.build.timing import align_drivers
from optimizer.design.keys import locate, say_in_file
from optimizer.design.nouns import Design, DesignDriver, ResponseFile
from optimizer.errors import InputError
from optimizer.goals import Goal
from optimizer.measure.curve import Direction, MeasuredCurve, Quantity
from optimizer.measure.curves.grid import log_grid
from optimizer.measure.curves.joined import join_directions
from optimizer.measure.driver import Driver
from optimizer.measure.files import open_curve
from optimizer.measure.wired import wire_drivers
from optimizer.text.units import say_hz
from optimizer.text.yamltext import Where


def load_drivers(design: Design) -> tuple[tuple[Driver, ...], tuple[str, ...]]:
    """Read the measurements of every driver that a way uses.

    Parameters
    ----------
    design : Design
        The design.

    Returns
    -------
    drivers : tuple of Driver
        On the grid of the design, all with the same directions, levels referred to 2.83 V and
        1 m, delays and level offsets applied, given by hand or found from `together`.
    notes : tuple of str
        What holds for all of them.

    Raises
    ------
    InputError
        A file that is missing or damaged, named with its key in the design.
    """
    used = {way.driver for way in design.topology.ways}
    used |= {name for several in design.wired for name in several.names}
    chosen = [driver for driver in design.drivers if driver.name in used]
    try:
        grid = log_grid(*design.grid.band_hz, design.grid.per_octave)
    except InputError as error:
        raise locate(design, error, "grid") from None
    grid.setflags(write=False)
    mirror = bool(design.measured.mirror)
    directions = _shared_directions(chosen, mirror)
    notes = [*_explain_directions(chosen, directions, mirror)]
    idle = [driver.name for driver in design.drivers if driver.name not in used]
    if idle:
        notes.append(f"no way uses {', '.join(idle)}: not read")
    said: dict[str, list[str]] = {one.name: [] for one in chosen}
    curves = {
        one.name: _read_directions(design, one, directions, mirror, said[one.name])
        for one in chosen
    }
    measured_together, others = _read_together(design, chosen)
    curves, timing_notes = align_drivers(design, chosen, curves, measured_together, others)
    drivers = tuple(
        _load_driver(design, one, curves[one.name], grid, said[one.name]) for one in chosen
    )
    by_name = {driver.name: driver for driver in drivers}
    for several in design.wired:
        together = [by_name[name] for name in several.names]
        by_name[several.together] = wire_drivers(several.together, together, several.wired)
    fed = dict.fromkeys(way.driver for way in design.topology.ways)
    order = sorted(fed, key=list(by_name).index)
    return tuple(by_name[name] for name in order), (*notes, *timing_notes)


def _read_directions(
    design: Design,
    chosen: DesignDriver,
    directions: Sequence[Direction],
    mirror: bool,
    notes: list[str],
) -> dict[Direction, MeasuredCurve]:
    """Read the file of every direction; phase stays missing where a file holds none."""
    found = {}
    for direction in directions:
        file = _find_file(chosen, direction, mirror)
        assert file is not None  # the shared directions were chosen that way
        found[direction] = _read(
            design.where(file.key), file.path, "pressure", notes,
            direction=direction, gate_s=design.measured.gate_s,
            columns=design.measured.columns_of(file.path),
        )  # fmt: skip
    return _join_near(design, chosen, found, notes) if chosen.near is not None else found


def _join_near(
    design: Design, chosen: DesignDriver, found: dict[Direction, MeasuredCurve], notes: list[str]
) -> dict[Direction, MeasuredCurve]:
    """Continue the responses of a driver by its near field."""
    near, key = chosen.near, f"drivers.{chosen.name}.near"
    assert near is not None  # the caller looked
    spot = design.where(key)
    said = design.measured.columns_of
    response = _read(
        design.where(f"{key}.file"), near.path, "pressure", notes, columns=said(near.path)
    )
    gate_s = next(iter(found.values())).gate_s
    port = None
    try:
        if near.port is not None:
            port = _read(
                design.where(f"{key}.port"), near.port, "pressure", notes, columns=said(near.port)
            )
        joined, splice = join_directions(
            response,
            found,
            near.join(chosen.diaphragm_m, design.measured.metres),
            port=port,
            far_from_hz=1.0 / gate_s if gate_s else None,
        )
    except InputError as error:
        raise spot.locate(error) from None
    notes += [f"near field {near.path.name}: {note}" for note in splice.notes]
    if len(found) > 1:
        notes.append("directions off the axis follow it below the join: an estimate")
    return joined


def _read_together(
    design: Design, chosen: Sequence[DesignDriver]
) -> tuple[MeasuredCurve | None, dict[str, MeasuredCurve]]:
    """Read the file of all drivers at once, and those that play in it though no way uses them."""
    if design.together is None or design.measured.clock == "shared" or len(chosen) < 2:
        return None, {}
    gate_s, said = design.measured.gate_s, design.measured.columns_of
    together = _read(
        design.where("together"), design.together, "pressure", [],
        gate_s=gate_s, columns=said(design.together),
    )  # fmt: skip
    others = {
        one.name: _read(
            design.where(one.responses[0].key),
            one.responses[0].path,
            "pressure",
            [],
            gate_s=gate_s,
            columns=said(one.responses[0].path),
        )
        for one in design.drivers
        if one not in chosen
    }
    return together, others


def _load_driver(
    design: Design,
    chosen: DesignDriver,
    curves: dict[Direction, MeasuredCurve],
    grid: Real,
    notes: list[str],
) -> Driver:
    spot = design.where(f"drivers.{chosen.name}.impedance")
    impedance = _read(
        spot, chosen.impedance, "impedance", notes,
        columns=design.measured.columns_of(chosen.impedance),
    )  # fmt: skip
    try:
        return Driver.from_curves(
            chosen.name, curves, impedance, grid_hz=grid,
            volts=design.measured.volts, metres=design.measured.metres,
            level_db=chosen.level_db, delay_s=chosen.delay_s, place_m=chosen.place_m,
            diaphragm_m=chosen.diaphragm_m, limits=chosen.limits, notes=notes,
        )  # fmt: skip
    except InputError as error:
        raise locate(design, error) from None


def _read(
    spot: Where,
    path: Path,
    quantity: Quantity,
    notes: list[str],
    *,
    direction: Direction | None = None,
    gate_s: float | None = None,
    columns: str = "",
) -> MeasuredCurve:
    """Read one file, whatever its kind."""
    _check_reach(spot, path)
    try:
        curve = open_curve(path, quantity, direction=direction, gate_s=gate_s, columns=columns)
    except InputError as error:
        raise spot.locate(error.explained(say_in_file)) from None
    notes += [f"{path.name}: {note}" for note in curve.notes]
    notes += [f"{path.name} {doubt.what}" for doubt in curve.doubts]
    return curve


def explain_gates(drivers: Sequence[Driver], goals: Mapping[str, Goal]) -> list[str]:
    """Say which goals reach below what the time window of every driver resolves.

    Parameters
    ----------
    drivers : sequence of Driver
        Their coverage tells the gate of the response on axis.
    goals : mapping of str to Goal
        Those that count; each says from where on it counts measured sound.

    Returns
    -------
    list of str
        At most one sentence.
    """
    windows = []
    for driver in drivers:
        on_axis = driver.coverage[0]
        if on_axis.gate_s is None:
            return []
        windows.append((on_axis.gate_s, Path(on_axis.source).name))
    gate_s, file = max(windows, key=lambda window: window[0])
    from_hz = 1.0 / gate_s
    below = [name for name, goal in goals.items() if goal.sound_from_hz < 0.99 * from_hz]
    if not below:
        return []
    reach = f"{', '.join(below)} reach{'es' if len(below) == 1 else ''}"
    return [
        f"{reach} below {say_hz(from_hz)}, the least that the gate of {file} "
        f"({gate_s * 1e3:.3g} ms) resolves: no valid data there"
    ]


def _check_reach(spot: Where, path: Path) -> None:
    # A wrong name is a fault of the design file, so the message gives its line.
    try:
        path.stat()
    except (FileNotFoundError, NotADirectoryError):
        raise spot.error(
            "the measurement file must exist", value=path,
            remedy="check its name; it is relative to the folder of the design file",
        ) from None  # fmt: skip
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise spot.error(
            f"the measurement file cannot be read ({reason.lower()})", value=path,
            remedy="check its name and the permissions of its folder",
        ) from None  # fmt: skip


def _mirrored(direction: Direction) -> Direction:
    return Direction(horizontal_deg=-direction.horizontal_deg, vertical_deg=direction.vertical_deg)


def _find_file(chosen: DesignDriver, direction: Direction, mirror: bool) -> ResponseFile | None:
    """Find the file of a direction, or of its mirror image where the cabinet allows it."""
    files = {file.direction: file for file in chosen.responses}
    if direction in files or not mirror:
        return files.get(direction)
    return files.get(_mirrored(direction))


def _shared_directions(chosen: Sequence[DesignDriver], mirror: bool) -> tuple[Direction, ...]:
    """Directions that every driver has, in the order of the first."""
    return tuple(
        file.direction for file in chosen[0].responses
        if all(_find_file(driver, file.direction, mirror) for driver in chosen)
    )  # fmt: skip


def _explain_directions(
    chosen: Sequence[DesignDriver], directions: Sequence[Direction], mirror: bool
) -> list[str]:
    every = {file.direction for driver in chosen for file in driver.responses}
    lost = sorted(
        direction for direction in every
        if direction not in directions and not (mirror and _mirrored(direction) in directions)
    )  # fmt: skip
    if not lost:
        return []
    named = ", ".join(str(direction) for direction in lost)
    return [f"directions left out because not every driver has them: {named}"]
