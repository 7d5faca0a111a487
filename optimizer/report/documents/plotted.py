"""Every chart of one network, with the bands, ranges and floors that its design knows of."""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.bench.response import study_response
from optimizer.bench.tolerance.spread import ToleranceReport
from optimizer.problem.candidate import Candidate
from optimizer.problem.problem import Problem
from optimizer.report.charts.plot import AnyPlot
from optimizer.report.charts.standard import list_plots, say_left_out
from optimizer.report.document import Graphs, Note, Passage
from optimizer.report.documents.numbers import find_floor_ohm


def plot_network(
    problem: Problem, candidate: Candidate, spread: ToleranceReport, *, seed: int = 1
) -> tuple[AnyPlot, ...]:
    """Compose every chart that the data of a network allow.

    Parameters
    ----------
    problem : Problem
        Drivers, goals, where ways may meet.
    candidate : Candidate
        A network of it.
    spread : ToleranceReport
        What tolerances do to its levels.
    seed : int
        Of the speakers drawn for the bands of phase, delay, step and load.

    Returns
    -------
    tuple of Plot or Polar
    """
    return list_plots(
        candidate,
        study_response(problem, candidate, seed=seed),
        bands={band.name: band for band in spread.curves},
        crossings=problem.crossings,
        floor_ohm=find_floor_ohm(problem),
    )


def show_plots(plots: Sequence[AnyPlot]) -> list[Passage]:
    """Show charts, and say which ones the data do not allow."""
    missing = say_left_out(plots)
    return [Graphs(items=tuple(plots)), *([Note(text=missing)] if missing else [])]
