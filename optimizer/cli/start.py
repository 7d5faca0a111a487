"""`laddersmith start`: from a folder of measurements to ranked networks."""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import Any

from optimizer.cli.options import add_search_options, add_verb, open_engine
from optimizer.cli.output import add_output_options, open_screen
from optimizer.cli.survey import (
    add_reading_options,
    explain_findings,
    read_options,
    show_unread,
)


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser = add_verb(
        subparsers,
        common,
        "start",
        help="from a folder of measurements to a design file and ranked networks",
        description="Survey a folder of measurements, write a commented design file beside them, "
        "and find the best networks for it. A design file that you have edited is never replaced.",
    )
    parser.add_argument("folder", metavar="DIR", type=Path, help="a folder of measurements")
    parser.add_argument(
        "--design",
        metavar="FILE",
        type=Path,
        help="where to write the design file (default laddersmith.yaml in DIR)",
    )
    parser.add_argument(
        "--clock",
        choices=("shared", "none"),
        help="whether all files share one time zero (else told from the file of all drivers "
        "at once)",
    )
    parser.add_argument(
        "--board",
        metavar="NETWORK",
        type=Path,
        help="network file of an old board that the design begins from (laddersmith board writes one)",
    )
    add_reading_options(parser)
    add_search_options(parser)
    add_output_options(parser, "the results", page="a page with charts, schematics and parts")
    return parser


def run(args: argparse.Namespace) -> int:
    """Survey, write the design, fit it, show, and write what was asked for."""
    from optimizer.cli.results import search_design, show_result
    from optimizer.design.start.plan import explain_goals, plan_start
    from optimizer.design.start.write import check_unedited, render_start
    from optimizer.measure.files.folder import read_folder
    from optimizer.measure.survey.survey import survey_folder
    from optimizer.report.documents.survey import document_survey
    from optimizer.text.writing import claim_output, write_text

    screen = open_screen(args)
    options = read_options(args)
    folder = read_folder(
        args.folder, roles=options.roles, gate_s=options.gate_s, order=options.order
    )
    show_unread(folder, screen)
    design_file = args.design or choose_file(args.folder)
    check_unedited(design_file)
    claim_output(design_file, option="--design", judged=True)
    survey = explain_findings(
        survey_folder(
            folder,
            diaphragms_m=options.diameters,
            depths_m=options.depths,
            joins=options.joins,
        ),
        from_design=False,
    )
    screen.show_document(document_survey(survey, args.folder.resolve().name))
    screen.show("")
    start = plan_start(
        survey, clock=args.clock, depths_m=options.depths, diameters_m=options.diameters
    )
    write_text(design_file, render_start(start, args.folder, design_file.parent, args.board))
    screen.show(f"Written: {design_file} (everything assumed stands in it as comments).")
    screen.show("What it asks for, and why:", *(f"  - {line}" for line in explain_goals(start)), "")
    with open_engine(args) as runner:
        problem, result = search_design(design_file, args, screen, runner)
    return show_result(
        args,
        problem,
        result,
        screen,
        str(design_file),
        survey=survey,
        begin_diary=True,
        last=[
            "",
            f"Next: read {design_file}, change what you know better, and run",
            f"  laddersmith fit {design_file}",
        ],
    )


def choose_file(folder: Path) -> Path:
    """Choose where the design goes: beside the data, or here when nothing can be written there.

    Parameters
    ----------
    folder : Path
        The measurements.

    Returns
    -------
    Path
    """
    from optimizer.design.start.write import DESIGN_NAME

    if os.access(folder, os.W_OK):
        return folder / DESIGN_NAME
    return Path(f"{folder.resolve().name}-{DESIGN_NAME}")
