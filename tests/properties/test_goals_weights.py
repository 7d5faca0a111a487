"""The score never falls when a weight grows."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.acoustics.curves import Field
from optimizer.arrays import Real
from optimizer.goals import GOALS, EconomyGoal, Prepared, Scene
from optimizer.goals.economy import KEPT, economy_figures, option_costs
from optimizer.measure.driver import Limits
from optimizer.network.bank import Population
from optimizer.network.rework import BoardPlace
from optimizer.parts import Part
from optimizer.problem.evaluator import Evaluator
from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem
from tests.conftest import examples

NAMES = tuple(n for n, s in GOALS.items() if not issubclass(s, EconomyGoal))
LIMITS = Limits(
    watts=5.0, highest_hz=2000.0, excursion_m=2e-3, force_factor_tm=5.0, resistance_ohm=5.0
)


def soft(goal: Prepared, weight: float) -> Prepared:
    """A goal with another weight, and without its limit."""
    unlimited = replace(goal.goal, hard=False) if goal.hard else goal.goal
    return replace(goal, goal=replace(unlimited, weight=weight))


class Bench:
    """The demo with every goal prepared, and some of its networks."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        by_name = {d.name: replace(d, limits=LIMITS) for d in problem.drivers}
        ways = [(w.name, by_name[w.driver]) for w in problem.topology.ways]
        curves = {**problem.averages, **problem.single_directions}
        scene = Scene(frequency_hz=problem.frequency_hz, curves=curves, ways=ways)
        self.goals: dict[str, Prepared] = {}
        for name in NAMES:
            self.goals[name] = GOALS[name]().prepare(scene)
        used = tuple(dict.fromkeys(c for g in self.goals.values() for c in g.curve_names))
        self.field = Field(
            used,
            problem.pressure,
            np.stack([curves[c].weights for c in used]),
        )
        rng = np.random.default_rng(11)
        space = problem.space
        self.genomes = [
            Genome(
                choice=np.array([rng.integers(len(o.values)) for o in space.options]),
                present=np.where(space.optional, rng.random(len(space.optional)) < 0.6, True),
                polarity=np.where(space.polarity_free, rng.choice([-1.0, 1.0], 3), 1.0),
            )
            for _ in range(60)
        ]
        self.population: Population = space.population(self.genomes)
        self.figures = {name: self.cost([soft(g, 1.0)]) for name, g in self.goals.items()}

    def cost(self, goals: list[Prepared]) -> Real:
        evaluator = Evaluator(self.problem.evaluator.bank, self.field, goals)
        return evaluator.cost(self.population)


@pytest.fixture(scope="module")
def bench(demo_problem: Problem) -> Bench:
    return Bench(demo_problem)


@pytest.mark.parametrize("name", NAMES)
def test_cost_never_falls_when_a_weight_grows(bench: Bench, name: str) -> None:
    """For every goal and network the cost grows with the weight, by figure times growth."""
    weights = (0.0, 0.1, 1.0, 3.0, 50.0)
    costs = [bench.cost([soft(bench.goals[name], w)]) for w in weights]
    for before, after in pairwise(costs):
        assert np.all(after >= before)
    for w, cost in zip(weights, costs, strict=True):
        np.testing.assert_allclose(cost, w * bench.figures[name], atol=1e-12)


@examples(40)
@given(st.data())
def test_more_weight_never_buys_a_worse_figure(bench: Bench, data: st.DataObject) -> None:
    """Among all networks, the best for a larger weight of one goal has no worse a figure of it,
    and no better a cost by the old weights."""
    chosen = data.draw(st.lists(st.sampled_from(NAMES), min_size=2, max_size=5, unique=True))
    weights = [data.draw(st.floats(0.05, 5.0)) for _ in chosen]
    growth = data.draw(st.floats(1.1, 20.0))

    def total(w: list[float]) -> Real:
        return bench.cost([soft(bench.goals[n], x) for n, x in zip(chosen, w, strict=True)])

    before = total(weights)
    after = total([weights[0] * growth, *weights[1:]])
    assert np.all(after >= before)
    old, new = int(np.argmin(before)), int(np.argmin(after))
    assert bench.figures[chosen[0]][new] <= bench.figures[chosen[0]][old] + 1e-12
    assert before[new] >= before[old] - 1e-12


@pytest.mark.parametrize("name", [n for n, s in GOALS.items() if issubclass(s, EconomyGoal)])
def test_economy_never_falls_when_its_weight_grows(bench: Bench, name: str) -> None:
    """Pieces, price, copper and changes cost in proportion to their weight, for options and for
    networks alike: what the search adds up is what the report prints."""
    parts = [
        Part(kind="inductor", value=v, loss_ohm=300.0 * v, price=2000.0 * v)
        for v in (1e-4, 1e-3, 3e-3)
    ]
    on_board = Part(kind="inductor", value=2e-3, loss_ohm=0.5, price=4.0, origin=KEPT)
    by_weight = []
    for weight in (0.0, 0.5, 2.0):
        place = BoardPlace(known=True, was=on_board)
        *bought, kept = option_costs({name: GOALS[name](weight=weight)}, [*parts, on_board], place)
        assert kept == 0.0  # what stays on the board costs nothing by any of them
        by_weight.append(np.array(bought))
    assert np.all(by_weight[0] == 0.0)
    np.testing.assert_allclose(by_weight[2], 4.0 * by_weight[1])
    assert np.all(by_weight[1] > 0.0)
    problem = bench.problem
    if name not in ("price", "changes"):  # the demo's stock has no prices, and it has no board
        specs = {name: GOALS[name](weight=0.7)}
        for genome in bench.genomes[:5]:
            network = problem.space.network(genome)
            built = [p for way in network.ways for slot in way.slots for p in slot.parts]
            counted = float(option_costs(specs, built).sum())
            (figure,) = economy_figures(specs, network)
            assert figure.cost == pytest.approx(counted)
            assert figure.cost == pytest.approx(0.7 * figure.value)
