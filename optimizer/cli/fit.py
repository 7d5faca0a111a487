"""`laddersmith fit`: ranked networks for a design file."""

from __future__ import annotations

import argparse
from typing import Any

from optimizer.cli.options import add_design, add_search_options, add_verb
from optimizer.cli.output import add_output_options, open_screen


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser = add_verb(
        subparsers,
        common,
        "fit",
        help="find the best networks for a design file",
        description="Search the networks a design file allows and rank the best ones. Ctrl-C "
        "stops early and keeps what was found.",
    )
    add_design(parser)
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
    add_output_options(parser, "the results", page="a page with charts, schematics and parts")
    return parser


def run(args: argparse.Namespace) -> int:
    """Search, show, and write what was asked for."""
    from optimizer.cli.results import search_design, show_result

    screen = open_screen(args)
    problem, result = search_design(args.design, args, screen)
    return show_result(args, problem, result, screen, str(args.design))
