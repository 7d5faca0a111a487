"""Read a design file: YAML to the nouns of `optimizer.design.nouns`, every error with its line."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from optimizer.design.nouns import (
    AmplifierChoice,
    Design,
    DesignDriver,
    GridChoice,
    MeasuringChoice,
    NearFieldFiles,
    ResponseFile,
    SearchChoice,
)
from optimizer.design.read.board import BOARD_KEYS, read_board, read_board_choice
from optimizer.design.read.crossings import read_crossings
from optimizer.design.read.goals import read_goals
from optimizer.design.read.ladder import WAY_KEYS, read_ways
from optimizer.design.read.shared import AMPLIFIER_KEYS, SHARED_KEYS, add_shared
from optimizer.design.read.stock import STOCK_KEYS, read_stock
from optimizer.design.read.terms import LIMIT_KEYS, read_limits
from optimizer.design.read.tree import KEPT_KEYS, read_tree
from optimizer.errors import InputError
from optimizer.measure.curve import ON_AXIS, Direction, parse_direction
from optimizer.measure.curves.cabinet import Cabinet
from optimizer.measure.driver import Limits, WiredDrivers
from optimizer.measure.files.columns import parse_columns
from optimizer.measure.files.impulse import LONGEST_GATE_S
from optimizer.measure.geometry import SOUND_SPEED_M_S
from optimizer.text.keys import (
    FileForm,
    FlagForm,
    Key,
    KeyBlock,
    NumberForm,
    OwnForm,
    QuantityForm,
    SpanForm,
    TextForm,
    WordForm,
)
from optimizer.text.units import parse_quantity, say_hz
from optimizer.text.yamltext import Entry, Where, read_yaml


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
    values = DESIGN_KEYS.values(entry)
    ways, network, parts, shared, cross, wanted, stock, board, limits = (
        values.pop(key, None)
        for key in (
            "ways",
            "network",
            "values",
            "shared",
            "cross",
            "goals",
            "stock",
            "board",
            "limits",
        )
    )
    amplifier = values.setdefault("amplifier", AmplifierChoice())
    spots = {spot.key: spot for spot in _list_spots(entry, set())}
    notes: list[str] = []
    goals = read_goals(wanted, path.parent, notes)
    drivers = [driver.name for driver in values["drivers"]]
    stocked = read_stock(stock, notes)
    wired: tuple[WiredDrivers, ...] = ()
    chosen = None if board is None else read_board_choice(board)
    if chosen is not None and board is not None and network is None:
        topology, wired = read_board(chosen, board, ways, shared, drivers, stocked.wire_m, notes)
        goals, shared = goals.with_board(), None
    elif ways is not None and network is None:
        topology, wired = read_ways(ways, drivers, notes)
    elif network is not None and ways is None and shared is None and board is None:
        topology = read_tree(network, parts, drivers, notes)
    elif network is None:
        raise entry.error(
            'the key "ways" is missing',
            remedy='add "ways:" with a ladder for each, "network:", or "board: FILE"',
        )
    else:
        raise network.error(
            "a network that is written as one expression needs no ways, shared sections or board",
            remedy='remove "ways:", "shared:" and "board:", or "network:"',
        )
    topology = replace(add_shared(topology, shared, notes), source=amplifier.source)
    crossings, hard = read_crossings(cross, [way.name for way in topology.ways])
    if crossings:
        goals = goals.with_crossings(hard=hard)
    return Design(
        path=path, **{"title": path.stem, **values}, topology=topology, wired=wired,
        crossings=crossings, goals=goals,
        board=chosen, stock=stocked, limits=read_limits(limits), notes=tuple(notes),
        spots={**goals.spots, **spots},
    )  # fmt: skip


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


def _read_drivers(entry: Entry) -> tuple[DesignDriver, ...]:
    drivers = tuple(_read_driver(name, inner) for name, inner in entry.fields().items())
    if not drivers:
        raise entry.error("at least one driver is needed", remedy='add "woofer:" and its files')
    return drivers


def _read_driver(name: str, entry: Entry) -> DesignDriver:
    driver = DesignDriver(name=name, **DRIVER_KEYS.values(entry))
    near, diaphragm = driver.near, driver.diaphragm_m
    if near is not None and near.port is not None and diaphragm is None:
        raise entry.error(
            "a port needs the diameter of the driver's diaphragm",
            remedy='add "diaphragm: LENGTH" to the driver',
        )
    return driver


def _read_near(entry: Entry) -> NearFieldFiles:
    """Read a near field: a file, or its block with front, join and port."""
    if not entry.is_mapping:
        return NearFieldFiles(path=FileForm().read(entry))
    near = NEAR_KEYS.read(entry)
    if (near.port is None) != (near.port_m is None):
        raise entry.error(
            "a port is added by its near field and its diameter",
            remedy="state both port and port_diameter, or neither",
        )
    return near


def _read_limits(entry: Entry) -> Limits:
    written = LIMITS_KEYS.open(entry)
    limits = Limits(**LIMITS_KEYS.take(written))
    low, high = limits.lowest_hz, limits.highest_hz
    if low is not None and high is not None and high <= low:
        raise written["highest_hz"].error(
            "the highest frequency of a driver lies above its lowest",
            value=say_hz(high), remedy=f"lowest_hz is {say_hz(low)}",
        )  # fmt: skip
    return limits


def _place(up: float = 0.0, right: float = 0.0, back: float = 0.0) -> tuple[float, float, float]:
    return (up, right, back)


def _read_responses(entry: Entry) -> tuple[ResponseFile, ...]:
    if not entry.is_mapping:
        return (_read_response_file(ON_AXIS, entry),)
    found: dict[Direction, ResponseFile] = {}
    for text, inner in entry.fields().items():
        try:
            direction = parse_direction(text)
        except InputError as error:
            raise inner.where.locate(error) from None
        if direction in found:
            raise inner.error("a direction may stand once", value=repr(text))
        found[direction] = _read_response_file(direction, inner)
    if ON_AXIS not in found:
        raise entry.error("the response on the reference axis is needed",
                          remedy='add "0: FILE"')  # fmt: skip
    return (found.pop(ON_AXIS), *found.values())


def _read_response_file(direction: Direction, entry: Entry) -> ResponseFile:
    return ResponseFile(direction=direction, path=FileForm().read(entry), key=entry.where.key)


def _read_columns(entry: Entry) -> tuple[tuple[str, str], ...]:
    """Read what the columns of files are, by the names of the files."""
    said = []
    for name, inner in entry.fields().items():
        try:
            parse_columns(inner.text())
        except InputError as error:
            raise inner.where.locate(error) from None
        said.append((name, inner.text()))
    return tuple(said)


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
        raise entry.error(error.rule, value=error.value,
                          remedy='write for instance "0.05 ms" or "17 mm"') from None  # fmt: skip


MEASURED_KEYS = KeyBlock(
    noun=MeasuringChoice,
    keys=(
        Key(
            name="volts", form=QuantityForm("V", above=0.0), example="2.83",
            meaning="voltage at the driver's terminals",
        ),
        Key(
            name="metres", form=QuantityForm("m", above=0.0), example="1.0",
            meaning="distance of the microphone",
        ),
        Key(
            name="clock", form=WordForm(("shared", "none")), example="none",
            meaning="whether the phases of different files have one time zero",
        ),
        Key(
            name="mirror", form=WordForm(("left-right",)), example="left-right",
            meaning="that the cabinet radiates alike to both sides, where one was measured",
        ),
        Key(
            name="estimate", says=("drivers", "estimated directions"), form=FlagForm(), example="yes",
            meaning="whether all directions are estimated from geometry, with the axis alone measured",
        ),
        Key(
            name="baffle", field="baffle_m", form=QuantityForm("m", above=0.0), example="220 mm",
            meaning="width of the baffle, for that estimate",
        ),
        Key(
            name="reflections", form=WordForm(("pooled", "bounces")), example="bounces",
            meaning="how early reflections are averaged: all angles at once, or bounce by bounce",
        ),
        Key(
            name="gate", field="gate_s", says=("measured", "gate"), example="5 ms",
            form=QuantityForm("s", above=0.0, most=LONGEST_GATE_S,
                          rule=f"a gate ends within {LONGEST_GATE_S * 1e3:g} ms"),
            meaning="end of the time window of impulse responses; found by itself when not written",
        ),
        Key(
            name="columns", says=("file", "columns"),
            form=OwnForm("what the columns are, by file", _read_columns),
            example='{woofer.txt: "frequency kHz, level, phase rad"}',
            meaning="what the columns of a file are, where its headings do not say it",
        ),
    ),
)  # fmt: skip
"""How the responses were taken."""

PLACE_KEYS = KeyBlock(
    noun=_place,
    keys=tuple(
        Key(name=name, form=QuantityForm("m"), example=example, meaning=f"distance {meaning}")
        for name, example, meaning in (
            ("up", "-0.42", "above the reference axis"),
            ("right", "0", "to the right of it"),
            ("back", "0.03", "behind the reference plane: the depth of the acoustic centre"),
        )
    ),
)
"""Where a driver sits."""

LIMITS_KEYS = KeyBlock(
    noun=Limits,
    keys=(
        Key(
            name="watts", says=("driver", "power"), form=QuantityForm("W", above=0.0), example="80",
            meaning="programme-noise power it takes, from the data sheet",
        ),
        Key(
            name="lowest_hz", says=("driver", "lowest frequency"),
            form=QuantityForm("Hz", above=0.0), example="2 kHz",
            meaning="lowest frequency it should be asked to play",
        ),
        Key(
            name="highest_hz", says=("driver", "highest frequency"),
            form=QuantityForm("Hz", above=0.0), example="6 kHz",
            meaning="highest frequency it should be asked to play",
        ),
        Key(
            name="excursion", field="excursion_m", says=("driver", "excursion"),
            form=QuantityForm("m", above=0.0, most=0.05, rule="an excursion is at most 50 mm"),
            example="4 mm", meaning="excursion to one side that it stands",
        ),
        Key(
            name="force_factor", field="force_factor_tm", says=("driver", "force factor"),
            form=NumberForm(least=0.01), example="6.5",  # T m: no prefix is in use
            meaning="force factor Bl in T m, for estimates of excursion",
        ),
        Key(
            name="resistance", field="resistance_ohm", says=("driver", "resistance"),
            form=QuantityForm("ohm", above=0.0), example="5.6 ohm",
            meaning="resistance of the voice coil at direct current, for the same",
        ),
    ),
)  # fmt: skip
"""What a driver stands."""

FRONT_KEYS = KeyBlock(
    noun=Cabinet,
    keys=tuple(
        Key(
            name=name, field=f"{name}_m", example=example, meaning=meaning,
            form=QuantityForm("m", above=above), needed=needed,
        )
        for name, example, meaning, above, needed in (
            ("width", "220 mm", "outer width of the front", 0.0, "a front needs its width"),
            ("height", "360 mm", "outer height of the front", 0.0, "a front needs its height"),
            ("depth", "280 mm", "outer depth of the box", 0.0, ""),
            ("right", "0", "the driver's centre, to the right of the middle", None, ""),
            ("up", "60 mm", "the driver's centre, above the middle", None, ""),
        )
    ),
)  # fmt: skip
"""The front a driver sits on."""

NEAR_KEYS = KeyBlock(
    noun=NearFieldFiles,
    keys=(
        Key(
            name="file", field="path", form=FileForm(), example="woofer_near.txt",
            meaning="near field of the diaphragm", needed="a near field needs its file",
        ),
        Key(
            name="front", says=("driver", "front"), form=FRONT_KEYS,
            example="{width: 220 mm, height: 360 mm}",
            meaning="size of the front, which the far field sees and the near field does not",
        ),
        Key(
            name="join", field="join_hz", form=QuantityForm("Hz", above=0.0), example="300",
            meaning="where near and far field are joined; found by itself when not written",
        ),
        Key(
            name="port", says=("driver", "port"), form=FileForm(), example="port_near.txt",
            meaning="near field of the port",
        ),
        Key(
            name="port_diameter", field="port_m", form=QuantityForm("m", above=0.0), example="60 mm",
            meaning="diameter of the port",
        ),
    ),
)  # fmt: skip
"""A near field and what joins it to the far field."""

_NO_NETWORK = "a network cannot be computed without it"

DRIVER_KEYS = KeyBlock(
    noun=DesignDriver,
    keys=(
        Key(
            name="response", field="responses", says=("driver", "directions"),
            form=OwnForm("file, or one file for each direction", _read_responses),
            example='{0: woofer.txt, "30 right": woofer_h30.txt}',
            meaning="measured response on the reference axis, and in other directions",
            needed=f"a driver needs its measured response: {_NO_NETWORK}",
        ),
        Key(
            name="impedance", says=("driver", "impedance"), form=FileForm(), example="woofer_z.txt",
            meaning="measured impedance, mounted",
            needed=f"a driver needs its impedance: {_NO_NETWORK}",
        ),
        Key(
            name="near", form=OwnForm("file, or its block", _read_near, NEAR_KEYS),
            example="woofer_near.txt",
            meaning="near field, which continues the responses towards the bass",
        ),
        Key(
            name="at", field="place_m", form=PLACE_KEYS, example="{up: -0.42, back: 0.03}",
            meaning="place of the driver, from the reference axis",
        ),
        Key(
            name="diaphragm", field="diaphragm_m", says=("driver", "diaphragm"),
            form=QuantityForm("m", above=0.0), example="130 mm",
            meaning="effective diameter of the diaphragm",
        ),
        Key(
            name="limits", form=OwnForm("block", _read_limits, LIMITS_KEYS),
            example="{watts: 80, lowest_hz: 2 kHz}", meaning="what the driver stands",
        ),
        Key(
            name="delay", field="delay_s", form=OwnForm("time, or path of sound", _read_delay),
            example="0.05 ms",
            meaning="how much later than in its files the driver arrives, where known by hand",
        ),
        Key(
            name="level", field="level_db", form=QuantityForm("dB"), example="-3 dB",
            meaning="added to its responses, where known by hand",
        ),
    ),
)  # fmt: skip
"""A driver's files and what is known of it."""

SEARCH_KEYS = KeyBlock(
    noun=SearchChoice,
    keys=(
        Key(
            name="seconds", says=("search", "time"), example="10",
            form=NumberForm(above=0.0, rule="the time to search must be above 0"),
            meaning="longest time to search",
        ),
        Key(
            name="seed", form=NumberForm(whole=True), example="1",
            meaning="start of the random numbers; the same seed gives the same answer",
        ),
        Key(
            name="top", says=("search", "candidates"), form=NumberForm(least=1, whole=True),
            example="5", meaning="networks to show",
        ),
        Key(
            name="by", form=WordForm(("verdicts", "cost")), example="cost",
            meaning="what ranks: cost alone, or cost among those without a bad verdict, then the rest",
        ),
    ),
)  # fmt: skip
"""How long to look and how much to show."""

GRID_KEYS = KeyBlock(
    noun=GridChoice,
    keys=(
        Key(
            name="band", field="band_hz", says=("grid", "band"), form=SpanForm("Hz", above=0.0),
            example="20 .. 20k", meaning="first and last frequency of everything computed",
        ),
        Key(
            name="per_octave", says=("grid", "density"), example="24",
            form=NumberForm(least=3.0, most=200.0, rule="at most 200 points per octave are computed"),
            meaning="points per octave",
        ),
    ),
)  # fmt: skip
"""The grid everything is computed on."""

DESIGN_KEYS = KeyBlock(
    noun=Design,
    keys=(
        Key(
            name="speaker", field="title", form=TextForm(), example="Chapel three-way",
            meaning="what the speaker is called; the name of the file when not written",
        ),
        Key(
            name="measured", form=MEASURED_KEYS, example="{volts: 2.83, metres: 1.0, clock: shared}",
            meaning="how the responses were taken",
        ),
        Key(
            name="drivers", form=OwnForm("drivers by name", _read_drivers, DRIVER_KEYS, ".NAME"),
            example="{woofer: {response: woofer.txt, impedance: woofer_z.txt}}",
            meaning="the drivers, their files and what is known of them",
            needed='the key "drivers" is missing',
        ),
        Key(
            name="together", form=FileForm(), example="together.txt",
            meaning="response of all drivers driven at once, which tells their relative timing",
        ),
        Key(
            name="ways", form=OwnForm("ways by name", block=WAY_KEYS, inside=".NAME"),
            example="{woofer: {ladder: [{name: L1, series: inductor}]}}",
            meaning="the network between the amplifier and each driver",
        ),
        Key(
            name="network", form=OwnForm("expression"),
            example='"L1 + (C1 || woofer)"',
            meaning="instead of ways: the whole network, + in series and || in parallel; ? may be "
            "left out, - before a driver turns it, ± leaves that open",
        ),
        Key(
            name="values", form=OwnForm("ranges by part, or parts that stay", block=KEPT_KEYS,
                                        inside=".NAME"),
            example="{L1: 1 .. 6 mH, C1: {keep: 10 uF}}",
            meaning="of the parts of network: the range of each, or what stays on the board",
        ),
        Key(
            name="board", form=OwnForm("network file, or its block", block=BOARD_KEYS),
            example="old-board.yaml",
            meaning="an old board, every place of which may stay, take another value or be emptied; "
            "under ways stands only what is otherwise, as {name: C1, keep: yes}",
        ),
        Key(
            name="shared", says=("group", ""),
            form=OwnForm("sections by name", block=SHARED_KEYS, inside=".NAME"),
            example="{speaker: {ladder: [{name: R0, series: resistor}]}}",
            meaning="sections in front of several ways, and ways that are joined in series",
        ),
        Key(
            name="amplifier", says=("amplifier", ""), form=AMPLIFIER_KEYS,
            example="{safe_to: 4 ohm, output: 0.1 ohm, cable: 0.05 ohm}",
            meaning="what it is safe with, its resistance and that of the cable; an ideal one, safe "
            "to 4 ohm, when not written",
        ),
        Key(
            name="cross", says=("crossing", ""), form=OwnForm("ranges by pair of ways, and hard"),
            example="{woofer to tweeter: 1.3k .. 2.6k}",
            meaning="where two ways may meet in level; hard: yes refuses every network outside",
        ),
        Key(
            name="goals", says=("goals", ""), form=OwnForm("goals by name"),
            example="{on_axis: {weight: 1}}",
            meaning="what is wanted, and how much; a preset when not written",
        ),
        Key(
            name="stock", says=("stock", ""), form=OwnForm("block", block=STOCK_KEYS),
            example="{series: E12}", meaning="where parts come from",
        ),
        Key(
            name="limits", says=("limits", ""), form=OwnForm("block", block=LIMIT_KEYS),
            example="{price: 60 EUR, pieces: 12, without: electrolytic}",
            meaning="what one speaker may have at most, or not at all: a network that breaks one is "
            "shown as the nearest miss alone",
        ),
        Key(
            name="search", form=SEARCH_KEYS, example="{seconds: 10, seed: 1}",
            meaning="how long to look and how much to show",
        ),
        Key(
            name="grid", says=("grid", ""), form=GRID_KEYS, example="{band: 20 .. 20k}",
            meaning="frequencies that everything is computed at",
        ),
    ),
)  # fmt: skip
"""The keys of a design file."""
