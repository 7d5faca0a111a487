"""Exact costs of every change of one or two parts of a network, without solving it again.

The voltage and current at the source are affine in the immittance of one section and bilinear in
those of two, so the ladder is walked once and every alternative from the stock then costs a few
operations per frequency.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optimizer.acoustics.curves import Curves
from optimizer.network.bank import PlacedSection
from optimizer.search.problem import Evaluator
from optimizer.search.space import Genome, Space

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Index = NDArray[np.intp]

ABSENT = -1
_BLOCK = 1 << 14  # complex numbers worked on at once: stays in a second-level cache


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


class Tables:
    """Impedances of every option of every gene on one grid.

    Parameters
    ----------
    evaluator : Evaluator
        Supplies the grid.
    space : Space
        Supplies the options.
    """

    def __init__(self, evaluator: Evaluator, space: Space) -> None:
        self.evaluator = evaluator
        self.space = space
        bank = evaluator.bank
        self.impedance: list[Complex] = [
            bank.gene_impedance(g, o.values, o.loss_ohm) for g, o in enumerate(space.options)]
        self.place_of_gene: dict[int, tuple[int, int]] = {}
        for w, placed in enumerate(bank.ways):
            for k, step in enumerate(placed):
                for g in step.genes:
                    self.place_of_gene[g] = (w, k)
        # Single-part sections need their immittance only: computed once for all genomes.
        self.single: dict[int, Complex] = {}
        for placed in bank.ways:
            for step in placed:
                if len(step.genes) == 1:
                    g = step.genes[0]
                    self.single[g] = step.section.immittance([self.impedance[g]])

    def may_be_absent(self, g: int) -> bool:
        """Whether leaving out gene `g` alone empties an optional slot."""
        slot = self.space.gene_slot[g]
        return bool(self.space.optional[slot]) and len(self.space.slot_genes[slot]) == 1


class Scan:
    """All changes of one or two parts of one genome on one grid.

    Parameters
    ----------
    tables : Tables
        Options on the grid.
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
        self.transfer: list[Complex] = []
        self.admittance: list[Complex] = []
        one = np.ones(len(bank.omega), dtype=np.complex128)
        zero = np.zeros_like(one)
        for w, placed in enumerate(bank.ways):
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
            self.transfer.append(genome.polarity[w] / voltage)
            self.admittance.append(current / voltage)
        self.rest = [sum((y for e, y in enumerate(self.admittance) if e != w), start=zero)
                     for w in range(len(bank.ways))]

    def _immittance(self, step: PlacedSection) -> Complex:
        genome, tables = self.genome, self.tables
        if not genome.present[step.slot]:
            return np.zeros(len(self.evaluator.bank.omega), dtype=np.complex128)
        if len(step.genes) == 1:
            return tables.single[step.genes[0]][genome.choice[step.genes[0]]]
        return step.section.immittance(
            [tables.impedance[g][genome.choice[g]] for g in step.genes])

    def alternatives(self, g: int) -> Complex:
        """Immittance of gene `g`'s section for each of its options, shape (O, F).

        One row more, of zeros, when leaving the part out is allowed.
        """
        tables = self.tables
        w, k = tables.place_of_gene[g]
        step = self.evaluator.bank.ways[w][k]
        if len(step.genes) == 1:
            x = tables.single[g]
        else:
            x = step.section.immittance([
                tables.impedance[g] if h == g else tables.impedance[h][self.genome.choice[h]]
                for h in step.genes])
        if tables.may_be_absent(g):
            x = np.concatenate([x, np.zeros((1, x.shape[-1]), dtype=np.complex128)])
        return x

    def affine(self, w: int, k: int) -> Affine:
        """Coefficients of section `k` of way `w`, each of shape (F,)."""
        v, i = self.suffix[w][k]
        a, b, c, d = self.prefix[w][k]
        step = self.evaluator.bank.ways[w][k]
        if step.section.place == "series":
            return Affine(a=a * v + b * i, b=a * i, c=c * v + d * i, d=c * i)
        return Affine(a=a * v + b * i, b=b * v, c=c * v + d * i, d=d * v)

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
        placed = self.evaluator.bank.ways[w]
        v, i = self.suffix[w][m]
        if placed[m].section.place == "series":
            voltage, current = v + y * i, np.broadcast_to(i, y.shape)
        else:
            voltage, current = np.broadcast_to(v, y.shape), i + y * v
        one = np.ones_like(v)
        zero = np.zeros_like(v)
        row = (one, zero, zero, one)
        for step, value in zip(placed[k + 1:m], self.immittance[w][k + 1:m], strict=True):
            row = _times(row, step, value)
        if m > k + 1:
            voltage, current = (row[0] * voltage + row[1] * current,
                                row[2] * voltage + row[3] * current)
        a, b, c, d = self.prefix[w][k]
        if placed[k].section.place == "series":
            return Affine(a=a * voltage + b * current, b=a * current,
                          c=c * voltage + d * current, d=c * current)
        return Affine(a=a * voltage + b * current, b=b * voltage,
                      c=c * voltage + d * current, d=d * voltage)

    def _drive(self, w: int, voltage: Complex, current: Complex) -> tuple[Complex, Complex]:
        inverse = 1.0 / voltage
        return inverse * self.genome.polarity[w], current * inverse

    def cost_of(self, drives: dict[int, tuple[Complex, Complex]]) -> Real:
        """Cost, without economy, when some ways take other transfers and admittances.

        Parameters
        ----------
        drives : dict of int to (transfer, admittance)
            Replacement of each way, shapes broadcast.
        """
        transfer = [drives[w][0] if w in drives else h for w, h in enumerate(self.transfer)]
        total: Complex | None = None
        for w, y in enumerate(self.admittance):
            value = drives[w][1] if w in drives else y
            total = value if total is None else total + value
        assert total is not None
        return self.evaluator.cost_of_curves(Curves(self.evaluator.field, transfer, total))

    def cost(self) -> float:
        """Cost of the genome itself, without economy."""
        return float(self.cost_of({}))

    def one(self, g: int, rows: Index | None = None) -> Real:
        """Cost of every alternative of one gene, shape (O,) or (len(rows),)."""
        w, k = self.tables.place_of_gene[g]
        x = self.alternatives(g)
        if rows is not None:
            x = x[rows]
        return self.cost_of({w: self._drive(w, *self.affine(w, k).at(x))})

    def section_costs(self, w: int, k: int, x: Complex) -> Real:
        """Cost when section `k` of way `w` takes immittances x (..., F)."""
        return self.cost_of({w: self._drive(w, *self.affine(w, k).at(x))})

    def two(self, g: int, h: int) -> PairScan:
        """Prepare the scan of all pairs of alternatives of two genes."""
        return PairScan(self, g, h)


class PairScan:
    """All pairs of alternatives of two genes of one genome.

    Parameters
    ----------
    scan : Scan
        The genome.
    g, h : int
        Two different genes.
    """

    def __init__(self, scan: Scan, g: int, h: int) -> None:
        self.scan = scan
        place = scan.tables.place_of_gene
        (w, k), (v, m) = place[g], place[h]
        self.swapped = w == v and k > m
        if self.swapped:
            g, h, k, m = h, g, m, k
        self.ways = (w, v)
        self.same_section = w == v and k == m
        if self.same_section:
            self.fixed = scan.affine(w, k)
            step = scan.evaluator.bank.ways[w][k]
            tables, choice = scan.tables, scan.genome.choice
            self.section = step.section
            self.impedances = [
                (tables.impedance[j] if j in (g, h) else tables.impedance[j][choice[j]])
                for j in step.genes]
            self.axes = [0 if j == g else 1 if j == h else None for j in step.genes]
            self.shape = (len(tables.impedance[g]), len(tables.impedance[h]))
            return
        self.x = scan.alternatives(g)
        y = scan.alternatives(h)
        self.shape = (len(self.x), len(y))
        if w == v:
            self.given = scan.affine_given(w, k, m, y)
        else:
            self.first = scan._drive(w, *scan.affine(w, k).at(self.x))
            self.second = scan._drive(v, *scan.affine(v, m).at(y))

    def _costs(self, i: Index, j: Index, outer: bool) -> Real:
        scan, (w, v) = self.scan, self.ways
        if self.same_section:
            index = (i, j)
            z = []
            for impedance, axis in zip(self.impedances, self.axes, strict=True):
                if axis is None:
                    z.append(impedance)
                elif outer:
                    rows = impedance[index[axis]]
                    z.append(rows[:, None, :] if axis == 0 else rows[None, :, :])
                else:
                    z.append(impedance[index[axis]])
            x = self.section.immittance(z)
            return scan.cost_of({w: scan._drive(w, *self.fixed.at(x))})
        if w == v:
            x, t = self.x[i], self.given
            if outer:
                x = x[:, None, :]
            voltage = t.a[j] + t.b[j] * x
            current = t.c[j] + t.d[j] * x
            return scan.cost_of({w: scan._drive(w, voltage, current)})
        first = (self.first[0][i], self.first[1][i])
        second = (self.second[0][j], self.second[1][j])
        if outer:
            first = (first[0][:, None, :], first[1][:, None, :])
        return scan.cost_of({w: first, v: second})

    def all(self) -> Real:
        """Costs of all pairs, shape (O_g, O_h)."""
        rows, columns = self.shape
        f = len(self.scan.evaluator.bank.omega)
        out = np.empty(self.shape)
        j = np.arange(columns)
        chunk = max(1, _BLOCK // max(1, columns * f))
        for start in range(0, rows, chunk):
            i = np.arange(start, min(rows, start + chunk))
            out[i] = self._costs(i, j, outer=True)
        return out.T if self.swapped else out

    def some(self, i: Index, j: Index) -> Real:
        """Costs of chosen pairs, shape (len(i),)."""
        if self.swapped:
            i, j = j, i
        f = len(self.scan.evaluator.bank.omega)
        chunk = max(1, _BLOCK // f)
        return np.concatenate([
            self._costs(i[s:s + chunk], j[s:s + chunk], outer=False)
            for s in range(0, len(i), chunk)]) if len(i) else np.empty(0)


def _times(
    row: tuple[Complex, Complex, Complex, Complex], step: PlacedSection, x: Complex
) -> tuple[Complex, Complex, Complex, Complex]:
    """Append a section to a 2 x 2 chain product [[a, b], [c, d]]."""
    a, b, c, d = row
    if step.section.place == "series":
        return a, b + a * x, c, d + c * x
    return a + b * x, b, c + d * x, d
