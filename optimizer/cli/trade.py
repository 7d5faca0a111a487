"""`laddersmith trade`: the front between two goals."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from optimizer.cli.options import add_design, add_search_options, add_verb, available_processors
from optimizer.cli.outcome import DONE, INTERRUPTED, NO_CANDIDATE, complain
from optimizer.cli.output import add_output_options, deliver, open_screen

if TYPE_CHECKING:
    from optimizer.design.nouns import Design
    from optimizer.goals import Goal

DEFAULT_SECONDS = 30.0
DEFAULT_POINTS = 9

FIRST_GOALS = ("on_axis", "listening_window")
SECOND_GOALS = (
    "early_reflections",
    "in_room",
    "off_axis",
    "sound_power",
    "similarity",
    "directivity",
)
"""Goals that a front lies between unless told otherwise: the first of each that the design has."""


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
    from optimizer.design.build import build_problem, load_design
    from optimizer.errors import InputError
    from optimizer.report.documents.trade import document_trade
    from optimizer.report.words import say_broken
    from optimizer.search.trade.explore import search_trade

    if args.points < 3:
        raise InputError("a front has at least 3 points", key="--points", value=args.points)
    screen = open_screen(args)
    design = load_design(args.design)
    between = choose_goals(design.goals.specs, args.between)
    problem = build_problem(with_goals(design, between))
    with screen.follow_search() as follow:
        result = search_trade(
            problem,
            between,
            points=args.points,
            seconds=DEFAULT_SECONDS if args.seconds is None else args.seconds,
            seed=design.search.seed if args.seed is None else args.seed,
            workers=available_processors() if args.workers is None else args.workers,
            progress=follow,
        )
    if not result.points:
        complain("interrupted before any network was complete, nothing to show")
        return INTERRUPTED
    document = document_trade(problem, result, str(args.design))
    deliver(args, document, screen, holds="all networks with their curves")
    if result.points[0].candidate.feasible:
        return DONE
    complain(
        "no network found meets the hard limits; the nearest miss breaks "
        f"{say_broken(result.points[0].candidate)}; relax that limit or allow other parts"
    )
    return NO_CANDIDATE


def choose_goals(goals: Mapping[str, Goal], asked: list[str] | None) -> tuple[str, str]:
    """Choose the two goals of the front.

    Parameters
    ----------
    goals : mapping of str to Goal
        Goals of the design.
    asked : list of str or None
        What the user named.

    Raises
    ------
    InputError
        Unknown, hard or equal goals; a design without two goals of its own to choose.
    """
    from optimizer.errors import InputError
    from optimizer.goals import GOALS
    from optimizer.text.yamltext import suggest

    if asked is None:
        first = next((n for n in FIRST_GOALS if n in goals), FIRST_GOALS[0])
        second = next((n for n in SECOND_GOALS if n in goals), SECOND_GOALS[0])
        return first, second
    for name in asked:
        if name not in GOALS:
            raise InputError(
                "there is no goal of this name",
                key="--between",
                value=repr(name),
                remedy=suggest(name, GOALS),
            )
        if name in goals and goals[name].hard:
            raise InputError(
                "a hard limit cannot be traded",
                key="--between",
                value=name,
                remedy=f"set {name}: {{hard: no}} in the design",
            )
    if asked[0] == asked[1]:
        raise InputError(
            "a front lies between two different goals", key="--between", value=asked[0]
        )
    return asked[0], asked[1]


def with_goals(design: Design, names: tuple[str, str]) -> Design:
    """Return the design with goals of these names, at their defaults where it has none."""
    from dataclasses import replace

    from optimizer.goals import GOALS, GoalSet

    missing = [n for n in names if n not in design.goals.specs]
    if not missing:
        return design
    added = [GOALS[n]() for n in missing]
    added = [replace(goal, hard=False) if goal.hard else goal for goal in added]
    chosen = {**design.goals.specs, **{goal.name: goal for goal in added}}
    goals = replace(design.goals, specs=GoalSet(chosen[n] for n in GOALS if n in chosen))
    words = ", ".join(missing)
    return replace(
        design,
        goals=goals,
        notes=(
            *design.notes,
            f"{words}: not among the goals of the design, taken with default options",
        ),
    )
