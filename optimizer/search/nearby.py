"""From one network down to better ones near it, each told as soon as it is found.

For a person who waits beside it: seconds, not minutes, and parts that are to stay do stay. What
finds the best of the whole space is `fit`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from optimizer.problem.genome import Genome, Move
from optimizer.problem.neighbourhood import EPSILON, Costed
from optimizer.problem.problem import Problem
from optimizer.search.descend.exchange import Descent

_WORTH = 1.1  # cost against the best known, up to which another structure is followed by pairs


def search_nearby(
    problem: Problem,
    genome: Genome,
    *,
    held: frozenset[int] = frozenset(),
    stop: Callable[[], bool] = lambda: False,
) -> Iterator[Costed]:
    """Find ever better networks around one.

    First the best single changes, then pairs of them, then the same from each neighbouring
    structure (an optional part in or out, a way turned); whatever is better is where it goes on.

    Parameters
    ----------
    problem : Problem
        Its space holds the network.
    genome : Genome
        Where to begin.
    held : frozenset of int
        Genes that stay what they are, empty or filled.
    stop : callable
        Asked now and then; True ends it.

    Yields
    ------
    (Genome, float)
        A network that costs less than all before, with its cost. When it ends without having been
        stopped, no change of one or two parts that may move betters the last one.

    Examples
    --------
    >>> from optimizer.testing import small_problem
    >>> space = (problem := small_problem()).space
    >>> first = space.snap(space.log_low, ~space.optional, space.polarity_start)
    >>> costs = [cost for _, cost in search_nearby(problem, first)]
    >>> costs == sorted(costs, reverse=True) and costs[0] < float(problem.cost([first])[0])
    True
    """
    descent = Descent(problem, held=held)
    best = descent.around(genome).cost
    while not stop():
        for step in _go_down(descent, genome, best, stop):
            genome, best = step
            yield step
        leap = _leap(descent, genome, best, stop)
        if leap is None:
            return
        genome, best = leap
        yield leap


def _go_down(
    descent: Descent, genome: Genome, cost: float, stop: Callable[[], bool]
) -> Iterator[Costed]:
    """Yield every step down by changes of one part, then of two, until none helps."""
    while not stop():
        reached = descent.descend_singles(genome)
        if reached.cost < cost - EPSILON:
            genome, cost = reached.genome, reached.cost
            yield genome, cost
        better = descent.better_two(genome, cost, stop=stop)
        if better is None:
            return
        genome, cost = better
        yield better


def _leap(descent: Descent, genome: Genome, cost: float, stop: Callable[[], bool]) -> Costed | None:
    """Return a better network that is reached over another structure, if there is one."""
    for move in _structures(descent, genome):
        if stop():
            return None
        moved = move.apply(genome)
        if descent.problem.space.rules.breaches(moved):
            continue
        reached = descent.descend_singles(moved)
        end: Costed = (reached.genome, reached.cost)
        if end[1] < _WORTH * cost:
            end = descent.better_two(*end, stop=stop) or end
        if end[1] < cost - EPSILON:
            return end
    return None


def _structures(descent: Descent, genome: Genome) -> Iterator[Move]:
    """Turn free ways, fill or empty optional slots that may move."""
    space = descent.problem.space
    yield from descent.around(genome).turns()
    for k, optional in enumerate(space.optional):
        if optional and descent.held.isdisjoint(int(g) for g in space.slot_genes[k]):
            yield Move(slots=((k, not genome.present[k]),))
