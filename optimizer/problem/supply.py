"""Counts of the stock and limits inside the search: which choices take what is not there.

Only lots that the genes together could exhaust are booked; everything else is as good as
unlimited. When nothing can run short, every question here is answered without any work. What an
option draws on is kept by index, never as a table of options by lots: a shelf of a hundred thousand
lots would need ten thousand million entries.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from optimizer.arrays import Counts, Flags, Index, Real
from optimizer.problem.genome import Genome
from optimizer.problem.limits import NO_LIMITS, Budgets, NetworkLimits
from optimizer.problem.ties import Tie
from optimizer.stock.assign import LotDraws
from optimizer.stock.ledger import Ledger
from optimizer.stock.stock import Stock

if TYPE_CHECKING:
    from optimizer.parts import Part


OVERDRAWN_COST = 1e5
"""Cost of each piece that is not there: no goal can gain as much, not even a hard one."""

_PLENTY = 1 << 40


class PickedRows(Protocol):
    """Alternatives of several genes, one after the other; see `optimizer.problem.scan.Rows`."""

    @property
    def gene(self) -> Index:
        """Gene of each row."""

    @property
    def row(self) -> Index:
        """Alternative of each row; one past the options leaves the slot empty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Draws:
    """What each option of one gene takes from scarce lots, by index: few of the lots serve any one.

    Parameters
    ----------
    lots : ndarray of int, shape (O + 1, T)
        Lots that each option draws on; one past the last lot where it draws on fewer than T. The
        last row, leaving the slot empty, draws on none.
    pieces : ndarray of int, shape (O + 1, T)
        Pieces it takes from each; 0 where there is no lot.
    options, starts : ndarray of int
        The same the other way round: those that draw on lot l are ``options[starts[l]:
        starts[l + 1]]``, by row, so far as they draw on any.
    taken : ndarray of int
        Pieces that each of `options` takes from its lot.
    """

    lots: Index
    pieces: Counts
    options: Index
    taken: Counts
    starts: Index

    @classmethod
    def of(cls, row: Index, lot: Index, pieces: Counts, options: int, lots: int) -> Draws:
        """Arrange triples of option, rising, lot and pieces for so many options and lots."""
        place = np.arange(len(row)) - np.searchsorted(row, row)
        most = int(place.max(initial=0)) + 1
        of_row = np.full((options + 1, most), lots, dtype=np.intp)
        count = np.zeros((options + 1, most), dtype=np.int64)
        of_row[row, place] = lot
        count[row, place] = pieces
        order = np.argsort(lot, kind="stable")
        return cls(
            lots=of_row,
            pieces=count,
            options=row[order],
            taken=pieces[order],
            starts=np.searchsorted(lot[order], np.arange(lots + 2)),
        )

    def on(self, lots: Index) -> tuple[Index, Index]:
        """List what draws on some lots.

        Parameters
        ----------
        lots : ndarray of int, shape (N,)

        Returns
        -------
        ndarray of int, ndarray of int
            Place among `lots`, and place in `options`, of each draw on one of them.
        """
        begin = self.starts[lots]
        count = self.starts[lots + 1] - begin
        place = np.repeat(np.arange(len(lots)), count)
        ends = np.cumsum(count)
        return place, np.arange(len(place)) + np.repeat(begin - ends + count, count)


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
    limits : NetworkLimits
        What a network may have at most: each stands behind the scarce lots as one that many options
        draw on.
    ties : iterable of Tie
        Parts that must agree.
    needed : sequence of bool, length G, optional
        Genes whose slot is never empty.

    Attributes
    ----------
    counted : bool
        Whether anything can run short at all.
    lots : int
        Number L of scarce lots.
    available : ndarray of int, shape (L + B,)
        Pieces of each scarce lot for one speaker, then steps of each limit.
    draws : list of Draws
        What the options of each gene take.
    """

    def __init__(
        self,
        stock: Stock | None,
        options: Sequence[Sequence[Part]],
        gene_slot: Index,
        built: Sequence[int | None] | None = None,
        limits: NetworkLimits = NO_LIMITS,
        ties: Iterable[Tie] = (),
        needed: Sequence[bool] = (),
    ) -> None:
        self.ties = tuple(ties)
        self.budgets = Budgets(limits, options, gene_slot, built, needed)
        ledger = Ledger(Stock() if stock is None else stock)
        found = [ledger.draws(parts if ledger.lots else ()) for parts in options]
        at_hand: Counts = ledger.available
        most = np.zeros_like(at_hand)
        for _, lot, pieces in found:
            largest = np.zeros_like(at_hand)
            np.maximum.at(largest, lot, pieces)
            most += largest
        if built is not None and ledger.lots:
            own = np.zeros_like(at_hand)
            for (row, lot, pieces), choice in zip(found, built, strict=True):
                if choice is not None:
                    own[lot[row == choice]] += pieces[row == choice]
            at_hand = np.maximum(at_hand, own)
        scarce = most > at_hand
        self.gene_slot = gene_slot
        pieces_left = at_hand[scarce]
        self.lots = len(pieces_left)
        self.available: Counts = np.concatenate([pieces_left, self.budgets.available])
        self.counted = bool(scarce.any() or self.budgets or self.ties)
        number = np.cumsum(scarce) - 1
        self.draws = []
        for (row, lot, pieces), parts in zip(found, options, strict=True):
            kept = scarce[lot]
            self.draws.append(
                Draws.of(row[kept], number[lot[kept]], pieces[kept], len(parts), self.lots)
            )
        # One lot more, of which there is always enough, stands for none.
        self._enough = np.append(pieces_left, _PLENTY)

    def taken(self, g: int, rows: Index) -> LotDraws:
        """List what some options of a gene take, see `Ledger.draws`.

        Parameters
        ----------
        g : int
            Gene.
        rows : ndarray of int, shape (N,)
            Its options; one past the last, or -1, for an empty slot.

        Returns
        -------
        place, lot, pieces : ndarray of int
            Place among `rows`, scarce lot, and how many pieces.
        """
        lots = self.draws[g].lots[rows]
        place, t = np.nonzero(lots < self.lots)
        steps = self.budgets.steps[g][:, rows]
        budget, at = np.nonzero(steps)
        return (
            np.concatenate([place, at]),
            np.concatenate([lots[place, t], self.lots + budget]),
            np.concatenate([self.draws[g].pieces[rows[place], t], steps[budget, at]]),
        )

    def frugal(self) -> Index:
        """Choose the option of each gene that takes least of what is limited, in tied pairs, (G,)."""
        budgets = self.budgets
        weight = [budgets.weight @ steps[:, :-1] for steps in budgets.steps]
        choice = np.array([int(np.argmin(w)) for w in weight], dtype=np.intp)
        for tie in self.ties:
            g, h = tie.genes
            both = weight[g][:, None] + weight[h] + OVERDRAWN_COST * tie.excess[:-1, :-1]
            choice[g], choice[h] = np.unravel_index(int(np.argmin(both)), both.shape)
        return choice

    def used(self, genome: Genome, without: Sequence[int] = ()) -> Counts:
        """Return the pieces that a network takes from each lot.

        Parameters
        ----------
        genome : Genome
        without : sequence of int
            Genes that do not count.

        Returns
        -------
        ndarray of int, shape (L + B,)
        """
        total = np.zeros(len(self._enough), dtype=np.int64)
        for g, choice in enumerate(genome.choice):
            if genome.present[self.gene_slot[g]] and g not in without:
                total[self.draws[g].lots[choice]] += self.draws[g].pieces[choice]
        return np.concatenate([total[:-1], self.budgets.used(genome, without)])

    def overdraft(self, genome: Genome) -> float:
        """Return how many pieces a network takes that are not there, and how far it is over limits.

        Returns
        -------
        float
            0.0 when it can be built; see `Budgets.excess` for what limits count.
        """
        return float(self._missing([genome])[0]) if self.counted else 0.0

    def penalty(self, genome: Genome) -> float:
        """Return the cost of the overdraft."""
        return OVERDRAWN_COST * self.overdraft(genome)

    def penalties(self, genomes: Sequence[Genome]) -> Real:
        """Return the cost of the overdraft of several networks, shape (P,)."""
        if not self.counted or not len(genomes):
            return np.zeros(len(genomes))
        return np.asarray(OVERDRAWN_COST * self._missing(genomes))

    def _missing(self, genomes: Sequence[Genome]) -> Real:
        """Count what each of several networks takes and is not there, shape (P,)."""
        filled = np.array([genome.present for genome in genomes])[:, self.gene_slot]
        choice = np.where(filled, np.array([genome.choice for genome in genomes]), -1)
        lots = np.concatenate([d.lots[choice[:, g]] for g, d in enumerate(self.draws)], axis=1)
        pieces = np.concatenate([d.pieces[choice[:, g]] for g, d in enumerate(self.draws)], axis=1)
        # Draws on one lot stand together: what they add up to is seen at the last of them.
        order = np.argsort(lots, axis=1, kind="stable")
        lots = np.take_along_axis(lots, order, axis=1)
        total = np.cumsum(np.take_along_axis(pieces, order, axis=1), axis=1)
        last = np.ones_like(lots, dtype=bool)
        last[:, :-1] = lots[:, :-1] != lots[:, 1:]
        row, at = np.nonzero(last)
        own = total[row, at]
        own[1:] -= np.where(row[1:] == row[:-1], own[:-1], 0)
        over = np.maximum(own - self._enough[lots[row, at]], 0)
        missing: Real = np.bincount(row, weights=over, minlength=len(lots)).astype(np.float64)
        missing += self.budgets.excess(filled, choice)
        for tie in self.ties:
            missing += tie.of(filled, choice)
        return missing

    def fitting(self, g: int, left: Counts) -> Flags:
        """Tell which options of a gene the pieces left over suffice for.

        Parameters
        ----------
        g : int
            Gene.
        left : ndarray of int, shape (L + B,)
            What the other genes leave over.

        Returns
        -------
        ndarray of bool, shape (O + 1,)
            The last entry stands for leaving the slot empty.
        """
        own = self.draws[g]
        # Pieces that other genes overdraw are no fault of this one, yet the whole does not fit.
        if (left < 0).any():
            return np.zeros(len(own.lots), dtype=bool)
        at_hand = np.append(left[: self.lots], _PLENTY)
        fits = (own.pieces <= at_hand[own.lots]).all(axis=-1)
        return np.asarray(fits & (self.budgets.steps[g] <= left[self.lots :, None]).all(axis=0))

    def fitting_singles(self, genome: Genome, rows: PickedRows) -> Flags:
        """Tell which changes of one part leave a network that can be built, shape (N,)."""
        fits = np.ones(len(rows.gene), dtype=bool)
        if not self.counted:
            return fits
        for g in np.unique(rows.gene):
            of_gene = rows.gene == g
            left = self.available - self.used(genome, (int(g),))
            fits[of_gene] = self.fitting(int(g), left)[rows.row[of_gene]]
            for tie in self.ties:
                fits[of_gene] &= self._agreeing(tie, genome, int(g))[rows.row[of_gene]]
        return fits

    def _agreeing(self, tie: Tie, genome: Genome, g: int) -> Flags:
        """Tell which options of a gene leave two tied parts in agreement, shape (O + 1,)."""
        if g in tie.genes:
            other = tie.partner(g)
            fits = tie.beside(g, self._option(genome, other))
        else:
            at = tuple(self._option(genome, h) for h in tie.genes)
            fits = np.full(len(self.draws[g].lots), bool(tie.excess[at] == 0.0))
        if self.gene_slot[g] == tie.slot:
            fits = np.append(fits[:-1], True)
        return fits

    def _option(self, genome: Genome, g: int) -> int:
        """Return the option of a gene in a network, -1 in an empty slot."""
        return int(genome.choice[g]) if genome.present[self.gene_slot[g]] else -1

    def _agreeing_two(
        self, tie: Tie, genome: Genome, g: int, rows: Index, h: int, columns: Index
    ) -> Flags:
        """Tell which alternatives of two genes leave two tied parts in agreement, shape (N, M)."""
        if {g, h} == set(tie.genes):
            return np.asarray(tie.beside(h, rows)[:, columns])
        # Of two changes no more than one touches the tied parts.
        own, other = self._agreeing(tie, genome, g)[rows], self._agreeing(tie, genome, h)[columns]
        if h in tie.genes:
            own = self._emptied(tie, g)[rows]
        elif g in tie.genes:
            other = self._emptied(tie, h)[columns]
        return np.asarray(own[:, None] | other)

    def _emptied(self, tie: Tie, g: int) -> Flags:
        """Tell which options of a gene leave the slot of two tied parts empty, shape (O + 1,)."""
        emptied = np.zeros(len(self.draws[g].lots), dtype=bool)
        emptied[-1] = self.gene_slot[g] == tie.slot
        return emptied

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
        fits = self.fitting(g, left)[rows][:, None] & self.fitting(h, left)[columns]
        # Each alone fits; together they may still ask too much of a lot that both draw on.
        a, c = self.budgets.steps[g][:, rows], self.budgets.steps[h][:, columns]
        for mine, other, rest in zip(a, c, left[self.lots :], strict=True):
            fits &= mine[:, None] + other <= rest
        for tie in self.ties:
            fits &= self._agreeing_two(tie, genome, g, rows, h, columns)
        b = self.draws[h]
        lots = self.draws[g].lots[rows]
        i, t = np.nonzero(lots < self.lots)
        lot, own = lots[i, t], self.draws[g].pieces[rows[i], t]
        place, entry = b.on(lot)
        short = own[place] + b.taken[entry] > left[lot[place]]
        place, option = place[short], b.options[entry[short]]
        # Where the option stands among the columns: they are distinct, and may be in any order.
        order = np.argsort(columns, kind="stable")
        at = np.minimum(np.searchsorted(columns[order], option), len(columns) - 1)
        there = columns[order][at] == option
        fits[i[place[there]], order[at[there]]] = False
        return fits


class Remainder:
    """Pieces that partial choices leave over, without a number for every lot.

    Parameters
    ----------
    supply : Supply

    Notes
    -----
    There is one partial choice at first, of nothing. Each holds the few lots that it draws on, so
    the length of the shelf does not matter.
    """

    def __init__(self, supply: Supply) -> None:
        self.supply = supply
        self.lots: Index = np.empty((1, 0), dtype=np.intp)
        self.pieces: Counts = np.empty((1, 0), dtype=np.int64)
        self.picked: dict[int, Index] = {}
        self.spent: Counts = np.zeros((1, len(supply.budgets.available)), dtype=np.int64)

    def lacking(self, g: int) -> tuple[Index, Index]:
        """List the options of a gene that what is left over does not suffice for.

        Returns
        -------
        ndarray of int, ndarray of int
            Partial choice, and option; some may be told twice.
        """
        draws, enough = self.supply.draws[g], self.supply._enough
        same = self.lots[:, :, None] == self.lots[:, None, :]
        left = enough[self.lots] - (same * self.pieces[:, None, :]).sum(axis=2)
        place, entry = draws.on(self.lots.ravel())
        short = draws.taken[entry] > left.ravel()[place]
        member = place[short] // max(1, self.lots.shape[1])
        never = np.flatnonzero((draws.pieces > enough[draws.lots]).any(axis=1))
        everyone = np.arange(len(self.lots))
        budgets = self.supply.budgets
        rest = budgets.available - self.spent
        dear: Flags = np.any(budgets.steps[g][None] > rest[:, :, None], axis=1)
        for tie in self.supply.ties:
            if g in tie.genes and tie.partner(g) in self.picked:
                dear |= ~tie.beside(g, self.picked[tie.partner(g)])
        over, option = np.nonzero(dear[:, :-1])
        return (
            np.concatenate([member, np.repeat(everyone, len(never)), over]),
            np.concatenate([draws.options[entry[short]], np.tile(never, len(everyone)), option]),
        )

    def take(self, parent: Index, g: int, picks: Index) -> None:
        """Go on from some partial choices, each with an option of one more gene.

        Parameters
        ----------
        parent, picks : ndarray of int, shape (B,)
        """
        draws = self.supply.draws[g]
        self.picked = {h: picks[parent] for h, picks in self.picked.items()} | {g: picks}
        self.spent = self.spent[parent] + self.supply.budgets.steps[g][:, picks].T
        self.lots = np.concatenate([self.lots[parent], draws.lots[picks]], axis=1)
        self.pieces = np.concatenate([self.pieces[parent], draws.pieces[picks]], axis=1)
