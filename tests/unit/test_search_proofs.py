"""When proofs of the ranked list begin, and what becomes of where they lead."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.problem.genome import Genome
from optimizer.problem.neighbourhood import Neighbourhood
from optimizer.problem.problem import Problem
from optimizer.search.budget import Stopwatch
from optimizer.search.found import Found
from optimizer.search.proofs import Proofs
from optimizer.search.prove.networks import Proved
from optimizer.search.runner import Runner
from optimizer.testing import small_problem

SECONDS = 20.0


@pytest.fixture(scope="module")
def problem() -> Problem:
    """Few values: what a proof comes to is soon gone through by hand."""
    return small_problem()


def proofs_of(
    problem: Problem, *, top: int = 4, seconds: float | None = SECONDS, most: int | None = None
) -> Proofs:
    """Proofs of nothing yet."""
    found = Found(problem, by_verdicts=False)
    return Proofs(problem, found, Runner.here(), Stopwatch(seconds), top, most)


def start_of(problem: Problem) -> tuple[Genome, float]:
    """The first option everywhere: surely not the best."""
    genome = Genome(
        choice=np.zeros(len(problem.space.options), dtype=int),
        present=np.ones(len(problem.space.slots), dtype=bool),
        polarity=problem.space.polarity_start.copy(),
    )
    return genome, float(problem.cost([genome])[0])


def test_time_is_kept_back_for_as_many_proofs_as_are_wanting(problem: Problem) -> None:
    """Two at a time, each with a quarter to spare; at least a twentieth, two fifths at most."""
    proofs = proofs_of(problem)
    assert proofs.begin_s() == pytest.approx(0.6 * SECONDS)
    start = start_of(problem)
    for seconds, kept in ((0.01, 0.05 * SECONDS), (2.0, 2 * 1.25 * 2.0), (60.0, 0.4 * SECONDS)):
        proofs = proofs_of(problem)
        proved = Proved(
            genome=start[0], cost=start[1], no_better_change_of=2, evaluations=1, seconds=seconds
        )
        proofs.take([start], iter([proved]))
        assert proofs.begin_s() == pytest.approx(SECONDS - kept)
    assert proofs_of(problem, seconds=None).begin_s() is None


def test_a_proof_leads_to_what_no_change_of_two_parts_betters(problem: Problem) -> None:
    """Judge: all pairs of changes gone through once more from where it led."""
    proofs = proofs_of(problem, seconds=None)
    genome, cost = start_of(problem)
    proofs.found.add(genome, cost)
    while todo := proofs.list_next():
        proofs.take(todo, proofs.begin(todo))
    led = proofs.led_to(genome)
    assert led is not None
    assert led[1] < cost
    assert proofs.of(led[0]) == 2
    assert proofs.of(genome) == 0
    assert proofs.found.has_stepped_back(genome)
    assert [c for _, c in proofs.found.rank(1)] == [led[1]]
    hood = Neighbourhood(problem.landscape, led[0])
    assert all(hood.best_pair(key, led[1]) is None for key in hood.block_keys())


def test_networks_are_due_where_the_list_has_settled(problem: Problem) -> None:
    """And none while better ones keep coming, unless time presses."""
    proofs = proofs_of(problem)
    proofs.found.add(*start_of(problem))
    assert not proofs.due(settled=False)
    assert len(proofs.due(settled=True)) == 1


def test_a_budget_of_networks_goes_to_the_best_and_ends(problem: Problem) -> None:
    """One after the other, and no further block of changes once so many were gone through."""
    proofs = proofs_of(problem, seconds=None, most=1)
    start = start_of(problem)
    other = replace(start[0], polarity=-start[0].polarity)
    for genome in (start[0], other):
        proofs.found.add(genome, float(problem.cost([genome])[0]))
    todo = proofs.list_next()
    assert len(todo) == 1
    assert not proofs.used_up
    proofs.take(todo, proofs.begin(todo))
    assert proofs.used_up
    assert proofs.of(proofs.found.rank(1)[0][0]) < 2
    whole = proofs_of(problem, seconds=None)
    whole.found.add(*todo[0])
    whole.take(todo, whole.begin(todo))
    assert proofs.evaluations < whole.evaluations
