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
    from optimizer.measure.curves.nearfield import Baffle
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
        metavar="DRIVER=WIDTHxHEIGHT",
        help="size of the front a driver sits on, and its place from the middle of it "
        '("woofer=220x360 mm, 60 mm down"), to join its near field; may be repeated',
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
    folder, diameters, depths, fronts = open_path(args.path, read_options(args))
    show_unread(folder, screen)
    survey = explain_findings(
        survey_folder(folder, diaphragms_m=diameters, depths_m=depths, baffles=fronts),
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
    fronts : dict of str to Baffle
        By driver.
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
        fronts: dict[str, Baffle],
        gate_s: float | None = None,
        order: tuple[str, ...] = (),
    ) -> None:
        self.roles = roles
        self.diameters = diameters
        self.depths = depths
        self.fronts = fronts
        self.gate_s = gate_s
        self.order = order


def read_options(args: argparse.Namespace) -> ReadingOptions:
    """Read the options that `add_reading_options` declared.

    Raises
    ------
    InputError
        For an option without "=", or a length that cannot be read.
    """
    from optimizer.text.units import parse_quantity

    diameters = {
        name: parse_quantity(text, "m") for name, text in _split(args.diameters, "--diameter")
    }
    return ReadingOptions(
        roles=read_roles(args.roles),
        diameters=diameters,
        depths={name: parse_quantity(text, "m") for name, text in _split(args.depths, "--depth")},
        fronts={
            name: _read_front(text, diameters.get(name, 0.0))
            for name, text in _split(args.fronts, "--front")
        },
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


def _read_front(text: str, diaphragm_m: float) -> Baffle:
    from optimizer.errors import InputError
    from optimizer.measure.curves.nearfield import Baffle
    from optimizer.text.units import parse_quantity

    size, *places = text.lower().replace("×", "x").split(", ")
    width, times, height = size.partition("x")
    if not times:
        raise InputError(
            "a front needs WIDTHxHEIGHT", key="--front", value=repr(text),
            remedy="for example woofer=220x360 mm, 60 mm down",
        )  # fmt: skip
    unit = height.strip().lstrip("0123456789.,+- ")
    if width.strip().replace(".", "").replace(",", "").isdigit():
        width = f"{width} {unit}"  # "220x360 mm" gives the unit once
    values = parse_quantity(width.strip(), "m"), parse_quantity(height.strip(), "m")
    if min(values) <= 0.0:
        raise InputError("a front must have a size above 0", key="--front", value=repr(text))
    right, up = _read_place(places, text)
    if 2.0 * abs(right) >= values[0] or 2.0 * abs(up) >= values[1]:
        raise InputError("the driver must sit on the front", key="--front", value=repr(text))
    return Baffle(
        width_m=values[0], height_m=values[1], right_m=right, up_m=up, diaphragm_m=diaphragm_m
    )


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
) -> tuple[Folder, dict[str, float], dict[str, float], dict[str, Baffle]]:
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
    fronts : dict of str to Baffle
        By driver.

    Raises
    ------
    InputError
        When neither can be read.
    """
    from optimizer.measure.files.folder import read_folder

    if not _is_design(path):
        folder = read_folder(path, roles=options.roles, gate_s=options.gate_s, order=options.order)
        return folder, options.diameters, options.depths, options.fronts
    return _open_design(path, options)


def _is_design(path: Path) -> bool:
    return path.suffix.lower() in DESIGN_SUFFIXES and not path.is_dir()


def _open_design(
    path: Path, options: ReadingOptions
) -> tuple[Folder, dict[str, float], dict[str, float], dict[str, Baffle]]:
    from optimizer.design.build import load_design
    from optimizer.measure.files.folder import open_stated
    from optimizer.measure.readings import DriverFiles, FileReading, Folder

    design = load_design(path)
    said = design.measured.columns_of
    readings: list[FileReading] = []
    drivers, fronts = {}, {}
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
        near = None
        if one.near is not None:
            near = open_stated(
                one.near.path, "near field", driver=one.name, columns=said(one.near.path)
            )
            readings.append(near)
            if one.near.front is not None:
                fronts[one.name] = one.near.front
        drivers[one.name] = DriverFiles(
            name=one.name, responses=responses, impedance=impedance, near_field=near
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
        {**fronts, **options.fronts},
    )
