"""`laddersmith check`: every figure of a given network, and why."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.cli.options import add_page_option, check_page
from optimizer.cli.outcome import DONE

if TYPE_CHECKING:
    from optimizer.problem.candidate import Candidate
    from optimizer.problem.problem import Problem


def add_parser(subparsers: Any, common: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Declare the verb and its options."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "check",
        parents=[common],
        help="show every figure of a given network, and why",
        description="Compute every figure and curve of a network that exists already: an old "
        "board, a handbook's starting point, an idea. Says which goal, which band and which part "
        "make it score as it does.",
    )
    parser.add_argument("design", metavar="DESIGN", type=Path, help="the design file (YAML)")
    parser.add_argument(
        "network",
        metavar="NETWORK",
        help="a network file (YAML), or results.json#2 for a saved candidate",
    )
    parser.add_argument(
        "--against",
        metavar="NETWORK",
        action="append",
        default=[],
        help="another network to compare with, part by part and curve by curve; "
        "may be repeated; results.json stands for all its candidates",
    )
    parser.add_argument("--json", metavar="FILE", help="write the figures as JSON; - prints them")
    add_page_option(parser)
    return parser


def run(args: argparse.Namespace) -> int:
    """Compute, show, and write what was asked for."""
    from optimizer.bench.check import check_network, compare_networks
    from optimizer.bench.networks.file import read_history, read_network
    from optimizer.cli.screen import Screen
    from optimizer.design.build import build_problem, load_design
    from optimizer.report import check_tables, tables
    from optimizer.report.export import check_writable, write_json

    if args.json not in (None, "-"):
        check_writable(Path(args.json), key="--json")
    check_page(args.page)
    screen = Screen(quiet=args.quiet, to_stderr=args.json == "-")
    problem = build_problem(load_design(args.design))
    read = read_network(args.network, problem)
    history = read_history(args.network)
    others = [
        (name, candidate)
        for text in args.against
        for name, candidate in _read_others(text, problem)
    ]
    report = check_network(problem, read.network)
    against = [
        (name, candidate, compare_networks(report.candidate, candidate))
        for name, candidate in others
    ]
    if args.json is not None:
        write_json(
            args.json,
            check_tables.check_to_json(report, problem, str(args.design), args.network, against),
        )
    if args.page is not None:
        _write_page(args, problem, report.candidate, others, read.notes)
    if screen.quiet:
        return DONE
    screen.show(
        tables.show_heading(f"{problem.title}: {args.network}"),
        tables.show_notes([*problem.notes, *check_tables.say_history(history), *read.notes]),
        "",
        check_tables.show_ladders(report.candidate, width=screen.width),
        "",
        check_tables.tabulate_reasons(report),
        "",
        check_tables.say_load(report.candidate),
        "",
        tables.show_heading("One part at a time"),
        *check_tables.say_improvements(report),
        "",
        tables.chart_candidate(report.candidate, width=screen.width),
    )
    if against:
        screen.show(
            "",
            tables.show_heading("Side by side"),
            check_tables.tabulate_side_by_side([(args.network, report.candidate), *others]),
        )
    for name, candidate, comparison in against:
        screen.show(
            "",
            tables.show_heading(f"From {args.network} to {name}"),
            check_tables.show_comparison(comparison, candidate.curves.frequency_hz),
        )
    if args.json not in (None, "-"):
        screen.show("", f"Written: {args.json}.")
    if args.page is not None:
        screen.show("", f"Written: {args.page} (open it in a browser).")
    return DONE


def _write_page(
    args: argparse.Namespace,
    problem: Problem,
    candidate: Candidate,
    others: list[tuple[str, Candidate]],
    notes: tuple[str, ...],
) -> None:
    """Write the network and those it is compared with as a page, numbered in their order."""
    from dataclasses import replace

    from optimizer.report.export import write_text
    from optimizer.report.page.candidates import render_candidates

    named = [(args.network, candidate), *others]
    write_text(
        Path(args.page),
        render_candidates(
            problem,
            [replace(one, rank=k) for k, (_, one) in enumerate(named, 1)],
            lead=[
                f"Design {args.design}.",
                *(f"No. {k} is {name}." for k, (name, _) in enumerate(named, 1)),
            ],
            notes=notes,
        ),
    )


def _read_others(text: str, problem: Problem) -> list[tuple[str, Candidate]]:
    from optimizer.bench.networks.file import load_network
    from optimizer.bench.networks.results import list_results
    from optimizer.problem.figures import build_candidate

    names = [text]
    if Path(text).suffix.lower() == ".json":
        names = [f"{text}#{number}" for number in list_results(Path(text))]
    return [(name, build_candidate(problem, load_network(name, problem))) for name in names]
