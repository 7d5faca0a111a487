"""The ranked list holds no network twice."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.network.topology import Topology
from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem
from optimizer.search.found import Found
from optimizer.search.rank import rank_genomes


@pytest.fixture(scope="module")
def twins(demo_problem: Problem) -> tuple[Problem, int, int]:
    """Build the demo with its woofer's shunt capacitor offered in two slots side by side."""
    demo = demo_problem
    woofer, *others = demo.topology.ways
    at = next(
        i
        for i, s in enumerate(woofer.slots)
        if (s.place, s.form, s.optional) == ("shunt", "capacitor", True)
    )
    slots = list(woofer.slots)
    slots.insert(at, replace(slots[at], name="C9"))
    problem = Problem(
        title="twins",
        drivers=demo.drivers,
        stock=demo.stock,
        goals=demo.goals,
        mirror=True,
        topology=Topology(ways=(replace(woofer, slots=tuple(slots)), *others)),
    )
    return problem, at, at + 1


def _network(problem: Problem, empty: int) -> Genome:
    space = problem.space
    present = np.ones(len(space.slots), dtype=bool)
    present[empty] = False
    choice = np.array([len(o.values) // 2 for o in space.options], dtype=np.intp)
    return Genome(choice=choice, present=present, polarity=space.polarity_start.copy())


def test_one_network_in_two_seats_ranks_once(twins: tuple[Problem, int, int]) -> None:
    """A capacitor in either of two like slots is one network; with both filled it is another."""
    problem, first, second = twins
    one, other = _network(problem, first), _network(problem, second)
    both = replace(one, present=np.ones_like(one.present))
    costs = problem.cost([one, other])
    assert costs[0] == pytest.approx(costs[1], rel=1e-12)
    ranked = rank_genomes(problem, [(one, 1.0), (other, 1.0), (both, 1.1)], 5)
    assert [cost for _, cost in ranked] == [1.0, 1.1]


@pytest.mark.parametrize(
    ("by_verdicts", "dearer", "first"), [(True, 1.004, "few"), (True, 1.006, "many"),
                                         (False, 1.004, "many")],
)  # fmt: skip
def test_fewer_pieces_stand_first_where_costs_are_as_good_as_equal(
    twins: tuple[Problem, int, int], by_verdicts: bool, dearer: float, first: str
) -> None:
    """Within half a percent the network of fewer pieces comes first; by cost alone it does not."""
    problem, seat, _ = twins
    few = _network(problem, seat)
    many = replace(few, present=np.ones_like(few.present))
    pieces = [problem.space.network(g).piece_count for g in (few, many)]
    assert pieces[0] < pieces[1]
    found = Found(problem, by_verdicts=by_verdicts)
    listed = found.prefer_fewer([(many, 1.0), (few, dearer)])
    assert listed[0][0] is {"few": few, "many": many}[first]
    assert sorted(cost for _, cost in listed) == [1.0, dearer]


def test_polarity_is_part_of_the_structure(twins: tuple[Problem, int, int]) -> None:
    """Networks that differ in polarity alone are both shown."""
    problem, first, _ = twins
    one = _network(problem, first)
    turned = replace(one, polarity=one.polarity * np.where(problem.space.polarity_free, -1.0, 1.0))
    assert np.any(problem.space.polarity_free)
    assert len(rank_genomes(problem, [(one, 1.0), (turned, 1.1)], 5)) == 2
