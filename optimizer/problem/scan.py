"""Exact costs of every change of one or two parts of a network, without solving it again.

Every voltage and current is a ratio of functions that are linear in the immittance of one branch
and bilinear in those of two (`optimizer.network.expression.scan`), so the network is walked once
and every alternative from the stock then costs a few operations per frequency. Alternatives are
handled in blocks: all those of one area (what a change can act on, see `Tables`), or one part's
against all later parts' of its area.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from optimizer.acoustics.curves import Curves
from optimizer.arrays import Complex, Flags, Index, Real
from optimizer.network.expression.scan import Drives, Moebius, NetworkScan
from optimizer.problem.genome import Genome
from optimizer.problem.tables import BLOCK, MOST_NUMBERS, MOST_PAIRS, PAIRS_AT_ONCE, Tables

Drive = tuple[Drives, Complex]
"""Transfer of each way that moves, and input admittance of the whole."""


_TILE = 512  # least columns of a tile: a row of them at a time stays in cache

Window = tuple[int, int]
"""Alternatives from one up to another, of those of several genes one after the other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """Alternatives of several genes, one after the other.

    Parameters
    ----------
    gene, row : ndarray of int, shape (N,)
        Gene and its alternative.
    price : ndarray, shape (N,)
        Change of the cost of parts.
    """

    gene: Index
    row: Index
    price: Real

    def change(self, k: int | np.integer[Any]) -> tuple[int, int]:
        """Gene and alternative of one row."""
        return int(self.gene[k]), int(self.row[k])

    def __getitem__(self, index: Index | Flags | slice) -> Rows:
        return Rows(gene=self.gene[index], row=self.row[index], price=self.price[index])


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockKey:
    """Names a block of pairs: two areas, one gene against later ones of its area, or one branch.

    Parameters
    ----------
    first : tuple of int
        Genes of the first axis.
    second : tuple of int
        Genes of the second axis.
    areas : tuple of int
        Areas of the two axes.
    one_port : bool
        Whether both genes belong to one branch of parts.
    rows, columns : (int, int), optional
        Which of the alternatives of the two axes, from one up to another; all where left out.
    """

    first: tuple[int, ...]
    second: tuple[int, ...]
    areas: tuple[int, int]
    one_port: bool = False
    rows: Window | None = None
    columns: Window | None = None

    def without(self, held: Collection[int]) -> BlockKey | None:
        """Return the block without genes that do not move; None when an axis has none left."""
        first, second = (
            tuple(g for g in axis if g not in held) for axis in (self.first, self.second)
        )
        return replace(self, first=first, second=second) if first and second else None

    def tiles(self, tables: Tables) -> Iterator[BlockKey]:
        """Cut a block of too many pairs into tiles of few, see `MOST_PAIRS`.

        Parameters
        ----------
        tables : Tables
            Say how many alternatives each gene has.
        """
        rows, columns = (
            sum(len(tables.row_cost[g]) for g in axis) for axis in (self.first, self.second)
        )
        if rows * columns <= MOST_PAIRS:
            yield self
            return
        width = min(columns, max(_TILE, PAIRS_AT_ONCE // rows))
        height = max(1, PAIRS_AT_ONCE // width)
        for i in range(0, rows, height):
            for j in range(0, columns, width):
                yield replace(
                    self,
                    rows=(i, min(i + height, rows)),
                    columns=(j, min(j + width, columns)),
                )


class Scan:
    """All changes of one or two parts of one genome on one grid.

    Parameters
    ----------
    tables : Tables
        Alternatives on the grid.
    genome : Genome
        The network that changes.
    """

    def __init__(self, tables: Tables, genome: Genome) -> None:
        self.tables = tables
        self.genome = genome
        self.evaluator = tables.evaluator
        self.points = len(self.evaluator.bank.omega)
        self.network = NetworkScan(
            self.evaluator.bank.solver,
            tables.immittances(genome),
            genome.polarity,
        )

    @cached_property
    def genes_of_area(self) -> list[list[int]]:
        """Scannable genes of each area, source first."""
        tables = self.tables
        genes = sorted(tables.scannable(self.genome), key=lambda g: tables.port_of_gene[g])
        return [[g for g in genes if tables.area_of_gene[g] == a] for a in range(len(tables.areas))]

    def sides(self, key: BlockKey) -> tuple[Rows, Rows]:
        """List the alternatives of both axes of a block."""
        first, second = self.rows(key.first), self.rows(key.second)
        return (
            first if key.rows is None else first[slice(*key.rows)],
            second if key.columns is None else second[slice(*key.columns)],
        )

    def rows(self, genes: Sequence[int]) -> Rows:
        """List the alternatives of some genes with what each changes in the cost of parts."""
        tables = self.tables
        price = [
            tables.row_cost[g] - tables.row_cost[g][tables.row_of(self.genome, g)] for g in genes
        ]
        return Rows(
            gene=np.repeat(np.array(genes, dtype=np.intp), [len(p) for p in price]),
            row=np.concatenate([np.arange(len(p)) for p in price]),
            price=np.concatenate(price),
        )

    def _singles_of(self, area: int, parts: Sequence[tuple[int, Index | slice, int]]) -> Drive:
        """Every way of an area, and the admittance, for alternatives of one gene after the other.

        `parts` are genes, some of their alternatives and the number of these.
        """
        shape = (sum(count for *_, count in parts), self.points)
        drives = {w: np.empty(shape, dtype=np.complex128) for w in self.tables.areas[area]}
        admittance = np.empty(shape, dtype=np.complex128)
        tables, genome = self.tables, self.genome
        changes = [
            (tables.port_of_gene[g], tables.alternatives(genome, {g: rows})) for g, rows, _ in parts
        ]
        self.network.write_singles(changes, drives, admittance)
        return drives, admittance

    def parts(
        self, genes: Sequence[int], window: Window | None = None
    ) -> list[tuple[int, slice, int]]:
        """Say which alternatives of each gene a window holds, and how many.

        Parameters
        ----------
        genes : sequence of int
        window : (int, int), optional
            See `BlockKey`.
        """
        parts: list[tuple[int, slice, int]] = []
        start = 0
        for g in genes:
            count = len(self.tables.row_cost[g])
            low, high = (0, count) if window is None else (window[0] - start, window[1] - start)
            low, high = max(0, low), min(count, high)
            if low < high:
                parts.append((g, slice(low, high), high - low))
            start += count
        return parts

    @cached_property
    def axes(self) -> list[Drive | None]:
        """Every way and the admittance for all single changes of each area, each (N_a, F).

        None for an area of so many that they are not kept.
        """
        found: list[Drive | None] = []
        for area, genes in enumerate(self.genes_of_area):
            parts = self.parts(genes)
            few = sum(count for *_, count in parts) * self.points <= MOST_NUMBERS
            found.append(self._singles_of(area, parts) if few else None)
        return found

    def axis(self, area: int, genes: Sequence[int], window: Window | None) -> Drive:
        """Alternatives of some parts of an area, in the order of `rows`."""
        own, costs, known = self.genes_of_area[area], self.tables.row_cost, self.axes[area]
        if known is None:
            return self._singles_of(area, self.parts(genes, window))
        if tuple(genes) == tuple(own) and window is None:
            return known
        drives, admittance = known
        starts = dict(zip(own, np.cumsum([0, *(len(costs[g]) for g in own[:-1])]), strict=True))
        rows = np.concatenate([starts[g] + np.arange(len(costs[g])) for g in genes])
        if window is not None:
            rows = rows[slice(*window)]
        return {w: h[rows] for w, h in drives.items()}, admittance[rows]

    def cost_of(self, drives: Drives, admittance: Complex, below: Real | None = None) -> Real:
        """Cost, without economy, when some ways take other transfers.

        Parameters
        ----------
        drives : dict of int to ndarray
            Replacement of each way; shapes broadcast.
        admittance : ndarray
            Of the whole.
        below : ndarray, optional
            See `Evaluator.cost_of_curves`.
        """
        transfer = [drives.get(w, h) for w, h in enumerate(self.network.transfer)]
        curves = Curves(self.evaluator.field, transfer, admittance)
        return self.evaluator.cost_of_curves(curves, below)

    def cost(self) -> float:
        """Cost of the genome itself, without economy."""
        return float(self.cost_of({}, self.network.admittance))

    def _costs(self, drives: Drives, admittance: Complex, below: Real | None = None) -> Real:
        chunk = max(1, BLOCK // self.points)
        if not len(admittance):
            return np.empty(0)
        return np.concatenate(
            [
                self.cost_of(
                    {w: h[s : s + chunk] for w, h in drives.items()},
                    admittance[s : s + chunk],
                    _cut(below, s, chunk),
                )
                for s in range(0, len(admittance), chunk)
            ]
        )

    def singles(self, area: int) -> Real:
        """Costs of all single changes in an area, shape (N_a,)."""
        known = self.axes[area]
        if known is not None:
            return self._costs(*known)
        genes = self.genes_of_area[area]
        total = sum(len(self.tables.row_cost[g]) for g in genes)
        return np.concatenate(
            [
                self._costs(*self._singles_of(area, self.parts(genes, (s, s + self._at_once))))
                for s in range(0, total, self._at_once)
            ]
        )

    @property
    def _at_once(self) -> int:
        """Alternatives of an area whose curves are held at a time."""
        return max(1, MOST_NUMBERS // self.points)

    def some_singles(self, area: int, rows: Rows, below: Real | None = None) -> Real:
        """Costs of chosen single changes in an area; the rows of a gene stand together.

        Parameters
        ----------
        area : int
        rows : Rows
        below : ndarray, shape (N,), optional
            See `Evaluator.cost_of_curves`.
        """
        n, step = len(rows.gene), self._at_once
        if n > step:
            return np.concatenate(
                [
                    self.some_singles(area, rows[s : s + step], _cut(below, s, step))
                    for s in range(0, n, step)
                ]
            )
        genes, starts = np.unique(rows.gene, return_index=True)
        order = np.argsort(starts)
        ends = [*starts[order][1:], n]
        parts = (
            [
                (int(g), rows.row[start:end], int(end - start))
                for g, start, end in zip(genes[order], starts[order], ends, strict=True)
            ]
            if n
            else []
        )
        return self._costs(*self._singles_of(area, parts), below)

    def block_keys(self, held: Collection[int] = ()) -> Iterator[BlockKey]:
        """Blocks that together hold every pair of changes of parts.

        Parameters
        ----------
        held : collection of int
            Genes that do not move.
        """
        for key in self._whole_blocks():
            moving = key.without(held) if held else key
            if moving is not None:
                yield from moving.tiles(self.tables)

    def _whole_blocks(self) -> Iterator[BlockKey]:
        port = self.tables.port_of_gene
        for a, genes in enumerate(self.genes_of_area):
            for g in genes:
                later = tuple(h for h in genes if port[h] > port[g])
                if later:
                    yield BlockKey(first=(g,), second=later, areas=(a, a))
                for h in genes:
                    if h > g and port[h] == port[g]:
                        yield BlockKey(first=(g,), second=(h,), areas=(a, a), one_port=True)
            for b, others in enumerate(self.genes_of_area):
                if b > a:
                    for part in self.tables.portions(genes, others):
                        yield BlockKey(first=part, second=tuple(others), areas=(a, b))


def _cut(below: Real | None, start: int, count: int) -> Real | None:
    """Take some rows of the costs from which on members do not matter, where these are stated."""
    return None if below is None else below[start : start + count]


class PairBlock:
    """All pairs of alternatives of two sets of genes of one genome.

    Parameters
    ----------
    scan : Scan
        The genome on a grid.
    key : BlockKey
        Which pairs.
    """

    def __init__(self, scan: Scan, key: BlockKey) -> None:
        self.scan = scan
        self.key = key
        tables, genome = scan.tables, scan.genome
        g = key.first[0]
        port = tables.port_of_gene[g]
        if key.one_port:
            self.single = scan.network.single(port)
            self.rows = [
                np.arange(len(tables.row_cost[j]))[slice(*window) if window else slice(None)]
                for j, window in ((g, key.rows), (key.second[0], key.columns))
            ]
            self.shape = (len(self.rows[0]), len(self.rows[1]))
        elif key.areas[0] == key.areas[1]:
            (_, mine, count), *_ = scan.parts(key.first, key.rows)
            self.x = tables.alternatives(genome, {g: mine})
            given = []
            for h, rows, some in scan.parts(key.second, key.columns):
                y = tables.alternatives(genome, {h: rows})
                pair = scan.network.pair(port, tables.port_of_gene[h])
                given.append((some, pair.given(y)))
            self.given = Moebius.stacked(given, scan.network.transfer)
            self.shape = (count, sum(some for some, _ in given))
        else:
            self.axes = [
                scan.axis(key.areas[0], key.first, key.rows),
                scan.axis(key.areas[1], key.second, key.columns),
            ]
            first, second = (len(y) for _, y in self.axes)
            self.shape = (first, second)

    def _drive(self, i: Index | slice, j: Index | slice, outer: bool) -> Drive:
        scan, (a, b) = self.scan, self.key.areas
        if self.key.one_port:
            rows = [own[k] for own, k in zip(self.rows, (i, j), strict=True)]
            first, second = (rows[0][:, None], rows[1][None]) if outer else rows
            both = {self.key.first[0]: first, self.key.second[0]: second}
            return self.single.at(scan.tables.alternatives(scan.genome, both))
        if a == b:
            x = self.x[i][:, None] if outer else self.x[i]
            return (self.given if outer else self.given[j]).at(x)
        (mine, y), (others, u) = self.axes
        added = u[j] - scan.network.admittance
        if outer:
            drives = {w: h[i][:, None] for w, h in mine.items()}
            drives |= {w: h[None] for w, h in others.items()}
            return drives, y[i][:, None] + added[None]
        drives = {w: h[i] for w, h in mine.items()} | {w: h[j] for w, h in others.items()}
        return drives, y[i] + added

    def all(self, below: Real | None = None) -> Real:
        """Costs of all pairs, shape (N, M).

        Parameters
        ----------
        below : ndarray, shape (N, M), optional
            See `Evaluator.cost_of_curves`.
        """
        rows, columns = self.shape
        chunk = max(1, BLOCK // max(1, columns * self.scan.points))
        return np.concatenate(
            [
                self.scan.cost_of(
                    *self._drive(slice(s, s + chunk), slice(None), outer=True),
                    _cut(below, s, chunk),
                )
                for s in range(0, rows, chunk)
            ]
        )

    def some(self, i: Index, j: Index, below: Real | None = None) -> Real:
        """Costs of chosen pairs, shape (len(i),).

        Parameters
        ----------
        i, j : ndarray of int
        below : ndarray, shape (len(i),), optional
            See `Evaluator.cost_of_curves`.
        """
        chunk = max(1, BLOCK // self.scan.points)
        return (
            np.concatenate(
                [
                    self.scan.cost_of(
                        *self._drive(i[s : s + chunk], j[s : s + chunk], outer=False),
                        _cut(below, s, chunk),
                    )
                    for s in range(0, len(i), chunk)
                ]
            )
            if len(i)
            else np.empty(0)
        )
