"""Scans say exactly what solving each changed network says."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.arrays import Real
from optimizer.problem.genome import Genome, Move
from optimizer.problem.neighbourhood import Neighbourhood
from optimizer.problem.problem import Problem
from optimizer.problem.scan import BlockKey, PairBlock, Scan
from optimizer.problem.tables import Tables
from optimizer.search.descend.exchange import Descent

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def problem(coarse_demo_problem: Problem) -> Problem:
    return coarse_demo_problem


def draw(problem: Problem, seed: int) -> Genome:
    rng = np.random.default_rng(seed)
    space = problem.space
    present = np.ones(len(space.slots), dtype=bool)
    present[space.optional] = rng.random(int(space.optional.sum())) < 0.6
    polarity = np.where(
        space.polarity_free, rng.choice([-1.0, 1.0], len(space.polarity_free)), space.polarity_start
    )
    choice = np.array([rng.integers(len(o.values)) for o in space.options], dtype=np.intp)
    return Genome(choice=choice, present=present, polarity=polarity)


def test_unchanged_cost(problem: Problem) -> None:
    """The scan's own cost is the cost of the solved network."""
    tables = Tables(problem.evaluator, problem.space)
    for seed in range(4):
        genome = draw(problem, seed)
        own = Scan(tables, genome).cost() + problem.space.economy(genome)
        assert own == pytest.approx(float(problem.cost([genome])[0]), rel=1e-10)


@pytest.mark.parametrize("seed", range(3))
def test_single_changes(problem: Problem, seed: int) -> None:
    """Every single change costs what the changed network costs when solved from scratch."""
    genome = draw(problem, seed)
    hood = Neighbourhood(problem.landscape, genome)
    scan = hood.scan
    economy = problem.space.economy(genome)
    for area, genes in enumerate(scan.genes_of_area):
        rows = scan.rows(genes)
        changed = [
            hood.move((int(g), int(r))).apply(genome)
            for g, r in zip(rows.gene, rows.row, strict=True)
        ]
        np.testing.assert_allclose(
            scan.singles(area) + rows.price + economy, problem.cost(changed), rtol=1e-9
        )


@pytest.mark.parametrize("seed", range(2))
def test_pairs_of_changes(problem: Problem, seed: int) -> None:
    """Sampled pairs of every block cost what the changed networks cost when solved."""
    genome = draw(problem, seed)
    hood = Neighbourhood(problem.landscape, genome)
    scan = hood.scan
    economy = problem.space.economy(genome)
    rng = np.random.default_rng(seed)
    for key in scan.block_keys():
        block = PairBlock(scan, key)
        first, second = scan.rows(key.first), scan.rows(key.second)
        i = rng.integers(block.shape[0], size=12)
        j = rng.integers(block.shape[1], size=12)
        price = first.price[i] + second.price[j] + economy
        changed = [
            hood.move(first.change(a), second.change(b)).apply(genome)
            for a, b in zip(i, j, strict=True)
        ]
        wanted = problem.cost(changed)
        np.testing.assert_allclose(block.some(i, j) + price, wanted, rtol=1e-9)
        np.testing.assert_allclose(block.all()[i, j] + price, wanted, rtol=1e-9)


@pytest.mark.parametrize("points", [24, 72])
def test_bounds_lie_below(problem: Problem, points: int) -> None:
    """The cost on a subset of the grid never exceeds the full cost."""
    bound = problem.evaluator.spread(points, bound=True)
    genomes = [draw(problem, seed) for seed in range(40)]
    population = problem.space.population(genomes)
    assert (bound.cost(population) <= problem.evaluator.cost(population) + 1e-9).all()


def test_certificate_by_brute_force(problem: Problem) -> None:
    """A network certified for two changes is not bettered by any sampled pair of changes."""
    descent = Descent(problem)
    start = descent.descend_singles(draw(problem, 7))
    done = descent.descend_pairs(start.genome, start.cost)
    assert done.no_better_change_of == 2
    hood = descent.around(done.genome)
    genes = problem.tables.scannable(done.genome)
    rng = np.random.default_rng(0)
    changed = []
    for _ in range(3000):
        g, h = rng.choice(genes, 2, replace=False)
        rows = [int(rng.integers(len(problem.tables.row_cost[int(x)]))) for x in (g, h)]
        move = hood.move((int(g), rows[0]), (int(h), rows[1]))
        if rng.random() < 0.2:
            move = hood.move((int(g), rows[0])) + Move(turned=(len(problem.topology.ways) - 1,))
        changed.append(move.apply(done.genome))
    for start_at in range(0, len(changed), 200):
        costs = problem.cost(changed[start_at : start_at + 200])
        assert costs.min() >= done.cost - 1e-9


def test_tables_equal_solving(problem: Problem) -> None:
    """Looking immittances up gives the cost of computing them."""
    genomes = [draw(problem, seed) for seed in range(100, 180)]
    computed = problem.evaluator.cost(problem.space.population(genomes))
    looked_up = problem.tables.costs(
        np.array([g.choice for g in genomes]),
        np.array([g.present for g in genomes]),
        np.array([g.polarity for g in genomes]),
    )
    np.testing.assert_allclose(looked_up, computed, rtol=1e-9)


def test_small_blocks_hold_the_same_pairs(
    problem: Problem, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Splitting blocks, so that a proof can be interrupted, loses no pair and doubles none."""
    genome = draw(problem, 3)

    def pairs() -> list[tuple[int, int]]:
        keys = list(Scan(problem.tables, genome).block_keys())
        return sorted((g, h) for key in keys for g in key.first for h in key.second)

    whole, blocks = pairs(), len(list(Scan(problem.tables, genome).block_keys()))
    monkeypatch.setattr("optimizer.problem.tables.PAIRS_AT_ONCE", 500)
    assert len(list(Scan(problem.tables, genome).block_keys())) > blocks
    assert pairs() == whole
    assert len(set(whole)) == len(whole)


def test_blocks_of_many_options_are_taken_in_portions(coarse_demo_problem, monkeypatch):
    """A block that holds some parts of a way alone values those, whatever stands before them."""
    monkeypatch.setattr("optimizer.problem.tables.PAIRS_AT_ONCE", 1)
    problem = coarse_demo_problem
    space, rng = problem.space, np.random.default_rng(1)
    genome = Genome(
        choice=np.array([len(o.values) // 2 for o in space.options]),
        present=np.ones(len(space.slots), dtype=bool),
        polarity=np.array([1.0, -1.0, 1.0]),
    )
    hood = Neighbourhood(problem.landscape, genome)
    keys = [key for key in hood.scan.block_keys() if key.areas[0] != key.areas[1]]
    assert len(keys) > 3 * len({key.areas for key in keys})
    for key in keys:
        block = PairBlock(hood.scan, key)
        first, second = hood.scan.rows(key.first), hood.scan.rows(key.second)
        assert block.shape == (len(first.gene), len(second.gene))
        i, j = (rng.integers(n, size=8) for n in block.shape)
        changed = [
            hood.move(first.change(a), second.change(b)).apply(genome)
            for a, b in zip(i, j, strict=True)
        ]
        price = first.price[i] + second.price[j] + space.economy(genome)
        wanted = problem.cost(changed)
        np.testing.assert_allclose(block.some(i, j) + price, wanted, rtol=1e-9)


@pytest.mark.parametrize("quantile", [0.02, 0.3, 0.9])
def test_what_costs_too_much_may_be_left_behind(problem: Problem, quantile: float) -> None:
    """What costs less than is asked for comes out as it does without a limit, all else above it.

    Judge: the same changes valued in full; pairs within a way, across ways, and of one branch.
    """
    genome = draw(problem, 1)
    hood = Neighbourhood(problem.landscape, genome)
    for area in range(len(hood.scan.genes_of_area)):
        rows = hood.scan.rows(hood.scan.genes_of_area[area])
        whole = hood.scan.some_singles(area, rows)
        below = np.full(len(whole), np.quantile(whole, quantile))
        _agree_below(hood.scan.some_singles(area, rows, below), whole, below)
    kinds: dict[tuple[bool, bool], BlockKey] = {}
    for key in hood.block_keys():
        kinds.setdefault((key.one_port, key.areas[0] == key.areas[1]), key)
    assert len(kinds) >= 2
    for key in kinds.values():
        block = PairBlock(hood.scan, key)
        whole = block.all()
        below = np.quantile(whole, quantile) + 0.01 * np.arange(whole.size).reshape(whole.shape)
        _agree_below(block.all(below), whole, below)
        i, j = (axis.ravel() for axis in np.indices(whole.shape))
        _agree_below(block.some(i, j, below[i, j]), whole[i, j], below[i, j])


def _agree_below(found: Real, whole: Real, below: Real) -> None:
    cheap = whole < below
    assert cheap.any()
    np.testing.assert_allclose(found[cheap], whole[cheap], rtol=1e-12)
    assert (found[~cheap] >= below[~cheap]).all()
