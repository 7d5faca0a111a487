"""What every network of a space obeys: its pieces are there, and of each choice one is built.

The one home of the question whether a network is one that can be built: every search, proof and
proposal asks here. Where nothing can run short and nothing is to be chosen, no work is done.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from optimizer.arrays import Flags, Index, Real
from optimizer.problem.alternatives import Alternatives
from optimizer.problem.genome import Genome
from optimizer.problem.supply import OVERDRAWN_COST, PickedRows, Supply


class Rules:
    """Counts of pieces, and alternatives.

    Parameters
    ----------
    supply : Supply
    alternatives : Alternatives
    gene_slot : ndarray of int, shape (G,)
        Slot of each gene.
    sizes : sequence of int, length G
        Options of each gene.

    Attributes
    ----------
    limited : bool
        Whether any network can break a rule at all.
    """

    def __init__(
        self, supply: Supply, alternatives: Alternatives, gene_slot: Index, sizes: Sequence[int]
    ) -> None:
        self.supply = supply
        self.alternatives = alternatives
        self.gene_slot = gene_slot
        self.sizes: Index = np.array(sizes, dtype=np.intp)
        self.limited = supply.counted or bool(alternatives)

    def breaches(self, genome: Genome) -> float:
        """Count the pieces that are not there and the choices that are mixed; 0.0 for none."""
        mixed = float(self.alternatives.mixed(genome.present)) if self.alternatives else 0.0
        return self.supply.overdraft(genome) + mixed

    def penalty(self, genome: Genome) -> float:
        """Return what breaches cost: more than any goal can gain."""
        return OVERDRAWN_COST * self.breaches(genome)

    def penalties(self, genomes: Sequence[Genome]) -> Real:
        """Return what breaches of several networks cost, shape (P,)."""
        costs = self.supply.penalties(genomes)
        if self.alternatives and len(genomes):
            mixed = self.alternatives.mixed(np.array([genome.present for genome in genomes]))
            costs = costs + OVERDRAWN_COST * mixed
        return costs

    def least_penalties(self, filled: Flags) -> Real:
        """Return what breaking limits costs whatever parts are chosen, shape (P,).

        Parameters
        ----------
        filled : ndarray of bool, shape (P, G)
        """
        budgets = self.supply.budgets
        if not budgets:
            return np.zeros(len(filled))
        return np.asarray(OVERDRAWN_COST * budgets.least_excess(filled))

    def fitting_singles(self, genome: Genome, rows: PickedRows) -> Flags:
        """Tell which changes of one part leave a network that can be built, shape (N,)."""
        fits = self.supply.fitting_singles(genome, rows)
        if self.alternatives:
            state = self._state(rows.gene, rows.row)
            fits = fits & self.alternatives.allowed(genome.present)[state, state]
        return fits

    def fitting_pairs(self, genome: Genome, first: PickedRows, second: PickedRows) -> Flags:
        """Tell which changes of two parts leave a network that can be built, shape (N, M).

        Parameters are those of `Supply.fitting_pairs`.
        """
        fits = self.supply.fitting_pairs(genome, first, second)
        if self.alternatives:
            rows = self._state(first.gene, first.row)
            columns = self._state(second.gene, second.row)
            fits = fits & self.alternatives.allowed(genome.present)[np.ix_(rows, columns)]
        return fits

    def fitting_two(self, genome: Genome, g: int, rows: Index, h: int, columns: Index) -> Flags:
        """Tell which alternatives of two genes leave a network that can be built, shape (N, M).

        Parameters are those of `Supply.fitting_two`.
        """
        fits: Flags = np.ones((len(rows), len(columns)), dtype=bool)
        if self.supply.counted:
            fits = self.supply.fitting_two(genome, g, rows, h, columns)
        if self.alternatives:
            a, b = (self._state(np.array([x]), y) for x, y in ((g, rows), (h, columns)))
            fits = fits & self.alternatives.allowed(genome.present)[np.ix_(a, b)]
        return fits

    def _state(self, gene: Index, row: Index) -> Index:
        """Say by number what each row does to its slot, see `Alternatives.allowed`."""
        return np.asarray(2 * self.gene_slot[gene] + (row < self.sizes[gene]))
