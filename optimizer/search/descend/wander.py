"""Away from a good network and back to a better one: disturb, choose all parts anew, descend.

A descent ends where no small change helps. From there one slot is filled, emptied or turned, or a
part or two must become something else; all other parts follow, which on a shelf also deals the
scarce pieces out anew. What comes out is kept when it is better.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from optimizer.arrays import Index
from optimizer.problem.genome import Genome, Move, slots_between
from optimizer.problem.problem import Problem
from optimizer.search.descend.exchange import Descent
from optimizer.search.descend.rounding import choose_anew, filled_genes, round_around

_DISTANCES = (0.02, 0.1, 0.3)  # nepers: how far a part must move at least
_REDRAWN = 3  # how often a disturbance that was tried before is drawn anew
_PROMISING = 1.02  # cost against the present one from which a descent is worth its time


def wander(
    descent: Descent,
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
    descent : Descent
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
    problem, key_of = descent.problem, descent.problem.space.gene_slot
    found = []
    tried: set[tuple[object, ...]] = set()
    ends: set[bytes] = set()
    for _ in range(tries):
        disturbance = _draw(problem, genome, rng)
        for _ in range(_REDRAWN):
            if (genome.key(key_of), *disturbance.name) not in tried:
                break
            disturbance = _draw(problem, genome, rng)
        name = (genome.key(key_of), *disturbance.name)
        if stop() or name in tried:
            continue
        tried.add(name)
        start = _disturb(problem, genome, disturbance)
        if start is None:
            continue
        changed, changed_cost, count = choose_anew(problem, *start, aim=cost)
        descent.count(count)
        # Most ways lead back to where they began, or where another one has led before.
        if changed_cost > _PROMISING * cost or changed.key(key_of) in ends:
            continue
        polished = descent.descend(changed, changed_cost, best=cost, chosen=True)
        ends |= {changed.key(key_of), polished.genome.key(key_of)}
        if polished.cost < cost - 1e-9:
            genome, cost = polished.genome, polished.cost
            found.append((genome, cost))
        else:
            found.insert(0, (polished.genome, polished.cost))
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class _Disturbance:
    """What is done to a network; the name tells two disturbances of one network apart.

    Parameters
    ----------
    name : tuple
    least : mapping of int to float, optional
        Genes that must move, and by how many nepers at least.
    changed : Genome, optional
        A network of another structure.
    """

    name: tuple[object, ...]
    least: Mapping[int, float] = field(default_factory=dict)
    changed: Genome | None = None


def _draw(problem: Problem, genome: Genome, rng: np.random.Generator) -> _Disturbance:
    """Draw what to do to a network."""
    space = problem.space
    optional, turning = np.flatnonzero(space.optional), np.flatnonzero(space.polarity_free)
    genes = filled_genes(problem, genome.present)
    structures = len(optional) + len(turning)
    if structures and (not len(genes) or rng.random() < 0.5):
        other = _change_structure(problem, genome, optional, turning, rng)
        return _Disturbance(changed=other, name=(other.key(space.gene_slot),))
    moved = rng.choice(genes, size=min(len(genes), int(rng.integers(1, 3))), replace=False)
    least = {int(g): float(rng.choice(_DISTANCES)) for g in np.sort(moved)}
    return _Disturbance(least=least, name=tuple(least.items()))


def _disturb(
    problem: Problem, genome: Genome, disturbance: _Disturbance
) -> tuple[Genome, float] | None:
    """Return a neighbour of a network with its full cost; None when there is none."""
    if disturbance.changed is not None:
        return disturbance.changed, float(problem.cost([disturbance.changed])[0])
    if not disturbance.least:
        return None
    return round_around(problem, genome, disturbance.least)


def _change_structure(
    problem: Problem,
    genome: Genome,
    optional: Index,
    turning: Index,
    rng: np.random.Generator,
) -> Genome:
    """Fill or empty one optional slot, or turn one free way."""
    space = problem.space
    k = int(rng.integers(len(optional) + len(turning)))
    if k >= len(optional):
        return Move(turned=(int(turning[k - len(optional)]),)).apply(genome)
    changed = space.alternatives.flip(genome.present, int(optional[k]))
    drawn = (
        (int(g), int(rng.integers(len(space.options[g].values))))
        for slot in np.flatnonzero(changed & ~genome.present)
        for g in space.slot_genes[slot]
    )
    return Move(options=tuple(drawn), slots=slots_between(genome.present, changed)).apply(genome)
