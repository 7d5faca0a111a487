"""Speed of expressions against the bank, tables and scan of ladders, turn about in one run.

The bars: the bank of ladders, which is one of expressions with other names, at least 0.95 of its
speed at the blocks that the search uses (82 networks on 200 frequencies, 16 on 48); looking up
options and scanning independent ways as fast as before; a pair of coupled changes at most twice an
independent one, goals included.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest

from benchmarks.problems import load
from benchmarks.speed.timing import least_seconds
from optimizer.acoustics.curves import Curves
from optimizer.arrays import Complex, Flags, Index, Real
from optimizer.network.bank import LadderBank
from optimizer.network.expression.bank import Bank, loss_slopes
from optimizer.network.expression.ladders import from_topology
from optimizer.network.expression.nodes import SourceResistance
from optimizer.network.expression.options import OptionTables
from optimizer.network.expression.plan import Population
from optimizer.network.expression.scan import NetworkScan
from optimizer.problem import scan as ladders
from optimizer.problem.problem import Problem
from optimizer.problem.space import Genome
from optimizer.problem.tables import BLOCK, Tables
from optimizer.stock.stock import series_stock

Note = Callable[[str], None]

TURNS = 150
SLACK = 0.05
"""What the least of 150 turns still varies by on a busy machine."""


@cache
def problem() -> Problem:
    """The demo's ladders, 3 ways and 17 values, from a stock with some 45 values for each part."""
    return load("three_way_17").replace(stock=series_stock("E48"))


def banks(points: int, source: SourceResistance | None = None) -> tuple[LadderBank, Bank]:
    """Both banks on about so many points."""
    old = problem().evaluator.bank
    at = np.linspace(0, len(old.omega) - 1, points).round().astype(np.intp)
    loads = {
        way.driver: 1.0 / y
        for way, y in zip(problem().topology.ways, old.load_admittance, strict=True)
    }
    new = Bank(
        from_topology(problem().topology), old.frequency_hz, loads, source or SourceResistance()
    )
    return old.thinned(at), new.thinned(at)


def fields(bank: LadderBank, count: int, filled: float) -> dict[str, np.ndarray]:
    """Random networks as keywords of a population."""
    rng = np.random.default_rng(1)
    low, high = (np.array([getattr(g, end) for g in bank.genes]) for end in ("low", "high"))
    values = low * (high / low) ** rng.random((count, len(low)))
    optional = np.array([s.optional for s in bank.slots])
    laws = problem().loss_laws
    return {
        "values": values,
        "loss_ohm": np.stack([laws[g.kind](values[:, i]) for i, g in enumerate(bank.genes)], 1),
        "present": ~optional | (rng.random((count, len(optional))) < filled),
        "polarity": rng.choice([-1.0, 1.0], (count, len(bank.topology.ways))),
    }


@pytest.mark.parametrize("filled", [1.0, 0.6])
@pytest.mark.parametrize(("networks", "points"), [(82, 200), (16, 48)])
def test_values_and_slopes(note: Note, networks: int, points: int, filled: float) -> None:
    """What the bank of ladders adds to the expression it solves is not felt."""
    ladder, bare = banks(points)
    population = Population(**fields(ladder, networks, filled))
    laws = problem().loss_laws
    kinds = bare.cells.kinds

    def slopes() -> object:
        return bare.solve_with_slopes(population, loss_slopes(laws, kinds, population.values))

    # What runs after another bank finds its own arrays out of the cache: that one is not counted.
    _, b, a = least_seconds(
        [
            lambda: bare.solve(population),
            lambda: bare.solve(population),
            lambda: ladder.solve(population),
        ],
        TURNS,
    )
    _, d, c = least_seconds(
        [slopes, slopes, lambda: ladder.solve_with_tangents(population, laws)], TURNS
    )
    note(
        f"ladders, {networks} x {points}, {filled:.0%} filled: values {networks / a:,.0f}/s = "
        f"{b / a:.2f} of the bare expression, slopes {networks / c:,.0f}/s = {d / c:.2f}"
    )
    assert b / a >= 0.95
    assert d / c >= 0.95


@dataclass
class Kept:
    """Stands in for an evaluator: keeps the curves instead of judging them."""

    bank: LadderBank
    field: object = None

    def cost_of_curves(self, curves: Curves) -> Real:
        return np.zeros(len(curves.admittance))


def test_options_from_tables(note: Note) -> None:
    """Networks of options are looked up as fast as before."""
    space = problem().space
    old, new = banks(200)
    before = Tables(Kept(old), space)  # type: ignore[arg-type]
    after = OptionTables(
        new, [o.values for o in space.options], [o.loss_ohm for o in space.options]
    )
    rng = np.random.default_rng(2)
    choice: Index = np.stack([rng.integers(0, len(o.values), 82) for o in space.options], axis=1)
    drawn = fields(old, 82, 0.6)
    present: Flags = drawn["present"]
    polarity: Real = drawn["polarity"]
    a, b = least_seconds(
        [
            lambda: before._costs(choice, present, polarity),
            lambda: after.solve(choice, present, polarity),
        ],
        TURNS,
    )
    note(f"expression, options from tables: {82 / b:,.0f}/s = {a / b:.2f} of the ladder tables")
    assert a / b >= 1.0 - SLACK


class Scans:
    """One genome scanned by both, ideal source and one of 0.1 ohm."""

    def __init__(self) -> None:
        self.problem = problem()
        space = self.problem.space
        self.genome = Genome(
            choice=np.array([len(o.values) // 2 for o in space.options]),
            present=np.ones(len(space.slots), dtype=bool),
            polarity=np.array([1.0, -1.0, 1.0]),
        )
        self.old = ladders.Scan(self.problem.tables, self.genome)
        self.points = len(self.problem.frequency_hz)
        self.new: dict[str, tuple[OptionTables, NetworkScan]] = {}
        for name, source in (
            ("ideal", SourceResistance()),
            ("resistive", SourceResistance(cable_ohm=0.1)),
        ):
            _, bank = banks(self.points, source)
            tables = OptionTables(
                bank, [o.values for o in space.options], [o.loss_ohm for o in space.options]
            )
            rows = tables.immittances(self.genome.choice, self.genome.present)
            self.new[name] = tables, NetworkScan(bank, rows, self.genome.polarity)
        self.rows = {
            g: self.new["ideal"][0].alternatives(
                self.port(g), {g: slice(None)}, self.genome.choice, self.genome.present
            )
            for genes in self.old.genes_of_way
            for g in genes
        }

    def port(self, gene: int) -> int:
        return int(self.new["ideal"][0].plan.port_of_leaf[gene])

    def cost(self, scan: NetworkScan, drives: dict[int, Complex], admittance: Complex) -> Real:
        transfer = [drives.get(w, h) for w, h in enumerate(scan.transfer)]
        evaluator = self.problem.evaluator
        return evaluator.cost_of_curves(Curves(evaluator.field, transfer, admittance))

    def chunks(self, rows: Complex, beside: int) -> list[Complex]:
        size = max(1, BLOCK // (beside * self.points))
        return [rows[s : s + size] for s in range(0, len(rows), size)]

    def old_singles(self, w: int) -> None:
        for g in self.old.genes_of_way[w]:
            affine = self.old.affine(w, self.problem.tables.place_of_gene[g][1])
            self.old._drive(w, *affine.at(self.rows[g]))

    def new_singles(self, w: int) -> None:
        scan = self.new["ideal"][1]
        for g in self.old.genes_of_way[w]:
            scan.single(self.port(g)).at(self.rows[g])

    def old_apart(self, g: int, h: int) -> Real:
        """Pairs of two ways, as the ladder scan does them."""
        place = self.problem.tables.place_of_gene
        (w, k), (v, m) = place[g], place[h]
        one, one_y = self.old._drive(w, *self.old.affine(w, k).at(self.rows[g]))
        other, other_y = self.old._drive(v, *self.old.affine(v, m).at(self.rows[h]))
        return np.concatenate(
            [
                self.old.cost_of({w: (a[:, None], b[:, None]), v: (other[None], other_y[None])})
                for a, b in zip(
                    self.chunks(one, len(other)), self.chunks(one_y, len(other)), strict=True
                )
            ]
        )

    def new_apart(self, g: int, h: int) -> Real:
        scan = self.new["ideal"][1]
        assert not scan.coupled(self.port(g), self.port(h))
        one, one_y = scan.single(self.port(g)).at(self.rows[g])
        other, other_y = scan.single(self.port(h)).at(self.rows[h])
        added = other_y - scan.admittance
        fixed = {w: a[None] for w, a in other.items()}
        costs, size = [], max(1, BLOCK // (len(added) * self.points))
        for s in range(0, len(one_y), size):
            drives = {w: a[s : s + size, None] for w, a in one.items()} | fixed
            costs.append(self.cost(scan, drives, one_y[s : s + size, None] + added[None]))
        return np.concatenate(costs)

    def old_together(self, g: int, h: int) -> Real:
        """Pairs of one way, as the ladder scan does them."""
        place, old = self.problem.tables.place_of_gene, self.old
        (w, k), (_, m) = place[g], place[h]
        given = old.affine_given(w, k, m, self.rows[h])
        return np.concatenate(
            [
                old.cost_of({w: old._drive(w, *given.at(x[:, None]))})
                for x in self.chunks(self.rows[g], len(self.rows[h]))
            ]
        )

    def new_together(self, name: str, g: int, h: int) -> Real:
        scan = self.new[name][1]
        given = scan.pair(self.port(g), self.port(h)).given(self.rows[h])
        return np.concatenate(
            [
                self.cost(scan, *given.at(x[:, None]))
                for x in self.chunks(self.rows[g], len(self.rows[h]))
            ]
        )


def test_scan(note: Note) -> None:
    """Independent ways as fast as before; what moves all ways at once at most twice as long."""
    s = Scans()
    g, h = s.old.genes_of_way[1][0], s.old.genes_of_way[1][2]
    other = s.old.genes_of_way[0][0]
    np.testing.assert_allclose(s.new_apart(other, g), s.old_apart(other, g), rtol=1e-9)
    np.testing.assert_allclose(s.new_together("ideal", g, h), s.old_together(g, h), rtol=1e-9)
    a, b = least_seconds([lambda: s.old_singles(1), lambda: s.new_singles(1)], 40)
    c, d, e, f, i = least_seconds(
        [
            lambda: s.old_apart(other, g),
            lambda: s.new_apart(other, g),
            lambda: s.old_together(g, h),
            lambda: s.new_together("ideal", g, h),
            lambda: s.new_together("resistive", other, g),
        ],
        12,
    )
    note(
        f"expression, scan against the ladder scan: single changes {a / b:.2f} (without goals), "
        f"pairs of two ways {c / d:.2f}, of one way {e / f:.2f}; "
        f"a pair that moves all ways takes {i / c:.2f} times an independent one"
    )
    assert a / b >= 1.0 - SLACK
    assert c / d >= 1.0 - SLACK
    assert e / f >= 1.0 - SLACK
    assert i <= 2.0 * c
