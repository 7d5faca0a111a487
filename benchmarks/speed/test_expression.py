"""Speed of the bank of ladders beside the bare expression, and of parts that move all ways at once.

The bars: the bank, which is one of expressions with other names, at least 0.95 of the speed of the
bare one at the blocks that the search uses (82 networks on 200 frequencies, 16 on 48); changes of
parts that move all ways at most twice as long as of those that move one, goals included.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from benchmarks.problems import load
from benchmarks.speed.timing import least_seconds
from optimizer.network.bank import LadderBank
from optimizer.network.expression.bank import Bank, loss_slopes
from optimizer.network.expression.ladders import from_topology
from optimizer.network.expression.nodes import SourceResistance
from optimizer.network.expression.plan import Population
from optimizer.problem.problem import Problem
from optimizer.problem.scan import BlockKey, PairBlock, Scan
from optimizer.problem.space import Genome
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
        for way, y in zip(problem().topology.ways, old.solver.load_admittance, strict=True)
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


def test_coupled_against_independent(note: Note) -> None:
    """What moves all ways at once takes at most twice as long as what moves one."""
    independent = problem()
    topology = replace(independent.topology, source=SourceResistance(cable_ohm=0.1))
    coupled = independent.replace(topology=topology)
    genome = Genome(
        choice=np.array([len(o.values) // 2 for o in independent.space.options]),
        present=np.ones(len(independent.space.slots), dtype=bool),
        polarity=np.array([1.0, -1.0, 1.0]),
    )
    scans = [Scan(p.tables, genome) for p in (independent, coupled)]
    g, h = scans[0].genes_of_area[0][0], scans[0].genes_of_area[1][0]
    apart = BlockKey(first=(g,), second=(h,), areas=(0, 0))
    within = scans[0].genes_of_area[1]
    together = BlockKey(first=(within[0],), second=(within[2],), areas=(1, 1))

    def singles(p: Problem) -> object:
        scan = Scan(p.tables, genome)
        return [scan.singles(area) for area in range(len(scan.genes_of_area))]

    population = independent.space.population([genome] * 82)
    a, b, c, d, e, f = least_seconds(
        [
            lambda: singles(independent),
            lambda: singles(coupled),
            lambda: PairBlock(scans[0], together).all(),
            lambda: PairBlock(scans[1], apart).all(),
            lambda: independent.bank.solve_with_tangents(population, independent.loss_laws),
            lambda: coupled.bank.solve_with_tangents(population, coupled.loss_laws),
        ],
        12,
    )
    note(
        f"a part that moves all ways against one that moves one: single changes take {b / a:.2f} "
        f"times as long, pairs {d / c:.2f}, slopes of all parts {f / e:.2f}"
    )
    assert b <= 2.0 * a
    assert d <= 2.0 * c
