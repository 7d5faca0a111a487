"""`laddersmith hear`: what a change would sound like, before it is soldered."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.cli.keeping import find_changed, note_deed
from optimizer.cli.options import add_design, add_verb, as_option, count_number
from optimizer.cli.outcome import DONE
from optimizer.cli.output import add_output, add_output_options, deliver, open_screen
from optimizer.errors import InputError

if TYPE_CHECKING:
    from optimizer.bench.diary.keep import Named
    from optimizer.bench.hear.blind import Heard
    from optimizer.bench.hear.difference import Difference
    from optimizer.bench.hear.music import Matched
    from optimizer.bench.networks.file import NetworkFile
    from optimizer.problem.problem import Problem

_NAMED = "a network file (YAML), or results.json#2 for a saved candidate"


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser = add_verb(
        subparsers,
        common,
        "hear",
        help="hear a change before it is soldered",
        description="Make a filter of the difference of two networks, and play your own music through "
        "it: by the speaker as it stands it sounds as it would after the change. Both versions are "
        "made equally loud. With --blind, files for listening without knowing which is which. Needs "
        'the extra "hear" for music.',
    )
    add_design(parser)
    parser.add_argument("before", metavar="A", help=f"the network as it stands: {_NAMED}")
    parser.add_argument("after", metavar="B", help=f"the network to be heard: {_NAMED}")
    parser.add_argument(
        "--place",
        choices=("axis", "room"),
        default="axis",
        help="listen on the axis, with its phase (the default), or to the average in the room",
    )
    parser.add_argument(
        "--most-boost",
        metavar="LEVEL",
        type=_level,
        help='largest boost that the filter may have, "15 dB" (12 dB)',
    )
    add_output(parser, "--impulse", help="write the filter for a convolver (WAV, 32 bit floating)")
    parser.add_argument(
        "--rate",
        metavar="HZ",
        type=_rate,
        default=48_000,
        help="samples per second of --impulse (default 48000)",
    )
    parser.add_argument("--music", metavar="FILE", type=Path, help="your music: WAV or FLAC")
    parser.add_argument(
        "--excerpt",
        metavar="RANGE",
        type=_excerpt,
        help='of the music, "30..50 s" (else all of it)',
    )
    add_output(parser, "--as-it-is", help="write the music as it is, level-matched (WAV)")
    add_output(parser, "--changed", help="write it through the filter, level-matched (WAV)")
    parser.add_argument(
        "--blind",
        metavar="DIR",
        type=Path,
        help="a folder for A.wav, B.wav and X01.wav ...; with --answers, the folder they are in",
    )
    parser.add_argument(
        "--trials", metavar="N", type=count_number, default=10, help="how many X (default 10)"
    )
    parser.add_argument(
        "--answers",
        metavar="LETTERS",
        help='what you heard, "ABBA..."; noted in the diary where one is kept',
    )
    add_output_options(parser, "the difference")
    return parser


@as_option
def _level(text: str) -> float:
    from optimizer.text.units import parse_quantity

    return parse_quantity(text, "dB")


def _rate(text: str) -> int:
    from optimizer.bench.hear.music import RATES_HZ

    low, high = RATES_HZ
    if not (text.isascii() and text.isdigit() and low <= int(text[:9]) <= high):
        raise argparse.ArgumentTypeError(
            f"a whole number from {low} to {high} is needed, got {text!r}"
        )
    return int(text)


@as_option
def _excerpt(text: str) -> tuple[float, float]:
    from optimizer.text.units import parse_range

    return parse_range(text, "s")


def run(args: argparse.Namespace) -> int:
    """Find the difference, show it, and write what was asked for."""
    from optimizer.bench.diary.shelf import count_cabinets
    from optimizer.bench.hear.blind import KEY_NAME, grade
    from optimizer.bench.hear.difference import MOST_BOOST_DB, SEATS, find_difference
    from optimizer.bench.hear.music import encode_taps
    from optimizer.design.build import build_problem, load_design
    from optimizer.report.documents.changed import warn_changed
    from optimizer.report.documents.hear import document_hear

    _check(args)
    screen = open_screen(args)
    problem = build_problem(count_cabinets(load_design(args.design), args.design))
    both = [(text, *_read(text, problem)) for text in (args.before, args.after)]
    pair = [candidate for _, _, candidate in both]
    looked = [(text, read, partial(float, one.cost)) for text, read, one in both]
    changes = find_changed(problem, looked)
    chosen = find_difference(pair[0], pair[1], args.place)
    others = [_find(pair, place) for place in SEATS if place != args.place]
    heard = None if args.answers is None else grade(args.blind / KEY_NAME, args.answers)
    most = MOST_BOOST_DB if args.most_boost is None else args.most_boost
    files: dict[Path, bytes] = {}
    matched = None
    if args.impulse is not None:
        files[Path(args.impulse)] = encode_taps(chosen.filter(args.rate, most_boost_db=most))
    if args.music is not None:
        matched = _match(args, chosen, most)
        files |= _encode_music(args, matched)
    written = _write(files)
    document = document_hear(
        [chosen, *(d for d in others if d is not None)],
        chosen,
        title=problem.title,
        names=(args.before, args.after),
        matched=matched,
        heard=heard,
        trials=args.trials if args.blind is not None and heard is None else 0,
    )
    if heard is not None:
        written += _note(
            args, problem, heard, list(zip((args.before, args.after), pair, strict=True))
        )
    deliver(args, warn_changed(document, changes), screen, last=written)
    return DONE


def _note(
    args: argparse.Namespace, problem: Problem, heard: Heard, named: Sequence[Named]
) -> list[str]:
    """Note in the diary, where one is kept, what was heard without knowing."""
    from optimizer.bench.diary.keep import Deed
    from optimizer.report.documents.hear import say_heard

    says = f"{args.before} against {args.after} without knowing: {say_heard(heard)}"
    return note_deed(args.design, Deed(did="note", says=says, problem=problem, networks=named))


def _check(args: argparse.Namespace) -> None:
    """Refuse options that do not go together, before any work."""
    from optimizer.bench.hear.blind import MOST_TRIALS

    writes = args.as_it_is or args.changed or (args.blind and args.answers is None)
    wrong = [
        (bool(writes) and args.music is None, "--music", "files of music need music to make them of",
         "name a WAV or FLAC file with --music"),
        (args.music is not None and not writes, "--music", "music is read to be written again",
         "say where, with --changed FILE or --blind DIR"),
        (args.answers is not None and args.blind is None, "--answers",
         "answers belong to trials that were written", "name their folder with --blind"),
        (args.trials > MOST_TRIALS, "--trials", f"there are {MOST_TRIALS} trials at most",
         "choose fewer"),
    ]  # fmt: skip
    for is_wrong, key, rule, remedy in wrong:
        if is_wrong:
            raise InputError(rule, key=key, remedy=remedy)


def _read(text: str, problem: Problem) -> tuple[NetworkFile, Any]:
    from optimizer.bench.networks.file import read_network
    from optimizer.problem.figures import build_candidate

    read = read_network(text, problem)
    return read, build_candidate(problem, read.network, certificate=read.certificate)


def _find(pair: list[Any], place: Any) -> Difference | None:
    """Find the difference at a place, if it is known there."""
    from optimizer.bench.hear.difference import find_difference

    try:
        return find_difference(pair[0], pair[1], place)
    except InputError:
        return None


def _match(args: argparse.Namespace, chosen: Difference, most_db: float) -> Matched:
    from optimizer.bench.hear.music import match, read_music

    music = read_music(args.music, args.excerpt)
    return match(music, chosen.filter(music.rate_hz, most_boost_db=most_db))


def _encode_music(args: argparse.Namespace, matched: Matched) -> dict[Path, bytes]:
    """Compose every file of music before any is written."""
    import json

    from optimizer.bench.hear.blind import KEY_NAME, draw, seal
    from optimizer.bench.hear.music import encode
    from optimizer.text.writing import claim_output, make_folder

    sounds = {"A": encode(matched.before), "B": encode(matched.after)}
    files = {
        Path(name): sounds[letter]
        for name, letter in ((args.as_it_is, "A"), (args.changed, "B"))
        if name is not None
    }
    if args.blind is not None and args.answers is None:
        drawn = draw(args.trials)
        key = seal(drawn, (args.before, args.after))
        make_folder(args.blind, option="--blind")
        blind = {"A.wav": sounds["A"], "B.wav": sounds["B"]}
        blind |= {f"X{k:02d}.wav": sounds[letter] for k, letter in enumerate(drawn, 1)}
        blind[KEY_NAME] = (json.dumps(key, indent=1) + "\n").encode()
        for name, data in blind.items():
            claim_output(args.blind / name, option="--blind")
            files[args.blind / name] = data
    return files


def _write(files: dict[Path, bytes]) -> list[str]:
    from optimizer.text.writing import write_bytes

    for path, data in files.items():
        write_bytes(path, data)
    names = [str(path) for path in files]
    if len(names) > 4:
        names = [*names[:2], f"and {len(names) - 2} more in {list(files)[-1].parent}"]
    return [f"Written: {', '.join(names)}."] if names else []
