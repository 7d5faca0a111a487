"""Exact search against plain loops over all networks."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from optimizer.errors import InputError
from optimizer.goals import Directivity, Goal, Impedance, InRoom, OnAxis, Prepared, PreparedGoal
from optimizer.goals.response import PreparedLine, SmoothLine
from optimizer.problem.genome import Genome
from optimizer.problem.neighbourhood import Neighbourhood
from optimizer.problem.problem import Problem
from optimizer.problem.scan import PairBlock
from optimizer.search.prove.branches import MISSED, Bounds, WayTree, _goal_below
from optimizer.search.prove.exact import enumerate_best
from optimizer.search.rank import rank_genomes
from optimizer.stock.stock import Stock
from tests.conftest import THOROUGH, cases

Tiny = Callable[..., Problem]
Brute = Callable[[int], Any]

PROBLEMS = range(16)


@pytest.mark.routine(3)
@pytest.mark.parametrize("seed", PROBLEMS)
def test_exact_search_finds_what_plain_loops_find(tiny: Tiny, brute: Brute, seed: int) -> None:
    """The ranking is that of all networks computed, those that keep the limits first."""
    everything = brute(seed)
    result = enumerate_best(tiny(seed), top=4)
    assert result.stopped == "converged"
    assert result.notes[0].startswith("proven best")
    best = result.candidates[0]
    assert best.cost == pytest.approx(everything.best, abs=1e-9)
    assert best.feasible == everything.feasible.any()
    assert best.no_better_change_of >= len(tiny(seed).space.free_genes)
    if best.feasible:
        kept = [
            (g, c)
            for g, c, ok in zip(
                everything.networks, everything.costs.tolist(), everything.feasible, strict=True
            )
            if ok
        ]
        wanted = [c for _, c in rank_genomes(tiny(seed), kept, 4)]
        assert [c.cost for c in result.candidates] == pytest.approx(wanted, abs=1e-9)


@pytest.mark.routine(2)
@pytest.mark.parametrize("seed", range(12))
def test_joined_parts_and_parts_across_a_place(
    tiny: Tiny, list_all: Callable[[Problem], list[Genome]], seed: int
) -> None:
    """Proof, tables and all single and double changes agree with every network computed."""
    problem = tiny(seed, beside=True)
    networks = list_all(problem)
    costs = problem.evaluator.cost(problem.space.population(networks)) + np.array(
        [problem.space.economy(g) for g in networks]
    )
    result = enumerate_best(problem, top=1)
    assert result.notes[0].startswith("proven best")
    assert result.candidates[0].cost == pytest.approx(costs.min(), abs=1e-9)
    looked_up = problem.landscape.full.costs(
        np.array([g.choice for g in networks]),
        np.array([g.present for g in networks]),
        np.array([g.polarity for g in networks]),
    ) + np.array([problem.space.economy(g) for g in networks])
    np.testing.assert_allclose(looked_up, costs, rtol=1e-9)
    for genome in networks[:: max(1, len(networks) // 3)]:
        hood = Neighbourhood(problem.landscape, genome)
        economy = problem.space.economy(genome)
        for area, genes in enumerate(hood.scan.genes_of_area):
            if not genes:
                continue
            rows = hood.scan.rows(genes)
            changed = [
                hood.move((int(g), int(r))).apply(genome)
                for g, r in zip(rows.gene, rows.row, strict=True)
            ]
            singles = hood.scan.singles(area) + rows.price + economy
            np.testing.assert_allclose(singles, problem.cost(changed), rtol=1e-9)
        for key in hood.scan.block_keys():
            block = PairBlock(hood.scan, key)
            first, second = hood.scan.rows(key.first), hood.scan.rows(key.second)
            i, j = (x.ravel() for x in np.indices(block.shape))
            changed = [
                hood.move(first.change(a), second.change(b)).apply(genome)
                for a, b in zip(i, j, strict=True)
            ]
            price = first.price[i] + second.price[j] + economy
            np.testing.assert_allclose(block.all()[i, j] + price, problem.cost(changed), rtol=1e-9)


@pytest.mark.parametrize("number", cases([0, 13, 16, 17, 19], routine=(13,)))
def test_pieces_that_are_not_there_are_not_used(
    tiny: Tiny, shelf: Stock, list_all: Callable[[Problem], list[Genome]], number: int
) -> None:
    """With one piece of each value, the best network that the shelf allows is proven."""
    problem = tiny(number, stock=shelf)
    networks = list_all(problem)
    costs = problem.evaluator.cost(problem.space.population(networks)) + np.array(
        [problem.space.economy(g) for g in networks]
    )
    possible = np.ones(len(networks), dtype=bool)
    for i, genome in enumerate(networks):
        pieces = [
            (p.kind, p.value)
            for w in problem.space.network(genome).ways
            for s in w.slots
            for p in s.parts
            if p.origin != "kept"
        ]
        possible[i] = len(set(pieces)) == len(pieces)
    assert 0 < possible.sum() < len(networks)
    result = enumerate_best(problem, top=1)
    best = result.candidates[0]
    used = [
        (p.kind, p.value)
        for w in best.network.ways
        for s in w.slots
        for p in s.parts
        if p.origin != "kept"
    ]
    assert len(set(used)) == len(used)
    if best.feasible:
        limits = [g for g in problem.evaluator.goals if g.hard]
        curves = problem.evaluator.curves(problem.space.population(networks))
        for goal in limits:
            possible &= np.abs(goal.residuals(curves)).max(axis=-1) < 1e-9
        assert best.cost == pytest.approx(costs[possible].min(), abs=1e-9)


@pytest.mark.parametrize("number", PROBLEMS)
def test_trees_hold_every_network_once(tiny: Tiny, number: int) -> None:
    """The trees of all ways together hold as many networks as the space, none twice."""
    problem = tiny(number)
    trees = [WayTree(problem, w) for w in range(len(problem.topology.ways))]
    signs = 2.0 ** np.count_nonzero(problem.space.polarity_free)
    assert signs * np.prod([len(t) for t in trees]) == pytest.approx(
        10.0 ** problem.space.size_log10()
    )
    for tree in trees:
        filled = np.array(
            [tree.present[:, tree.slots.index(int(problem.space.gene_slot[g]))] for g in tree.genes]
        ).T.reshape(len(tree), -1)
        rows = np.concatenate([np.where(filled, tree.choice, -1), tree.present], axis=1)
        assert len(np.unique(rows, axis=0)) == len(tree)


@pytest.mark.parametrize("number", PROBLEMS)
def test_branches_know_their_members(tiny: Tiny, number: int) -> None:
    """Radii are the largest distances of members, the economy is the least, children partition."""
    for tree in (WayTree(tiny(number), w) for w in range(len(tiny(number).topology.ways))):
        h, y = tree.walk(slice(None))
        for i, level in enumerate(tree.levels[:-1]):
            assert level.transfer_radius is not None
            edges = np.append(tree.starts[i], len(tree))
            finer = np.append(tree.starts[i + 1], len(tree))
            assert (finer[level.first] == edges[:-1]).all()
            assert (finer[level.last] == edges[1:]).all()
            for b in range(len(edges) - 1):
                own = slice(edges[b], edges[b + 1])
                for value, centre, radius in (
                    (h, level.transfer, level.transfer_radius),
                    (y, level.admittance, level.admittance_radius),
                ):
                    away = np.abs(value[own] - centre[b]).max(axis=0)
                    assert np.allclose(radius[b], away, rtol=1e-6, atol=1e-12)
                    assert (radius[b] >= away * (1 + 1e-10)).all()
                assert level.economy[b] == tree.single_economy[own].min()


def test_coarser_branches_are_unions_of_finer_ones(tiny: Tiny) -> None:
    """Options of a part within a branch lie in one block as wide as the level says."""
    tree = WayTree(tiny(13), 0)
    for width, starts in zip(tree.widths, tree.starts, strict=True):
        edges = np.append(starts, len(tree))
        for a, b in pairwise(edges):
            assert (tree.choice[a:b] // width == tree.choice[a] // width).all()
            assert (tree.present[a:b] == tree.present[a]).all()
    assert len(tree.starts[-1]) == len(tree)


GOALS: dict[str, dict[str, Goal]] = {
    "all": {},
    "on_axis": {"on_axis": OnAxis(band_hz=(400.0, 700.0))},
    "level": {"on_axis": OnAxis(band_hz=(400.0, 700.0), level_db=(60.0, 62.0))},
    "slope": {"in_room": InRoom(band_hz=(400.0, 800.0))},
    "directivity": {"directivity": Directivity(band_hz=(400.0, 700.0))},
    "impedance": {
        "impedance": Impedance(floor_ohm=30.0, hard=False, band_hz=(400.0, 700.0)),
        "on_axis": OnAxis(weight=1e-9),
    },
}


@pytest.mark.parametrize("goals", GOALS)
@pytest.mark.parametrize("number", cases(range(12), routine=3))
def test_no_member_of_a_branch_costs_less_than_its_bound(
    tiny: Tiny, number: int, goals: str
) -> None:
    """Joint branches at every level, of one goal on few points too, where bounds are tightest."""
    problem = tiny(number, goals=GOALS[goals] or None, series=("E6", "E24", "E96")[number % 3])
    trees = [WayTree(problem, w) for w in range(len(problem.topology.ways))]
    bounds = Bounds(problem.evaluator, trees)
    rng = np.random.default_rng(number)
    signs = problem.space.polarity_start
    last = [len(t.levels) - 1 for t in trees]
    for _ in range(25):
        levels = [int(rng.integers(n + 1)) for n in last]
        branch = [int(rng.integers(len(t.starts[k]))) for t, k in zip(trees, levels, strict=True)]
        below = float(bounds.below(levels, np.array([branch]), signs)[0])
        members = []
        for tree, level, b in zip(trees, levels, branch, strict=True):
            edges = np.append(tree.starts[level], len(tree))
            members.append(rng.integers(edges[b], edges[b + 1], 40))
        costs = bounds.below(last, np.stack(members, axis=1), signs)
        assert below <= costs.min() + 1e-9


def test_bounds_of_small_branches_are_close(tiny: Tiny) -> None:
    """With neighbours 2.4 % apart the bound of a pair of options is near the lesser cost."""
    gaps = []
    for number in range(12):
        problem = tiny(number, series="E96")
        trees = [WayTree(problem, w) for w in range(len(problem.topology.ways))]
        bounds = Bounds(problem.evaluator, trees)
        last = [len(t.levels) - 1 for t in trees]
        levels = [max(0, n - 1) for n in last]
        signs = problem.space.polarity_start
        branch = np.array([[0] * len(trees)])
        edges = [np.append(t.starts[k], len(t)) for t, k in zip(trees, levels, strict=True)]
        rows = np.stack(
            [g.ravel() for g in np.meshgrid(*(np.arange(e[0], e[1]) for e in edges))], axis=1
        )
        least = (bounds.below(last, rows, signs) % MISSED).min()
        gaps.append(1.0 - bounds.below(levels, branch, signs)[0] / least)
    assert min(gaps) >= 0.0
    assert np.median(gaps) < 0.1


class Box:
    """Levels of a few curves and how far each may move: stands for curves and for slack."""

    def __init__(self, rng: np.random.Generator, size: float) -> None:
        self.levels = {n: rng.normal(80.0, 3.0, 12) for n in ("one", "other", "impedance")}
        self.room = {n: rng.uniform(0.0, size, (2, 12)) for n in self.levels}

    def level_db(self, name: str) -> np.ndarray:
        return self.levels[name]

    @property
    def impedance_db(self) -> np.ndarray:
        return self.levels["impedance"]

    def level(self, name: str) -> np.ndarray:
        return self.room[name]

    def impedance(self) -> np.ndarray:
        return self.room["impedance"]

    def moved(self, towards: dict[str, np.ndarray]) -> Box:
        """Every level at its lowest (-1) or highest (+1)."""
        box = object.__new__(Box)
        box.levels = {
            n: v + np.where(towards[n] < 0, -self.room[n][0], self.room[n][1])
            for n, v in self.levels.items()
        }
        return box


def some_goals() -> list[PreparedGoal]:
    index, f = np.arange(1, 11), np.geomspace(100.0, 1000.0, 10)
    lines = [
        PreparedLine(
            goal=SmoothLine(tilt_db_per_octave=tilt, level_db=level),
            name="g",
            curve_names=names,
            index=index,
            frequency_hz=f,
            octaves=np.log2(f / 1000.0),
            scale=0.3,
        )
        for names in (("one",), ("one", "other"))
        for tilt in (None, -0.5)
        for level in (None, (81.0, 82.0))
    ]
    return [
        *lines,
        Prepared(
            goal=Impedance(floor_ohm=1e4, hard=False),
            name="z",
            index=index,
            frequency_hz=f,
            scale=0.3,
        ),
    ]


@pytest.mark.parametrize("number", cases(range(len(some_goals())), routine=5))
def test_goals_never_fall_below_their_tangent(number: int) -> None:
    """No corner of a box of levels gives a figure below the bound, and small boxes reach it."""
    goal, rng = some_goals()[number], np.random.default_rng(8)
    for size in (3.0, 1e-6):
        for _ in range(50):
            box = Box(rng, size)
            below = float(_goal_below(goal, box, box))  # type: ignore[arg-type]
            residual = np.zeros(12)
            residual[1:11] = goal.residuals(box)  # type: ignore[arg-type]
            worst = {"one": -residual, "other": residual, "impedance": residual}
            corners = [worst] + [{n: rng.choice([-1.0, 1.0], 12) for n in worst} for _ in range(20)]
            figures = [float(np.linalg.norm(goal.residuals(box.moved(c)))) for c in corners]  # type: ignore[arg-type]
            assert min(figures) >= below - 1e-12
            if size < 1e-3 and below > 1e-3:
                assert figures[0] == pytest.approx(below, abs=1e-10)


def test_costs_of_single_networks_are_those_of_the_problem(tiny: Tiny) -> None:
    """Where nothing is left open, the bound is the cost that the problem computes."""
    problem = tiny(3)
    trees = [WayTree(problem, w) for w in range(len(problem.topology.ways))]
    bounds = Bounds(problem.evaluator, trees)
    rows = np.stack([np.random.default_rng(1).integers(0, len(t), 20) for t in trees], axis=1)
    genomes = []
    for row in rows:
        choice = np.zeros(len(problem.space.genes), dtype=np.intp)
        present = np.zeros(len(problem.space.slots), dtype=bool)
        for tree, r in zip(trees, row, strict=True):
            choice[tree.genes] = tree.choice[r]
            present[tree.slots] = tree.present[r]
        genomes.append(
            Genome(choice=choice, present=present, polarity=problem.space.polarity_start)
        )
    levels = [len(t.levels) - 1 for t in trees]
    ours = bounds.below(levels, rows, problem.space.polarity_start)
    assert ours % MISSED == pytest.approx(problem.cost(genomes), abs=1e-6)


@THOROUGH
def test_a_way_too_large_to_keep_is_walked_again(
    tiny: Tiny, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whether single networks are kept or walked again changes nothing."""
    problem = tiny(13)
    kept = enumerate_best(problem, top=2)
    monkeypatch.setattr("optimizer.search.prove.branches._LEAF_BYTES", 0)
    monkeypatch.setattr("optimizer.search.prove.branches._BLOCK", 36 * 7)
    walked = enumerate_best(problem, top=2)
    assert [c.cost for c in walked.candidates] == pytest.approx(
        [c.cost for c in kept.candidates], abs=1e-9
    )


def test_certificate_counts_changes_to_the_nearest_better_network(tiny: Tiny, brute: Brute) -> None:
    """No network within the certificate's number of changes is better, checked by loops."""
    problem, networks, costs = tiny(17), brute(17).networks, brute(17).costs
    result = enumerate_best(problem, top=5)
    slot_of = problem.space.gene_slot
    checked = 0
    for candidate in result.candidates:
        own = networks[int(np.argmin(np.abs(costs - candidate.cost)))]
        for other, cost in zip(networks, costs, strict=True):
            if cost < candidate.cost - 1e-8:
                both = (own.present & other.present)[slot_of]
                changes = (
                    np.count_nonzero(both & (own.choice != other.choice))
                    + np.count_nonzero(own.present != other.present)
                    + np.count_nonzero(own.polarity != other.polarity)
                )
                assert changes > candidate.no_better_change_of
                checked += 1
    assert checked


def test_large_problems_are_refused(tiny: Tiny) -> None:
    """More networks than the limit are refused with a remedy."""
    with pytest.raises(InputError, match="at most 10 networks") as caught:
        enumerate_best(tiny(0), limit=10)
    assert "leave exact out" in caught.value.remedy


@pytest.mark.parametrize("wrong", [{"top": 0}, {"seconds": 0.0}])
def test_wrong_options_are_refused(tiny: Tiny, wrong: dict[str, float]) -> None:
    """No candidates and no time are refused."""
    with pytest.raises(InputError):
        enumerate_best(tiny(0), **wrong)  # type: ignore[arg-type]


def test_out_of_time_proves_nothing(tiny: Tiny) -> None:
    """A search cut short keeps what it has and says that nothing is proven."""
    result = enumerate_best(tiny(13), seconds=1e-6)
    assert result.stopped == "budget"
    assert result.candidates
    assert "not proven" in result.notes[0]
    assert all(c.no_better_change_of == 0 for c in result.candidates)


def test_interrupted_keeps_what_was_found(tiny: Tiny) -> None:
    """Ctrl-C ends the exact search with the candidates of that moment."""

    def stop(_: object) -> None:
        raise KeyboardInterrupt

    problem = tiny(17)
    import optimizer.search.prove.exact as exact

    moments = iter(range(10_000))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(exact.time, "monotonic", lambda: float(next(moments)))
        result = enumerate_best(problem, progress=stop)
    assert result.stopped == "interrupted"
    assert result.candidates
