"""Rounding, ranking, and the promises of a search result."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from optimizer.acoustics.curves import Curves
from optimizer.problem.problem import Problem
from optimizer.search.descend.relax import relax
from optimizer.search.descend.rounding import round_relaxed
from optimizer.search.fit import search
from optimizer.search.found import TIE
from optimizer.search.rank import DISTINCT_DB

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def problem(coarse_demo_problem: Problem) -> Problem:
    return coarse_demo_problem


def test_rounding_beats_nearest_values(problem: Problem) -> None:
    """Around a good relaxed point the rounding is no worse than taking each nearest value."""
    space = problem.space
    rng = np.random.default_rng(3)
    count = 6
    present = np.ones((count, len(space.slots)), dtype=bool)
    relaxed = relax(
        problem.evaluator.spread(48),
        space,
        problem.loss_laws,
        rng.uniform(space.log_low, space.log_high, (count, len(space.genes))),
        present,
        np.ones((count, len(space.polarity_free))),
        schedule=((40, 1.0),),
    )
    for i in np.argsort(relaxed.cost)[:3]:
        nearest = space.snap(relaxed.log_values[i], relaxed.present[i], relaxed.polarity[i])
        found = round_relaxed(problem, relaxed, int(i))
        assert found[0][1] <= float(problem.cost([nearest])[0]) + 1e-12
        genomes = [g for g, _ in found]
        np.testing.assert_allclose(problem.cost(genomes), [c for _, c in found], rtol=1e-12)


def test_result_keeps_its_promises(problem: Problem) -> None:
    """Candidates are ranked, feasible, distinct, and cost what their goals say."""
    result = search(problem, seconds=None, evaluations=16_000, seed=5, top=4)
    assert [c.rank for c in result.candidates] == list(range(1, len(result.candidates) + 1))
    costs = [c.cost for c in result.candidates]
    assert all(a <= b * (1.0 + TIE) for a, b in pairwise(costs))
    for c in result.candidates:
        assert c.feasible
        assert c.cost == pytest.approx(sum(g.cost for g in c.goals))
        assert c.no_better_change_of == 2
        assert c.relaxed_cost is not None
        assert c.relaxed_cost <= c.cost + 1e-9
    for i, a in enumerate(result.candidates):
        for b in result.candidates[i + 1 :]:
            same = [[(s.name, w.polarity) for s in w.slots] for w in a.network.ways] == [
                [(s.name, w.polarity) for s in w.slots] for w in b.network.ways
            ]
            apart = max(
                float(np.abs(a.curves.named_db[n] - b.curves.named_db[n]).max())
                for n in a.curves.named_db
            )
            assert not same or apart >= DISTINCT_DB


def test_curves_equal_direct_sums(problem: Problem) -> None:
    """A Hermitian form gives the same level as summing every direction by itself."""
    space = problem.space
    rng = np.random.default_rng(1)
    choice = [[int(rng.integers(len(o.values))) for o in space.options] for _ in range(3)]
    values = np.array(
        [[o.values[c] for o, c in zip(space.options, row, strict=True)] for row in choice]
    )
    loss = np.array(
        [[o.loss_ohm[c] for o, c in zip(space.options, row, strict=True)] for row in choice]
    )
    from optimizer.network.bank import Population

    population = Population(
        values=values,
        loss_ohm=loss,
        present=np.ones((3, len(space.slots)), dtype=bool),
        polarity=np.ones((3, len(space.polarity_free))),
    )
    solved = problem.evaluator.bank.solve(population)
    field = problem.report_field
    curves = Curves(field, solved.transfer, solved.admittance)
    summed = np.einsum("dpf,daf->paf", np.stack(solved.transfer), field.pressure)
    for name, average in problem.averages.items():
        direct = 10 * np.log10(np.einsum("a,paf->pf", average.weights, np.abs(summed) ** 2))
        np.testing.assert_allclose(curves.level_db(name), direct, atol=1e-7)
