"""One or more processes that explore and prove; results do not depend on how many there are."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem
from optimizer.search.processes import Processes

if TYPE_CHECKING:
    from optimizer.search.explorer import Deepened, Round
    from optimizer.search.strategies import Proposal

_explorer: Any = None


def _prepare(problem: Problem) -> None:
    from optimizer.search.explorer import Explorer

    global _explorer
    _explorer = Explorer(problem)
    # Ctrl-C is for the process that keeps the archive.
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _explore(task: tuple[list[Proposal], float, dict[bytes, float]]) -> Round:
    result: Round = _explorer.explore(*task)
    return result


def _deepen(task: tuple[Proposal, float]) -> Deepened:
    result: Deepened = _explorer.deepen(*task)
    return result


def _prove(task: tuple[Genome, float, float | None]) -> tuple[Genome, float, int, int]:
    result: tuple[Genome, float, int, int] = _explorer.prove(*task)
    return result


def _wander(
    task: tuple[Genome, float, tuple[int, ...], float | None],
) -> tuple[list[tuple[Genome, float]], int]:
    result: tuple[list[tuple[Genome, float]], int] = _explorer.wander(*task)
    return result


def _relax(genome: Genome) -> float:
    return float(_explorer.relax_structure(genome))


def _run_here(
    local: Callable[..., Any], items: Sequence[Any], meanwhile: Callable[[], None] | None
) -> Iterator[Any]:
    for item in items:
        yield local(item)
    if meanwhile is not None:
        meanwhile()


class Crew(Processes):
    """Runs rounds here or in other processes, in a fixed order.

    Parameters
    ----------
    problem : Problem
    workers : int
        1 works in this process.
    """

    def __init__(self, problem: Problem, workers: int) -> None:
        from optimizer.search.explorer import Explorer

        super().__init__(problem, workers, _prepare)
        self.explorer = Explorer(problem) if self.pool is None else None

    def _run(
        self,
        task: Callable[[Any], Any],
        local: Callable[..., Any],
        items: Sequence[Any],
        meanwhile: Callable[[], None] | None = None,
    ) -> Iterator[Any]:
        if self.pool is None:
            return _run_here(local, items, meanwhile)
        # Handed out at once, so that other work may be handed out before any result is awaited.
        results = [self.pool.submit(task, item) for item in items]
        if meanwhile is not None:
            meanwhile()
        return (result.result() for result in results)

    def explore(
        self,
        batches: Sequence[tuple[list[Proposal], float, dict[bytes, float]]],
        meanwhile: Callable[[], None] | None = None,
    ) -> Iterator[Round]:
        """Explore batches of proposals, results in order as they come.

        Parameters
        ----------
        batches : sequence of (proposals, best, done)
            See `Explorer.explore`.
        meanwhile : callable, optional
            Work for this process while others compute.
        """
        explorer = self.explorer

        def local(task: tuple[list[Proposal], float, dict[bytes, float]]) -> Round:
            assert explorer is not None
            return explorer.explore(*task)

        return self._run(_explore, local, batches, meanwhile)

    def deepen(self, todo: Sequence[tuple[Proposal, float]]) -> Iterator[Deepened]:
        """Deepen structures, results in order as they come."""
        explorer = self.explorer

        def local(task: tuple[Proposal, float]) -> Deepened:
            assert explorer is not None
            return explorer.deepen(*task)

        return self._run(_deepen, local, todo)

    def wander(
        self, todo: Sequence[tuple[Genome, float, tuple[int, ...], float | None]]
    ) -> list[tuple[list[tuple[Genome, float]], int]]:
        """Wander from networks, results in order; see `Explorer.wander`."""
        explorer = self.explorer

        def local(
            task: tuple[Genome, float, tuple[int, ...], float | None],
        ) -> tuple[list[tuple[Genome, float]], int]:
            assert explorer is not None
            return explorer.wander(*task)

        return list(self._run(_wander, local, todo))

    def prove(
        self, todo: Sequence[tuple[Genome, float]], deadline: float | None
    ) -> list[tuple[Genome, float, int, int]]:
        """Prove networks, results in order."""
        explorer = self.explorer

        def local(task: tuple[Genome, float, float | None]) -> tuple[Genome, float, int, int]:
            assert explorer is not None
            return explorer.prove(*task)

        return list(self._run(_prove, local, [(g, c, deadline) for g, c in todo]))

    def relax(self, genomes: Sequence[Genome]) -> list[float]:
        """Relax the structures of networks, results in order."""
        local = self.explorer.relax_structure if self.explorer else _relax
        return list(self._run(_relax, local, genomes))
