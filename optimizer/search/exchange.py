"""Exchange of parts until no change of one or two of them helps, with proof.

A change is: another value for one part, an optional single part added or removed, an optional
compound removed, or the polarity of a free way turned. All pairs of changes are covered; a compound
may also be added as a whole. Pairs are first bounded from below on a few frequencies: a goal is the
norm of its residuals, and leaving residuals out can only make it smaller, so what the bound
already rules out need not be computed in full.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from optimizer.search.problem import Problem
from optimizer.search.scan import Scan, Tables
from optimizer.search.space import Genome

Real = NDArray[np.float64]

_EPSILON = 1e-9  # an improvement below this is rounding
_BOUND_POINTS = (24, 72)


@dataclass(slots=True)
class Tally:
    """Counts of the work done."""

    evaluations: int = 0
    bounded: int = 0
    pairs: int = 0
    surviving: list[int] = field(default_factory=lambda: [0, 0, 0])


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
        The problem; tables of all options are prepared once.
    """

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.space = problem.space
        self.full = Tables(problem.evaluator, self.space)
        points = len(problem.frequency_hz)
        self.bounds = [Tables(problem.thinned(n, bound=True), self.space)
                       for n in _BOUND_POINTS if n < points // 2]
        self.tally = Tally()

    def option_costs(self, g: int) -> Real:
        """Cost of each alternative of a gene, leaving it out last where that is allowed."""
        cost = self.space.options[g].cost
        return np.append(cost, 0.0) if self.full.may_be_absent(g) else cost

    def current(self, genome: Genome, g: int) -> int:
        """Row of the present choice among a gene's alternatives."""
        if genome.present[self.space.gene_slot[g]]:
            return int(genome.choice[g])
        return len(self.space.options[g].values)

    def apply(self, genome: Genome, g: int, row: int) -> Genome:
        """Return the genome with gene `g` set to one of its alternatives."""
        slot = self.space.gene_slot[g]
        present = genome.present.copy()
        choice = genome.choice.copy()
        if row >= len(self.space.options[g].values):
            present[slot] = False
        else:
            present[slot] = True
            choice[g] = row
        return replace(genome, choice=choice, present=present)

    def scannable(self, genome: Genome) -> list[int]:
        """Genes whose alternatives are changes of one part."""
        return [int(g) for g in self.space.free_genes
                if genome.present[self.space.gene_slot[g]] or self.full.may_be_absent(int(g))]

    def cost(self, genome: Genome) -> float:
        """Full cost of a genome."""
        self.tally.evaluations += 1
        return Scan(self.full, genome).cost() + self.space.economy(genome)

    def best_single(self, genome: Genome) -> tuple[Genome, float]:
        """Return the best network that differs in at most one part."""
        scan = Scan(self.full, genome)
        economy = self.space.economy(genome)
        best, best_cost = genome, np.inf
        for g in self.scannable(genome):
            own = self.option_costs(g)
            costs = scan.one(g) + own + (economy - own[self.current(genome, g)])
            self.tally.evaluations += len(costs)
            row = int(np.argmin(costs))
            if costs[row] < best_cost - _EPSILON:
                best, best_cost = self.apply(genome, g, row), float(costs[row])
        return best, best_cost

    def descend_singles(self, genome: Genome, *, sweeps: int = 40) -> Polished:
        """Change one part after the other to its best value until nothing helps.

        Parameters
        ----------
        genome : Genome
            Start.
        sweeps : int
            Upper limit of rounds over all genes.
        """
        cost = self.cost(genome)
        for _ in range(sweeps):
            before = cost
            for g in self.scannable(genome):
                if g not in self.scannable(genome):
                    continue
                scan = Scan(self.full, genome)
                own = self.option_costs(g)
                now = self.current(genome, g)
                costs = scan.one(g) + own + (self.space.economy(genome) - own[now])
                self.tally.evaluations += len(costs)
                row = int(np.argmin(costs))
                if costs[row] < cost - _EPSILON:
                    genome, cost = self.apply(genome, g, row), float(costs[row])
            for toggled in self.toggles(genome):
                changed = self.cost(toggled)
                if changed < cost - _EPSILON:
                    genome, cost = toggled, changed
            if cost > before - _EPSILON:
                break
        return Polished(genome=genome, cost=cost, no_better_change_of=0)

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
        self,
        genome: Genome,
        cost: float,
        *,
        reach: int | None = None,
        stop: Callable[[], bool] = lambda: False,
    ) -> Polished:
        """Change two parts at a time until no change of one or two helps.

        Parameters
        ----------
        genome : Genome
            Start.
        cost : float
            Its full cost.
        reach : int, optional
            Look only this many steps of the stock to either side: quick, without certificate.
        stop : callable
            Asked now and then; True ends the descent without the certificate.

        Returns
        -------
        Polished
            ``no_better_change_of`` is 2 when every change was ruled out.
        """
        while True:
            better = self._better_pair(genome, cost, reach, stop)
            if better is None:
                proven = reach is None and not stop()
                return Polished(genome=genome, cost=cost,
                                no_better_change_of=2 if proven else 0)
            genome, cost = better

    def _better_pair(
        self, genome: Genome, cost: float, reach: int | None, stop: Callable[[], bool]
    ) -> tuple[Genome, float] | None:
        """Go through all changes once, taking every improvement; None when there was none."""
        start = cost
        for toggled in self.toggles(genome):
            candidates = [(toggled, self.cost(toggled)), self.best_single(toggled)]
            candidates += [(t, self.cost(t)) for t in self.toggles(toggled)]
            best, best_cost = min(candidates, key=lambda c: c[1])
            if best_cost < cost - _EPSILON:
                return best, best_cost
        added = None if reach is not None else self.best_added_compound(genome, cost)
        if added is not None:
            return added
        genes = self.scannable(genome)
        scans: list[Scan] | None = None
        for a, g in enumerate(genes):
            for h in genes[a + 1:]:
                if stop():
                    return None if cost == start else (genome, cost)
                if scans is None:
                    scans = [Scan(t, genome) for t in (*self.bounds, self.full)]
                found = self._pair(scans, genome, cost, g, h, reach)
                if found is not None:
                    genome, cost = found
                    scans = None
                    if self.scannable(genome) != genes:
                        return genome, cost
        return None if cost == start else (genome, cost)

    def _pair(
        self,
        scans: list[Scan],
        genome: Genome,
        cost: float,
        g: int,
        h: int,
        reach: int | None = None,
    ) -> tuple[Genome, float] | None:
        own_g, own_h = self.option_costs(g), self.option_costs(h)
        economy = (self.space.economy(genome) - own_g[self.current(genome, g)]
                   - own_h[self.current(genome, h)])
        price = own_g[:, None] + own_h[None, :] + economy
        self.tally.pairs += 1
        allowed = price < cost  # the price of the parts alone may already rule it out
        if reach is not None:
            allowed &= (self._near(genome, g, reach)[:, None]
                        & self._near(genome, h, reach)[None, :])
        i, j = np.nonzero(allowed)
        self.tally.evaluations += len(i)
        total = price[i, j]
        first = True
        for level, scan in enumerate(scans):
            if not len(i):
                return None
            pair = scan.two(g, h)
            if first and len(i) == price.size:
                total = pair.all()[i, j] + price[i, j]
            else:
                total = pair.some(i, j) + price[i, j]
            first = False
            keep = total < cost - _EPSILON
            i, j, total = i[keep], j[keep], total[keep]
            self.tally.surviving[level] += len(i)
        if not len(i):
            return None
        best = int(np.argmin(total))
        changed = self.apply(self.apply(genome, g, int(i[best])), h, int(j[best]))
        return changed, float(total[best])

    def _near(self, genome: Genome, g: int, reach: int) -> NDArray[np.bool_]:
        """Alternatives within `reach` steps of the present one; leaving out is always near."""
        rows = np.arange(len(self.option_costs(g)))
        options = len(self.space.options[g].values)
        return (np.abs(rows - genome.choice[g]) <= reach) | (rows == options)

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
        for k, genes in enumerate(self.space.slot_genes):
            if not self.space.optional[k] or len(genes) < 2 or genome.present[k]:
                continue
            present = genome.present.copy()
            present[k] = True
            filled = replace(genome, present=present)
            best: tuple[Genome, float] | None = None
            last = self.space.options[genes[-1]] if len(genes) == 3 else None
            rows = range(len(last.values)) if last is not None else [None]
            for row in rows:
                base = filled if row is None else self.apply(filled, int(genes[2]), row)
                scans = [Scan(t, base) for t in (*self.bounds, self.full)]
                limit = cost if best is None else best[1]
                found = self._pair(scans, base, limit, int(genes[0]), int(genes[1]))
                if found is not None and found[1] < limit - _EPSILON:
                    best = found
            if best is not None:
                return best
        return None
