"""`laddersmith trade`: the front between two goals."""

from __future__ import annotations

import argparse
from typing import Any

from optimizer.cli.options import (
    add_design,
    add_search_options,
    add_verb,
    available_processors,
    open_engine,
)
from optimizer.cli.outcome import DONE, INTERRUPTED, NO_CANDIDATE, complain
from optimizer.cli.output import add_output_options, deliver, open_screen
from optimizer.cli.stopping import finish_first

DEFAULT_SECONDS = 30.0
DEFAULT_POINTS = 9


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser = add_verb(
        subparsers,
        common,
        "trade",
        help="show what one goal costs in terms of another",
        description="Find the front between two goals, by default flatness on the axis against "
        "evenness off it: networks that give up one for the other, each the best it can be, and in "
        "words what each step buys.",
    )
    add_design(parser)
    parser.add_argument(
        "--between", nargs=2, metavar=("A", "B"), help="the two goals (see laddersmith goals)"
    )
    parser.add_argument(
        "--points",
        type=int,
        metavar="N",
        default=DEFAULT_POINTS,
        help=f"points of the front (default {DEFAULT_POINTS})",
    )
    add_search_options(parser, top=False)
    add_output_options(parser, "the front", page="a page with the front and all its networks")
    return parser


def run(args: argparse.Namespace) -> int:
    """Find the front, show it, and write what was asked for."""
    from optimizer.bench.diary.shelf import count_cabinets
    from optimizer.design.build import build_problem, load_design
    from optimizer.design.keys import locate, say_in_file
    from optimizer.errors import InputError
    from optimizer.report.documents.trade import document_trade
    from optimizer.report.words import say_broken
    from optimizer.search.trade.between import choose_goals, with_goals
    from optimizer.search.trade.explore import search_trade

    if args.points < 3:
        raise InputError("a front has at least 3 points", key="--points", value=args.points)
    screen = open_screen(args)
    design = count_cabinets(load_design(args.design), args.design)
    try:
        between = choose_goals(design.goals.specs, args.between)
    except InputError as error:
        raise error.explained(say_in_file) from None
    try:
        problem = with_goals(build_problem(design), between)
    except InputError as error:
        raise locate(design, error) from None
    with open_engine(args) as runner, screen.follow_search() as follow:
        result = search_trade(
            problem,
            between,
            points=args.points,
            seconds=DEFAULT_SECONDS if args.seconds is None else args.seconds,
            seed=design.search.seed if args.seed is None else args.seed,
            workers=available_processors() if args.workers is None else args.workers,
            progress=follow,
            runner=runner,
        )
    if not result.points:
        complain("interrupted before any network was complete, nothing to show")
        return INTERRUPTED
    with finish_first():
        document = document_trade(problem, result, str(args.design))
        deliver(args, document, screen, holds="all networks with their curves")
    if result.points[0].candidate.feasible:
        return DONE
    complain(
        "no network found meets the hard limits; the nearest miss breaks "
        f"{say_broken(result.points[0].candidate)}; relax that limit or allow other parts"
    )
    return NO_CANDIDATE
