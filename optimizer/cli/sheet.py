"""`laddersmith sheet`: the build sheet of a network."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.cli.keeping import find_changed
from optimizer.cli.options import add_design, add_network, add_verb, as_option, count_number
from optimizer.cli.outcome import DONE
from optimizer.cli.output import add_output, claim_outputs
from optimizer.errors import InputError

if TYPE_CHECKING:
    from optimizer.report.charts.plot import AnyPlot
    from optimizer.report.document import Document

_FILES = ("markdown", "html", "schematic", "parts", "curves")
_FOLDERS = ("columns", "charts")


def _quantity(unit: str) -> Callable[[str], float]:
    @as_option
    def read(text: str) -> float:
        from optimizer.text.units import parse_quantity

        value = parse_quantity(text, unit)
        if not value > 0.0:
            raise argparse.ArgumentTypeError(f"a value above 0 is needed, got {text!r}")
        return value

    return read


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser = add_verb(
        subparsers,
        common,
        "sheet",
        help="what to buy, solder and check to build a network",
        description="Write the build sheet of a network: cautions, schematic, shopping and pick "
        "list, wiring list, ratings of every part, placement of coils, checks before the first "
        "power-up. Printed as Markdown unless a file is named.",
    )
    add_design(parser)
    add_network(parser)
    add_output(parser, "--markdown", help="write the sheet as Markdown")
    add_output(parser, "--html", help="write the sheet as HTML to print on A4")
    add_output(parser, "--schematic", help="write the schematic as SVG")
    add_output(parser, "--parts", help="write the list of parts as CSV")
    add_output(parser, "--curves", help="write every curve as CSV")
    parser.add_argument(
        "--columns",
        metavar="DIR",
        type=Path,
        help="write curves with phase as three-column text files into a folder; files of others in "
        "it are not replaced",
    )
    parser.add_argument(
        "--charts",
        metavar="DIR",
        type=Path,
        help="write every chart that the data allow as SVG into a folder, light and dark; files of "
        "others in it are not replaced",
    )
    parser.add_argument(
        "--amplifier",
        metavar="POWER",
        type=_quantity("W"),
        help='power of the amplifier, "80 W" (else that of the goals, or 50 W)',
    )
    parser.add_argument(
        "--rated",
        metavar="OHM",
        type=_quantity("ohm"),
        help='resistance that power is stated for, "4 ohm" (8 ohm)',
    )
    parser.add_argument(
        "--limit",
        metavar="GOAL=FIGURE",
        action="append",
        default=[],
        help='largest figure a finished speaker may have, "on_axis=1.0" or '
        '"cost=2": the sheet tells how many keep it; may be repeated',
    )
    parser.add_argument(
        "--drivers-within",
        metavar="LEVEL",
        type=_quantity("dB"),
        help='how far the level of a driver may be from the measured one, "0.5 dB" '
        "(0): counts among the tolerances",
    )
    parser.add_argument(
        "--speakers",
        metavar="N",
        type=count_number,
        default=2,
        help="speakers to build alike (default 2)",
    )
    return parser


def _read_limits(texts: Sequence[str]) -> dict[str, float]:
    limits = {}
    for text in texts:
        name, _, figure = text.partition("=")
        try:
            value = float(figure)
        except ValueError:
            value = math.nan
        if not (name.strip() and 0.0 <= value < math.inf):
            raise InputError(
                "a limit is the name of a goal and a figure, 0 or more",
                key="--limit",
                value=repr(text),
                remedy='write "on_axis=1.0"',
            )
        limits[name.strip()] = value
    return limits


def run(args: argparse.Namespace) -> int:
    """Compose the sheet and write what was asked for, or print it."""
    from optimizer.bench.build.sheet import build_sheet
    from optimizer.bench.diary.shelf import count_cabinets
    from optimizer.bench.loads.ratings import state_amplifier
    from optimizer.bench.networks.file import read_network
    from optimizer.cli.screen import Screen
    from optimizer.design.build import build_problem, load_design
    from optimizer.network.amplifier import Amplifier
    from optimizer.problem.figures import build_candidate
    from optimizer.report.charts.standard import say_left_out
    from optimizer.report.documents.changed import warn_changed
    from optimizer.report.documents.plotted import plot_network
    from optimizer.report.documents.sheet import document_sheet
    from optimizer.text.writing import print_whole

    claim_outputs(args)
    limits = _read_limits(args.limit)
    problem = build_problem(count_cabinets(load_design(args.design), args.design))
    read = read_network(args.network, problem)
    amplifier = state_amplifier(problem.goals, problem.amplifier)
    if args.amplifier is not None or args.rated is not None:
        amplifier = Amplifier(
            watts=args.amplifier or amplifier.watts,
            ohm=args.rated or amplifier.ohm,
            stated=args.amplifier is not None or amplifier.stated,
        )
    sheet = build_sheet(
        problem,
        build_candidate(problem, read.network, certificate=read.certificate),
        network=args.network,
        amplifier=amplifier,
        speakers=args.speakers,
        limits=limits,
        driver_level_db=args.drivers_within or 0.0,
        notes=read.notes,
    )
    looked = [(args.network, read, partial(float, sheet.candidate.cost))]
    changes = find_changed(problem, looked)
    document = warn_changed(document_sheet(sheet), changes)
    if all(getattr(args, key) is None for key in (*_FILES, *_FOLDERS)):
        from optimizer.report.render.markdown import render_markdown

        if not args.quiet:
            print_whole(render_markdown(document))
        return DONE
    plots = [] if args.charts is None else plot_network(problem, sheet.candidate, sheet.spread)
    written = [str(path) for path in _write(args, sheet, document, plots)]
    changed = [f"Warning: {change.say(name)}" for name, change in changes if change.warns]
    missing = say_left_out(plots) if plots else ""
    said = [*changed, f"Written: {', '.join(written)}", *filter(None, [missing]), *sheet.warnings]
    Screen(quiet=args.quiet).show(*said)
    return DONE


def _write(
    args: argparse.Namespace, sheet: Any, document: Document, plots: Sequence[AnyPlot]
) -> list[Path]:
    from optimizer.report.blocks import say_sizes
    from optimizer.report.charts.svg import draw_plot_file
    from optimizer.report.curve_files import curves_to_columns, curves_to_csv, parts_to_csv
    from optimizer.report.render.html import render_html
    from optimizer.report.render.markdown import render_markdown
    from optimizer.report.schematic import draw_schematic
    from optimizer.text.writing import claim_output, make_folder, write_text

    candidate = sheet.candidate
    makers: dict[str, Callable[[], str]] = {
        "markdown": lambda: render_markdown(document),
        "html": lambda: render_html(document),
        "schematic": lambda: draw_schematic(
            candidate.network,
            title=f"Crossover of {sheet.title}",
            ratings=say_sizes(sheet.ratings),
        ),
        "parts": lambda: parts_to_csv(sheet),
        "curves": lambda: curves_to_csv(candidate),
    }
    # Everything is composed before anything is written: an error leaves no half of the files.
    texts = {
        Path(getattr(args, key)): makers[key]() for key in _FILES if getattr(args, key) is not None
    }
    folders: dict[str, Callable[[], Mapping[str, str]]] = {
        "columns": lambda: curves_to_columns(candidate),
        "charts": lambda: {f"{one.key}.svg": draw_plot_file(one) for one in plots},
    }
    for key in _FOLDERS:
        folder = getattr(args, key)
        if folder is not None:
            make_folder(folder, option=f"--{key}")
            for name, text in folders[key]().items():
                claim_output(folder / name, option=f"--{key}")
                texts[folder / name] = text
    for path, text in texts.items():
        write_text(path, text)
    return list(texts)
