"""Speed of the parts of the engine: ``python -m pytest benchmarks/speed``.

Rates are printed and not judged, since they belong to a machine; ratios within one run are judged.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from benchmarks.peers.cost import PeerCost
from benchmarks.problems import load
from benchmarks.problems.catalogue import _goals
from benchmarks.problems.drivers import MIDRANGE, TWEETER, WOOFER, frequency_grid, make_driver
from benchmarks.problems.fingerprint import draw_networks
from benchmarks.problems.ladders import slot, way
from benchmarks.speed.timing import least_seconds
from optimizer.bench.tolerance.tolerance import spread_network
from optimizer.measure.curve import Direction
from optimizer.network.topology import Topology
from optimizer.problem.problem import Problem
from optimizer.search.descend.exchange import Descent
from optimizer.search.descend.relax import relax
from optimizer.stock.stock import series_stock

FEW = tuple(Direction(horizontal_deg=float(a)) for a in (0, 30, 60, 90, 180)) + tuple(
    Direction(vertical_deg=float(a)) for a in (30, -30, 90)
)
MANY = (
    tuple(Direction(horizontal_deg=float(a)) for a in range(-170, 190, 10))
    + tuple(Direction(vertical_deg=float(a)) for a in range(-170, 180, 10) if a)
    + (Direction(horizontal_deg=5.0), Direction(horizontal_deg=-5.0))
)


@cache
def demo_problem(points: int, directions: tuple[Direction, ...], *, own: bool = False) -> Problem:
    """The demo's ladders, 17 values, on another grid; goals of curves and parts, or its own."""
    demo = load("three_way_17")
    f = frequency_grid(points)
    order = (Direction(), *(d for d in directions if d != Direction()))
    drivers = [make_driver(d, f, order) for d in (WOOFER, MIDRANGE, TWEETER)]
    return Problem(
        title="speed",
        drivers=[replace(d, limits=o.limits) for d, o in zip(drivers, demo.drivers, strict=True)],
        topology=demo.topology,
        stock=demo.stock,
        goals=demo.goals if own else _goals(3.2),
        mirror=True,
    )


@cache
def ladder_problem(sections: int) -> Problem:
    """One way of so many single parts in turn."""
    f = frequency_grid(200)
    slots = [
        slot(
            f"S{i}",
            ("series inductor", "shunt capacitor")[i % 2],
            ("0.1 .. 1 mH", "1 .. 10 uF")[i % 2],
        )
        for i in range(sections)
    ]
    return Problem(
        title="ladder",
        drivers=[make_driver(WOOFER, f, (Direction(),))],
        topology=Topology(ways=(way("woofer", *slots),)),
        stock=series_stock("E12"),
        goals=_goals(3.0, room=False),
    )


def evaluate(problem: Problem, count: int) -> Callable[[], None]:
    """Work of computing the costs of so many random buildable networks."""
    cost = PeerCost(problem, np.inf, -np.inf)
    rows = np.random.default_rng(3).integers(0, cost.sizes, (count, cost.dimensions))
    networks = cost.networks(rows)

    def work() -> None:
        problem.tables.costs(*networks)

    return work


@pytest.mark.parametrize("name", ["two_way_minimal", "shelf_only", "kept_parts", "three_way_25"])
def test_peers_get_the_cost_of_the_problem(name):
    """What other optimisers are compared by is the problem's own cost."""
    problem = load(name)
    cost = PeerCost(problem, np.inf, -np.inf)
    genomes = draw_networks(problem, 200, 9)
    rows = np.array(
        [
            [*g.choice[cost.free], *g.present[cost.optional], *(g.polarity[cost.turning] > 0.0)]
            for g in genomes
        ],
        dtype=np.intp,
    )
    space = problem.space
    slow = (
        problem.evaluator.cost(space.population(genomes))
        + space.economies(genomes)
        + space.supply.penalties(genomes)
    )
    assert cost(rows) == pytest.approx(slow, rel=1e-9)
    assert cost.evaluations == 200


@pytest.mark.parametrize("directions", [FEW, MANY], ids=["8", "72"])
@pytest.mark.parametrize("own", [False, True], ids=["goals-of-curves", "goals-of-the-demo"])
def test_evaluation_rate(benchmark, note, own, directions):
    """Networks a second on one core: 3 ways, 17 values, 200 frequencies."""
    problem = demo_problem(200, directions, own=own)
    benchmark(evaluate(problem, 1024))
    rate = benchmark.extra_info["networks/s"] = 1024 / benchmark.stats.stats.min
    goals = sum(1 for goal in problem.goals.values() if goal.weight)
    note(
        f"evaluation: {rate:,.0f} networks/s (3 ways, 17 values, 200 frequencies, {goals} goals, "
        f"{len(directions)} directions)"
    )


@cache
def shelf_problem(join: int) -> Problem:
    """The demo from its shelf of sixty rows, with so many pieces in one part at most."""
    demo = load("demo_shelf")
    return Problem(
        title="shelf",
        drivers=demo.drivers,
        topology=demo.topology,
        stock=replace(demo.stock, join=join),
        goals=demo.goals,
        mirror=True,
    )


@pytest.mark.parametrize("join", [2, 3])
def test_joined_pieces_leave_evaluation_fast(note, join):
    """Joined pieces multiply the values; networks a second fall by half at most."""
    plain, joined = shelf_problem(1), shelf_problem(join)
    values = [sum(len(o.values) for o in p.space.options) for p in (plain, joined)]
    assert values[1] > 3 * values[0]
    a, b = least_seconds([evaluate(plain, 256), evaluate(joined, 256)])
    note(
        f"join {join}: {256 / b:,.0f} networks/s with {values[1]} values in the slots, "
        f"{256 / a:,.0f} with {values[0]} ({100 * (a / b - 1):+.0f} %)"
    )
    assert b <= 2.0 * a


def test_a_thousand_speakers_are_drawn_in_half_a_second(note):
    """1,000 draws of a network of 17 parts, all curves and goals: under 0.5 s on one core."""
    problem = load("three_way_17")
    space = problem.space
    full = replace(draw_networks(problem, 1, 6)[0], present=np.ones(len(space.slots), dtype=bool))
    network = space.network(full)
    assert sum(len(s.parts) for w in network.ways for s in w.slots) == 17
    least = np.inf
    for _ in range(8):
        began = time.perf_counter()
        report = spread_network(problem, network, draws=1000, rng=np.random.default_rng(1))
        least = min(least, time.perf_counter() - began)
    note(f"tolerances: 1,000 draws with {len(report.curves)} curves in {least:.2f} s")
    assert len(report.curves) >= len(problem.report_field.names)
    assert least < 0.5


def test_many_directions_cost_no_more_than_few(note):
    """72 directions cost at most 5 % more than 8."""
    assert (len(MANY), len(FEW)) == (72, 8)
    few, many = (demo_problem(200, d) for d in (FEW, MANY))
    assert len(few.evaluator.field.names) == 4
    a, b = least_seconds([evaluate(few, 80), evaluate(many, 80)])
    note(f"72 directions: {100 * (b / a - 1):+.1f} % against 8")
    assert b <= 1.05 * a


def test_cost_is_linear_in_frequencies(note):
    """Time per frequency stays the same from 100 to 800 frequencies, within a quarter."""
    problems = [demo_problem(n, FEW) for n in (100, 200, 400, 800)]
    times = least_seconds([evaluate(p, 400) for p in problems])
    each = [t / len(p.frequency_hz) for t, p in zip(times, problems, strict=True)]
    note("time per frequency, 100 to 800: " + ", ".join(f"{t / each[0]:.2f}" for t in each))
    assert max(each) <= 1.25 * min(each)


def test_cost_is_linear_in_slots(note):
    """Each further slot costs at most a quarter more from 16 to 32 slots than from 8 to 16."""
    counts = (8, 16, 32)
    problems = [ladder_problem(n) for n in counts]
    times = least_seconds([evaluate(p, 400) for p in problems])
    first = (times[1] - times[0]) / (counts[1] - counts[0])
    second = (times[2] - times[1]) / (counts[2] - counts[1])
    note(f"time per slot, 16 to 32 against 8 to 16: {second / first:.2f}")
    assert second <= 1.25 * first


def test_relaxation(benchmark):
    """Relaxing 32 starts on 64 frequencies."""
    problem = load("three_way_17")
    coarse, space = problem.evaluator.spread(64), problem.space
    rng = np.random.default_rng(4)
    u = rng.random((32, len(space.genes)))
    starts = space.log_low + u * (space.log_high - space.log_low)
    genomes = draw_networks(problem, 32, 4)
    present = np.array([g.present for g in genomes])
    polarity = np.array([g.polarity for g in genomes])
    benchmark(lambda: relax(coarse, space, problem.loss_laws, starts, present, polarity))


@pytest.mark.parametrize("what", ["descend_singles", "prove"])
def test_exchange(benchmark, note, what):
    """Exchanging single parts to the end, and ruling out every change of two parts."""
    problem = load("three_way_17")
    descent = Descent(problem)
    start = draw_networks(problem, 1, 5)[0]
    single = descent.descend_singles(start)
    if what == "descend_singles":
        benchmark(lambda: descent.descend_singles(start))
        return
    end = descent.descend_pairs(single.genome, single.cost)
    before = descent.evaluations
    result = benchmark.pedantic(
        lambda: descent.descend_pairs(end.genome, end.cost), rounds=3, iterations=1
    )
    assert result.no_better_change_of == 2
    each = (descent.evaluations - before) / 3
    rate = benchmark.extra_info["changes/s"] = each / benchmark.stats.stats.min
    note(f"proof: {each:,.0f} changes of one or two parts ruled out at {rate:,.0f} a second")
