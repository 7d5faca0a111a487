"""`laddersmith fit`: ranked networks for a design file."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from optimizer.cli.options import add_page_option, add_search_options, check_page


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "fit",
        parents=[common],
        help="find the best networks for a design file",
        description="Search the networks a design file allows and rank the best ones. Ctrl-C "
        "stops early and keeps what was found.",
    )
    parser.add_argument("design", metavar="DESIGN", type=Path, help="the design file (YAML)")
    add_search_options(parser)
    parser.add_argument(
        "--robust",
        action="store_true",
        help="rank by the expected cost when parts deviate within their tolerances",
    )
    parser.add_argument(
        "--exact",
        action="store_true",
        help="go through every network of a small problem and prove the best",
    )
    parser.add_argument("--json", metavar="FILE", help="write the results as JSON; - prints them")
    add_page_option(parser)
    return parser


def run(args: argparse.Namespace) -> int:
    """Search, show, and write what was asked for."""
    from optimizer.cli.results import search_design, show_result
    from optimizer.cli.screen import Screen
    from optimizer.report.export import check_writable, result_to_json, write_json, write_text

    if args.json not in (None, "-"):
        check_writable(Path(args.json), key="--json")
    check_page(args.page)
    screen = Screen(quiet=args.quiet, to_stderr=args.json == "-")
    problem, result = search_design(args.design, args, screen)
    last_lines: list[str] = []
    try:
        if args.json is not None and result.candidates:
            write_json(args.json, result_to_json(result, problem, str(args.design)))
            if args.json != "-":
                last_lines += ["", f"Written: {args.json} (all networks with their curves)."]
        if args.page is not None and result.candidates:
            from optimizer.report.page.candidates import render_result

            write_text(Path(args.page), render_result(problem, result, str(args.design)))
            last_lines += ["", f"Written: {args.page} (open it in a browser)."]
    finally:
        # A full disk must not take away what a long search found.
        code = show_result(problem, result, screen, last_lines=last_lines)
    return code
