"""Search and show: the part of the work that `fit`, `demo` and others share."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.cli.options import available_processors
from optimizer.cli.outcome import DONE, INTERRUPTED, NO_CANDIDATE, complain
from optimizer.cli.screen import Screen

if TYPE_CHECKING:
    from optimizer.problem.candidate import Candidate, SearchResult
    from optimizer.problem.problem import Problem


def search_design(
    design_file: Path, args: argparse.Namespace, screen: Screen
) -> tuple[Problem, SearchResult]:
    """Load a design, prepare its problem and search.

    Parameters
    ----------
    design_file : Path
        The design file.
    args : argparse.Namespace
        With the options of `options.add_search_options`; those not given follow the design.
    screen : Screen
        Shows the progress.

    Returns
    -------
    tuple of (Problem, SearchResult)
    """
    from optimizer.design.build import build_problem, load_design
    from optimizer.search.fit import search

    design = load_design(design_file)
    problem = build_problem(design)
    settings = design.search
    if getattr(args, "exact", False):
        from optimizer.search.prove.exact import enumerate_best

        with screen.follow_search() as follow:
            return problem, enumerate_best(
                problem,
                top=settings.top if args.top is None else args.top,
                seconds=args.seconds,
                progress=follow,
            )
    with screen.follow_search() as follow:
        result = search(
            problem,
            seconds=settings.seconds if args.seconds is None else args.seconds,
            seed=settings.seed if args.seed is None else args.seed,
            top=settings.top if args.top is None else args.top,
            workers=available_processors() if args.workers is None else args.workers,
            progress=follow,
            robust=getattr(args, "robust", False),
        )
    return problem, result


def show_result(
    problem: Problem, result: SearchResult, screen: Screen, *, last_lines: Sequence[str] = ()
) -> int:
    """Print everything a search found and return the exit code.

    Parameters
    ----------
    problem : Problem
        The problem searched.
    result : SearchResult
        What was found.
    screen : Screen
        Where to print.
    last_lines : sequence of str
        Printed at the very end: files written, what to do next.

    Returns
    -------
    int
        0, or 3 when no candidate meets the hard limits, or 130 when there is nothing to show.
    """
    from optimizer.report.words import say_broken

    if not result.candidates:
        complain("interrupted before any network was complete, nothing to show")
        return INTERRUPTED
    best = result.candidates[0]
    if not screen.quiet:
        _print_result(problem, result, screen)
        screen.show(*last_lines)
    if best.feasible:
        return DONE
    complain(
        f"no network found meets the hard limits; the nearest miss breaks {say_broken(best)}; "
        "relax that limit, allow other parts, or search longer"
    )
    return NO_CANDIDATE


def _print_result(problem: Problem, result: SearchResult, screen: Screen) -> None:
    from optimizer.report import tables
    from optimizer.report.words import say_stop

    best = result.candidates[0]
    width = screen.width
    screen.show(
        tables.show_heading(problem.title),
        "",
        tables.tabulate_ranges(problem.drivers),
        tables.show_notes(problem.notes),
        "",
    )
    if best.feasible:
        screen.show(
            tables.show_heading("Networks, best first"),
            tables.tabulate_candidates(result.candidates, width=width),
            "",
            tables.show_heading("The best one, no. 1"),
        )
    else:
        screen.show(tables.show_heading("Nearest miss: it breaks a hard limit"))
    screen.show(
        "",
        tables.describe_candidate(best, width=width),
        "",
        tables.chart_candidate(best, width=width),
        "",
        *_show_sides(problem, best),
        say_stop(result),
        tables.show_notes(result.notes),
    )


def _show_sides(problem: Problem, best: Candidate) -> list[Any]:
    """Which piece of a list is meant, and which goes left and which right, where it matters."""
    from optimizer.bench.build.sides import share_out
    from optimizer.bench.networks.alike import tell_alike
    from optimizer.problem.problem import Problem
    from optimizer.report import tables

    if not isinstance(problem, Problem):
        return []
    shown: list[Any] = []
    alike = tell_alike(problem.stock, best.network)
    if alike:
        shown += [tables.show_heading("Pieces of several makes"), tables.show_notes(alike), ""]
    sides = share_out(problem, best.network)
    if sides is not None:
        shown += [tables.show_heading("Left and right"), tables.tabulate_sides(sides), ""]
    return shown
