"""`laddersmith diary`: the story of a speaker, and which network is in which cabinet."""

from __future__ import annotations

import argparse
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.cli.keeping import find_changed
from optimizer.cli.options import add_verb, count_number
from optimizer.cli.outcome import DONE
from optimizer.cli.output import add_output_options, deliver, open_screen
from optimizer.errors import InputError

if TYPE_CHECKING:
    from optimizer.bench.networks.file import NetworkFile
    from optimizer.cli.screen import Screen
    from optimizer.problem.candidate import Candidate
    from optimizer.problem.problem import Problem

_NEWEST = 0


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser = add_verb(
        subparsers,
        common,
        "diary",
        help="the story of a speaker: what was fitted, built, heard and measured",
        description="Tell the story of a speaker, the newest last, and which network is in which "
        "cabinet; add to it; compare any two states. A diary is a text beside the design file: "
        "design.yaml has design.diary. It is begun by start, by demo, or here by --begin or "
        "anything that is added; from then on fit, voice --save and verify note what they found. "
        "Every network stands in it in full: design.diary#5 is a NETWORK to every verb, the first "
        "of entry 5, design.diary#5.2 its second, design.diary#left the one in the left cabinet. "
        "Entries are only ever added.",
    )
    parser.add_argument(
        "path",
        metavar="DESIGN",
        type=Path,
        nargs="?",
        default=Path(),
        help="a design file, its diary, or a folder with one (default: this folder)",
    )
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--begin", action="store_true", help="begin a diary")
    what.add_argument("--note", metavar="WORDS", help="add what was heard, or anything in words")
    what.add_argument("--choose", metavar="NETWORK", help="note which network is taken")
    what.add_argument(
        "--build",
        metavar="NETWORK",
        help="note that a network was built, and book its pieces of the shelf out; what stood in "
        "the cabinet before goes back to the shelf",
    )
    what.add_argument(
        "--undo",
        metavar="ENTRY",
        type=count_number,
        nargs="?",
        const=_NEWEST,
        help="take a build back, the newest or that of an entry, and book its pieces in",
    )
    what.add_argument(
        "--compare",
        metavar=("A", "B"),
        nargs=2,
        help="compare two states: entries (5, 5.2), cabinets (left, right) or networks in files",
    )
    parser.add_argument(
        "--into",
        choices=("left", "right", "both"),
        default="both",
        help="the cabinet that --build is about (default both)",
    )
    parser.add_argument(
        "--unbooked",
        action="store_true",
        help="leave the lists of what is owned as they are, with --build and --undo",
    )
    add_output_options(parser, "the story, or the comparison")
    return parser


def run(args: argparse.Namespace) -> int:
    """Add what is to be added, and tell the story; or compare."""
    from optimizer.bench.diary.file import read_diary
    from optimizer.report.documents.diary import document_diary

    screen = open_screen(args)
    path = _find_diary(args)
    if args.compare is not None:
        return _compare(args, path, screen)
    said = _add(args, path)
    if not path.is_file():
        raise InputError(
            "no diary is kept here",
            file=path,
            remedy=f"begin one: laddersmith diary {args.path} --begin",
        )
    deliver(args, document_diary(read_diary(path)), screen, last=["", said] if said else [])
    return DONE


def _find_diary(args: argparse.Namespace) -> Path:
    """Find the diary that is meant; it need not be there yet where a design is named."""
    from optimizer.bench.diary.file import SUFFIX, name_diary

    path: Path = args.path
    if not path.is_dir():
        if not path.exists():
            raise InputError(
                "the design file or folder must exist", file=path, remedy="check its name"
            )
        return path if path.suffix == SUFFIX else name_diary(path)
    found = sorted(path.glob(f"*{SUFFIX}"))
    if len(found) != 1:
        raise InputError(
            "no diary is kept in this folder" if not found else "this folder has several diaries",
            file=path,
            value=", ".join(one.name for one in found) or None,
            remedy="name the design file" + ("" if found else " and add --begin to begin one"),
        )
    return found[0]


def _find_design(path: Path) -> Path:
    from optimizer.bench.diary.cabinets import find_design

    design = find_design(path)
    if design is None:
        raise InputError(
            "the design that the diary belongs to must be there",
            file=path.with_suffix(".yaml"),
            remedy="put it back under that name",
        )
    return design


def _add(args: argparse.Namespace, path: Path) -> str:
    """Add what the options ask for; return what to tell of it."""
    from optimizer.bench.diary.keep import Deed, add_deed, check_words

    if args.note is not None:
        add_deed(path, Deed(did="note", says=check_words(args.note, "--note")))
    elif args.begin:
        if path.is_file():
            raise InputError("a diary is kept already", file=path)
        add_deed(path, Deed(did="begun", says=f"for {_find_design(path).name}"))
    elif args.choose is not None:
        problem, _, candidate = _open(_find_design(path), args.choose)
        deed = Deed(
            did="choice", says=args.choose, problem=problem, networks=[(args.choose, candidate)]
        )
        add_deed(path, deed)
    elif args.build is not None:
        return _build(args, path)
    elif args.undo is not None:
        return _undo(args, path)
    return ""


def _build(args: argparse.Namespace, path: Path) -> str:
    from optimizer.bench.diary.cabinets import build_in
    from optimizer.bench.diary.file import SIDES
    from optimizer.design.build import load_design

    design = load_design(_find_design(path))
    problem, _, candidate = _open(design.path, args.build)
    sides = SIDES if args.into == "both" else (args.into,)
    done = build_in(design, problem, (args.build, candidate), sides, booked=not args.unbooked)
    return _say_pieces(done.pieces, done.lists)


def _undo(args: argparse.Namespace, path: Path) -> str:
    from optimizer.bench.diary.cabinets import undo_build
    from optimizer.design.build import load_design

    design = load_design(_find_design(path))
    _, done = undo_build(design, args.undo or None, booked=not args.unbooked)
    return _say_pieces(done.pieces, done.lists)


def _say_pieces(pieces: int, lists: tuple[str, ...]) -> str:
    if not lists:
        return "No list of parts was changed."
    move = f"{pieces} taken off" if pieces > 0 else f"{-pieces} put back on"
    return f"Pieces: {move} {', '.join(lists)}; nothing but counts was changed there."


def _open(design: Path, network: str) -> tuple[Problem, NetworkFile, Candidate]:
    from optimizer.bench.diary.shelf import count_cabinets
    from optimizer.bench.networks.file import read_network
    from optimizer.design.build import build_problem, load_design
    from optimizer.problem.figures import build_candidate

    problem = build_problem(count_cabinets(load_design(design), design))
    read = read_network(network, problem)
    return problem, read, build_candidate(problem, read.network, certificate=read.certificate)


def _compare(args: argparse.Namespace, path: Path, screen: Screen) -> int:
    from optimizer.report.documents.changed import warn_changed
    from optimizer.report.documents.diary import document_states

    design = _find_design(path)
    states = []
    for name in args.compare:
        kept = name in ("left", "right") or name.replace(".", "", 1).isdecimal()
        problem, read, candidate = _open(design, f"{path}#{name}" if kept else name)
        side = f"{name} cabinet" if name.isalpha() else f"entry {name}"
        states.append((side if kept else name, read, candidate))
    (first, _, one), (second, _, other) = states
    looked = [(name, read, partial(float, candidate.cost)) for name, read, candidate in states]
    document = document_states(problem, (first, one), (second, other), str(design))
    deliver(args, warn_changed(document, find_changed(problem, looked)), screen)
    return DONE
