"""`laddersmith demo`: a complete example, written out and fitted."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from optimizer.cli.options import add_search_options

DEFAULT_FOLDER = Path("demo-speaker")
RESULTS_NAME = "results.json"


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "demo",
        parents=[common],
        help="write an example project and fit it",
        description="Write an invented three-way speaker (measurement files and a design file) "
        "into a folder, then find networks for it just as for your own.",
    )
    parser.add_argument(
        "folder",
        metavar="DIR",
        type=Path,
        nargs="?",
        default=DEFAULT_FOLDER,
        help=f"folder to write into (default {DEFAULT_FOLDER})",
    )
    add_search_options(parser)
    return parser


def run(args: argparse.Namespace) -> int:
    """Write the example, fit it, and say what to do next."""
    from optimizer.cli.results import search_design, show_result
    from optimizer.cli.screen import Screen
    from optimizer.demo.write import write_demo
    from optimizer.report.export import result_to_json, write_json

    screen = Screen(quiet=args.quiet)
    design_file = write_demo(args.folder)
    screen.show(f"The example is in {args.folder}: measurement files and {design_file.name}.", "")
    problem, result = search_design(design_file, args, screen)
    results_file = args.folder / RESULTS_NAME
    if result.candidates:
        write_json(results_file, result_to_json(result, problem, str(design_file)))
    return show_result(
        problem,
        result,
        screen,
        last_lines=[
            "",
            f"Written: {results_file} (all networks with their curves).",
            f"Next: open {design_file}, change a goal or a slot, and run",
            f"  laddersmith fit {design_file}",
        ],
    )
