"""`laddersmith goals`: what can be asked for, and what each word means."""

from __future__ import annotations

import argparse
from typing import Any

from optimizer.cli.options import add_verb
from optimizer.cli.outcome import DONE


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser = add_verb(
        subparsers,
        common,
        "goals",
        help="list the goals a design file may name",
        description="List the goals a design file may name, each with the unit of its figure, its "
        "meaning and its options with their defaults; and the presets.",
    )
    parser.add_argument("name", metavar="NAME", nargs="?", help="one goal, or one preset, in full")
    return parser


def run(args: argparse.Namespace) -> int:
    """Print the list, or one goal or preset in full."""
    from optimizer.cli.screen import Screen
    from optimizer.design.presets import BASE, find_targets, list_presets
    from optimizer.errors import InputError
    from optimizer.goals import GOALS
    from optimizer.report.documents.goals import document_goal, document_goals
    from optimizer.text.yamltext import suggest

    screen = Screen(quiet=args.quiet)
    presets = list_presets()
    if args.name is None:
        screen.show_document(document_goals(presets))
    elif args.name in GOALS:
        screen.show_document(document_goal(args.name))
    elif args.name in (*presets, BASE):
        screen.show((find_targets() / f"{args.name}.yaml").read_text(encoding="utf-8").rstrip())
    else:
        raise InputError(
            "there is no goal or preset of this name",
            value=repr(args.name),
            remedy=suggest(args.name, [*GOALS, *presets]),
        )
    return DONE
