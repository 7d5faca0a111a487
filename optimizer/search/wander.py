"""Away from a good network and back to a better one: disturb, choose all parts anew, descend.

A descent ends where no small change helps. From there one slot is filled, emptied or turned, or a
part or two must become something else; all other parts follow, which on a shelf also deals the
scarce pieces out anew. What comes out is kept when it is better.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from optimizer.search.exchange import Polisher
from optimizer.search.problem import Problem
from optimizer.search.rounding import choose_anew, filled_genes, round_around
from optimizer.search.space import Genome

_DISTANCES = (0.02, 0.1, 0.3)  # nepers: how far a part must move at least
_PROMISING = 1.02  # cost against the present one from which a descent is worth its time


def wander(
    polisher: Polisher,
    genome: Genome,
    cost: float,
    rng: np.random.Generator,
    tries: int,
    *,
    stop: Callable[[], bool] = lambda: False,
) -> list[tuple[Genome, float]]:
    """Disturb a network again and again, going on from whatever is better.

    Parameters
    ----------
    polisher : Polisher
    genome : Genome
        Where to start.
    cost : float
        Its full cost.
    rng : numpy.random.Generator
        Source of the disturbances.
    tries : int
        How many of them.
    stop : callable
        Asked now and then; True ends the wandering.

    Returns
    -------
    list of (Genome, float)
        Networks descended to, the better ones last; may be empty.
    """
    problem = polisher.problem
    found = []
    for _ in range(tries):
        if stop():
            break
        start = _disturb(problem, genome, rng)
        if start is None:
            continue
        changed, changed_cost, count = choose_anew(problem, *start)
        polisher.evaluations += count
        if changed_cost > _PROMISING * cost:
            continue
        polished = polisher.descend(changed, changed_cost, best=cost)
        if polished.cost < cost - 1e-9:
            genome, cost = polished.genome, polished.cost
            found.append((genome, cost))
        else:
            found.insert(0, (polished.genome, polished.cost))
    return found


def _disturb(
    problem: Problem, genome: Genome, rng: np.random.Generator
) -> tuple[Genome, float] | None:
    """Return a neighbour of a network with its full cost; None when there is none."""
    space = problem.space
    optional, turning = np.flatnonzero(space.optional), np.flatnonzero(space.polarity_free)
    genes = filled_genes(problem, genome.present)
    structures = len(optional) + len(turning)
    if structures and (not len(genes) or rng.random() < 0.5):
        other = _change_structure(problem, genome, optional, turning, rng)
        return other, float(problem.cost([other])[0])
    if not len(genes):
        return None
    moved = rng.choice(genes, size=min(len(genes), int(rng.integers(1, 3))), replace=False)
    least = {int(g): float(rng.choice(_DISTANCES)) for g in moved}
    return round_around(problem, genome, least)


def _change_structure(
    problem: Problem,
    genome: Genome,
    optional: NDArray[np.intp],
    turning: NDArray[np.intp],
    rng: np.random.Generator,
) -> Genome:
    """Fill or empty one optional slot, or turn one free way."""
    space = problem.space
    present, polarity = genome.present.copy(), genome.polarity.copy()
    choice = genome.choice.copy()
    k = int(rng.integers(len(optional) + len(turning)))
    if k >= len(optional):
        polarity[turning[k - len(optional)]] *= -1.0
        return replace(genome, polarity=polarity)
    slot = int(optional[k])
    present[slot] = not present[slot]
    if present[slot]:
        for g in space.slot_genes[slot]:
            choice[g] = rng.integers(len(space.options[g].values))
    return replace(genome, present=present, choice=choice)
