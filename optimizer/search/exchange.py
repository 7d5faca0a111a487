"""Exchange of parts until no change of one or two of them helps, with proof.

A change is: another value for one part, an optional single part added or removed, an optional
compound removed, or the polarity of a free way turned. All pairs of changes are covered; a compound
may also be added as a whole. Pairs are first bounded from below on a few frequencies: a goal is the
norm of its residuals, and leaving residuals out can only make it smaller, so what the bound
already rules out need not be computed in full.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from optimizer.search.problem import Problem
from optimizer.search.scan import Block, BlockKey, Scan, Tables
from optimizer.search.space import Genome

Real = NDArray[np.float64]

_EPSILON = 1e-9  # an improvement below this is rounding
_BOUND_POINTS = (24, 72)


@dataclass(frozen=True, slots=True, kw_only=True)
class Polished:
    """A genome with its cost and how many changes at a time cannot better it."""

    genome: Genome
    cost: float
    no_better_change_of: int


class Polisher:
    """Descends by exchanges of parts in one problem.

    Parameters
    ----------
    problem : Problem
        The problem; tables of all alternatives are prepared once.
    """

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.space = problem.space
        self.full = Tables(problem.evaluator, self.space)
        points = len(problem.frequency_hz)
        self.bounds = [Tables(problem.thinned(n, bound=True), self.space)
                       for n in _BOUND_POINTS if n < points // 2]
        self.evaluations = 0

    def apply(self, genome: Genome, *changes: tuple[int, int]) -> Genome:
        """Return the genome with genes set to some of their alternatives.

        Parameters
        ----------
        genome : Genome
        *changes : (int, int)
            Gene and row, see `Tables`.
        """
        present, choice = genome.present.copy(), genome.choice.copy()
        for g, row in changes:
            filled = row < len(self.space.options[g].values)
            present[self.space.gene_slot[g]] = filled
            if filled:
                choice[g] = row
        return replace(genome, choice=choice, present=present)

    def cost(self, genome: Genome) -> float:
        """Full cost of a genome."""
        self.evaluations += 1
        return Scan(self.full, genome).cost() + self.space.economy(genome)

    def best_single(self, genome: Genome) -> tuple[Genome, float]:
        """Return the best network that differs in exactly one part, or the genome itself.

        Parameters
        ----------
        genome : Genome
        """
        scan = Scan(self.full, genome)
        economy = self.space.economy(genome)
        best, best_cost = genome, scan.cost() + economy
        for w, genes in enumerate(scan.genes_of_way):
            if not genes:
                continue
            rows = scan.rows(genes)
            costs = scan.singles(w) + rows.price + economy
            self.evaluations += len(costs)
            k = int(np.argmin(costs))
            if costs[k] < best_cost - _EPSILON:
                best_cost = float(costs[k])
                best = self.apply(genome, (int(rows.gene[k]), int(rows.row[k])))
        return best, best_cost

    def descend_singles(self, genome: Genome) -> Polished:
        """Make the best change of one part, or turn, until none helps.

        Parameters
        ----------
        genome : Genome
            Start.
        """
        while True:
            best, cost = self.best_single(genome)
            if best is not genome:
                genome = best
                continue
            turned = [(t, self.cost(t)) for t in self.toggles(genome)]
            better = min(turned, key=lambda item: item[1], default=(genome, cost))
            if better[1] >= cost - _EPSILON:
                return Polished(genome=genome, cost=cost, no_better_change_of=1)
            genome = better[0]

    def toggles(self, genome: Genome) -> Iterator[Genome]:
        """Networks that differ by one turned polarity or one removed compound."""
        for w in np.flatnonzero(self.space.polarity_free):
            polarity = genome.polarity.copy()
            polarity[w] = -polarity[w]
            yield replace(genome, polarity=polarity)
        for k, genes in enumerate(self.space.slot_genes):
            if self.space.optional[k] and len(genes) > 1 and genome.present[k]:
                present = genome.present.copy()
                present[k] = False
                yield replace(genome, present=present)

    def descend_pairs(
        self, genome: Genome, cost: float, *, stop: Callable[[], bool] = lambda: False
    ) -> Polished:
        """Change two parts at a time until no change of one or two helps.

        Parameters
        ----------
        genome : Genome
            Start.
        cost : float
            Its full cost.
        stop : callable
            Asked now and then; True ends the descent without the certificate.

        Returns
        -------
        Polished
            ``no_better_change_of`` is 2 when every change was ruled out.
        """
        while not stop():
            better = self._better(genome, cost, stop)
            if better is None:
                return Polished(genome=genome, cost=cost,
                                no_better_change_of=0 if stop() else 2)
            genome, cost = better
        return Polished(genome=genome, cost=cost, no_better_change_of=0)

    def _better(
        self, genome: Genome, cost: float, stop: Callable[[], bool]
    ) -> tuple[Genome, float] | None:
        """Go through all changes once, taking every improvement; None when there was none."""
        start = cost
        keys = Scan(self.full, genome).block_keys()
        scans: list[Scan] | None = None
        for key in keys:
            if stop():
                break
            if scans is None:
                scans = [Scan(t, genome) for t in (*self.bounds, self.full)]
            found = self._best_pair(scans, cost, key)
            if found is not None:
                before = self.full.scannable(genome)
                genome, cost = found
                scans = None
                if self.full.scannable(genome) != before:
                    return genome, cost
        if cost < start:
            return genome, cost
        for toggled in self.toggles(genome):
            candidates = [self.best_single(toggled)]
            candidates += [(t, self.cost(t)) for t in self.toggles(toggled)]
            best, best_cost = min(candidates, key=lambda c: c[1])
            if best_cost < cost - _EPSILON:
                return best, best_cost
        return self.best_added_compound(genome, cost)

    def _best_pair(
        self, scans: list[Scan], cost: float, key: BlockKey
    ) -> tuple[Genome, float] | None:
        """Best network of a block, if it is better than `cost`."""
        genome = scans[-1].genome
        first, second = scans[-1].rows(key.first), scans[-1].rows(key.second)
        price = first.price[:, None] + second.price + self.space.economy(genome)
        self.evaluations += price.size
        i, j = np.nonzero(price < cost)  # the price of the parts alone may already rule it out
        total = np.empty(0)
        for level, scan in enumerate(scans):
            if not len(i):
                return None
            block = Block(scan, key)
            costs = block.all()[i, j] if level == 0 else block.some(i, j)
            total = costs + price[i, j]
            keep = total < cost - _EPSILON
            i, j, total = i[keep], j[keep], total[keep]
        if not len(i):
            return None
        k = int(np.argmin(total))
        changed = self.apply(
            genome, (int(first.gene[i[k]]), int(first.row[i[k]])),
            (int(second.gene[j[k]]), int(second.row[j[k]])))
        return changed, float(total[k])

    def best_added_compound(self, genome: Genome, cost: float) -> tuple[Genome, float] | None:
        """Fill one empty optional compound in the best way, if that helps.

        Parameters
        ----------
        genome : Genome
        cost : float
            Its full cost.

        Returns
        -------
        tuple of (Genome, float) or None
        """
        place = self.full.place_of_gene
        for k, genes in enumerate(self.space.slot_genes):
            if not self.space.optional[k] or len(genes) < 2 or genome.present[k]:
                continue
            present = genome.present.copy()
            present[k] = True
            filled = replace(genome, present=present)
            a, b = int(genes[0]), int(genes[1])
            w = place[a][0]
            key = BlockKey(first=(a,), second=(b,), ways=(w, w),
                           same_section=place[a] == place[b])
            best: tuple[Genome, float] | None = None
            thirds = (range(len(self.space.options[genes[2]].values)) if len(genes) == 3
                      else [None])
            for row in thirds:
                base = filled if row is None else self.apply(filled, (int(genes[2]), row))
                scans = [Scan(t, base) for t in (*self.bounds, self.full)]
                found = self._best_pair(scans, cost if best is None else best[1], key)
                best = found or best
            if best is not None:
                return best
        return None
