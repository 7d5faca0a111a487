"""A search among alternatives against the plain designs that each of them makes, taken one by one."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from optimizer.network.network import Network
from optimizer.network.slots import (
    keep,
    series_capacitor,
    series_inductor,
    series_resistor,
    shunt_capacitor,
    shunt_inductor,
)
from optimizer.network.topology import OneOf, Slot, Topology
from optimizer.network.variable_pad import variable_pad
from optimizer.problem.figures import build_candidate
from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem
from optimizer.search.fit import search
from optimizer.search.prove.exact import enumerate_best
from optimizer.testing import small_problem


def draw(seed: int) -> tuple[list[Slot | OneOf], dict[str, list[Slot]]]:
    """A high pass of the tweeter: alternatives in one ladder, and the ladder of each alone."""
    rng = np.random.default_rng(seed)
    low, high = rng.uniform(2.0, 4.0), rng.uniform(9.0, 16.0)
    coil = f"{rng.uniform(0.2, 0.35):.3g} mH", f"{rng.uniform(0.8, 1.2):.3g} mH"
    kept = f"{rng.uniform(4.0, 8.0):.3g} uF"
    pad = series_resistor("R1", "1.5 ohm", "4.7 ohm", optional=True)
    alternatives = {
        "first order": [series_capacitor("C1", f"{low:.3g} uF", f"{high:.3g} uF")],
        "second order": [
            series_capacitor("C2", f"{low:.3g} uF", f"{high:.3g} uF"),
            shunt_inductor("L2", *coil),
            shunt_inductor("L3", *coil, optional=True),
        ],
        "the old board": [keep(series_capacitor("C4"), kept), keep(shunt_inductor("L4"), "0.5 mH")],
    }
    return [OneOf(alternatives), pad], {name: [*own, pad] for name, own in alternatives.items()}


def make(tweeter: list[Slot | OneOf] | list[Slot], seed: int) -> Problem:
    tilt = np.random.default_rng(seed).uniform(-0.5, 0.0)
    return small_problem(
        topology=Topology.of(
            woofer=[
                series_inductor("L1", "0.68 mH", "2.2 mH"),
                shunt_capacitor("C1", "6.8 uF", "15 uF", optional=True),
            ],
            tweeter=tweeter,
            free_polarity=["tweeter"],
        ),
        goals={
            "on_axis": {"tilt": f"{tilt:.3g} dB/oct", "band": "150 .. 15k"},
            "impedance": {"floor": "4 ohm", "hard": True},
            "parts": {"each": 0.03},
        },
    )


def loop(problem: Problem) -> tuple[float, Network]:
    """Go through every network of a plain problem, each solved as if there were no other."""
    space = problem.space
    genomes = []
    for mask in product(*((True, False) if o else (True,) for o in space.optional)):
        present = np.array(mask)
        rows = [
            range(len(o.values)) if present[k] else (0,)
            for o, k in zip(space.options, space.gene_slot, strict=True)
        ]
        genomes += [
            Genome(choice=np.array(choice), present=present, polarity=np.array([1.0, sign]))
            for choice in product(*rows)
            for sign in (1.0, -1.0)
        ]
    costs = problem.evaluator.cost(space.population(genomes)) + space.economies(genomes)
    best = genomes[int(np.argmin(costs))]
    return float(costs.min()), space.network(best)


@pytest.mark.routine(1)
@pytest.mark.parametrize("seed", range(6))
def test_the_best_of_all_alternatives_is_found(seed: int) -> None:
    """Search and exact search find the best network of the best alternative, to 1e-9 in cost."""
    tweeter, plain = draw(seed)
    bests = {name: loop(make(ladder, seed)) for name, ladder in plain.items()}
    name, (cost, network) = min(bests.items(), key=lambda item: item[1][0])
    problem = make(tweeter, seed)
    exact = enumerate_best(problem, top=1)
    assert exact.notes[0].startswith("proven best")
    found = search(problem, seconds=None, evaluations=6_000, seed=seed, top=3, by="cost")
    for candidate in (exact.candidates[0], found.candidates[0]):
        assert candidate.cost == pytest.approx(cost, abs=1e-9)
        assert candidate.network == network
        assert [taken.name for taken in candidate.taken] == [name]
        # The same network is worth the same in the design that has no alternatives.
        alone = build_candidate(make(plain[name], seed), candidate.network)
        assert alone.cost == pytest.approx(candidate.cost, abs=1e-9)
    others = [cost for other, (cost, _) in bests.items() if other != name]
    assert min(others) > cost + 1e-6  # else nothing was decided


@pytest.mark.parametrize("seed", range(4))
def test_the_space_counts_each_network_once(seed: int) -> None:
    """Its size is the sum of those of the plain designs."""
    tweeter, plain = draw(seed)
    size = 10.0 ** make(tweeter, seed).space.size_log10()
    assert size == pytest.approx(
        sum(10.0 ** make(one, seed).space.size_log10() for one in plain.values())
    )


@pytest.mark.thorough
def test_boards_and_positions_alone() -> None:
    """With nothing to buy, the best of two boards and seven positions is that of a plain loop."""
    boards = {
        "this board": [keep(series_capacitor("C1"), "6.8 uF")],
        "that board": [
            keep(series_capacitor("C2"), "4.7 uF"),
            keep(shunt_inductor("L2"), "0.5 mH"),
        ],
    }
    positions = variable_pad("P1", 6.0, range(-6, 1))
    woofer = [keep(series_inductor("L1"), "1 mH", loss="0.3 ohm")]

    def make_all(tweeter: list[Slot | OneOf]) -> Problem:
        return small_problem(
            topology=Topology.of(woofer=woofer, tweeter=tweeter, free_polarity=["tweeter"])
        )

    costs = {
        (board, position): loop(make_all([*own, *pad]))[0]
        for board, own in boards.items()
        for position, pad in positions.alternatives.items()
    }
    best = min(costs, key=lambda key: costs[key])
    problem = make_all([OneOf(boards), positions])
    for robust in (False, True):
        # By cost alone, as the loop judges: the best network here drives its tweeter too low.
        found = search(
            problem, seconds=None, evaluations=5_000, robust=robust, by="cost"
        ).candidates[0]
        assert tuple(taken.name for taken in found.taken) == best
        assert found.cost == pytest.approx(costs[best], abs=1e-9)
        assert found.parts == 0
