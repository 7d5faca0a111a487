"""Immittances and prices of every alternative of every part on one grid."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from optimizer.acoustics.curves import Curves
from optimizer.arrays import Complex, Flags, Index, Real
from optimizer.network.expression.options import OptionTables
from optimizer.problem.evaluator import Evaluator
from optimizer.problem.genome import Genome
from optimizer.problem.space import Space

BLOCK = 1 << 14
"""Numbers worked on at once: a few such arrays stay in a second-level cache."""

PAIRS_AT_ONCE = 1 << 17
"""Pairs of alternatives up to which two areas are scanned in one go, which nothing interrupts."""

MOST_PAIRS = 1 << 18
"""Pairs of alternatives of which a block may hold all; larger ones are cut into tiles."""

MOST_NUMBERS = 1 << 19
"""Numbers of one curve of all alternatives of an area that are kept; of more, some at a time."""


class Tables:
    """Immittances and prices of every alternative of every gene on one grid.

    Parameters
    ----------
    evaluator : Evaluator
        Supplies the grid.
    space : Space
        Supplies the options.

    Attributes
    ----------
    lookup : OptionTables
        Immittances of the options.
    areas : tuple of tuple of int
        Ways that a part may move, in sets that have none in common: those of one branch where the
        amplifier is ideal, else all of them.
    area_of_gene, port_of_gene : list of int
        Area of each gene, and the port of the plan that it belongs to.
    row_cost : list of ndarray
        Cost of each alternative of each gene.

    Notes
    -----
    The alternatives of a gene are its options and, last, leaving it out where it fills an optional
    slot alone.
    """

    def __init__(self, evaluator: Evaluator, space: Space) -> None:
        self.evaluator = evaluator
        self.space = space
        bank = evaluator.bank.solver
        options = space.options
        self.lookup = OptionTables(bank, [o.values for o in options], [o.loss_ohm for o in options])
        self.areas = bank.independent
        self.port_of_gene = [int(p) for p in bank.plan.port_of_leaf]
        area = {w: a for a, ways in enumerate(self.areas) for w in ways}
        self.area_of_gene = [area[evaluator.bank.way_of_ladder[g.ladder]] for g in space.genes]
        self.row_cost: list[Real] = [
            np.append(option.cost, space.absent_cost[space.gene_slot[g]])
            if self.may_be_absent(g)
            else option.cost
            for g, option in enumerate(options)
        ]
        self._alone = [len(bank.plan.ports[p].branch.leaves) == 1 for p in self.port_of_gene]

    def may_be_absent(self, g: int) -> bool:
        """Whether leaving out gene `g` alone empties an optional slot."""
        slot = self.space.gene_slot[g]
        return bool(self.space.optional[slot]) and len(self.space.slot_genes[slot]) == 1

    def immittances(self, genome: Genome) -> list[Complex | None]:
        """Immittance of every port of a network, None where nothing is there, each (F,)."""
        mask = self.lookup.plan.mask(genome.present)
        found: list[Complex | None] = []
        for p, port in enumerate(self.lookup.plan.ports):
            g = port.branch.leaves[0]
            if self._alone[g]:
                found.append(self.lookup.alone(p, genome.choice[g]) if mask[g] else None)
            else:
                found.append(self.lookup.immittance(p, genome.choice, mask))
        return found

    def alternatives(self, genome: Genome, rows: Mapping[int, Index | slice]) -> Complex:
        """Immittance of a port for alternatives of some of its genes.

        Parameters
        ----------
        genome : Genome
            Gives the other parts of the port.
        rows : dict of int to index
            Alternatives of each gene, see `OptionTables.alternatives`.

        Returns
        -------
        ndarray, shape (..., F)
            ohm in the line, siemens across it; 0 for nothing there.
        """
        (g, row), *more = rows.items()
        if not more and self._alone[g]:
            if isinstance(row, slice):
                row = slice(*row.indices(len(self.row_cost[g])))
            return self.lookup.alone(self.port_of_gene[g], row)
        return self.lookup.alternatives(self.port_of_gene[g], rows, genome.choice, genome.present)

    def costs(self, choice: Index, present: Flags, polarity: Real) -> Real:
        """Costs of buildable networks, without economy: options are looked up, not computed.

        Parameters
        ----------
        choice : ndarray of int, shape (P, G)
        present : ndarray of bool, shape (P, K)
        polarity : ndarray, shape (P, W)

        Returns
        -------
        ndarray, shape (P,)
        """
        block = max(1, BLOCK // len(self.evaluator.bank.omega))
        return np.concatenate(
            [
                self._costs(choice[s : s + block], present[s : s + block], polarity[s : s + block])
                for s in range(0, len(choice), block)
            ]
        )

    def _costs(self, choice: Index, present: Flags, polarity: Real) -> Real:
        solved = self.lookup.solve(choice, present, polarity)
        return self.evaluator.cost_of_curves(
            Curves(self.evaluator.field, solved.transfer, solved.admittance)
        )

    def portions(self, genes: Sequence[int], others: Sequence[int]) -> list[tuple[int, ...]]:
        """Split genes, so that all their alternatives with all of the others' stay few.

        Parameters
        ----------
        genes, others : sequence of int
        """
        beside = sum(len(self.row_cost[h]) for h in others)
        portions: list[tuple[int, ...]] = []
        size = PAIRS_AT_ONCE
        for g in genes if beside else ():
            own = len(self.row_cost[g]) * beside
            if size + own > PAIRS_AT_ONCE:
                portions.append(())
                size = 0
            portions[-1] += (g,)
            size += own
        return portions

    def row_of(self, genome: Genome, g: int) -> int:
        """Row of a genome's present choice among the alternatives of gene `g`."""
        if genome.present[self.space.gene_slot[g]]:
            return int(genome.choice[g])
        return len(self.space.options[g].values)

    def scannable(self, genome: Genome) -> list[int]:
        """Free genes in filled slots, and single parts that may be added."""
        return [
            int(g)
            for g in self.space.free_genes
            if genome.present[self.space.gene_slot[g]] or self.may_be_absent(int(g))
        ]
