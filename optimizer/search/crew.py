"""The tasks of a search: explore, deepen, wander, prove; results in a fixed order."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem
from optimizer.search.explorer import Deepened, Explorer, Round
from optimizer.search.runner import Runner
from optimizer.search.strategies import Proposal
from optimizer.search.task import Deadline, keep_with


def _explore(
    problem: Problem, proposals: list[Proposal], best: float, done: dict[bytes, float]
) -> Round:
    return keep_with(problem, Explorer).explore(proposals, best, done)


def _deepen(problem: Problem, proposal: Proposal, best: float) -> Deepened:
    return keep_with(problem, Explorer).deepen(proposal, best)


def _prove(
    problem: Problem, genome: Genome, cost: float, deadline: Deadline
) -> tuple[Genome, float, int, int]:
    return keep_with(problem, Explorer).prove(genome, cost, deadline.moment)


def _wander(
    problem: Problem, genome: Genome, cost: float, seed: tuple[int, ...], deadline: Deadline
) -> tuple[list[tuple[Genome, float]], int]:
    return keep_with(problem, Explorer).wander(genome, cost, seed, deadline.moment)


def _relax(problem: Problem, genome: Genome) -> float:
    return keep_with(problem, Explorer).relax_structure(genome)


class Crew:
    """Hands out the tasks of one search.

    Parameters
    ----------
    problem : Problem
    runner : Runner
    """

    def __init__(self, problem: Problem, runner: Runner) -> None:
        self.problem = problem
        self.runner = runner

    def explore(
        self,
        batches: Sequence[tuple[list[Proposal], float, dict[bytes, float]]],
        meanwhile: Callable[[], None],
    ) -> Iterator[Round]:
        """Explore batches of proposals, results in order as they come.

        Parameters
        ----------
        batches : sequence of (proposals, best, done)
            See `Explorer.explore`.
        meanwhile : callable
            Work for this process while others compute.
        """
        rounds = self.runner.in_order(_explore, self.problem, batches)
        meanwhile()
        return rounds

    def deepen(self, todo: Sequence[tuple[Proposal, float]]) -> Iterator[Deepened]:
        """Deepen structures, results in order as they come."""
        return self.runner.in_order(_deepen, self.problem, todo)

    def wander(
        self, todo: Sequence[tuple[Genome, float, tuple[int, ...]]], deadline: Deadline
    ) -> list[tuple[list[tuple[Genome, float]], int]]:
        """Wander from networks, results in order; see `Explorer.wander`."""
        return list(
            self.runner.in_order(_wander, self.problem, [(*item, deadline) for item in todo])
        )

    def prove(
        self, todo: Sequence[tuple[Genome, float]], deadline: Deadline
    ) -> list[tuple[Genome, float, int, int]]:
        """Prove networks, results in order."""
        return list(
            self.runner.in_order(_prove, self.problem, [(*item, deadline) for item in todo])
        )

    def relax(self, genomes: Sequence[Genome]) -> list[float]:
        """Relax the structures of networks, results in order."""
        return list(self.runner.in_order(_relax, self.problem, [(g,) for g in genomes]))
