"""Immittances and prices of every alternative of every part on one grid."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from optimizer.acoustics.curves import Curves
from optimizer.search.problem import Evaluator
from optimizer.search.space import Genome, Space

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Index = NDArray[np.intp]

BLOCK = 1 << 14
"""Numbers worked on at once: a few such arrays stay in a second-level cache."""


class Tables:
    """Immittances and prices of every alternative of every gene on one grid.

    Parameters
    ----------
    evaluator : Evaluator
        Supplies the grid.
    space : Space
        Supplies the options.

    Notes
    -----
    The alternatives of a gene are its options and, last, leaving it out where it fills an optional
    slot alone.
    """

    def __init__(self, evaluator: Evaluator, space: Space) -> None:
        self.evaluator = evaluator
        self.space = space
        bank = evaluator.bank
        self.impedance: list[Complex] = [
            bank.gene_impedance(g, o.values, o.loss_ohm) for g, o in enumerate(space.options)]
        self.place_of_gene: dict[int, tuple[int, int]] = {}
        self.single: dict[int, Complex] = {}
        self.row_cost: list[Real] = []
        for g, option in enumerate(space.options):
            absent = self.may_be_absent(g)
            self.row_cost.append(np.append(option.cost, space.absent_cost[space.gene_slot[g]])
                                 if absent else option.cost)
        for w, placed in enumerate(bank.ways):
            for k, step in enumerate(placed):
                for g in step.genes:
                    self.place_of_gene[g] = (w, k)
                if len(step.genes) == 1:
                    g = step.genes[0]
                    x = step.section.immittance([self.impedance[g]])
                    if self.may_be_absent(g):
                        x = np.concatenate([x, np.zeros((1, x.shape[-1]), dtype=np.complex128)])
                    self.single[g] = x

    def may_be_absent(self, g: int) -> bool:
        """Whether leaving out gene `g` alone empties an optional slot."""
        slot = self.space.gene_slot[g]
        return bool(self.space.optional[slot]) and len(self.space.slot_genes[slot]) == 1

    def costs(self, choice: Index, present: NDArray[np.bool_], polarity: Real) -> Real:
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
        return np.concatenate([
            self._costs(choice[s:s + block], present[s:s + block], polarity[s:s + block])
            for s in range(0, len(choice), block)])

    def _costs(self, choice: Index, present: NDArray[np.bool_], polarity: Real) -> Real:
        bank = self.evaluator.bank
        shape = (len(choice), len(bank.omega))
        x = np.empty(shape, dtype=np.complex128)
        transfer: list[Complex] = []
        total: Complex | None = None
        for w, placed in enumerate(bank.ways):
            voltage = np.ones(shape, dtype=np.complex128)
            current = np.empty(shape, dtype=np.complex128)
            current[...] = bank.load_admittance[w]
            for step in reversed(placed):
                if len(step.genes) == 1:
                    g = step.genes[0]
                    np.take(self.single[g], choice[:, g], axis=0, out=x, mode="clip")
                else:
                    x[...] = step.section.immittance(
                        [self.impedance[g][choice[:, g]] for g in step.genes])
                filled = present[:, step.slot]
                if not filled.all():
                    x *= filled[:, None]
                # Complex numbers are added as pairs of real ones: numpy does that faster.
                if step.section.place == "series":
                    x *= current
                    voltage.view(np.float64)[...] += x.view(np.float64)
                else:
                    x *= voltage
                    current.view(np.float64)[...] += x.view(np.float64)
            np.reciprocal(voltage, out=voltage)
            current *= voltage
            voltage *= polarity[:, w, None]
            transfer.append(voltage)
            total = current if total is None else total + current
        assert total is not None
        return self.evaluator.cost_of_curves(Curves(self.evaluator.field, transfer, total))

    def row_of(self, genome: Genome, g: int) -> int:
        """Row of a genome's present choice among the alternatives of gene `g`."""
        if genome.present[self.space.gene_slot[g]]:
            return int(genome.choice[g])
        return len(self.space.options[g].values)

    def scannable(self, genome: Genome) -> list[int]:
        """Free genes in filled slots, and single parts that may be added."""
        return [int(g) for g in self.space.free_genes
                if genome.present[self.space.gene_slot[g]] or self.may_be_absent(int(g))]
