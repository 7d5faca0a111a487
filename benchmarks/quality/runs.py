"""One search after the other, each with the course of its best cost."""

from __future__ import annotations

import os
import resource
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from benchmarks.problems import load
from optimizer.problem.agreement import Agreement
from optimizer.search.fit import search
from optimizer.search.progress import SearchProgress
from optimizer.search.strategies import Strategy, Uniform

ARMS = {"uniform": Uniform, "none": None}
"""What a strategy is measured against: structures drawn at random, and no advice at all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One search.

    Parameters
    ----------
    course : tuple of (float, int, float)
        Seconds, networks tried and best cost, whenever the search reported.
    cost : float
        Of the best candidate.
    seconds : float
        Until the search returned, its proof included.
    stopped : str
        Why it ended.
    certificate : int
        Changes that cannot better the best candidate.
    strategy_share : float
        Share of the time spent in nevergrad.
    cpu_seconds : float
        Processor time of this process and its workers.
    agreement : Agreement
        How its starts agree.
    """

    course: tuple[tuple[float, int, float], ...]
    cost: float
    seconds: float
    stopped: str
    certificate: int
    strategy_share: float
    cpu_seconds: float
    agreement: Agreement

    def time_to(self, cost: float) -> float:
        """Seconds until a cost was reached, infinite if it never was."""
        return next((t for t, _, best in self.course if best <= cost), float("inf"))

    def networks_to(self, cost: float) -> float:
        """Networks tried until a cost was reached, infinite if it never was."""
        return next((float(n) for _, n, best in self.course if best <= cost), float("inf"))


@contextmanager
def _strategy_clock() -> Iterator[list[float]]:
    """Add up the time inside the strategy's ask and tell."""
    spent = [0.0]
    ask, tell = Strategy.ask, Strategy.tell

    def timed(method):  # type: ignore[no-untyped-def]
        def call(*args, **kwargs):  # type: ignore[no-untyped-def]
            began = time.perf_counter()
            try:
                return method(*args, **kwargs)
            finally:
                spent[0] += time.perf_counter() - began

        return call

    Strategy.ask, Strategy.tell = timed(ask), timed(tell)  # type: ignore[method-assign]
    try:
        yield spent
    finally:
        Strategy.ask, Strategy.tell = ask, tell  # type: ignore[method-assign]


def _processor_time() -> float:
    times = os.times()
    return times.user + times.system + times.children_user + times.children_system


def run_searches(
    problem_name: str,
    strategy: str,
    seeds: range,
    seconds: float | None,
    evaluations: int | None,
    workers: int,
    enough: float | None = None,
) -> tuple[list[Run], float]:
    """Search once for each seed.

    Parameters
    ----------
    problem_name, strategy : str
    seeds : range
    seconds : float or None
        Budget of each search.
    evaluations : int or None
        Budget in networks.
    workers : int
    enough : float, optional
        End a search that has reached this cost: nothing more is to be learnt from it.

    Returns
    -------
    runs : list of Run
    peak_mb : float
        Largest memory of this process and, times the workers, of its children; a process of its
        own gives a figure of its own.
    """
    problem = load(problem_name)
    # nevergrad's import and first-time set-up are not search.
    search(
        problem, seconds=60.0, seed=0, top=1, strategy=ARMS.get(strategy, strategy), evaluations=1
    )
    runs = []
    for seed in seeds:
        course: list[tuple[float, int, float]] = []
        began, cpu = time.perf_counter(), _processor_time()

        def note(
            state: SearchProgress,
            began: float = began,
            course: list[tuple[float, int, float]] = course,
        ) -> None:
            if state.best_cost is not None:
                course.append((time.perf_counter() - began, state.evaluations, state.best_cost))
                if enough is not None and state.best_cost <= enough:
                    raise KeyboardInterrupt  # what Ctrl-C does: the search keeps what it found

        with _strategy_clock() as spent:
            result = search(
                problem,
                seconds=seconds,
                evaluations=evaluations,
                seed=seed,
                top=1,
                workers=workers,
                strategy=ARMS.get(strategy, strategy),
                progress=note,
                by="cost",  # the cost is what is compared, whatever the verdicts on a network
            )
        took = time.perf_counter() - began
        best = result.candidates[0]
        course.append((took, result.evaluations, best.cost))
        runs.append(
            Run(
                course=tuple(course),
                cost=best.cost,
                seconds=took,
                stopped=result.stopped,
                certificate=best.no_better_change_of,
                strategy_share=spent[0] / took,
                cpu_seconds=_processor_time() - cpu,
                agreement=result.agreement,
            )
        )
    unit = 1024.0 if sys.platform != "darwin" else 1024.0**2
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    child = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss if workers > 1 else 0
    return runs, (own + workers * child) / unit
