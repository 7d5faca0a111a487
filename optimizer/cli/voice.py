"""`laddersmith voice`: after listening, the fewest part changes that serve a wish."""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.cli.options import count_number
from optimizer.cli.outcome import DONE, NO_CANDIDATE, complain
from optimizer.errors import InputError

if TYPE_CHECKING:
    from optimizer.network.ladder import Network
    from optimizer.parts import Part
    from optimizer.search.problem import Problem
    from optimizer.workshop.voicing import Answer

_DEFAULT_TOP = 5


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "voice",
        parents=[common],
        help="after listening: the fewest part changes for a wished change of tone",
        description="Find the fewest part changes, from stock and the shelf first, that move the "
        "response as wished and hold everything else. Nothing is overwritten: --save writes an "
        "answer as a new network file that names where it came from.",
    )
    parser.add_argument("design", metavar="DESIGN", type=Path, help="the design file (YAML)")
    parser.add_argument("network", metavar="NETWORK",
                        help="the network listened to: a network file, or results.json#2")
    parser.add_argument("--wish", metavar="WISH", action="append", default=[],
                        help='"2k..5k -1 dB", "in_room above 4k -1 dB", "less bright", "a little '
                        'warmer", "impedance 4 ohm", "sensitivity +1 dB"; may be repeated')
    parser.add_argument("--use", metavar="PART", action="append", default=[],
                        help='a part that shall be used: "tweeter.R1 2.7 ohm"; may be repeated')
    parser.add_argument("--changes", metavar="N", type=_change_number, default=2,
                        help="most parts to change, 1 to 3 (default 2)")
    parser.add_argument("--hold", metavar="DB", type=_decibels,
                        help="how far the rest may move (default 0.75 dB)")
    parser.add_argument("--words", metavar="FILE", type=Path,
                        help="your own words for changes of tone instead of those that come along")
    parser.add_argument("--list-words", action=_ListWords, nargs=0,
                        help="show the words with their meaning, and stop")
    parser.add_argument("--top", type=count_number, metavar="N", default=_DEFAULT_TOP,
                        help=f"answers to show (default {_DEFAULT_TOP})")
    parser.add_argument("--json", metavar="FILE", help="write the answers as JSON; - prints them")
    parser.add_argument("--save", metavar="FILE", type=Path,
                        help="write an answer as a network file, never over another file")
    parser.add_argument("--accept", metavar="N", type=count_number, default=1,
                        help="which answer --save writes (default 1)")
    return parser


class _ListWords(argparse.Action):
    """Show the words and stop, without a design."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from optimizer.report.voice_tables import say_wish
        from optimizer.workshop.wishes import parse_wish, read_words

        words = read_words()
        for word in words.values():
            print(f"{say_wish(parse_wish(word.word, words))} ({word.meaning})")
        parser.exit(DONE)


def _change_number(text: str) -> int:
    if text not in ("1", "2", "3"):
        raise argparse.ArgumentTypeError(f"1, 2 or 3 changes can be looked for, got {text!r}")
    return int(text)


def _decibels(text: str) -> float:
    try:
        value = float(text.lower().removesuffix("db"))
    except ValueError:
        value = math.nan
    if not 0.0 < value <= 20.0:
        raise argparse.ArgumentTypeError(f"decibels from above 0 to 20 are needed, got {text!r}")
    return value


def run(args: argparse.Namespace) -> int:
    """Search, show, and write what was asked for."""
    from optimizer.cli.screen import Screen
    from optimizer.project import build_problem, load_design
    from optimizer.report import tables, voice_tables
    from optimizer.report.export import check_writable, write_json
    from optimizer.workshop.network_file import read_network
    from optimizer.workshop.voicing import voice_network
    from optimizer.workshop.wish_goals import Limits
    from optimizer.workshop.wishes import parse_wish, read_words

    screen = Screen(quiet=args.quiet, to_stderr=args.json == "-")
    words = read_words(args.words)
    if not args.wish and not args.use:
        raise InputError("a wish is needed", key="--wish",
                         remedy='add --wish "2k..5k -1 dB" or --use "tweeter.R1 2.7 ohm"')
    wishes = [parse_wish(text, words) for text in args.wish]
    _check_paths(args)
    if args.json not in (None, "-"):
        check_writable(Path(args.json), key="--json")
    problem = build_problem(load_design(args.design))
    read = read_network(args.network, problem)
    use = dict(_read_use(text, problem, read.network) for text in args.use)
    limits = Limits() if args.hold is None else Limits(hold_db=args.hold)
    result = voice_network(problem, read.network, wishes, changes=args.changes, limits=limits,
                           use=use, top=max(args.top, args.accept))
    shown = result.answers[:args.top]
    if args.save is not None and result.answers and args.accept > len(result.answers):
        raise InputError("the number of an answer must exist", key="--accept", value=args.accept,
                         remedy=f"choose from 1 to {len(result.answers)}")
    if args.json is not None:
        write_json(args.json, voice_tables.voice_to_json(
            result, wishes, use, str(args.design), args.network))
    screen.show(
        tables.show_heading(f"{problem.title}: {args.network}"),
        tables.show_notes(read.notes),
        "",
        *(voice_tables.say_wish(wish) for wish in wishes),
        *(f"to be used: {text}" for text in args.use),
        voice_tables.say_limits(limits),
        "",
    )
    if use:
        screen.show("With that part alone:", voice_tables.show_answer(
            None, result.base, result.present, wishes), "")
    for number, answer in enumerate(shown, start=1):
        screen.show(voice_tables.show_answer(number, answer, result.present, wishes), "")
    if shown:
        screen.show(tables.show_heading("What no. 1 moves"),
                    voice_tables.show_curves(shown[0], result.present), "")
    screen.show(voice_tables.say_search(result, args.changes))
    if args.json not in (None, "-"):
        screen.show(f"Written: {args.json}.")
    if args.save is not None and result.answers:
        _save(args, problem, result.answers)
        screen.show(f"Written: {args.save}, from {args.network}.")
    if any(not answer.beyond for answer in shown) or (use and not result.base.beyond):
        return DONE
    complain(
        f"no change of up to {args.changes} parts from stock serves the wish within the limits; "
        "wish for less, allow more changes or more drift (--hold), or widen ranges in the design")
    return NO_CANDIDATE


def _check_paths(args: argparse.Namespace) -> None:
    from optimizer.report.export import check_writable

    if args.save is None:
        return
    check_writable(args.save, key="--save")
    if args.save.exists():
        raise InputError("a network file is never overwritten", file=args.save, key="--save",
                         remedy="choose another name: the old one stays to go back to")


def _read_use(text: str, problem: Problem, network: Network) -> tuple[str, Part]:
    """Read "tweeter.P1.Rs 2.7 ohm"."""
    from optimizer.parts import UNIT_OF_KIND
    from optimizer.units import parse_quantity
    from optimizer.workshop.bench import lay_out
    from optimizer.workshop.stated_part import StatedPart, settle_part
    from optimizer.yamltext import suggest

    label, _, value = text.strip().partition(" ")
    bench = lay_out(problem, network)
    gene = bench.find_gene(label)
    if gene is None:
        known = [bench.gene_label(g) for g in range(len(bench.space.genes))]
        raise InputError("a part to use needs a place of the network", key="--use",
                         value=repr(label), remedy=suggest(label, known))
    kind = bench.space.genes[gene].kind
    try:
        number = parse_quantity(value, UNIT_OF_KIND[kind])
        if number <= 0.0:
            raise InputError("a value is above 0", value=value)
        part, _ = settle_part(StatedPart(kind=kind, value=number), problem, label)
    except InputError as error:
        raise error.located(key="--use") from None
    return label, part


def _save(args: argparse.Namespace, problem: Problem, answers: tuple[Answer, ...]) -> None:
    from optimizer.report.check_tables import say_change
    from optimizer.workshop.network_file import write_network

    answer = answers[args.accept - 1]
    why = ", ".join([*args.wish, *(f"use {text}" for text in args.use)])
    note = f"{why}: {'; '.join(say_change(change) for change in answer.changes)}"
    write_network(args.save, answer.candidate.network, parent=args.network, note=note,
                  title=problem.title)
