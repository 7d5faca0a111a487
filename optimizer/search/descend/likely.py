"""Changes of several parts where there are too many to compute all: the likely ones.

The exact cost of every change of one part, and how each two of them act on each other in a local
quadratic, foretell the cost of every change of two parts. Only the most promising are computed.
Longer exchanges, in which one part frees a piece that another takes, are found by the integer
program of assignment.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from optimizer.arrays import Index, Real
from optimizer.problem.genome import Genome
from optimizer.problem.neighbourhood import EPSILON, Costed, Neighbourhood, Singles
from optimizer.search.descend.rounding import expand_around, filled_genes
from optimizer.stock.assign import Assignment

if TYPE_CHECKING:
    from optimizer.problem.problem import Problem


TRIED = 1024  # changes of two parts computed at most before giving up
_BATCH = 128
_CHAINS = (3, 5, None)  # how many parts at most one exchange changes
_KEPT_OPTIONS = 24  # options of each part that the assignment may choose from
_CHAIN_SECONDS = 1.0


class LikelyPairs:
    """Most promising changes of two parts of one network.

    Parameters
    ----------
    problem : Problem
    genome : Genome
        The network.
    cost : float
        Its cost.
    singles : Singles
        All changes of one part.
    """

    def __init__(self, problem: Problem, genome: Genome, cost: float, singles: Singles) -> None:
        self.problem = problem
        self.genome = genome
        self.cost = cost
        self.singles = singles
        population = problem.space.population([genome])
        genes = filled_genes(problem, genome.present)
        self.model, steps = expand_around(problem, population, genes)
        self.steps = {int(g): s for g, s in zip(genes, steps, strict=True)}

    def list_pairs(self, most: int) -> tuple[Index, Index, Real]:
        """List the most promising pairs.

        Parameters
        ----------
        most : int
            Number wanted.

        Returns
        -------
        ndarray of int, ndarray of int, ndarray
            Rows of `singles` of both changes and the expected costs, best first.
        """
        rows, rules = self.singles.rows, self.problem.space.rules
        gain = self.singles.cost - self.cost
        of_gene = {int(g): np.flatnonzero(rows.gene == g) for g in np.unique(rows.gene)}
        genes = list(of_gene)
        found: list[tuple[Index, Index, Real]] = []
        worst = np.inf
        for a, g in enumerate(genes):
            for h in genes[a + 1 :]:
                i, j = of_gene[g], of_gene[h]
                total = (
                    gain[i][:, None] + gain[j] + self._interaction(g, h, rows.row[i], rows.row[j])
                )
                possible = total < worst
                if rules.limited and possible.any():
                    possible &= rules.fitting_two(self.genome, g, rows.row[i], h, rows.row[j])
                p, q = np.nonzero(possible)
                if not len(p):
                    continue
                value = total[p, q]
                if len(value) > most:
                    keep = np.argpartition(value, most)[:most]
                    p, q, value = p[keep], q[keep], value[keep]
                    worst = min(worst, float(value.max()))
                found.append((i[p], j[q], value))
        if not found:
            none = np.empty(0, dtype=np.intp)
            return none, none, np.empty(0)
        first, second, value = (np.concatenate(x) for x in zip(*found, strict=True))
        order = np.argsort(value, kind="stable")[:most]
        return first[order], second[order], value[order] + self.cost

    def _interaction(self, g: int, h: int, rows: Index, columns: Index) -> Real:
        a, b = self.steps.get(g), self.steps.get(h)
        if a is None or b is None:
            return np.zeros((len(rows), len(columns)))
        count = len(self.model.genes)
        k = int(np.flatnonzero(self.model.genes == g)[0])
        m = int(np.flatnonzero(self.model.genes == h)[0])
        cross = self.model.matrix[np.ix_([k, k + count], [m, m + count])]
        # Leaving a part out has no place in the quadratic: its step is taken as none.
        u = np.vstack([a.steps, np.zeros(2)])[rows]
        v = np.vstack([b.steps, np.zeros(2)])[columns]
        return np.asarray(u @ cross @ v.T)


def best_likely_pair(
    problem: Problem,
    hood: Neighbourhood,
    cost: float,
    singles: Singles,
    *,
    tried: int = TRIED,
    stop: Callable[[], bool] = lambda: False,
) -> Costed | None:
    """Find a better network among the most promising changes of two parts.

    Parameters
    ----------
    problem : Problem
    hood : Neighbourhood
        Of the network to better.
    cost : float
        Its cost.
    singles : Singles
        All changes of one part.
    tried : int
        Changes computed before giving up.
    stop : callable
        Asked now and then; True ends the search.

    Returns
    -------
    tuple of (Genome, float) or None
        The best of the first batch that holds an improvement.
    """
    rows = singles.rows
    first, second, _ = LikelyPairs(problem, hood.genome, cost, singles).list_pairs(tried)
    for start in range(0, len(first), _BATCH):
        if stop():
            return None
        batch = [
            hood.move(rows.change(i), rows.change(j)).apply(hood.genome)
            for i, j in zip(
                first[start : start + _BATCH], second[start : start + _BATCH], strict=True
            )
        ]
        hood.tally.networks += len(batch)
        better = _best_of(problem, batch, cost)
        if better is not None:
            return better
    return None


def _best_of(problem: Problem, batch: list[Genome], cost: float) -> Costed | None:
    """Return the best of some networks if it costs less than `cost`."""
    costs = problem.cost(batch)
    k = int(np.argmin(costs))
    return (batch[k], float(costs[k])) if costs[k] < cost - EPSILON else None


def best_chain(
    problem: Problem, hood: Neighbourhood, cost: float, singles: Singles
) -> Costed | None:
    """Find a better network by assigning the pieces to all parts anew.

    Parameters are those of `best_likely_pair`; whether pieces suffice for a single change does not
    matter here.

    Returns
    -------
    tuple of (Genome, float) or None

    Notes
    -----
    The exact costs of single changes are added up as if they did not act on each other, which the
    integer program of assignment minimises under the counts; what it proposes is computed.
    """
    supply, rows, genome = problem.space.supply, singles.rows, hood.genome
    genes = [int(g) for g in np.unique(rows.gene)]
    offered, costs, places = [], [], []
    for g in genes:
        of_gene = np.flatnonzero(rows.gene == g)
        order = of_gene[np.argsort(singles.cost[of_gene], kind="stable")]
        own = of_gene[rows.row[of_gene] == problem.tables.row_of(genome, g)]
        kept = np.concatenate([own, order[order != own[0]][:_KEPT_OPTIONS]])
        offered.append(kept)
        places.append(0)
        costs.append(singles.cost[kept] - cost)
    usage = [supply.taken(g, rows.row[kept]) for g, kept in zip(genes, offered, strict=True)]
    program = Assignment(costs, usage, supply.available - supply.used(genome, genes))
    batch = []
    for most in _CHAINS:
        picks, _ = program.solve(
            seconds=_CHAIN_SECONDS, kept=None if most is None else (places, most)
        )
        if picks is None:
            continue
        changed = [
            offered[k][pick] for k, pick in enumerate(picks) if pick is not None and pick > 0
        ]
        if len(changed) > 1:
            batch.append(hood.move(*(rows.change(k) for k in changed)).apply(genome))
    hood.tally.networks += len(batch)
    return _best_of(problem, batch, cost) if batch else None
