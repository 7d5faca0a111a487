"""`laddersmith demo`: a complete example, written out and fitted."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.cli.options import add_search_options, add_verb, open_engine
from optimizer.cli.output import add_notes

if TYPE_CHECKING:
    from optimizer.problem.candidate import SearchResult
    from optimizer.problem.problem import Problem

DEFAULT_FOLDER = Path("demo-speaker")
RESULTS_NAME = "results.json"
PAGE_NAME = "page.html"
SHEET_NAME = "build-sheet.html"


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser = add_verb(
        subparsers,
        common,
        "demo",
        help="write an example project and fit it",
        description="Write an invented three-way speaker (measurement files and a design file) "
        "into a folder, then do the whole job on it just as for your own: networks, a page to "
        "compare them, a build sheet for the best one.",
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
    add_notes(parser)
    return parser


def run(args: argparse.Namespace) -> int:
    """Write the example, fit it, and say what to do next."""
    from optimizer.cli.results import search_design, show_result
    from optimizer.cli.screen import Screen
    from optimizer.demo.write import write_demo
    from optimizer.text.writing import claim_output

    screen = Screen(quiet=args.quiet, notes=args.notes)
    design_file = write_demo(args.folder)
    args.json, args.page = (str(args.folder / name) for name in (RESULTS_NAME, PAGE_NAME))
    sheet = args.folder / SHEET_NAME
    for file in (args.json, args.page, sheet):
        claim_output(Path(file))
    screen.show(f"The example is in {args.folder}: measurement files and {design_file.name}.", "")
    with open_engine(args) as runner:
        problem, result = search_design(design_file, args, screen, runner)
    try:
        if result.candidates:
            _write_sheet(sheet, f"{args.json}#1", problem, result)
    finally:
        # A full disk must not take away what the search found.
        code = show_result(
            args,
            problem,
            result,
            screen,
            str(design_file),
            begin_diary=True,
            last=[
                f"Written: {sheet} (what to buy, solder and check for no. 1).",
                f"Next: open {design_file}, change a goal or a slot, and run",
                f"  laddersmith fit {design_file} --page {args.page}",
            ],
        )
    return code


def _write_sheet(sheet: Path, network: str, problem: Problem, result: SearchResult) -> None:
    """Write the build sheet of the best network."""
    from optimizer.bench.build.sheet import build_sheet
    from optimizer.report.documents.sheet import document_sheet
    from optimizer.report.render.html import render_html
    from optimizer.text.writing import write_text

    best = build_sheet(problem, result.candidates[0], network=network)
    write_text(sheet, render_html(document_sheet(best)))
