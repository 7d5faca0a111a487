"""`laddersmith survey`: what measured drivers allow, and what to avoid."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.cli.options import add_verb, say_as_option
from optimizer.cli.outcome import DONE
from optimizer.cli.output import add_output_options, deliver, open_screen

if TYPE_CHECKING:
    from optimizer.cli.screen import Screen
    from optimizer.measure.curves.cabinet import Cabinet
    from optimizer.measure.curves.nearfield import Join
    from optimizer.measure.readings import Folder
    from optimizer.measure.survey.nouns import Survey

DESIGN_SUFFIXES = (".yaml", ".yml")


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser = add_verb(
        subparsers,
        common,
        "survey",
        help="say what measured drivers allow and what to avoid",
        description="Read a folder of measurements (or the files of a design) and say of each "
        "driver what it can do, of each pair where to cross over, and what looks wrong.",
    )
    parser.add_argument(
        "path", metavar="PATH", type=Path, help="a folder of measurements, or a design file"
    )
    add_reading_options(parser)
    add_output_options(parser, "the survey")
    return parser


def add_reading_options(parser: argparse.ArgumentParser) -> None:
    """Add the options that say how files are to be understood."""
    parser.add_argument(
        "--as",
        dest="roles",
        action="append",
        default=[],
        metavar="FILE=WHAT",
        help='what a file is: "woofer impedance", "tweeter 30 right", "woofer nearfield", '
        '"together" or "ignore"; or what its columns are: "frequency kHz, level, phase rad"; FILE '
        "may be a pattern; may be repeated",
    )
    parser.add_argument(
        "--diameter",
        dest="diameters",
        action="append",
        default=[],
        metavar="DRIVER=LENGTH",
        help='effective diameter of a diaphragm ("woofer=130 mm"); may be repeated',
    )
    parser.add_argument(
        "--depth",
        dest="depths",
        action="append",
        default=[],
        metavar="DRIVER=LENGTH",
        help="how far a driver's acoustic centre lies behind the front; may be repeated",
    )
    parser.add_argument(
        "--front",
        dest="fronts",
        action="append",
        default=[],
        metavar="DRIVER=SIZE",
        help="width x height of the front a driver sits on, x depth of the box where known, and the "
        'driver\'s place from the middle of the front ("woofer=220x360x280 mm, 60 mm down"), to join '
        "its near field; may be repeated",
    )
    parser.add_argument(
        "--port",
        dest="ports",
        action="append",
        default=[],
        metavar="DRIVER=LENGTH",
        help="diameter of the port of a driver's box, to add the near field of the port to that of "
        "the driver; may be repeated",
    )
    parser.add_argument(
        "--order",
        metavar="DRIVERS",
        help='drivers from the lowest up ("woofer,mid,tweeter"), where names and data mislead',
    )
    parser.add_argument(
        "--gate",
        metavar="TIME",
        help='from the peak of impulse responses (WAV) to the end of their window ("5 ms"); else '
        "their first reflection ends it",
    )


def run(args: argparse.Namespace) -> int:
    """Survey, show, and write what was asked for."""
    from optimizer.measure.survey.survey import survey_folder
    from optimizer.report.documents.survey import document_survey

    screen = open_screen(args)
    folder, diameters, depths, joins = open_path(args.path, read_options(args))
    show_unread(folder, screen)
    survey = explain_findings(
        survey_folder(folder, diaphragms_m=diameters, depths_m=depths, joins=joins),
        from_design=_is_design(args.path),
    )
    deliver(args, document_survey(survey, args.path.resolve().name), screen)
    return DONE


def show_unread(folder: Folder, screen: Screen) -> None:
    """Show what was ignored, and why, where no driver was found, and refuse the folder.

    Raises
    ------
    InputError
        When there is no driver.
    """
    from optimizer.measure.files.folder import require_drivers
    from optimizer.report.documents.survey import document_files

    if not folder.drivers:
        # What was ignored, and why, is the answer; the error after it gives the exit code.
        screen.show_document(document_files(folder))
    require_drivers(folder)


class ReadingOptions:
    """What the command line says of files and drivers.

    Parameters
    ----------
    roles : dict of str to str
        File or pattern to description.
    diameters, depths : dict of str to float
        By driver, in m.
    fronts : dict of str to Cabinet
        By driver.
    ports : dict of str to float
        Diameters by driver, in m.
    gate_s : float or None
        Gate of impulse responses.
    order : tuple of str
        Drivers from the lowest up, where said.
    """

    def __init__(
        self,
        roles: dict[str, str],
        diameters: dict[str, float],
        depths: dict[str, float],
        fronts: dict[str, Cabinet],
        ports: dict[str, float],
        gate_s: float | None = None,
        order: tuple[str, ...] = (),
    ) -> None:
        self.roles = roles
        self.diameters = diameters
        self.depths = depths
        self.fronts = fronts
        self.ports = ports
        self.gate_s = gate_s
        self.order = order

    @property
    def joins(self) -> dict[str, Join]:
        """What is said for joining near fields, by driver."""
        from optimizer.measure.curves.nearfield import list_joins

        return list_joins(self.fronts, self.diameters, self.ports)


def read_options(args: argparse.Namespace) -> ReadingOptions:
    """Read the options that `add_reading_options` declared.

    Raises
    ------
    InputError
        For an option without "=", or a length that cannot be read.
    """
    from optimizer.text.units import parse_quantity

    return ReadingOptions(
        roles=read_roles(args.roles),
        diameters={
            name: parse_quantity(text, "m") for name, text in _split(args.diameters, "--diameter")
        },
        depths={name: parse_quantity(text, "m") for name, text in _split(args.depths, "--depth")},
        fronts={name: _read_front(text) for name, text in _split(args.fronts, "--front")},
        ports={name: parse_quantity(text, "m") for name, text in _split(args.ports, "--port")},
        gate_s=None if args.gate is None else _read_gate(args.gate),
        order=tuple(name.strip() for name in (args.order or "").split(",") if name.strip()),
    )


def read_roles(options: Sequence[str]) -> dict[str, str]:
    """Read what is said of files by ``--as``, by name or pattern.

    What a file is and what its columns are may be said apart; the last word of a kind counts.

    Raises
    ------
    InputError
        Without "=", or columns that are not understood.
    """
    from optimizer.errors import InputError
    from optimizer.measure.files.columns import parse_columns, says_columns

    said: dict[str, list[str]] = {}
    for name, text in _split(options, "--as"):
        if "," in text:
            try:
                parse_columns(text)
            except InputError as error:
                raise error.located(key="--as") from None
        before = said.setdefault(name, [])
        said[name] = [one for one in before if says_columns(one) != says_columns(text)] + [text]
    return {name: "; ".join(texts) for name, texts in said.items()}


def _read_gate(text: str) -> float:
    from optimizer.errors import InputError
    from optimizer.measure.files.impulse import LONGEST_GATE_S
    from optimizer.text.units import parse_quantity

    gate_s = parse_quantity(text, "s")
    if not 0.0 < gate_s <= LONGEST_GATE_S:
        raise InputError(
            f"a gate lies above 0 and ends within {LONGEST_GATE_S * 1e3:g} ms", key="--gate",
            value=repr(text), remedy='write for instance "5 ms"',
        )  # fmt: skip
    return gate_s


def _split(options: Sequence[str], key: str) -> list[tuple[str, str]]:
    from optimizer.errors import InputError

    pairs = []
    for option in options:
        name, equals, text = option.rpartition("=") if key == "--as" else option.partition("=")
        if not equals or not name.strip() or not text.strip():
            raise InputError("the option needs NAME=VALUE", key=key, value=repr(option))
        pairs.append((name.strip(), text.strip()))
    return pairs


def _read_front(text: str) -> Cabinet:
    from optimizer.errors import InputError
    from optimizer.measure.curves.cabinet import Cabinet
    from optimizer.text.units import parse_quantity

    size, *places = text.lower().replace("×", "x").split(", ")
    sides = [side.strip() for side in size.split("x")]
    if len(sides) not in (2, 3):
        raise InputError(
            "a front needs WIDTHxHEIGHT, or WIDTHxHEIGHTxDEPTH", key="--front", value=repr(text),
            remedy="for example woofer=220x360 mm, 60 mm down",
        )  # fmt: skip
    unit = sides[-1].lstrip("0123456789.,+- ")
    values = [
        # "220x360 mm" gives the unit once
        parse_quantity(f"{s} {unit}" if s.replace(".", "").replace(",", "").isdigit() else s, "m")
        for s in sides
    ]
    right, up = _read_place(places, text)
    try:
        return Cabinet(
            width_m=values[0],
            height_m=values[1],
            depth_m=values[2] if len(values) == 3 else None,
            right_m=right,
            up_m=up,
        )
    except InputError as error:
        raise error.located(key="--front") from None


def _read_place(places: Sequence[str], text: str) -> tuple[float, float]:
    """Read how far right and up of the middle a driver sits: "60 mm down"."""
    from optimizer.errors import InputError
    from optimizer.text.units import parse_quantity

    towards = {"right": (1.0, 0.0), "left": (-1.0, 0.0), "up": (0.0, 1.0), "down": (0.0, -1.0)}
    right = up = 0.0
    for place in places:
        length, _, side = place.strip().rpartition(" ")
        if side not in towards:
            raise InputError(
                "a place on the front is a length and right, left, up or down", key="--front",
                value=repr(text), remedy="for example woofer=220x360 mm, 60 mm down",
            )  # fmt: skip
        metres = parse_quantity(length, "m")
        right, up = right + towards[side][0] * metres, up + towards[side][1] * metres
    return right, up


def explain_findings(survey: Survey, *, from_design: bool) -> Survey:
    """Say in the findings how what they ask for is stated: by option or in the design file.

    Parameters
    ----------
    survey : Survey
    from_design : bool
        Whether it is the survey of a design file, whose words then come first.
    """
    from dataclasses import replace

    from optimizer.design.keys import say_in_file

    words = (say_in_file, say_as_option) if from_design else (say_as_option, say_in_file)
    findings = survey.findings
    for written in words:
        findings = tuple(finding.explained(written) for finding in findings)
    return replace(survey, findings=findings)


def open_path(
    path: Path, options: ReadingOptions
) -> tuple[Folder, dict[str, float], dict[str, float], dict[str, Join]]:
    """Open a folder, or the files a design names.

    Parameters
    ----------
    path : Path
        Either of them.
    options : ReadingOptions
        From the command line; they go before what a design says.

    Returns
    -------
    folder : Folder
        How every file was understood.
    diameters, depths : dict of str to float
        By driver, in m.
    joins : dict of str to Join
        What is known for joining near fields, by driver.

    Raises
    ------
    InputError
        When neither can be read.
    """
    from optimizer.measure.files.folder import read_folder

    if not _is_design(path):
        folder = read_folder(path, roles=options.roles, gate_s=options.gate_s, order=options.order)
        return folder, options.diameters, options.depths, options.joins
    return _open_design(path, options)


def _is_design(path: Path) -> bool:
    return path.suffix.lower() in DESIGN_SUFFIXES and not path.is_dir()


def _open_design(
    path: Path, options: ReadingOptions
) -> tuple[Folder, dict[str, float], dict[str, float], dict[str, Join]]:
    from optimizer.design.build import load_design
    from optimizer.measure.files.folder import open_stated
    from optimizer.measure.readings import DriverFiles, FileReading, Folder

    design = load_design(path)
    said = design.measured.columns_of
    readings: list[FileReading] = []
    drivers, joins = {}, {}
    for one in design.drivers:
        responses = {
            file.direction: open_stated(
                file.path,
                "response",
                driver=one.name,
                direction=file.direction,
                gate_s=options.gate_s or design.measured.gate_s,
                columns=said(file.path),
            )
            for file in one.responses
        }
        impedance = open_stated(
            one.impedance, "impedance", driver=one.name, columns=said(one.impedance)
        )
        near = port = None
        if one.near is not None:
            near = open_stated(
                one.near.path, "near field", driver=one.name, columns=said(one.near.path)
            )
            readings.append(near)
            if one.near.port is not None:
                port = open_stated(
                    one.near.port, "port", driver=one.name, columns=said(one.near.port)
                )
                readings.append(port)
            join = one.near.join(one.diaphragm_m, design.measured.metres)
            joins[one.name] = _say_also(join, one.name, options)
        drivers[one.name] = DriverFiles(
            name=one.name, responses=responses, impedance=impedance, near_field=near, port=port
        )
        readings += [*responses.values(), impedance]
    together = None
    if design.together is not None:
        together = open_stated(
            design.together,
            "together",
            gate_s=options.gate_s or design.measured.gate_s,
            columns=said(design.together),
        )
        readings.append(together)
    folder = Folder(path=str(path), files=tuple(readings), drivers=drivers, together=together)
    diameters = {d.name: d.diaphragm_m for d in design.drivers if d.diaphragm_m}
    depths = {d.name: d.place_m[2] for d in design.drivers}
    return (
        folder,
        {**diameters, **options.diameters},
        {**depths, **options.depths},
        joins,
    )


def _say_also(join: Join, name: str, options: ReadingOptions) -> Join:
    """Let what the command line says of a driver go before what its design says."""
    from dataclasses import replace

    return replace(
        join,
        cabinet=options.fronts.get(name, join.cabinet),
        diaphragm_m=options.diameters.get(name, join.diaphragm_m),
        port_m=options.ports.get(name, join.port_m),
    )
