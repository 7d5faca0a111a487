"""Counts of the stock inside the search: which choices take a piece that is not there.

Only lots that the genes together could exhaust are booked; everything else is as good as
unlimited. When nothing can run short, every question here is answered without any work.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Protocol

import numpy as np

from optimizer.arrays import Counts, Flags, Index, Real
from optimizer.problem.genome import Genome
from optimizer.stock.ledger import Ledger
from optimizer.stock.stock import Stock

if TYPE_CHECKING:
    from optimizer.parts import Part


OVERDRAWN_COST = 1e5
"""Cost of each piece that is not there: no goal can gain as much, not even a hard one."""


class PickedRows(Protocol):
    """Alternatives of several genes, one after the other; see `optimizer.problem.scan.Rows`."""

    @property
    def gene(self) -> Index:
        """Gene of each row."""

    @property
    def row(self) -> Index:
        """Alternative of each row; one past the options leaves the slot empty."""


class Supply:
    """What every option of every gene takes from the counted lots of a stock.

    Parameters
    ----------
    stock : Stock or None
        Its counts and its number of speakers; None when everything can be had in any number.
    options : sequence of sequence of Part
        Options of each gene.
    gene_slot : ndarray of int, shape (G,)
        Slot of each gene.
    built : sequence of int or None, length G, optional
        Option of each gene in a network that stands on the bench, None in its empty slots: the
        pieces it is made of are at hand, whatever the counts say.

    Attributes
    ----------
    counted : bool
        Whether anything can run short at all.
    available : ndarray of int, shape (L,)
        Pieces of each scarce lot for one speaker.
    usage : list of ndarray of int, each shape (O + 1, L)
        Pieces that each option takes; the last row, leaving the slot empty, takes none.
    """

    def __init__(
        self,
        stock: Stock | None,
        options: Sequence[Sequence[Part]],
        gene_slot: Index,
        built: Sequence[int | None] | None = None,
    ) -> None:
        ledger = Ledger(Stock() if stock is None else stock)
        usage = [
            ledger.usage_matrix(parts if ledger.lots else ()).astype(np.int64) for parts in options
        ]
        most = sum(
            (u.max(axis=0, initial=0) for u in usage), np.zeros(len(ledger.lots), dtype=np.int64)
        )
        at_hand = ledger.available
        if built is not None and ledger.lots:
            own = [u[row] for u, row in zip(usage, built, strict=True) if row is not None]
            at_hand = np.maximum(at_hand, sum(own, np.zeros_like(most)))
        scarce = most > at_hand
        self.gene_slot = gene_slot
        self.lots = tuple(lot for lot, s in zip(ledger.lots, scarce, strict=True) if s)
        self.available: Counts = at_hand[scarce]
        self.counted = bool(scarce.any())
        self.usage: list[Counts] = [
            np.vstack([u[:, scarce], np.zeros((1, len(self.available)), dtype=np.int64)])
            for u in usage
        ]
        self._own = [u.any(axis=0) for u in self.usage]  # lots that a gene can draw on at all

    def used(self, genome: Genome, without: Sequence[int] = ()) -> Counts:
        """Return the pieces that a network takes from each lot.

        Parameters
        ----------
        genome : Genome
        without : sequence of int
            Genes that do not count.

        Returns
        -------
        ndarray of int, shape (L,)
        """
        total = np.zeros(len(self.available), dtype=np.int64)
        for g, choice in enumerate(genome.choice):
            if genome.present[self.gene_slot[g]] and g not in without:
                total += self.usage[g][choice]
        return total

    def overdraft(self, genome: Genome) -> float:
        """Return how many pieces a network takes that are not there; 0.0 when it can be built."""
        if not self.counted:
            return 0.0
        return float(np.maximum(self.used(genome) - self.available, 0).sum())

    def penalty(self, genome: Genome) -> float:
        """Return the cost of the overdraft."""
        return OVERDRAWN_COST * self.overdraft(genome)

    def penalties(self, genomes: Sequence[Genome]) -> Real:
        """Return the cost of the overdraft of several networks, shape (P,)."""
        if not self.counted:
            return np.zeros(len(genomes))
        filled = np.array([genome.present for genome in genomes])[:, self.gene_slot]
        choice = np.where(filled, np.array([genome.choice for genome in genomes]), -1)
        used = sum(
            (u[choice[:, g]] for g, u in enumerate(self.usage)),
            np.zeros(len(self.available), dtype=np.int64),
        )
        missing = np.maximum(used - self.available, 0).sum(axis=1)
        return np.asarray(OVERDRAWN_COST * missing)

    def fitting(self, g: int, left: Counts) -> Flags:
        """Tell which options of a gene the pieces left over suffice for.

        Parameters
        ----------
        g : int
            Gene.
        left : ndarray of int, shape (..., L)
            Pieces left over by the other genes.

        Returns
        -------
        ndarray of bool, shape (..., O + 1)
            The last entry stands for leaving the slot empty.
        """
        own = self._own[g]
        enough = (self.usage[g][:, own] <= left[..., None, own]).all(axis=-1)
        if own.all():
            return np.asarray(enough)
        # Pieces that other genes overdraw are no fault of this one, yet the whole does not fit.
        others = np.asarray((left[..., ~own] >= 0).all(axis=-1))
        return np.asarray(enough & others[..., None])

    def fitting_singles(self, genome: Genome, rows: PickedRows) -> Flags:
        """Tell which changes of one part leave a network that can be built, shape (N,)."""
        fits = np.ones(len(rows.gene), dtype=bool)
        if not self.counted:
            return fits
        for g in np.unique(rows.gene):
            of_gene = rows.gene == g
            left = self.available - self.used(genome, (int(g),))
            fits[of_gene] = self.fitting(int(g), left)[rows.row[of_gene]]
        return fits

    def fitting_pairs(self, genome: Genome, first: PickedRows, second: PickedRows) -> Flags:
        """Tell which changes of two parts at once leave a network that can be built.

        Parameters
        ----------
        genome : Genome
            The network that changes.
        first, second : Rows
            Alternatives of the two axes; no gene is on both.

        Returns
        -------
        ndarray of bool, shape (N, M)
        """
        fits = np.ones((len(first.gene), len(second.gene)), dtype=bool)
        if not self.counted:
            return fits
        for g in np.unique(first.gene):
            rows = np.flatnonzero(first.gene == g)
            for h in np.unique(second.gene):
                columns = np.flatnonzero(second.gene == h)
                fits[np.ix_(rows, columns)] = self.fitting_two(
                    genome, int(g), first.row[rows], int(h), second.row[columns]
                )
        return fits

    def fitting_two(self, genome: Genome, g: int, rows: Index, h: int, columns: Index) -> Flags:
        """Tell which alternatives of two genes leave a network that can be built.

        Parameters
        ----------
        genome : Genome
            The network that changes.
        g, h : int
            The two genes.
        rows, columns : ndarray of int, shapes (N,) and (M,)
            Their alternatives.

        Returns
        -------
        ndarray of bool, shape (N, M)
        """
        left = self.available - self.used(genome, (g, h))
        a, b = self.usage[g][rows], self.usage[h][columns]
        fits = self.fitting(g, left)[rows][:, None] & self.fitting(h, left)[columns]
        # Each alone fits; together they may still ask too much of a lot that both draw on.
        both = self._own[g] & self._own[h]
        for lot in np.flatnonzero(both & (a.max(axis=0) + b.max(axis=0) > left)):
            i, j = np.flatnonzero(a[:, lot]), np.flatnonzero(b[:, lot])
            fits[np.ix_(i, j)] &= a[i, lot][:, None] + b[j, lot] <= left[lot]
        return fits
