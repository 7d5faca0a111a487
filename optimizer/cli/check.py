"""`laddersmith check`: every figure of a given network, and why."""

from __future__ import annotations

import argparse
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.cli.keeping import add_as_measured, find_changed, take_measured
from optimizer.cli.options import add_design, add_network, add_verb
from optimizer.cli.outcome import DONE
from optimizer.cli.output import add_output_options, deliver, open_screen

if TYPE_CHECKING:
    from optimizer.bench.networks.file import NetworkFile
    from optimizer.problem.candidate import Candidate
    from optimizer.problem.problem import Problem


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser = add_verb(
        subparsers,
        common,
        "check",
        help="show every figure of a given network, and why",
        description="Compute every figure and curve of a network that exists already: an old "
        "board, a handbook's starting point, an idea. Says which goal, which band and which part "
        "make it score as it does.",
    )
    add_design(parser)
    add_network(parser)
    parser.add_argument(
        "--against",
        metavar="NETWORK",
        action="append",
        default=[],
        help="another network to compare with, part by part and curve by curve; "
        "may be repeated; results.json stands for all its candidates",
    )
    add_as_measured(parser)
    parser.add_argument(
        "--charts",
        action="store_true",
        help="draw every chart that the data allow: in the terminal as characters, on a page open "
        "instead of folded away",
    )
    add_output_options(parser, "the figures", page="a page with reasons, charts and parts")
    return parser


def run(args: argparse.Namespace) -> int:
    """Compute, show, and write what was asked for."""
    from optimizer.bench.check import check_network, compare_networks
    from optimizer.bench.diary.shelf import count_cabinets
    from optimizer.bench.networks.file import read_history, read_network
    from optimizer.design.build import build_problem, load_design
    from optimizer.report.documents.changed import warn_changed
    from optimizer.report.documents.check import document_check

    screen = open_screen(args)
    problem = build_problem(count_cabinets(load_design(args.design), args.design))
    read = read_network(args.network, problem)
    history = read_history(args.network)
    others = [one for text in args.against for one in _read_others(text, problem)]
    network, measured = take_measured(args, problem, read.network)
    certificate = read.certificate.settle(problem, network)
    report = check_network(problem, network, certificate=certificate)
    document = document_check(
        problem,
        report,
        design_name=str(args.design),
        network_name=args.network,
        against=[(name, one, compare_networks(report.candidate, one)) for name, _, one in others],
        history=history,
        taken=measured,
        notes=(*read.notes, *problem.compared),
        plotted=args.charts,
    )
    own = None if measured else partial(float, report.candidate.cost)
    looked = [(args.network, read, own)]
    looked += [(name, file, partial(float, one.cost)) for name, file, one in others]
    changes = find_changed(problem, looked)
    deliver(args, warn_changed(document, changes), screen)
    return DONE


def _read_others(text: str, problem: Problem) -> list[tuple[str, NetworkFile, Candidate]]:
    from optimizer.bench.networks.file import read_network
    from optimizer.bench.networks.results import list_results
    from optimizer.problem.figures import build_candidate

    names = [text]
    if Path(text).suffix.lower() == ".json":
        names = [f"{text}#{number}" for number in list_results(Path(text))]
    read = {name: read_network(name, problem) for name in names}
    return [
        (name, one, build_candidate(problem, one.network, certificate=one.certificate))
        for name, one in read.items()
    ]
