"""Exact costs of every change of one or two parts of a network, without solving it again.

The voltage and current at the source are affine in the immittance of one section and bilinear in
those of two, so the ladder is walked once and every alternative from the stock then costs a few
operations per frequency. Alternatives are handled in blocks: all those of one way, or one part's
against all later parts' of its way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from optimizer.acoustics.curves import Curves
from optimizer.arrays import Complex, Flags, Index, Real
from optimizer.network.bank import PlacedSection
from optimizer.problem.genome import Genome
from optimizer.problem.tables import BLOCK, Tables

Drive = tuple[Complex, Complex]  # transfer and input admittance of one way


@dataclass(frozen=True, slots=True, kw_only=True)
class Affine:
    """Source voltage and current as functions of one immittance x: V = a + b x, I = c + d x.

    Each field has shape (..., F).
    """

    a: Complex
    b: Complex
    c: Complex
    d: Complex

    def at(self, x: Complex) -> tuple[Complex, Complex]:
        """Voltage and current for immittances x, broadcast."""
        return self.a + self.b * x, self.c + self.d * x

    def __getitem__(self, index: Index) -> Affine:
        return Affine(a=self.a[index], b=self.b[index], c=self.c[index], d=self.d[index])


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

    def __getitem__(self, index: Index | Flags) -> Rows:
        return Rows(gene=self.gene[index], row=self.row[index], price=self.price[index])


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockKey:
    """Names a block of pairs: two ways, one gene against later ones of its way, or a compound.

    Parameters
    ----------
    first : tuple of int
        Genes of the first axis.
    second : tuple of int
        Genes of the second axis.
    ways : tuple of int
        Ways of the two axes.
    same_section : bool
        Whether both genes sit in one section.
    """

    first: tuple[int, ...]
    second: tuple[int, ...]
    ways: tuple[int, int]
    same_section: bool = False


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
        bank = self.evaluator.bank
        self.immittance: list[list[Complex]] = []
        self.suffix: list[list[tuple[Complex, Complex]]] = []
        self.prefix: list[list[tuple[Complex, Complex, Complex, Complex]]] = []
        self.drives: list[Drive] = []
        one = np.ones(len(bank.omega), dtype=np.complex128)
        zero = np.zeros_like(one)
        for w, placed in enumerate(bank.ladders):
            x = [self._immittance(step) for step in placed]
            voltage, current = one, bank.load_admittance[w]
            suffix = []
            for step, value in zip(reversed(placed), reversed(x), strict=True):
                suffix.append((voltage, current))
                if step.section.place == "series":
                    voltage = voltage + value * current
                else:
                    current = current + value * voltage
            suffix.reverse()
            row = (one, zero, zero, one)
            prefix = []
            for step, value in zip(placed, x, strict=True):
                prefix.append(row)
                row = _times(row, step, value)
            self.immittance.append(x)
            self.suffix.append(suffix)
            self.prefix.append(prefix)
            self.drives.append(self._drive(w, voltage, current))

    @cached_property
    def genes_of_way(self) -> list[list[int]]:
        """Scannable genes of each way, source first."""
        place = self.tables.place_of_gene
        genes = sorted(self.tables.scannable(self.genome), key=lambda g: place[g])
        return [
            [g for g in genes if place[g][0] == w] for w in range(len(self.evaluator.bank.ladders))
        ]

    def _immittance(self, step: PlacedSection) -> Complex:
        genome, tables = self.genome, self.tables
        if not genome.present[step.slot]:
            return np.zeros(len(self.evaluator.bank.omega), dtype=np.complex128)
        if len(step.genes) == 1:
            g = step.genes[0]
            return np.asarray(tables.single[g][genome.choice[g]])
        return step.section.immittance([tables.impedance[g][genome.choice[g]] for g in step.genes])

    def alternatives(self, g: int, rows: Index | slice = slice(None)) -> Complex:
        """Immittance of gene `g`'s section for its alternatives, or some rows, shape (O, F)."""
        tables = self.tables
        if g in tables.single:
            return tables.single[g][rows]
        w, k = tables.place_of_gene[g]
        step = self.evaluator.bank.ladders[w][k]
        return step.section.immittance(
            [tables.impedance[h][rows if h == g else self.genome.choice[h]] for h in step.genes]
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

    def affine(self, w: int, k: int) -> Affine:
        """Coefficients of section `k` of way `w`, each of shape (F,)."""
        return _affine(self.evaluator.bank.ladders[w][k], self.prefix[w][k], *self.suffix[w][k])

    def affine_given(self, w: int, k: int, m: int, y: Complex) -> Affine:
        """Coefficients of section `k` when a later section `m` of the same way takes values y.

        Parameters
        ----------
        w, k, m : int
            Way and sections, ``k < m``.
        y : ndarray, shape (O, F)
            Immittances of section `m`.

        Returns
        -------
        Affine
            Fields of shape (O, F).
        """
        placed = self.evaluator.bank.ladders[w]
        v, i = self.suffix[w][m]
        if placed[m].section.place == "series":
            voltage, current = v + y * i, np.broadcast_to(i, y.shape)
        else:
            voltage, current = np.broadcast_to(v, y.shape), i + y * v
        one, zero = np.ones_like(v), np.zeros_like(v)
        row = (one, zero, zero, one)
        for step, value in zip(placed[k + 1 : m], self.immittance[w][k + 1 : m], strict=True):
            row = _times(row, step, value)
        if m > k + 1:
            voltage, current = (
                row[0] * voltage + row[1] * current,
                row[2] * voltage + row[3] * current,
            )
        return _affine(placed[k], self.prefix[w][k], voltage, current)

    def _drive(self, w: int, voltage: Complex, current: Complex) -> Drive:
        inverse = 1.0 / voltage
        y = current * inverse
        return (inverse if self.genome.polarity[w] > 0.0 else -inverse), y

    @cached_property
    def axes(self) -> list[Drive]:
        """Transfer and admittance of each way for all single changes in it, each (N_w, F)."""
        out = []
        for w, genes in enumerate(self.genes_of_way):
            if not genes:
                empty = np.empty((0, len(self.evaluator.bank.omega)), dtype=np.complex128)
                out.append((empty, empty))
                continue
            voltage, current = [], []
            for g in genes:
                v, i = self.affine(w, self.tables.place_of_gene[g][1]).at(self.alternatives(g))
                voltage.append(v)
                current.append(i)
            out.append(self._drive(w, np.concatenate(voltage), np.concatenate(current)))
        return out

    def cost_of(self, changed: dict[int, Drive]) -> Real:
        """Cost, without economy, when some ways take other transfers and admittances.

        Parameters
        ----------
        changed : dict of int to (transfer, admittance)
            Replacement of each way; shapes broadcast.
        """
        drives = [changed.get(w, d) for w, d in enumerate(self.drives)]
        total = sum(d[1] for d in drives if d[1].ndim == 1)
        for d in sorted((d[1] for d in drives if d[1].ndim > 1), key=lambda y: y.size):
            total = total + d
        return self.evaluator.cost_of_curves(
            Curves(self.evaluator.field, [d[0] for d in drives], np.asarray(total))
        )

    def cost(self) -> float:
        """Cost of the genome itself, without economy."""
        return float(self.cost_of({}))

    def singles(self, w: int) -> Real:
        """Costs of all single changes in way `w`, shape (N_w,)."""
        transfer, admittance = self.axes[w]
        n, f = transfer.shape
        chunk = max(1, BLOCK // f)
        return (
            np.concatenate(
                [
                    self.cost_of({w: (transfer[s : s + chunk], admittance[s : s + chunk])})
                    for s in range(0, n, chunk)
                ]
            )
            if n
            else np.empty(0)
        )

    def some_singles(self, w: int, rows: Rows) -> Real:
        """Costs of chosen single changes in way `w`; the rows of a gene stand together."""
        n = len(rows.gene)
        if not n:
            return np.empty(0)
        voltage = np.empty((n, len(self.evaluator.bank.omega)), dtype=np.complex128)
        current = np.empty_like(voltage)
        genes, starts = np.unique(rows.gene, return_index=True)
        order = np.argsort(starts)
        for g, start, end in zip(genes[order], starts[order], [*starts[order][1:], n], strict=True):
            affine = self.affine(w, self.tables.place_of_gene[int(g)][1])
            voltage[start:end], current[start:end] = affine.at(
                self.alternatives(int(g), rows.row[start:end])
            )
        chunk = max(1, BLOCK // voltage.shape[-1])
        return np.concatenate(
            [
                self.cost_of({w: self._drive(w, voltage[s : s + chunk], current[s : s + chunk])})
                for s in range(0, n, chunk)
            ]
        )

    def block_keys(self) -> list[BlockKey]:
        """Blocks that together hold every pair of changes of parts."""
        place = self.tables.place_of_gene
        keys = []
        ways = self.genes_of_way
        for w, genes in enumerate(ways):
            for g in genes:
                later = tuple(h for h in genes if place[h][1] > place[g][1])
                if later:
                    keys.append(BlockKey(first=(g,), second=later, ways=(w, w)))
                keys.extend(
                    BlockKey(first=(g,), second=(h,), ways=(w, w), same_section=True)
                    for h in genes
                    if h > g and place[h] == place[g]
                )
            keys.extend(
                BlockKey(first=part, second=tuple(others), ways=(w, v))
                for v, others in enumerate(ways)
                if v > w
                for part in self.tables.portions(genes, others)
            )
        return keys


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
        w, v = key.ways
        place, tables = scan.tables.place_of_gene, scan.tables
        k = place[key.first[0]][1]
        if key.same_section:
            step = scan.evaluator.bank.ladders[w][k]
            self.section = step.section
            self.fixed = scan.affine(w, k)
            choice = scan.genome.choice
            both = (key.first[0], key.second[0])
            self.impedances = [
                tables.impedance[j] if j in both else tables.impedance[j][choice[j]]
                for j in step.genes
            ]
            self.axis = [both.index(j) if j in both else None for j in step.genes]
            self.shape = (len(tables.impedance[both[0]]), len(tables.impedance[both[1]]))
        elif w == v:
            self.x = scan.alternatives(key.first[0])
            given = [scan.affine_given(w, k, place[h][1], scan.alternatives(h)) for h in key.second]
            self.given = Affine(
                a=np.concatenate([t.a for t in given]),
                b=np.concatenate([t.b for t in given]),
                c=np.concatenate([t.c for t in given]),
                d=np.concatenate([t.d for t in given]),
            )
            self.shape = (len(self.x), len(self.given.a))
        else:
            self.shape = (len(scan.axes[w][0]), len(scan.axes[v][0]))

    def _costs(self, i: Index | slice, j: Index | slice, outer: bool) -> Real:
        scan, (w, v) = self.scan, self.key.ways
        if self.key.same_section:
            z: list[Complex] = []
            for impedance, axis in zip(self.impedances, self.axis, strict=True):
                if axis is None:
                    z.append(impedance)
                    continue
                rows = impedance[i if axis == 0 else j]
                z.append(rows if not outer else rows[:, None] if axis == 0 else rows[None])
            x = self.section.immittance(z)
            return scan.cost_of({w: scan._drive(w, *self.fixed.at(x))})
        if w == v:
            x = self.x[i][:, None] if outer else self.x[i]
            t = self.given if outer else self.given[j]  # type: ignore[index]
            return scan.cost_of({w: scan._drive(w, *t.at(x))})
        (h, y), (g, u) = scan.axes[w], scan.axes[v]
        if outer:
            return scan.cost_of({w: (h[i][:, None], y[i][:, None]), v: (g[None], u[None])})
        return scan.cost_of({w: (h[i], y[i]), v: (g[j], u[j])})

    def all(self) -> Real:
        """Costs of all pairs, shape (N, M)."""
        rows, columns = self.shape
        chunk = max(1, BLOCK // max(1, columns * len(self.scan.evaluator.bank.omega)))
        return np.concatenate(
            [
                self._costs(slice(s, s + chunk), slice(None), outer=True)
                for s in range(0, rows, chunk)
            ]
        )

    def some(self, i: Index, j: Index) -> Real:
        """Costs of chosen pairs, shape (len(i),)."""
        chunk = max(1, BLOCK // len(self.scan.evaluator.bank.omega))
        return (
            np.concatenate(
                [
                    self._costs(i[s : s + chunk], j[s : s + chunk], outer=False)
                    for s in range(0, len(i), chunk)
                ]
            )
            if len(i)
            else np.empty(0)
        )


def _affine(
    step: PlacedSection,
    row: tuple[Complex, Complex, Complex, Complex],
    voltage: Complex,
    current: Complex,
) -> Affine:
    """Coefficients of a section from the chain before it and the state after it."""
    a, b, c, d = row
    if step.section.place == "series":
        return Affine(
            a=a * voltage + b * current, b=a * current, c=c * voltage + d * current, d=c * current
        )
    return Affine(
        a=a * voltage + b * current, b=b * voltage, c=c * voltage + d * current, d=d * voltage
    )


def _times(
    row: tuple[Complex, Complex, Complex, Complex], step: PlacedSection, x: Complex
) -> tuple[Complex, Complex, Complex, Complex]:
    """Append a section to a 2 x 2 chain product [[a, b], [c, d]]."""
    a, b, c, d = row
    if step.section.place == "series":
        return a, b + a * x, c, d + c * x
    return a + b * x, b, c + d * x, d
