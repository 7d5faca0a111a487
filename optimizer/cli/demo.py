"""`laddersmith demo`: a complete example, written out and fitted."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.cli.options import add_search_options

if TYPE_CHECKING:
    from optimizer.problem.candidate import SearchResult
    from optimizer.problem.problem import Problem

DEFAULT_FOLDER = Path("demo-speaker")
RESULTS_NAME = "results.json"
PAGE_NAME = "page.html"
SHEET_NAME = "build-sheet.html"


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "demo",
        parents=[common],
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
    return parser


def run(args: argparse.Namespace) -> int:
    """Write the example, fit it, and say what to do next."""
    from optimizer.cli.results import search_design, show_result
    from optimizer.cli.screen import Screen
    from optimizer.demo.write import write_demo

    screen = Screen(quiet=args.quiet)
    design_file = write_demo(args.folder)
    screen.show(f"The example is in {args.folder}: measurement files and {design_file.name}.", "")
    problem, result = search_design(design_file, args, screen)
    last_lines: list[str] = []
    try:
        if result.candidates:
            last_lines = _write_files(args.folder, design_file, problem, result)
    finally:
        # A full disk must not take away what the search found.
        code = show_result(problem, result, screen, last_lines=last_lines)
    return code


def _write_files(
    folder: Path, design_file: Path, problem: Problem, result: SearchResult
) -> list[str]:
    """Write results, page and build sheet; return what to say of them."""
    from optimizer.bench.build.sheet import build_sheet
    from optimizer.report.export import result_to_json, write_json, write_text
    from optimizer.report.page.candidates import render_result
    from optimizer.report.page.document import render_html
    from optimizer.report.sheet_text import compose_sheet

    results, page, sheet = (folder / name for name in (RESULTS_NAME, PAGE_NAME, SHEET_NAME))
    write_json(results, result_to_json(result, problem, str(design_file)))
    write_text(page, render_result(problem, result, str(design_file)))
    best = build_sheet(problem, result.candidates[0], network=f"{results}#1")
    write_text(sheet, render_html(compose_sheet(best)))
    return [
        "",
        f"Written: {results} (all networks with their curves),",
        f"  {page} (compare them in a browser),",
        f"  {sheet} (what to buy, solder and check for no. 1).",
        f"Next: open {design_file}, change a goal or a slot, and run",
        f"  laddersmith fit {design_file} --page {page}",
    ]
