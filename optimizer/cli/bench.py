"""`laddersmith bench`: turn the values of a network by hand and see every curve follow."""

from __future__ import annotations

import argparse
import time
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.cli.keeping import find_changed
from optimizer.cli.options import add_design, add_verb
from optimizer.cli.outcome import DONE, complain
from optimizer.cli.screen import Screen
from optimizer.errors import InputError

if TYPE_CHECKING:
    from optimizer.bench.turning.sitting import Offered
    from optimizer.problem.problem import Problem

_SECONDS = 5.0
"""Time to look for networks where none is named."""


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser = add_verb(
        subparsers,
        common,
        "bench",
        help="turn values by hand in the browser, and see every curve follow",
        description="Open a page on this machine in which every value of a network steps through "
        "the stock while curves, impedance, verdicts and cost follow, set against the network "
        "before. What is liked is saved as a network file. Nobody else can reach the page, and it "
        "ends with the command (Ctrl-C).",
    )
    add_design(parser)
    parser.add_argument(
        "--network",
        metavar="NETWORK",
        action="append",
        default=[],
        help="a network to begin from: a network file (YAML), or results.json#2 for a saved "
        "candidate; may be repeated",
    )
    parser.add_argument(
        "--results", metavar="FILE", type=Path, help="begin from all candidates of saved results"
    )
    parser.add_argument(
        "--port", metavar="N", type=_port, default=0, help="port of the page (else any free one)"
    )
    parser.add_argument(
        "--no-open", action="store_true", help="print the address and open no browser"
    )
    return parser


def _port(text: str) -> int:
    if not (text.isascii() and text.isdigit() and 0 < int(text[:9]) < 65536):
        raise argparse.ArgumentTypeError(f"a whole number from 1 to 65535 is needed, got {text!r}")
    return int(text)


def run(args: argparse.Namespace) -> int:
    """Lay the networks out, open the page, and wait until asked to stop."""
    from optimizer.bench.diary.shelf import count_cabinets
    from optimizer.bench.turning.sitting import Sitting
    from optimizer.design.build import build_problem, load_design
    from optimizer.live.desk import Desk
    from optimizer.live.server import serve
    from optimizer.text.writing import print_whole

    if args.quiet and args.no_open:
        raise InputError(
            "somebody must be told the address", key="--quiet", remedy="leave out --no-open"
        )
    problem = build_problem(count_cabinets(load_design(args.design), args.design))
    offered = _gather(args, problem) or _search(problem, Screen(quiet=args.quiet))
    sitting = Sitting.begin(problem, offered)
    desk = Desk(sitting, design_name=str(args.design), folder=args.design.parent)
    desk.page()  # composed once beforehand: what is imported for it is there when the browser asks
    with serve(desk, port=args.port) as address:
        if not args.quiet:
            print_whole(f"The bench is open at {address} until you press Ctrl-C.\n")
        if not args.no_open:
            import webbrowser

            webbrowser.open(address)
        _wait()
    desk.stop()
    return DONE


def _wait() -> None:
    try:
        while True:
            time.sleep(3600.0)
    except KeyboardInterrupt:
        return


def _gather(args: argparse.Namespace, problem: Problem) -> list[Offered]:
    """Read the networks that were named."""
    from optimizer.bench.networks.file import read_network
    from optimizer.bench.networks.results import list_results
    from optimizer.bench.turning.sitting import Offered
    from optimizer.problem.figures import build_candidate

    names = list(args.network)
    if args.results is not None:
        names += [f"{args.results}#{number}" for number in list_results(args.results)]
        if not names:
            raise InputError(
                "the results hold no network", file=args.results, remedy="run fit --json again"
            )
    read = [(name, read_network(name, problem)) for name in names]
    offered = [
        Offered(
            name=name,
            parent=name,
            candidate=build_candidate(
                problem, file.network, rank=rank, certificate=file.certificate
            ),
        )
        for rank, (name, file) in enumerate(read, 1)
    ]
    looked = [
        (name, file, partial(float, one.candidate.cost))
        for (name, file), one in zip(read, offered, strict=True)
    ]
    for name, change in find_changed(problem, looked):
        if change.warns:
            complain(f"warning: {change.say(name)}")
    return offered


def _search(problem: Problem, screen: Screen) -> list[Offered]:
    """Look for networks for a few seconds."""
    from optimizer.bench.turning.sitting import Offered
    from optimizer.verbs import fit

    with screen.follow_search() as follow:
        found = fit(problem, seconds=_SECONDS, progress=follow)
    if not found.candidates:
        raise KeyboardInterrupt  # it was asked to stop before it had anything
    return [Offered(name=f"found {one.rank}", candidate=one, parent="") for one in found.candidates]
