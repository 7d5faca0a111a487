"""Write a first design file, commented for the person who will edit it."""

from __future__ import annotations

import hashlib
import os
import re
import textwrap
from pathlib import Path

from optimizer.design.read.crossings import BETWEEN
from optimizer.design.start.ladders import PlannedWay, plan_series
from optimizer.design.start.plan import (
    SAFE_TO_OHM,
    SEARCH_SECONDS,
    Start,
    describe_delays,
    explain_goals,
    find_mirror,
    limit_highest,
    limit_lowest,
    list_crossings,
)
from optimizer.errors import InputError
from optimizer.measure.curve import Direction
from optimizer.measure.survey.nouns import DriverSurvey
from optimizer.network.expression.nodes import (
    DriverLeaf,
    Parallel,
    PartLeaf,
    Series,
    render,
)
from optimizer.network.topology import Slot
from optimizer.parts import UNIT_OF_KIND, Kind
from optimizer.text.reading import read_file
from optimizer.text.units import format_quantity, say_hz

DESIGN_NAME = "laddersmith.yaml"
_MARK = "# Written by laddersmith start; fingerprint "
_FIRST = re.compile(re.escape(_MARK) + r"([0-9a-f]{16})\b.*\n")
_PLAIN = re.compile(r"[A-Za-z_][A-Za-z0-9_.\-/]*")
_NOT_PLAIN = {"yes", "no", "on", "off", "true", "false", "null", "y", "n", "none"}
_WIDTH = 96


def render_start(start: Start, folder: Path, beside: Path, board: Path | None = None) -> str:
    """Render a design file.

    Parameters
    ----------
    start : Start
        What was decided.
    folder : Path
        Where the measurements lie.
    beside : Path
        Folder the design file will stand in.
    board : Path, optional
        Network file of an old board, of which the ways begin instead of from nothing.

    Returns
    -------
    str
        YAML with comments. Its first line carries a fingerprint of the rest, by which
        `check_unedited` knows a file that nobody has touched.
    """
    lines = [*_render_head(start, folder), *_render_drivers(start, folder, beside)]
    together = start.survey.folder.together
    if together is not None and len(start.plan.ways) > 1:
        lines += [
            *_comment("All drivers at once, without a network: it tells the relative timing."),
            f"together: {_quote(_relative(folder / together.path, beside))}",
            "",
        ]
    ways = _render_ways(start) if board is None else _render_board(board, beside)
    lines += [*ways, *_render_crossings(start), *_render_goals(start)]
    body = "\n".join(lines) + "\n"
    return f"{_MARK}{_fingerprint(body)} tells whether anything below was changed\n{body}"


def check_unedited(path: Path) -> None:
    """Refuse to replace a design file that was edited, or one that is not ours.

    Parameters
    ----------
    path : Path
        Where a design is to be written.

    Raises
    ------
    InputError
        The file exists and is not as `render_start` made it.
    """
    if not (path.exists() or path.is_symlink()):
        return
    try:
        # Not noted as read: it is looked at because it is to be replaced.
        text = read_file(path, "design file", noted=False).decode("utf-8")
    except (InputError, UnicodeDecodeError):
        text = ""
    first = _FIRST.match(text)
    if first is None or first[1] != _fingerprint(text[first.end() :]):
        raise InputError(
            "a design file that was edited is not replaced", file=path,
            remedy=f"go on with it: laddersmith fit {path}; or begin anew in another file with "
            "--design FILE",
        )  # fmt: skip


def _fingerprint(body: str) -> str:
    return hashlib.sha256(body.encode("utf-8")).hexdigest()[:16]


def _render_head(start: Start, folder: Path) -> list[str]:
    lines = _comment(
        "A first design, made from the measurements alone. Read it, change what you know better, "
        "and run `laddersmith fit` on it. Once you have changed it, `laddersmith start` leaves "
        "it alone."
    )
    lines += ["#", "# How the files were understood (another reading: --as FILE=WHAT):"]
    for reading in start.survey.folder.files:
        what = " ".join(
            word for word in (reading.driver, reading.role, str(reading.direction or "")) if word
        )
        lines.append(f"#   {_one_line(reading.path)}: {what}")
    findings = [f for f in start.survey.findings if f.severity != "note"]
    if findings:
        lines += ["#", "# What looks wrong with the measurements:"]
        for finding in findings:
            text = f"{finding.severity}: {finding.where}: {finding.what}"
            lines += _comment(text + (f"; {finding.remedy}" if finding.remedy else ""), "  - ")
    if start.notes:
        lines += ["#", "# Also assumed:"]
        lines += [line for note in start.notes for line in _comment(note, "  - ")]
    lines += [
        "#",
        *_comment(
            "Safety: start every sweep at low level, keep sweeps out of a bare tweeter's "
            "resonance, wear ear protection close to a driver."
        ),
        "",
        f"speaker: {_quote(_one_line(folder.resolve().name) or 'Loudspeaker')}",
        "",
        *_comment(
            "Levels are taken as measured with 2.83 V at 1 m. If they were not, state volts and "
            "metres: the balance between drivers does not depend on it, the sensitivity does."
        ),
        *_comment(f"Clock: {start.clock_why}."),
    ]
    timing = start.survey.timing
    if timing is not None and start.clock == "none":
        lines += [line for text in describe_delays(timing) for line in _comment(text, "  ")]
        if start.survey.folder.together is None:
            lines += [line for text in timing.notes for line in _comment(text, "  ")]
    mirror = ""
    if find_mirror(start.responses):
        mirror = ", mirror: left-right"
        lines += _comment(
            "Horizontal angles were measured on one side only, so the other is taken to be alike; "
            "remove mirror where the cabinet is not."
        )
    told = {
        reading.path.rsplit("/", 1)[-1]: reading.columns
        for reading in start.survey.folder.files
        if reading.columns and reading.role != "ignored"
    }
    said = ", ".join(f"{_quote(name)}: {_quote(columns)}" for name, columns in told.items())
    columns = f", columns: {{{said}}}" if said else ""
    gate_s = start.survey.folder.gate_s
    gate = f", gate: {gate_s * 1e3:g} ms" if gate_s else ""
    lines += [
        f"measured: {{volts: 2.83, metres: 1.0, clock: {start.clock}{mirror}{gate}{columns}}}",
        "",
    ]
    return lines


def _render_drivers(start: Start, folder: Path, beside: Path) -> list[str]:
    lines = ["drivers:"]
    limits, tops = limit_lowest(start.plan), limit_highest(start.plan)
    for way in start.plan.ways:
        driver = way.driver
        name = driver.name
        low, high = driver.usable_hz
        text = (
            f"usable from {say_hz(low)} to {say_hz(high)}, within 6 dB; lowest safe crossover "
            f"{say_hz(driver.lowest_hz)}: {driver.lowest_rule}"
        )
        if driver.valid_from_hz > driver.measured_hz[0]:
            text += f"; valid from {say_hz(driver.valid_from_hz)} only, the limit of its gate"
        lines.append(f"  {_quote(name)}:")
        lines += _comment(text, indent="    ")
        files = start.responses[name]
        if len(files) == 1:
            path = next(iter(files.values()))
            lines.append(f"    response: {_quote(_relative(folder / path, beside))}")
        else:
            lines.append("    response:")
            lines += [
                f"      {_direction(direction)}: {_quote(_relative(folder / path, beside))}"
                for direction, path in files.items()
            ]
        lines.append(f"    impedance: {_quote(_relative(folder / start.impedances[name], beside))}")
        lines += _render_near(start, way.driver, folder, beside)
        lines += _render_place(start, name)
        stated = f"lowest_hz: {limits[name]:.3g}"
        if name in tops:
            stated += f", highest_hz: {tops[name]:.3g}"
        lines.append(f"    limits: {{{stated}}}   # add watts: N from the data sheet")
        lines.append("")
    return lines


def _render_near(start: Start, driver: DriverSurvey, folder: Path, beside: Path) -> list[str]:
    """Write the near field that the survey joined, with what it was joined by."""
    files = start.survey.folder.drivers[driver.name]
    reading = files.near_field
    if driver.splice is None or reading is None:
        return []
    lines = [line for note in driver.splice.notes for line in _comment(note, indent="    ")]
    items = [f"file: {_quote(_relative(folder / reading.path, beside))}"]
    join = driver.splice.join
    front = join.cabinet
    if front is not None:
        place = "".join(
            f", {key}: {value:g}"
            for key, value in (
                ("depth", front.depth_m),
                ("right", front.right_m),
                ("up", front.up_m),
            )
            if value
        )
        items.append(f"front: {{width: {front.width_m:g}, height: {front.height_m:g}{place}}}")
    if files.port is not None and join.port_share is not None:
        items.append(f"port: {_quote(_relative(folder / files.port.path, beside))}")
        items.append(f"port_diameter: {join.port_m:g}")
    return [*lines, f"    near: {{{', '.join(items)}}}"]


def _render_place(start: Start, name: str) -> list[str]:
    lines = []
    if name in start.depths_m:
        lines.append(f"    at: {{back: {start.depths_m[name]:g}}}   # m behind the front")
    else:
        lines.append("    # at: {up: 0, right: 0, back: 0}   # m from the reference axis")
    if name in start.diameters_m:
        lines.append(f"    diaphragm: {start.diameters_m[name]:g}   # m, effective diameter")
    return lines


def _render_board(board: Path, beside: Path) -> list[str]:
    return [
        *_comment(
            "The old board. Every place of it may stay, take another value or be emptied; what comes "
            "off may serve elsewhere on it, and places that it has not are offered too. Each "
            "operation at the iron costs a little (goal changes). What is to be otherwise stands "
            "under ways, place by place; for instance, the coil of the woofer stays:"
        ),
        "#   ways: {woofer: {ladder: [{name: L1, keep: yes}]}}",
        f"board: {_quote(Path(os.path.relpath(board, beside)).as_posix())}",
        "",
    ]


def _render_ways(start: Start) -> list[str]:
    lines = _comment(
        "What may sit where, source first. `optional: yes` lets the search leave a place empty; "
        "ranges span the handbook values for the range above and reach beyond."
    )
    lines.append("ways:")
    for way in start.plan.ways:
        lines += _render_way(way)
    lines += [*_render_together(start), *_render_series(start)]
    lines.append("")
    return lines


def _render_together(start: Start) -> list[str]:
    """Offer equal drivers as one way: half the parts, where none of them has to end earlier."""
    lines = []
    for group in start.plan.groups:
        if len(group) < 2:
            continue
        names = [driver.name for driver in group]
        way = next(w for w in start.plan.ways if w.driver.name == names[0])
        polarity = "" if way.polarity == "normal" else f"polarity: {way.polarity}, "
        lines += [
            "",
            *_comment(
                f"Instead of {' and '.join(names)}: all of them on one filter, with half the parts; "
                "wired: series doubles what the amplifier sees. Smaller coils and larger capacitors "
                "serve the lower load of parallel ones. cross: then names this way instead."
            ),
            f"#  {_quote('_'.join(names))}:",
            f"#    {{{polarity}drivers: [{', '.join(map(_quote, names))}], wired: parallel, ladder: [",
            *(f"#      {_render_slot(planned.slot)}," for planned in way.slots),
            "#    ]}",
        ]
    return lines


def _render_series(start: Start) -> list[str]:
    """Offer two drivers in series as what may stand instead of ways."""
    ranges = plan_series(start.survey, start.plan)
    if ranges is None:
        return []
    low, high = (way.driver.name for way in start.plan.ways)
    if {low, high} & {"C1", "L1"} or '"' in low + high:
        return []
    network = Series(
        (
            Parallel((PartLeaf("capacitor", "C1"), DriverLeaf(low))),
            Parallel((PartLeaf("inductor", "L1"), DriverLeaf(high, polarity="free"))),
        )
    )
    kinds: tuple[tuple[Kind, str], ...] = (("capacitor", "C1"), ("inductor", "L1"))
    values = ", ".join(
        f"{name}: {format_quantity(ranges[kind][0], UNIT_OF_KIND[kind])} .. "
        f"{format_quantity(ranges[kind][1], UNIT_OF_KIND[kind])}"
        for kind, name in kinds
    )
    return [
        "",
        *_comment(
            "Instead of ways: both drivers in series, each with one part across it. On resistors "
            "that is as easy a load as one of them and sums to the source (first order); a second "
            "part in front of or across either may be added, as in (C2? + tweeter)."
        ),
        f"# network: {_quote(render(network))}",
        f"# values: {{{values}}}",
    ]


def _render_way(way: PlannedWay) -> list[str]:
    lines = [f"  {_quote(way.driver.name)}:"]
    if way.polarity != "normal":
        lines.append(f"    polarity: {way.polarity}")
    lines.append("    ladder:")
    for planned in way.slots:
        lines += _comment(planned.why, indent="      ")
        lines.append(f"      - {_render_slot(planned.slot)}")
    return lines


def _render_slot(slot: Slot) -> str:
    items = [f"name: {slot.name}", f"{slot.place}: {slot.form}"]
    units = [UNIT_OF_KIND[kind] for kind in slot.kinds]
    if len(slot.ranges) == 1:
        only, unit = slot.ranges[0], units[0]
        items += [
            f"from: {format_quantity(only.low, unit)}",
            f"to: {format_quantity(only.high, unit)}",
        ]
    else:
        items += [
            f"{key}: {format_quantity(one.low, unit)} .. {format_quantity(one.high, unit)}"
            for key, one, unit in zip(slot.circuit.keys, slot.ranges, units, strict=True)
        ]
    if slot.optional:
        items.append("optional: yes")
    return "{" + ", ".join(items) + "}"


def _render_crossings(start: Start) -> list[str]:
    """Write where ways may meet, and what their load has to suit."""
    lines = []
    if start.plan.crossovers:
        lines += _comment(
            "Where ways may meet. A network outside costs steeply more and is listed behind those "
            "inside; hard: yes refuses it."
        )
        for pair in start.plan.crossovers:
            lines += _comment(f"{pair.lower} to {pair.upper}:")
            lines += [line for reason in pair.reasons for line in _comment(reason, "  - ")]
        lines.append("cross:")
        lines += [
            f"  {_name_pair(lower, upper)}: {say_hz(low)} .. {say_hz(high)}"
            for lower, upper, (low, high) in list_crossings(start.plan)
        ]
        lines.append("")
    lines += _comment(
        "Nothing is known of your amplifier: its manual says which rated impedance it is safe with. "
        "Resistance of its output and of the cable may be added: output: 0.1 ohm, cable: 0.05 ohm."
    )
    return [*lines, f"amplifier: {{safe_to: {SAFE_TO_OHM:g} ohm}}", ""]


def _name_pair(lower: str, upper: str) -> str:
    """Key of a range; its quotes are those that a name needs."""
    pair = f"{lower}{BETWEEN}{upper}"
    plain = _quote(lower) == lower and _quote(upper) == upper
    return pair if plain else _quote(pair)


def _render_goals(start: Start) -> list[str]:
    low, high = start.band_hz
    z_low, z_high = start.impedance_band_hz
    lines = _comment(
        f"What is wanted: the preset {start.preset}, what stands under every preset (base), and the "
        "lines below, which override them. `laddersmith goals` lists what else can be asked for:"
    )
    lines += [line for why in explain_goals(start) for line in _comment(why, "  - ")]
    lines += ["goals:", f"  preset: {start.preset}"]
    lines += [line for why in start.band_why for line in _comment(f"Band {why}.", indent="  ")]
    lines += _comment(
        "Flat; write tilt: free for smoothness alone, or a slope such as -0.5 dB/oct.", indent="  "
    )
    lines.append(f"  on_axis: {{tilt: 0 dB/oct, band: {low:g} .. {high:g} Hz, weight: 1}}")
    if start.off_axis and start.preset == "bench-start":
        top = min(high, 12000.0)
        lines += _comment(
            "Off the axis evenness alone is asked for; its slope is the drivers' own.", indent="  "
        )
        lines.append(f"  off_axis: {{tilt: free, band: {low:g} .. {top:g} Hz, weight: 0.5}}")
    lines += _comment("The load, where the impedance was measured.", indent="  ")
    lines += [f"  {goal}: {{band: {z_low:g} .. {z_high:g} Hz}}" for goal in ("impedance", "epdr")]
    if start.low_drive_db is not None and start.low_drive_db > 12.0:
        lines += _comment(
            "Drive of the upper drivers at and below their resonance: 12 dB down, what a "
            "second-order filter an octave above does, and as much more as a resonance peaks.",
            indent="  ",
        )
        lines.append(f"  low_drive: {{down: {start.low_drive_db:g} dB}}")
    if any(len(group) > 1 for group in start.plan.groups):
        lines += _comment(
            "Two drivers of a kind have no crossover between them that could show a null.",
            indent="  ",
        )
        lines.append("  inverted_null: off")
    lines += [
        *_comment("A part must gain as much, in dB, to be worth soldering.", indent="  "),
        "  parts: {each: 0.05}",
        "",
        *_comment("Where parts come from. What lies on your shelf: {shelf: FILE.csv}."),
        "stock: {series: E12}",
        f"search: {{seconds: {SEARCH_SECONDS:g}, seed: 1, top: 5}}",
    ]
    return lines


def _comment(text: str, bullet: str = "", *, indent: str = "") -> list[str]:
    return textwrap.wrap(
        _one_line(text), _WIDTH, initial_indent=f"{indent}# {bullet}",
        subsequent_indent=f"{indent}# {' ' * len(bullet)}", break_on_hyphens=False,
    )  # fmt: skip


def _one_line(text: str) -> str:
    """Keep a file name with odd characters from ending a comment."""
    return "".join(c if c.isprintable() else "?" for c in " ".join(text.split()))


def _quote(text: str) -> str:
    """Write a YAML scalar; plain where nothing can be misread."""
    if _PLAIN.fullmatch(text) and text.lower() not in _NOT_PLAIN:
        return text
    escaped = "".join(_escape(c) for c in text)
    return f'"{escaped}"'


def _escape(character: str) -> str:
    if character in '"\\':
        return "\\" + character
    if character.isprintable():
        return character
    return f"\\U{ord(character):08x}"


def _direction(direction: Direction) -> str:
    text = str(direction)
    return text if text == "0" else f'"{text}"'


def _relative(path: Path, beside: Path) -> str:
    """Path from the folder of the design; absolute where it lies elsewhere."""
    path, beside = path.resolve(), beside.resolve()
    if path.is_relative_to(beside):
        return path.relative_to(beside).as_posix()
    return os.fspath(path)
