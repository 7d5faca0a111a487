"""A search around one network: what it tells gets better, what is held stays, its end is an end."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
import pytest

from optimizer.problem.genome import Genome, Move
from optimizer.problem.problem import Problem
from optimizer.search.nearby import search_nearby
from optimizer.testing import small_problem


@pytest.fixture(scope="module")
def problem() -> Problem:
    return small_problem()


def draw(problem: Problem, seed: int) -> Genome:
    rng = np.random.default_rng(seed)
    space = problem.space
    return Genome(
        choice=np.array([rng.integers(len(o.values)) for o in space.options]),
        present=np.ones(len(space.slots), dtype=bool),
        polarity=space.polarity_start.copy(),
    )


def change_two(problem: Problem, genome: Genome, held: frozenset[int]) -> list[Genome]:
    """Every network in which two parts that may move have other values, one by one."""
    space = problem.space
    free = [
        g for g in range(len(space.genes)) if g not in held and genome.present[space.gene_slot[g]]
    ]
    return [
        Move(options=((g, a), (h, b))).apply(genome)
        for g, h in combinations(free, 2)
        for a, b in product(
            range(len(space.options[g].values)), range(len(space.options[h].values))
        )
    ]


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("held", [frozenset(), frozenset({0, 2})])
def test_no_two_values_better_the_end(problem: Problem, seed: int, held: frozenset[int]) -> None:
    """By plain evaluation of all of them; costs told fall, and are those of the networks told."""
    start = draw(problem, seed)
    told = list(search_nearby(problem, start, held=held))
    costs = [cost for _, cost in told]
    assert costs == sorted(costs, reverse=True)
    assert costs == pytest.approx(problem.cost([genome for genome, _ in told]), rel=1e-9)
    assert costs[0] < problem.cost([start])[0]
    end = told[-1][0]
    assert problem.cost(change_two(problem, end, held)).min() >= costs[-1] - 1e-9
    for g in held:
        assert all(genome.choice[g] == start.choice[g] for genome, _ in told)
        assert all(genome.present[problem.space.gene_slot[g]] for genome, _ in told)


def test_it_stops_when_asked(problem: Problem) -> None:
    """Asked to stop after the first, it tells no more."""
    told: list[float] = []
    for _, cost in search_nearby(problem, draw(problem, 1), stop=lambda: bool(told)):
        told.append(cost)
    assert len(told) == 1
