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

from optimizer.arrays import Flags
from optimizer.problem.problem import Problem
from optimizer.problem.scan import Block, BlockKey, Rows, Scan
from optimizer.problem.space import Genome, Space
from optimizer.problem.tables import Tables
from optimizer.search.descend.likely import Singles, best_chain, best_likely_pair
from optimizer.search.descend.rounding import choose_anew

_EPSILON = 1e-9  # an improvement below this is rounding
_BOUND_POINTS = (24, 72)
_GATES = (1.3, 1.1, 1.02)  # cost against the best known: above these a descent goes no deeper

MANY_OPTIONS = 700
"""Options of all parts together from which on the likely changes of two parts come first."""


def has_many_options(space: Space) -> bool:
    """Whether there are too many options to go through all pairs of changes at once.

    Parameters
    ----------
    space : Space
    """
    return sum(len(option.values) for option in space.options) > MANY_OPTIONS


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
        self.full = problem.tables
        points = len(problem.frequency_hz)
        self.bounds = [
            Tables(problem.thinned(n, bound=True), self.space)
            for n in _BOUND_POINTS
            if n < points // 2
        ]
        self.evaluations = 0
        self.many = has_many_options(self.space)

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
        return (
            Scan(self.full, genome).cost()
            + self.space.economy(genome)
            + self.space.supply.penalty(genome)
        )

    def best_single(self, genome: Genome, *, structure_only: bool = False) -> tuple[Genome, float]:
        """Return the best network that differs in exactly one part, or the genome itself.

        Parameters
        ----------
        genome : Genome
        structure_only : bool
            Whether only adding and removing parts is tried.
        """
        scans = [Scan(t, genome) for t in (*self.bounds, self.full)]
        economy = self.space.economy(genome)
        supply = self.space.supply
        best, best_cost = genome, scans[-1].cost() + economy + supply.penalty(genome)
        for w, genes in enumerate(scans[-1].genes_of_way):
            if not genes:
                continue
            rows = scans[-1].rows(genes)
            if structure_only:
                rows = rows[self._changes_structure(genome, rows)]
            self.evaluations += len(rows.gene)
            rows = rows[supply.fitting_singles(genome, rows)]
            for scan in scans:
                costs = scan.some_singles(w, rows) + rows.price + economy
                keep = costs < best_cost - _EPSILON
                rows, costs = rows[keep], costs[keep]
            if len(costs):
                k = int(np.argmin(costs))
                best_cost = float(costs[k])
                best = self.apply(genome, (int(rows.gene[k]), int(rows.row[k])))
        return best, best_cost

    def _changes_structure(self, genome: Genome, rows: Rows) -> Flags:
        sizes = np.array([len(o.values) for o in self.space.options])
        leaves = rows.row == sizes[rows.gene]
        return np.asarray(leaves | ~genome.present[self.space.gene_slot[rows.gene]])

    def descend_singles(self, genome: Genome) -> Polished:
        """Make the best change of one part, or turn, until none helps.

        Parameters
        ----------
        genome : Genome
            Start.
        """
        last = np.inf
        while True:
            best, cost = self.best_single(genome)
            if best is not genome and cost < last - _EPSILON:
                genome, last = best, cost
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

    def descend(
        self,
        genome: Genome,
        cost: float,
        *,
        best: float = np.inf,
        chosen: bool = False,
        stop: Callable[[], bool] = lambda: False,
    ) -> Polished:
        """Choose all parts anew, then change single ones, in turn until neither helps.

        Parameters
        ----------
        genome : Genome
            Start.
        cost : float
            Its full cost.
        best : float
            Cost of the best network known; what stays far above it is left half done.
        chosen : bool
            Whether all parts were chosen anew to the end already.
        stop : callable
            Asked now and then; True ends the descent.
        """
        structure_only = True
        while cost < _GATES[0] * best and not stop():
            if not chosen:
                genome, cost, count = choose_anew(self.problem, genome, cost)
                self.evaluations += count
            chosen = False
            if cost > (_GATES[1] if structure_only else _GATES[2]) * best:
                break
            changed, changed_cost = self.best_single(genome, structure_only=structure_only)
            if changed is genome:
                if structure_only:
                    structure_only, chosen = False, True
                    continue
                turned = [(t, self.cost(t)) for t in self.toggles(genome)]
                changed, changed_cost = min(turned, key=lambda x: x[1], default=(genome, cost))
                if changed_cost >= cost - _EPSILON:
                    return Polished(genome=genome, cost=cost, no_better_change_of=1)
            # Alike drivers can make two sums of one network differ by more than rounding: only
            # a cost that truly falls lets the descent end.
            changed_cost = self.cost(changed)
            if changed_cost >= cost - _EPSILON:
                break
            genome, cost = changed, changed_cost
        return Polished(genome=genome, cost=cost, no_better_change_of=0)

    def all_singles(self, genome: Genome) -> Singles:
        """Compute every change of one part of a network, whether or not the pieces suffice."""
        scan = Scan(self.full, genome)
        economy = self.space.economy(genome)
        found = [
            (scan.rows(genes), scan.singles(w))
            for w, genes in enumerate(scan.genes_of_way)
            if genes
        ]
        rows = Rows(
            gene=np.concatenate([r.gene for r, _ in found]),
            row=np.concatenate([r.row for r, _ in found]),
            price=np.concatenate([r.price for r, _ in found]),
        )
        cost = np.concatenate([c for _, c in found]) + rows.price + economy
        self.evaluations += len(cost)
        return Singles(rows=rows, cost=cost)

    def descend_likely(
        self, genome: Genome, cost: float, *, stop: Callable[[], bool] = lambda: False
    ) -> Polished:
        """Make the likely changes of two parts and longer exchanges of pieces, until none helps.

        Parameters
        ----------
        genome : Genome
            Start.
        cost : float
            Its full cost.
        stop : callable
            Asked now and then; True ends the descent.
        """
        proved = 0
        while not stop():
            polished = self.descend(genome, cost, stop=stop)
            genome, cost = polished.genome, polished.cost
            proved = polished.no_better_change_of
            if stop():
                break
            singles = self.all_singles(genome)
            better, count = best_likely_pair(self.problem, genome, cost, singles, stop=stop)
            self.evaluations += count
            if better is None and self.space.supply.counted:
                better, count = best_chain(self.problem, genome, cost, singles)
                self.evaluations += count
            if better is None:
                break
            genome, cost = better
            proved = 0
        return Polished(genome=genome, cost=cost, no_better_change_of=proved)

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
            ``no_better_change_of`` is 2 when every change was ruled out, 1 when time ran out after
            every change of one part was.
        """
        unproved = 0
        if self.many:
            likely = self.descend_likely(genome, cost, stop=stop)
            genome, cost, unproved = likely.genome, likely.cost, likely.no_better_change_of
        while not stop():
            better = self._better(genome, cost, stop)
            if better is None:
                return Polished(
                    genome=genome, cost=cost, no_better_change_of=unproved if stop() else 2
                )
            genome, cost = better
            unproved = 0
        return Polished(genome=genome, cost=cost, no_better_change_of=unproved)

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
            if stop():
                return None
            candidates = [self.best_single(toggled)]
            candidates += [(t, self.cost(t)) for t in self.toggles(toggled)]
            best, best_cost = min(candidates, key=lambda c: c[1])
            if best_cost < cost - _EPSILON:
                return best, best_cost
        return self.best_added_compound(genome, cost, stop=stop)

    def _best_pair(
        self, scans: list[Scan], cost: float, key: BlockKey
    ) -> tuple[Genome, float] | None:
        """Best network of a block, if it is better than `cost`."""
        genome = scans[-1].genome
        first, second = scans[-1].rows(key.first), scans[-1].rows(key.second)
        price = first.price[:, None] + second.price + self.space.economy(genome)
        self.evaluations += price.size
        possible = price < cost  # the price of the parts alone may already rule it out
        if self.space.supply.counted:
            possible &= self.space.supply.fitting_pairs(genome, first, second)
        i, j = np.nonzero(possible)
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
            genome,
            (int(first.gene[i[k]]), int(first.row[i[k]])),
            (int(second.gene[j[k]]), int(second.row[j[k]])),
        )
        return changed, float(total[k])

    def best_added_compound(
        self, genome: Genome, cost: float, *, stop: Callable[[], bool] = lambda: False
    ) -> tuple[Genome, float] | None:
        """Fill one empty optional compound in the best way, if that helps.

        Parameters
        ----------
        genome : Genome
        cost : float
            Its full cost.
        stop : callable
            Asked now and then; True ends the work.

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
            key = BlockKey(first=(a,), second=(b,), ways=(w, w), same_section=place[a] == place[b])
            best: tuple[Genome, float] | None = None
            thirds = range(len(self.space.options[genes[2]].values)) if len(genes) == 3 else [None]
            for row in thirds:
                if stop():
                    return best
                base = filled if row is None else self.apply(filled, (int(genes[2]), row))
                scans = [Scan(t, base) for t in (*self.bounds, self.full)]
                found = self._best_pair(scans, cost if best is None else best[1], key)
                best = found or best
            if best is not None:
                return best
        return None
