"""Tolerances: drawn spreads agree with what the exact derivatives foretell."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.bench.tolerance.tolerance import spread_network
from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem


@pytest.fixture(scope="module")
def problem(demo_problem: Problem) -> Problem:
    return demo_problem


def middle(problem: Problem):
    space = problem.space
    return space.network(
        Genome(
            choice=np.array([len(o.values) // 2 for o in space.options], dtype=np.intp),
            present=np.ones(len(space.slots), dtype=bool),
            polarity=space.polarity_start.copy(),
        )
    )


def test_spread_repeats(problem: Problem) -> None:
    """The same random generator gives the same bands, and the bands are in order."""
    network = middle(problem)
    first = spread_network(problem, network, draws=200, rng=np.random.default_rng(3))
    again = spread_network(problem, network, draws=200, rng=np.random.default_rng(3))
    for one, other in zip(first.curves, again.curves, strict=True):
        np.testing.assert_array_equal(one.low_db, other.low_db)
        assert (one.low_db <= one.high_db).all()


def test_variance_is_what_derivatives_foretell(problem: Problem) -> None:
    """For small tolerances the drawn variance of a curve is that of the first-order prediction."""
    network = middle(problem)
    small = {
        f"{way.name}.{name}": 0.002
        for way in network.ways
        for slot in way.slots
        for name, _, _ in slot.named_parts
    }
    report = spread_network(
        problem, network, draws=4000, rng=np.random.default_rng(1), tolerances=small
    )
    on_axis = next(c for c in report.curves if c.name == "on_axis")
    drawn = float((on_axis.deviation_db**2).mean())
    foretold = float((on_axis.foretold_db**2).mean())
    assert drawn == pytest.approx(foretold, rel=0.05)


def test_shares_make_the_whole(problem: Problem) -> None:
    """The parts' shares of the first-order variance sum to one and are ranked."""
    report = spread_network(problem, middle(problem), draws=100, rng=np.random.default_rng(1))
    shares = [p.share for p in report.parts]
    assert sum(shares) == pytest.approx(1.0, abs=1e-6)
    assert shares == sorted(shares, reverse=True)
