"""Read a design file: YAML to the nouns of `optimizer.design.nouns`, every error with its line."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Literal

from optimizer.design.nouns import (
    Design,
    DesignDriver,
    GridChoice,
    Measured,
    NearFieldFiles,
    ResponseFile,
    SearchChoice,
)
from optimizer.design.read.goals import read_goals
from optimizer.design.read.ladder import read_ways
from optimizer.design.read.stock import read_stock
from optimizer.errors import InputError
from optimizer.measure.curve import ON_AXIS, Direction
from optimizer.measure.driver import Limits
from optimizer.measure.files.impulse import LONGEST_GATE_S
from optimizer.text.units import format_quantity, parse_quantity
from optimizer.text.yamltext import Entry, Where, read_yaml

SOUND_SPEED_M_S = 343.2
"""Speed of sound in air at 20 deg C, for delays given as a path."""

_TOP = ("speaker", "measured", "drivers", "together", "ways", "goals", "stock", "search", "grid")
_MEASURED = ("volts", "metres", "clock", "mirror", "estimate", "baffle", "reflections",
             "gate")  # fmt: skip
_DRIVER = ("response", "impedance", "near", "at", "diaphragm", "limits", "delay", "level")
_LIMITS = {
    "watts": ("watts", "W"),
    "lowest_hz": ("lowest_hz", "Hz"),
    "highest_hz": ("highest_hz", "Hz"),
    "excursion": ("excursion_m", "m"),
    "force_factor": ("force_factor_tm", ""),  # T m: no prefix is in use
    "resistance": ("resistance_ohm", "ohm"),
}
"""Key of a limit -> field of `Limits` and unit."""
_DIRECTION = re.compile(r"(\d+(?:\.\d+)?)(?:\s*(?:deg|°))?\s*(right|left|up|down)?")
_SIDES = {"right": (1, 0), "left": (-1, 0), "up": (0, 1), "down": (0, -1)}


def load_design(path: str | Path) -> Design:
    """Read a design file.

    Parameters
    ----------
    path : path-like
        YAML file; file names in it are relative to its folder.

    Returns
    -------
    Design
        Checked for everything that can be told without the measurements.

    Raises
    ------
    InputError
        With file, line, dotted key, value, rule and remedy.
    """
    path = Path(path)
    entry = read_yaml(path)
    fields = entry.fields(_TOP, needed=("drivers", "ways"))
    spots = {spot.key: spot for spot in _list_spots(entry, set())}
    notes: list[str] = []
    drivers = _read_drivers(fields["drivers"], path.parent)
    goals = read_goals(fields.get("goals"), path.parent, notes)
    return Design(
        path=path,
        title=fields["speaker"].text() if "speaker" in fields else path.stem,
        measured=_read_measured(fields.get("measured")),
        drivers=drivers,
        topology=read_ways(fields["ways"], [driver.name for driver in drivers], notes),
        goals=goals,
        together=_read_path(fields["together"], path.parent) if "together" in fields else None,
        stock=read_stock(fields.get("stock"), path.parent, notes),
        search=_read_search(fields.get("search")),
        grid=_read_grid(fields.get("grid")),
        notes=tuple(notes),
        spots={**goals.spots, **spots},
    )


def parse_direction(text: str, where: Where) -> Direction:
    """Read a direction: "0", "30 right", "15 up", "180"."""
    match = _DIRECTION.fullmatch(" ".join(text.split()))
    if not match:
        raise where.error(
            "a direction is an angle and a side", value=repr(text),
            remedy='write 0, "30 right", "30 left", "15 up" or "15 down"',
        )  # fmt: skip
    angle, side = float(match[1]), match[2]
    if angle > 180.0:
        raise where.error("an angle lies between 0 and 180", value=f"{angle:g}")
    if angle == 0.0:
        return ON_AXIS
    if side is None and angle != 180.0:
        raise where.error(
            "an angle off the axis needs its side", value=repr(text),
            remedy=f'write "{angle:g} right", "{angle:g} left", "{angle:g} up" '
            f'or "{angle:g} down"',
        )  # fmt: skip
    horizontal, vertical = _SIDES[side or "right"]
    if angle == 180.0:  # straight behind is one direction, whichever way round
        horizontal, vertical = 1, 0
    return Direction(horizontal_deg=angle * horizontal, vertical_deg=angle * vertical)


def _list_spots(entry: Entry, seen: set[int]) -> list[Where]:
    """Every spot of a file; what is repeated through an anchor is listed once."""
    if id(entry.node) in seen:
        return []
    seen.add(id(entry.node))
    inside: list[Entry] = []
    if entry.is_mapping:
        inside = list(entry.fields().values())
    elif entry.is_list:
        inside = entry.items()
    return [entry.where, *(spot for inner in inside for spot in _list_spots(inner, seen))]


def _read_measured(entry: Entry | None) -> Measured:
    if entry is None:
        return Measured()
    fields = entry.fields(_MEASURED)
    clock: Literal["shared", "none"] = "shared"
    mirror: Literal["", "left-right"] = ""
    if "clock" in fields:
        clock = fields["clock"].choice(("shared", "none"))
    if "mirror" in fields:
        mirror = fields["mirror"].choice(("left-right",))
    reflections: Literal["bounces", "pooled"] = "bounces"
    if "reflections" in fields:
        reflections = fields["reflections"].choice(("bounces", "pooled"))
    return Measured(
        volts=fields["volts"].quantity("V", above=0.0) if "volts" in fields else 2.83,
        metres=fields["metres"].quantity("m", above=0.0) if "metres" in fields else 1.0,
        clock=clock, mirror=mirror, reflections=reflections,
        estimate=fields["estimate"].flag() if "estimate" in fields else False,
        baffle_m=fields["baffle"].quantity("m", above=0.0) if "baffle" in fields else None,
        gate_s=_read_gate(fields["gate"]) if "gate" in fields else None,
    )  # fmt: skip


def _read_gate(entry: Entry) -> float:
    gate_s = entry.quantity("s", above=0.0)
    if gate_s > LONGEST_GATE_S:
        raise entry.error(
            f"a gate ends within {LONGEST_GATE_S * 1e3:g} ms", value=f"{gate_s:g} s",
            remedy='write for instance "5 ms"',
        )  # fmt: skip
    return gate_s


def _read_drivers(entry: Entry, folder: Path) -> tuple[DesignDriver, ...]:
    drivers = tuple(_read_driver(name, inner, folder) for name, inner in entry.fields().items())
    if not drivers:
        raise entry.error("at least one driver is needed", remedy='add "woofer:" and its files')
    return drivers


def _read_driver(name: str, entry: Entry, folder: Path) -> DesignDriver:
    fields = entry.fields(_DRIVER)
    for key, what in (("response", "its measured response"), ("impedance", "its impedance")):
        if key not in fields:
            raise entry.error(
                f"a driver needs {what}", value=f"none for {name!r}",
                remedy=f'add "{key}: FILE"; a network cannot be computed without it',
            )  # fmt: skip
    place = fields["at"].fields(("up", "right", "back")) if "at" in fields else {}
    up, right, back = (
        place[key].quantity("m") if key in place else 0.0 for key in ("up", "right", "back")
    )
    near = _read_near(fields["near"], folder) if "near" in fields else None
    if near is not None and near.port is not None and "diaphragm" not in fields:
        raise entry.error(
            "a port needs the diameter of the driver's diaphragm",
            remedy='add "diaphragm: LENGTH" to the driver',
        )
    return DesignDriver(
        name=name,
        responses=_read_responses(fields["response"], folder),
        impedance=_read_path(fields["impedance"], folder),
        place_m=(up, right, back),
        diaphragm_m=(
            fields["diaphragm"].quantity("m", above=0.0) if "diaphragm" in fields else None
        ),
        limits=_read_limits(fields["limits"]) if "limits" in fields else Limits(),
        delay_s=_read_delay(fields["delay"]) if "delay" in fields else 0.0,
        level_db=fields["level"].quantity("dB") if "level" in fields else 0.0,
        near=near,
    )


def _read_near(entry: Entry, folder: Path) -> NearFieldFiles:
    """Read a near field: a file, or its block with front, join and port."""
    if not entry.is_mapping:
        return NearFieldFiles(path=_read_path(entry, folder))
    fields = entry.fields(("file", "front", "join", "port", "port_diameter"), needed=("file",))
    front = None
    if "front" in fields:
        sizes = fields["front"].fields(
            ("width", "height", "right", "up"), needed=("width", "height")
        )
        width, height = (sizes[key].quantity("m", above=0.0) for key in ("width", "height"))
        right, up = (sizes[k].quantity("m") if k in sizes else 0.0 for k in ("right", "up"))
        front = (width, height, right, up)
    if ("port" in fields) != ("port_diameter" in fields):
        raise entry.error(
            "a port is added by its near field and its diameter",
            remedy="state both port and port_diameter, or neither",
        )
    return NearFieldFiles(
        path=_read_path(fields["file"], folder), front_m=front,
        join_hz=fields["join"].quantity("Hz", above=0.0) if "join" in fields else None,
        port=_read_path(fields["port"], folder) if "port" in fields else None,
        port_m=(fields["port_diameter"].quantity("m", above=0.0)
                if "port_diameter" in fields else None),
    )  # fmt: skip


def _read_limits(entry: Entry) -> Limits:
    fields = entry.fields(_LIMITS)
    found = {
        name: fields[key].quantity(unit, above=0.0)
        for key, (name, unit) in _LIMITS.items()
        if key in fields and unit
    }
    if "force_factor" in fields:
        found["force_factor_tm"] = fields["force_factor"].number(least=0.01)
    if found.get("excursion_m", 0.0) > 0.05:
        raise fields["excursion"].error(
            "an excursion is at most 50 mm", value=format_quantity(found["excursion_m"], "m"),
            remedy='write for instance "4 mm"',
        )  # fmt: skip
    low, high = found.get("lowest_hz"), found.get("highest_hz")
    if low is not None and high is not None and high <= low:
        raise fields["highest_hz"].error(
            "the highest frequency of a driver lies above its lowest",
            value=format_quantity(high, "Hz"), remedy=f"lowest_hz is {format_quantity(low, 'Hz')}",
        )  # fmt: skip
    return Limits(**found)


def _read_responses(entry: Entry, folder: Path) -> tuple[ResponseFile, ...]:
    if not entry.is_mapping:
        return (_read_response_file(ON_AXIS, entry, folder),)
    found: dict[Direction, ResponseFile] = {}
    for text, inner in entry.fields().items():
        direction = parse_direction(text, inner.where)
        if direction in found:
            raise inner.error("a direction may stand once", value=repr(text))
        found[direction] = _read_response_file(direction, inner, folder)
    if ON_AXIS not in found:
        raise entry.error("the response on the reference axis is needed",
                          remedy='add "0: FILE"')  # fmt: skip
    return (found.pop(ON_AXIS), *found.values())


def _read_response_file(direction: Direction, entry: Entry, folder: Path) -> ResponseFile:
    return ResponseFile(direction=direction, path=_read_path(entry, folder), key=entry.where.key)


def _read_path(entry: Entry, folder: Path) -> Path:
    text = entry.text()
    if not text.strip() or "\0" in text:
        raise entry.error("a file name is expected here", value=repr(text))
    return folder / os.path.expanduser(text)


def _read_delay(entry: Entry) -> float:
    """Read a time, or a path that sound takes that long for."""
    try:
        return parse_quantity(entry.text(), "s")
    except InputError as error:
        try:
            bare = entry.text().strip().lstrip("+-").replace(".", "", 1).isdecimal()
            if not bare:
                return parse_quantity(entry.text(), "m") / SOUND_SPEED_M_S
        except InputError:
            pass
        located = entry.where.locate(error)
        raise entry.error(located.rule, value=located.value,
                          remedy='write for instance "0.05 ms" or "17 mm"') from None  # fmt: skip


def _read_search(entry: Entry | None) -> SearchChoice:
    fields = {} if entry is None else entry.fields(("seconds", "seed", "top"))
    plain = SearchChoice()
    seconds = plain.seconds
    if "seconds" in fields:
        seconds = fields["seconds"].number()
        if seconds <= 0.0:
            raise fields["seconds"].error("the time to search must be above 0", value=seconds)
    return SearchChoice(
        seconds=seconds,
        seed=fields["seed"].whole_number() if "seed" in fields else plain.seed,
        top=fields["top"].whole_number(least=1) if "top" in fields else plain.top,
    )


def _read_grid(entry: Entry | None) -> GridChoice:
    fields = {} if entry is None else entry.fields(("band", "per_octave"))
    plain = GridChoice()
    per_octave = plain.per_octave
    if "per_octave" in fields:
        per_octave = fields["per_octave"].number(least=3.0)
        if per_octave > 200.0:
            raise fields["per_octave"].error("at most 200 points per octave are computed",
                                             value=f"{per_octave:g}")  # fmt: skip
    return GridChoice(
        band_hz=fields["band"].range("Hz", above=0.0) if "band" in fields else plain.band_hz,
        per_octave=per_octave,
    )
