"""`laddersmith voice`: after listening, the fewest part changes that serve a wish."""

from __future__ import annotations

import argparse
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.cli.keeping import add_as_measured, find_changed, note_deed, take_measured
from optimizer.cli.options import add_design, add_network, add_verb, count_number
from optimizer.cli.outcome import BAD_INPUT, DONE, NO_CANDIDATE, complain
from optimizer.cli.output import add_output_options, deliver, open_screen
from optimizer.errors import InputError

if TYPE_CHECKING:
    from optimizer.bench.voice.voicing import Answer, VoiceResult
    from optimizer.network.network import Network
    from optimizer.parts import Part
    from optimizer.problem.problem import Problem

_DEFAULT_TOP = 5


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser = add_verb(
        subparsers,
        common,
        "voice",
        help="after listening: the fewest part changes for a wished change of tone",
        description="Find the fewest part changes, from stock and the shelf first, that move the "
        "response as wished and hold everything else. Nothing is overwritten: --save writes an "
        "answer as a new network file that names where it came from.",
    )
    add_design(parser)
    add_network(parser, "the network listened to")
    parser.add_argument(
        "--wish",
        metavar="WISH",
        action="append",
        default=[],
        help='"2k..5k -1 dB", "in_room above 4k -1 dB", "less bright", "a little '
        'warmer", "impedance 4 ohm", "sensitivity +1 dB"; may be repeated',
    )
    parser.add_argument(
        "--use",
        metavar="PART",
        action="append",
        default=[],
        help='a part that shall be used: "tweeter.R1 2.7 ohm"; may be repeated',
    )
    parser.add_argument(
        "--changes",
        metavar="N",
        type=_change_number,
        default=2,
        help="most parts to change, 1 to 3 (default 2)",
    )
    parser.add_argument(
        "--hold",
        metavar="LIMIT",
        action="append",
        default=[],
        help='how far the rest may move: "1 dB" for curves (default 0.75 dB), '
        '"level 2 dB", "directivity 2 dB", "impedance 90 %%" of the lowest; may '
        "be repeated",
    )
    parser.add_argument(
        "--words",
        metavar="FILE",
        type=Path,
        help="your own words for changes of tone instead of those that come along",
    )
    parser.add_argument(
        "--list-words",
        action=_ListWords,
        nargs=0,
        help="show the words with their meaning and the file that states them, "
        "and stop; those of --words when that stands before",
    )
    parser.add_argument(
        "--top",
        type=count_number,
        metavar="N",
        default=_DEFAULT_TOP,
        help=f"answers to show (default {_DEFAULT_TOP})",
    )
    add_as_measured(parser)
    add_output_options(parser, "the answers", page="a page with the answers and their curves")
    parser.add_argument(
        "--save",
        metavar="FILE",
        type=Path,
        help="write an answer as a network file, never over another file",
    )
    parser.add_argument(
        "--accept",
        metavar="N",
        type=_answer_number,
        help="which answer --save writes (default: the first that keeps the "
        "limits); 0 is the part of --use alone",
    )
    return parser


class _ListWords(argparse.Action):
    """Show the words and stop, without a design."""

    def __call__(
        self, parser: argparse.ArgumentParser, namespace: argparse.Namespace, *_: object
    ) -> None:
        from optimizer.bench.voice.wishes import find_words, parse_wish, read_words
        from optimizer.report.documents.voice import say_wish
        from optimizer.text.writing import print_whole

        own = getattr(namespace, "words", None)
        try:
            words = read_words(own)
        except InputError as error:
            complain(str(error))
            parser.exit(BAD_INPUT)
        lines = [
            f"{say_wish(parse_wish(word.word, words))} ({word.meaning})" for word in words.values()
        ]
        if own is None:
            lines.append(
                f"From {find_words()}: copy it, change what you like, and give it with --words."
            )
        print_whole("\n".join(lines) + "\n")
        parser.exit(DONE)


def _change_number(text: str) -> int:
    if text not in ("1", "2", "3"):
        raise argparse.ArgumentTypeError(f"1, 2 or 3 changes can be looked for, got {text!r}")
    return int(text)


def _answer_number(text: str) -> int:
    return 0 if text == "0" else count_number(text)


def run(args: argparse.Namespace) -> int:
    """Search, show, and write what was asked for."""
    from optimizer.bench.diary.shelf import count_cabinets
    from optimizer.bench.networks.file import read_network
    from optimizer.bench.voice.holding import parse_holds
    from optimizer.bench.voice.voicing import voice_network
    from optimizer.bench.voice.wishes import parse_wish, read_words
    from optimizer.design.build import build_problem, load_design
    from optimizer.report.documents.changed import warn_changed
    from optimizer.report.documents.voice import document_voice, say_why_not

    screen = open_screen(args)
    words = read_words(args.words)
    if not args.wish and not args.use:
        raise InputError(
            "a wish is needed",
            key="--wish",
            remedy='add --wish "2k..5k -1 dB" or --use "tweeter.R1 2.7 ohm"',
        )
    wishes = [parse_wish(text, words) for text in args.wish]
    limits = parse_holds(args.hold)
    _check_paths(args)
    problem = build_problem(count_cabinets(load_design(args.design), args.design))
    read = read_network(args.network, problem)
    network, measured = take_measured(args, problem, read.network)
    use = _read_uses(args.use, problem, network)
    result = voice_network(
        problem,
        network,
        wishes,
        changes=args.changes,
        limits=limits,
        use=use,
        top=max(args.top, args.accept or 1),
        certificate=read.certificate.settle(problem, network),
    )
    accepted = _choose(args, result)
    document = document_voice(
        problem,
        result,
        wishes,
        limits,
        design_name=str(args.design),
        network_name=args.network,
        changes=args.changes,
        top=args.top,
        use=use,
        taken=measured,
        notes=(*read.notes, *problem.compared),
    )
    saved = []
    if accepted is not None:
        _save(args, problem, accepted)
        saved.append(f"Written: {args.save}, from {args.network}.")
        saved += _note(args, problem, accepted)
    elif args.save is not None:
        saved.append(
            f"Not written: {args.save}, as nothing keeps the limits; --accept with a "
            "number writes an answer all the same."
        )
    own = None if measured else partial(float, result.present.cost)
    changes = find_changed(problem, [(args.network, read, own)])
    deliver(args, warn_changed(document, changes), screen, last=saved)
    shown = result.answers[: args.top]
    if any(not answer.beyond for answer in shown) or (use and not result.base.beyond):
        return DONE
    complain(say_why_not(result, args.changes))
    return NO_CANDIDATE


def _choose(args: argparse.Namespace, result: VoiceResult) -> Answer | None:
    """Choose the answer to save: the one asked for, or the first that keeps the limits."""
    offers = dict(enumerate(result.answers, start=1))
    if args.use:
        offers[0] = result.base
    if args.save is None:
        return None
    if args.accept is None:
        order = [*(k for k in offers if k), *(k for k in offers if not k)]
        return next((offers[k] for k in order if not offers[k].beyond), None)
    if args.accept not in offers:
        known = ", ".join(map(str, sorted(offers))) or "none: there is no answer"
        raise InputError(
            "the number of an answer must exist",
            key="--accept",
            value=args.accept,
            remedy=f"known here: {known}",
        )
    return offers[args.accept]


def _check_paths(args: argparse.Namespace) -> None:
    from optimizer.text.writing import claim_output

    if args.save is None:
        return
    if args.save.exists():
        raise InputError(
            "a network file is never overwritten",
            file=args.save,
            key="--save",
            remedy="choose another name: the old one stays to go back to",
        )
    claim_output(args.save, option="--save")


def _read_uses(texts: list[str], problem: Problem, network: Network) -> dict[str, Part]:
    """Read "tweeter.P1.Rs 2.7 ohm" each."""
    from optimizer.bench.voice.uses import find_use

    use: dict[str, Part] = {}
    for text in texts:
        place, _, value = text.strip().partition(" ")
        if place in use:
            raise InputError(
                "one part fits in one place",
                key="--use",
                value=repr(text),
                remedy=f"name {place} once",
            )
        use[place] = find_use(problem, network, place, value)
    return use


def _note(args: argparse.Namespace, problem: Problem, answer: Answer) -> list[str]:
    from optimizer.bench.diary.keep import Deed

    says = f"{args.network} -> {args.save}, {_say_why(args, answer)}"
    named = [(str(args.save), answer.candidate)]
    return note_deed(args.design, Deed(did="voice", says=says, problem=problem, networks=named))


def _say_why(args: argparse.Namespace, answer: Answer) -> str:
    from optimizer.report.words import say_change

    why = ", ".join([*args.wish, *(f"use {text}" for text in args.use)])
    return f"{why}: {'; '.join(say_change(change) for change in answer.changes)}"


def _save(args: argparse.Namespace, problem: Problem, answer: Answer) -> None:
    from optimizer.bench.networks.file import write_network
    from optimizer.problem.provenance import Provenance

    write_network(
        args.save,
        answer.candidate.network,
        parent=args.network,
        note=_say_why(args, answer),
        title=problem.title,
        certificate=answer.candidate.certificate,
        made=Provenance.made_now(problem, answer.candidate.network, answer.candidate.cost),
    )
