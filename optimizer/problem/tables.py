"""Immittances and prices of every alternative of every part on one grid."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from optimizer.acoustics.curves import Curves
from optimizer.arrays import Complex, Flags, Index, Real
from optimizer.errors import InputError
from optimizer.network.bank import PlacedSection
from optimizer.problem.evaluator import Evaluator
from optimizer.problem.genome import Genome
from optimizer.problem.space import Space

BLOCK = 1 << 14
"""Numbers worked on at once: a few such arrays stay in a second-level cache."""

JOINT_ROWS = 1 << 11
"""Combinations of a compound's parts up to which all of them are computed beforehand."""

PAIRS_AT_ONCE = 1 << 17
"""Pairs of alternatives up to which two ways are scanned in one go, which nothing interrupts."""


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
        if bank.topology.groups or bank.topology.source.ohm:
            raise InputError("a search is for ways that are independent of each other")
        self.impedance: list[Complex] = [
            bank.gene_impedance(g, o.values, o.loss_ohm) for g, o in enumerate(space.options)
        ]
        self.place_of_gene: dict[int, tuple[int, int]] = {}
        self.single: dict[int, Complex] = {}
        self.row_cost: list[Real] = []
        for g, option in enumerate(space.options):
            absent = self.may_be_absent(g)
            self.row_cost.append(
                np.append(option.cost, space.absent_cost[space.gene_slot[g]])
                if absent
                else option.cost
            )
        self.filling: dict[tuple[int, int], Complex] = {}
        for w, placed in enumerate(bank.ladders):
            for k, step in enumerate(placed):
                for g in step.genes:
                    self.place_of_gene[g] = (w, k)
                rows = self._fillings(step)
                if rows is None:
                    continue
                self.filling[w, k] = rows
                if len(step.genes) == 1:
                    g = step.genes[0]
                    self.single[g] = rows if self.may_be_absent(g) else rows[:-1]
        self.start = [self._start(w) for w in range(len(bank.ladders))]

    def _fillings(self, step: PlacedSection) -> Complex | None:
        """Immittances of every combination of a step's parts and, last, of nothing at all."""
        counts = [len(self.space.options[g].values) for g in step.genes]
        if len(counts) > 1 and math.prod(counts) > JOINT_ROWS:
            return None
        points = len(self.evaluator.bank.omega)
        rows = np.zeros((math.prod(counts) + 1, points), dtype=np.complex128)
        picked = np.unravel_index(np.arange(len(rows) - 1), counts)
        rows[:-1] = step.section.immittance(
            [self.impedance[g][i] for g, i in zip(step.genes, picked, strict=True)]
        )
        return rows

    def _start(self, w: int) -> tuple[int, Complex, Complex]:
        """Compute the step next to the driver: steps left, voltage and current, each turned or not.

        A start of one row for either polarity does not depend on that step.
        """
        bank = self.evaluator.bank
        voltage = np.ones((1, len(bank.omega)), dtype=np.complex128)
        current = bank.load_admittance[w][None]
        left = len(bank.ladders[w])
        if left:
            rows = self.filling.get((w, left - 1))
            if rows is not None and len(rows) <= JOINT_ROWS:
                left -= 1
                if bank.ladders[w][left].section.place == "series":
                    voltage = voltage + rows * current
                else:
                    current = current + rows
        return left, np.concatenate([voltage, -voltage]), np.concatenate([current, -current])

    def may_be_absent(self, g: int) -> bool:
        """Whether leaving out gene `g` alone empties an optional slot."""
        slot = self.space.gene_slot[g]
        return bool(self.space.optional[slot]) and len(self.space.slot_genes[slot]) == 1

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
        bank = self.evaluator.bank
        shape = (len(choice), len(bank.omega))
        x = np.empty(shape, dtype=np.complex128)
        inverse = np.zeros(shape, dtype=np.complex128)
        transfer: list[Complex] = []
        total: Complex | None = None
        for w, placed in enumerate(bank.ladders):
            # Voltage and current scale together, so a turned driver starts from -1 V.
            turned = polarity[:, w] < 0.0
            left, *starts = self.start[w]
            near = self._rows(placed[left], choice, present) if left < len(placed) else 0
            voltage, current = (
                table.take(turned * (len(table) // 2) + (near if len(table) > 2 else 0), axis=0)
                for table in starts
            )
            for k in reversed(range(left)):
                step = placed[k]
                self._take(w, k, step, choice, present, out=x)
                # Complex numbers are added as pairs of real ones: numpy does that faster.
                if step.section.place == "series":
                    x *= current
                    voltage.view(np.float64)[...] += x.view(np.float64)
                else:
                    x *= voltage
                    current.view(np.float64)[...] += x.view(np.float64)
            # 1/v as conj(v)/|v|^2: numpy's complex division takes twice as long.
            np.conjugate(voltage, out=x)
            voltage *= x
            np.divide(1.0, voltage.real, out=inverse.real)
            np.multiply(x, inverse, out=voltage)
            current *= voltage
            transfer.append(voltage)
            if total is None:
                total = current
            else:
                total += current
        assert total is not None
        return self.evaluator.cost_of_curves(Curves(self.evaluator.field, transfer, total))

    def _take(
        self,
        w: int,
        k: int,
        step: PlacedSection,
        choice: Index,
        present: Flags,
        *,
        out: Complex,
    ) -> None:
        """Look up a step's immittance for each network, or compute it from its parts'."""
        table = self.filling.get((w, k))
        if table is None:
            out[...] = step.section.immittance(
                [self.impedance[g][choice[:, g]] for g in step.genes]
            )
            out *= present[:, step.slot, None]
        else:
            np.take(table, self._rows(step, choice, present), axis=0, out=out, mode="clip")

    def _rows(self, step: PlacedSection, choice: Index, present: Flags) -> Index:
        """Rows of `filling` for each network."""
        row, count = choice[:, step.genes[0]], len(self.space.options[step.genes[0]].values)
        for g in step.genes[1:]:
            own = len(self.space.options[g].values)
            row, count = row * own + choice[:, g], count * own
        return np.where(present[:, step.slot], row, count)

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
