"""Search and show: the part of the work that `fit`, `demo` and others share."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.cli.keeping import note_deed
from optimizer.cli.options import available_processors
from optimizer.cli.outcome import DONE, INTERRUPTED, NO_CANDIDATE, complain
from optimizer.cli.output import deliver
from optimizer.cli.screen import Screen
from optimizer.cli.stopping import finish_first
from optimizer.errors import InputError

if TYPE_CHECKING:
    from optimizer.measure.survey.nouns import Survey
    from optimizer.problem.candidate import SearchResult
    from optimizer.problem.problem import Problem
    from optimizer.search.runner import Runner


MOST_NOTED = 3
"""Networks of a fit that stand in the diary in full."""

_STOPPED = {
    "converged": "ended by itself",
    "budget": "budget used",
    "interrupted": "stopped by hand",
}


def search_design(
    design_file: Path, args: argparse.Namespace, screen: Screen, runner: Runner | None
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
    runner : Runner, optional
        Who computes, see `options.open_engine`; else processes of this machine.

    Returns
    -------
    tuple of (Problem, SearchResult)
    """
    from optimizer.bench.diary.shelf import count_cabinets
    from optimizer.design.build import build_problem, load_design
    from optimizer.search.fit import search
    from optimizer.search.islands import ISLANDS

    design = count_cabinets(load_design(design_file), design_file)
    problem = build_problem(design)
    settings = design.search
    if getattr(args, "exact", False):
        from optimizer.search.prove.exact import enumerate_best

        if args.evaluations is not None:
            raise InputError(
                "--exact goes through all networks: it takes no --evaluations",
                value=f"--evaluations {args.evaluations}",
                remedy="leave one of the two out",
            )
        with screen.follow_search() as follow:
            return problem, enumerate_best(
                problem,
                top=settings.top if args.top is None else args.top,
                seconds=args.seconds,
                progress=follow,
            )
    seconds = args.seconds
    if seconds is None and args.evaluations is None:
        seconds = settings.seconds
    with screen.follow_search() as follow:
        result = search(
            problem,
            seconds=seconds,
            evaluations=args.evaluations,
            seed=settings.seed if args.seed is None else args.seed,
            top=settings.top if args.top is None else args.top,
            workers=available_processors() if args.workers is None else args.workers,
            progress=follow,
            robust=getattr(args, "robust", False),
            by=args.by or settings.by,
            runner=runner,
            islands=args.islands or ISLANDS,
        )
    return problem, result


def show_result(
    args: argparse.Namespace,
    problem: Problem,
    result: SearchResult,
    screen: Screen,
    design_name: str,
    *,
    survey: Survey | None = None,
    last: Sequence[str] = (),
    begin_diary: bool = False,
) -> int:
    """Write and print everything a search found and return the exit code.

    Parameters
    ----------
    args : argparse.Namespace
        With the options of `output.add_output_options`.
    problem : Problem
        The problem searched.
    result : SearchResult
        What was found.
    screen : Screen
        Where to print.
    design_name : str
        Name of the design file, as the user gave it.
    survey : Survey, optional
        What was found in the files before, where it belongs to the answer.
    last : sequence of str
        Printed at the very end: what to do next.
    begin_diary : bool
        Whether a diary is begun where none is kept.

    Returns
    -------
    int
        0, or 3 when no candidate meets the hard limits, or 130 when there is nothing to show.
    """
    from optimizer.report.documents.fit import document_fit
    from optimizer.report.words import say_broken

    if not result.candidates and result.stopped != "interrupted":
        complain(
            "no network was found whose parts are there and which keeps the limits together; relax one "
            "of them, allow other parts, or search longer"
        )
        return NO_CANDIDATE
    if not result.candidates:
        complain("interrupted before any network was complete, nothing to show")
        return INTERRUPTED
    with finish_first():
        document = document_fit(problem, result, design_name, survey=survey)
        noted = _note_fit(args, problem, result, Path(design_name), begin=begin_diary)
        holds = "all networks with their curves"
        deliver(args, document, screen, holds=holds, last=[*noted, *last])
    best = result.candidates[0]
    if best.feasible:
        return DONE
    complain(
        f"no network found meets the hard limits; the nearest miss breaks {say_broken(best)}; "
        "relax that limit, allow other parts, or search longer"
    )
    return NO_CANDIDATE


def _note_fit(
    args: argparse.Namespace, problem: Problem, result: SearchResult, design: Path, *, begin: bool
) -> list[str]:
    """Note the best few networks in the diary, with what they can be found by."""
    from optimizer.bench.diary.keep import Deed

    saved = args.json not in (None, "-")
    names = [
        f"{Path(args.json).name}#{c.rank}" if saved else f"no. {c.rank}" for c in result.candidates
    ]
    how = [
        f"{result.evaluations:,} networks, seed {result.seed}, {_STOPPED[result.stopped]}",
        *(["robust"] if getattr(args, "robust", False) else []),
        *(["exact"] if getattr(args, "exact", False) else []),
    ]
    found = list(zip(names, result.candidates, strict=True))[:MOST_NOTED]
    says = "; ".join(how)
    if not result.candidates[0].feasible:
        found, says = (
            [(names[0].replace("#1", "#miss"), result.candidates[0])],
            f"{says}; nearest miss",
        )
    deed = Deed(did="fit", says=says, problem=problem, networks=found)
    return note_deed(design, deed, begin=begin)
