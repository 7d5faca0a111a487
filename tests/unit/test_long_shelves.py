"""Shelves of ten thousand lots and more: memory that does not grow with them, and exact answers."""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer.errors import InputError
from optimizer.goals import OnAxis, Parts, Price
from optimizer.network.slots import series_capacitor, shunt_capacitor
from optimizer.network.topology import Topology
from optimizer.parts import Part
from optimizer.problem.genome import Genome
from optimizer.problem.landscape import Landscape
from optimizer.problem.neighbourhood import Neighbourhood
from optimizer.problem.offers import STEPS_COMPARED, count_pieces, merge_alike, spread_values
from optimizer.problem.problem import Problem
from optimizer.problem.scan import PairBlock, Scan
from optimizer.search.descend import local
from optimizer.stock.lots import BOUGHT, SHELF, Lot
from optimizer.stock.shelf import parse_parts_list
from optimizer.stock.stock import Stock, assemble_stock
from optimizer.testing import small_problem
from optimizer.testing.shelves import draw_shelf

LOTS = 20_000
TABLES_MB = 24.0
"""Of one grid, whatever the stock: `ROOM` in `optimizer.network.expression.options`."""
PEAK_MB = 120.0
"""Tables of all grids, and what one step of a search needs besides."""


def lot(value: float, count: int | None, *, price: float = 0.0, loss: float = 0.1) -> Lot:
    origin = SHELF if price == 0.0 else BOUGHT
    part = Part(
        kind="capacitor", value=value, loss_ohm=loss, origin=origin, pieces=(value,), price=price
    )
    return Lot(part=part, count=count, nominal=value)


def shelf(count: int) -> list[Lot]:
    """Capacitors of one piece each, of as many values."""
    return [lot(float(value), 1) for value in np.geomspace(1e-6, 30e-6, count)]


def test_memory_stays_where_it_is_on_a_long_shelf() -> None:
    """Tables, single changes and a block of pairs of 20,000 lots stay within a stated bound.

    Tables of all options would hold 300 MB, and one of options by lots 2,000 MB.
    """
    stock = Stock.of({"inductor": "E12", "resistor": "E12"}, lots=shelf(LOTS))
    stock.options("capacitor", 3.3e-6, 22e-6)
    tracemalloc.start()
    try:
        problem = small_problem(stock=stock)
        assert max(len(o.values) for o in problem.space.options) > 6_000
        middle = [len(o.values) // 2 for o in problem.space.options]
        genome = Genome(
            choice=np.array(middle),
            present=np.ones(len(problem.space.slots), dtype=bool),
            polarity=problem.space.polarity_start.copy(),
        )
        hood = Neighbourhood(problem.landscape, genome)
        hood.best_single(few=True)
        key = next(k for k in hood.block_keys() if k.rows is not None)
        hood.best_pair(key, 0.3 * hood.cost)
        peak = tracemalloc.get_traced_memory()[1] / 1e6
    finally:
        tracemalloc.stop()
    assert peak < PEAK_MB
    for tables in problem.landscape.levels:
        assert tables.lookup.table_bytes / 1e6 < TABLES_MB * 1.05


def test_what_no_table_holds_is_computed_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without room for tables, costs of networks and of every change of one part are the same."""
    problem = small_problem()
    rng = np.random.default_rng(4)
    genomes = [
        Genome(
            choice=np.array([rng.integers(len(o.values)) for o in problem.space.options]),
            present=rng.random(len(problem.space.slots)) < 0.7,
            polarity=problem.space.polarity_start.copy(),
        )
        for _ in range(20)
    ]
    for genome in genomes:
        genome.present[~problem.space.optional] = True
    wanted = problem.cost(genomes)
    singles = Neighbourhood(problem.landscape, genomes[0]).singles().cost
    monkeypatch.setattr("optimizer.network.expression.options._ROWS", 0)
    bare = problem.replace(title="without tables")
    assert bare.tables.lookup.table_bytes == 0
    np.testing.assert_allclose(bare.cost(genomes), wanted, rtol=1e-10)
    found = Neighbourhood(bare.landscape, genomes[0]).singles().cost
    np.testing.assert_allclose(found, singles, rtol=1e-10)


def test_tiles_hold_every_pair_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks cut into tiles, axes not kept, give the costs of whole blocks, each pair once."""
    problem = small_problem()
    genome = Genome(
        choice=np.zeros(len(problem.space.genes), dtype=np.intp),
        present=np.ones(len(problem.space.slots), dtype=bool),
        polarity=problem.space.polarity_start.copy(),
    )

    def costs() -> tuple[int, dict[tuple[int, ...], float]]:
        scan = Scan(problem.tables, genome)
        keys = list(scan.block_keys())
        found: dict[tuple[int, ...], float] = {}
        for key in keys:
            first, second = scan.sides(key)
            for (i, j), cost in np.ndenumerate(PairBlock(scan, key).all()):
                pair = (*first.change(i), *second.change(j))
                assert pair not in found
                found[pair] = float(cost)
        return len(keys), found

    blocks, whole = costs()
    singles = Neighbourhood(problem.landscape, genome).singles().cost
    monkeypatch.setattr("optimizer.problem.scan.MOST_PAIRS", 9)
    monkeypatch.setattr("optimizer.problem.scan.PAIRS_AT_ONCE", 9)
    monkeypatch.setattr("optimizer.problem.scan._TILE", 3)
    monkeypatch.setattr("optimizer.problem.scan.MOST_NUMBERS", 2 * len(problem.frequency_hz))
    tiles, cut = costs()
    assert tiles > 3 * blocks
    assert cut.keys() == whole.keys()
    np.testing.assert_allclose([cut[k] for k in whole], list(whole.values()), rtol=1e-9)
    found = Neighbourhood(Landscape(problem.space, [problem.evaluator]), genome).singles().cost
    np.testing.assert_allclose(found, singles, rtol=1e-9)


def test_few_changes_are_some_of_all(monkeypatch: pytest.MonkeyPatch) -> None:
    """What passes over most options keeps the present one, and what it finds is what it costs."""
    problem = small_problem(stock=Stock.of("E24"))
    genome = Genome(
        choice=np.array([len(o.values) - 1 for o in problem.space.options]),
        present=np.ones(len(problem.space.slots), dtype=bool),
        polarity=problem.space.polarity_start.copy(),
    )
    monkeypatch.setattr("optimizer.problem.neighbourhood.MANY_OPTIONS", 8)
    hood = Neighbourhood(problem.landscape, genome)
    few, every = hood.singles(few=True), hood.singles()
    of_all = dict(zip(zip(every.rows.gene, every.rows.row, strict=True), every.cost, strict=True))
    assert len(few.cost) < len(every.cost)
    for gene, row, cost in zip(few.rows.gene, few.rows.row, few.cost, strict=True):
        assert cost == pytest.approx(of_all[gene, row], abs=1e-12)
    for g in np.unique(every.rows.gene):
        assert problem.tables.row_of(genome, int(g)) in few.rows.row[few.rows.gene == g]
    better = hood.best_single(few=True)
    assert better is not None
    assert better[1] == pytest.approx(float(problem.cost([better[0]])[0]), abs=1e-9)
    assert better[1] < hood.cost


def test_near_options_are_all_where_there_are_few(monkeypatch: pytest.MonkeyPatch) -> None:
    """Looking at near options alone picks what looking at all does, where all are near."""
    rng = np.random.default_rng(12)
    stock = assemble_stock(lots=[lot(v, 1) for v in np.geomspace(1e-6, 9e-6, 12)])
    parts = stock.options("capacitor", 1e-6, 9e-6)
    supply = _two_capacitors(stock).supply
    root = rng.normal(size=(4, 4))
    model = local.LocalModel(
        genes=np.arange(2), gradient=rng.normal(size=4), matrix=root @ root.T + np.eye(4)
    )
    logs = np.log([p.value / 3e-6 for p in parts])
    options = [
        local.OptionSteps(
            steps=np.column_stack([logs, rng.uniform(0.0, 0.2, len(parts))]),
            price=np.where(rng.random(len(parts)) < 0.3, np.inf, rng.random(len(parts))),
        )
        for _ in range(2)
    ]
    how: dict[str, Any] = {"breadth": 10, "restraint": 0.1}
    wanted = local.pick_options(model, options, supply, **how)
    monkeypatch.setattr(local, "MANY", 0)
    np.testing.assert_array_equal(local.pick_options(model, options, supply, **how), wanted)
    assert all(a != b for a, b in wanted)  # one piece of each: never the same twice


def _two_capacitors(stock: Stock) -> Problem:
    topology = Topology.of(
        woofer=[shunt_capacitor("C1", "1 uF", "9 uF")],
        tweeter=[series_capacitor("C1", "1 uF", "9 uF")],
    )
    goals = {"on_axis": OnAxis(), "parts": Parts(), "price": Price(weight=0.05)}
    return small_problem(topology=topology, stock=stock, goals=goals)


def test_merged_pieces_leave_the_best_network(monkeypatch: pytest.MonkeyPatch) -> None:
    """With pieces that do the same merged, plain loops find what they find with all, counts kept."""
    lots = [lot(3e-6, 1, price=p) for p in (0.9, 0.4, 0.4, 0.7)]
    lots += [lot(3e-6, 1, price=0.4, loss=0.3), lot(5e-6, 1, price=2.0), lot(5e-6, 2, price=0.5)]
    lots += [lot(5e-6, 1, price=0.5), lot(2e-6, 1, price=9.0)]
    stock = Stock(lots=parse_named(lots))

    def best() -> tuple[int, float]:
        problem = _two_capacitors(stock)
        sizes = [len(o.values) for o in problem.space.options]
        found = [
            Genome(
                choice=np.array(choice),
                present=np.ones(2, dtype=bool),
                polarity=problem.space.polarity_start.copy(),
            )
            for choice in product(*(range(n) for n in sizes))
        ]
        fitting = [g for g in found if not problem.space.supply.overdraft(g)]
        assert len(fitting) < len(found)
        return sum(sizes), float(problem.cost(fitting).min())

    merged, cost = best()
    monkeypatch.setattr("optimizer.problem.problem.merge_alike", lambda parts, *_: list(parts))
    unmerged, wanted = best()
    assert unmerged == 2 * len(lots)
    assert merged < unmerged
    assert cost == pytest.approx(wanted, abs=1e-12)


def parse_named(lots: list[Lot]) -> tuple[Lot, ...]:
    """Name lots as a stock does."""
    return assemble_stock(lots=lots).lots


def test_merging_keeps_what_suffices() -> None:
    """The cheapest of equal pieces stay, and as many as a network can use; the dearest of all too."""
    stock = assemble_stock(
        lots=[lot(3e-6, 1, price=p) for p in (0.9, 0.4, 0.5)] + [lot(3e-6, 1, price=0.4, loss=0.2)]
    )
    parts = stock.options("capacitor", 1e-6, 9e-6)
    kept = merge_alike(parts, count_pieces(stock), 2)
    assert [(p.price, p.loss_ohm) for p in kept] == [(0.9, 0.1), (0.4, 0.1), (0.5, 0.1), (0.4, 0.2)]
    kept = merge_alike(parts, count_pieces(stock), 1)
    assert [(p.price, p.loss_ohm) for p in kept] == [(0.9, 0.1), (0.4, 0.1), (0.4, 0.2)]


def test_joins_that_do_not_fit_are_refused_before_any_work(
    copy_demo: Callable[..., Path],
    laddersmith: Callable[..., Any],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A shelf of 3,000 lines cannot be joined in twos: exit code 2 with rule, count and remedy."""

    def never(*args: object, **kwargs: object) -> None:
        raise AssertionError("joined although it does not fit")

    monkeypatch.setattr("optimizer.stock.stock.list_joined", never)
    monkeypatch.setattr("optimizer.design.build.problem.load_drivers", never)
    design = copy_demo(
        tmp_path / "demo",
        ("\nstock: {series: E12}\n", "\nstock: {shelf: long.csv, join: 2}\n"),
        files={"long.csv": draw_shelf(3_000)},
    )
    done = laddersmith("fit", design)
    assert done.returncode == 2
    assert "at most 500,000 sets" in done.stderr
    assert "join fewer pieces" in done.stderr
    with pytest.raises(InputError, match="at most 500,000 sets"):
        small_problem(stock=assemble_stock(lots=shelf(1_000), join=2))


def test_a_thousand_alike_are_named_apart_and_pooled() -> None:
    """Measured pieces with one value are one lot when read, and lots of their own for a speaker."""
    rows = "\n".join(f"capacitor,4.7 uF,4.71 uF,{k},0.1" for k in range(1_000))
    found = parse_parts_list(f"kind,value,measured,label,esr\n{rows}\n")
    assert [one.count for one in found.lots] == [1_000]
    assert found.lots[0].part.value == pytest.approx(4.71e-6, rel=1e-12)
    values = [one.part.value for one in assemble_stock(lots=found.lots).lots]
    assert len(set(values)) == 1_000
    assert max(values) == pytest.approx(4.71e-6, rel=1e-11)


def test_a_bench_compares_one_part_of_every_step() -> None:
    """Around a network of a long shelf each place has a bounded choice, its own part among it."""
    stock = Stock.of({"inductor": "E12", "resistor": "E12"}, lots=shelf(2_000))
    problem = small_problem(stock=stock)
    genome = Genome(
        choice=np.array([len(o.values) // 3 for o in problem.space.options]),
        present=np.ones(len(problem.space.slots), dtype=bool),
        polarity=problem.space.polarity_start.copy(),
    )
    network = problem.space.network(genome)
    laid = problem.around(network)
    sizes = [len(o.values) for o in laid.space.options]
    assert max(len(o.values) for o in problem.space.options) > 600
    assert 100 < max(sizes) <= STEPS_COMPARED + 1
    found = laid.space.locate(network)
    assert laid.space.network(found) == network
    assert problem.compared
    assert not small_problem().compared
    for options in laid.space.options:
        gaps = np.diff(np.log(options.values))
        assert gaps.max() < 0.35 if len(gaps) else True
    cheap = [lot(1e-6, 1, price=0.9), lot(1.001e-6, 1, price=0.5), lot(9e-6, 1, price=3.0)]
    assert [p.price for p in spread_values([one.part for one in cheap], 2, 2)] == [0.5, 3.0]
