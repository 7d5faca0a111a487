"""What every strategy must keep to, run by a short list of nevergrad's optimisers."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from optimizer.errors import InputError, Subject
from optimizer.problem.problem import Problem
from optimizer.search.fit import search
from optimizer.search.strategies import Proposal, Strategy

STRATEGIES = ("OnePlusOne", "DE", "TwoPointsDE", "CMA", "NGOpt", "RandomSearch", "PSO")
MIXED = 16  # a tiny problem with kept, optional and compound slots and a free polarity

Tiny = Callable[..., Problem]


def make_strategy(problem: Problem, name: str, seed: int) -> Strategy:
    strategy = Strategy(problem.space, name, seed, budget=500)
    # Not told that it is asked in batches, it may choose a method that waits for ever for the
    # answer to its first proposal.
    assert name != "NGOpt" or strategy.optimizer.num_workers >= 16
    return strategy


@pytest.fixture
def ask(tiny: Tiny) -> Callable[..., list[Proposal]]:
    """Return a function that asks and tells in turn and returns all that was proposed."""

    def run(
        name: str, seed: int, cost_of: Callable[[Proposal, int], float], turns: int = 5
    ) -> list[Proposal]:
        strategy = make_strategy(tiny(MIXED), name, seed)
        asked: list[Proposal] = []
        for _ in range(turns):
            batch = strategy.ask(16)
            costs = np.array([cost_of(p, len(asked) + i) for i, p in enumerate(batch)])
            strategy.tell(batch, batch, costs)
            asked += batch
        return asked

    return run


def plain_cost(proposal: Proposal, number: int) -> float:
    return float(np.square(proposal.log_values).sum() + proposal.present.sum() + number % 3)


def test_the_mixed_problem_has_everything(tiny: Tiny) -> None:
    """The problem that the strategies are tried on has slots and ways of each sort."""
    space = tiny(MIXED).space
    assert space.optional.any()
    assert not space.optional.all()
    assert not space.free.all()
    assert space.polarity_free.any()
    assert max(len(genes) for genes in space.slot_genes) > 1


@pytest.mark.parametrize("name", STRATEGIES)
def test_proposals_stay_in_bounds(
    tiny: Tiny, ask: Callable[..., list[Proposal]], name: str
) -> None:
    """Values lie between the ends of the stock; slots that must be filled are; fixed ways stay."""
    space = tiny(MIXED).space
    asked = ask(name, 1, plain_cost)
    for p in asked:
        assert (p.log_values >= space.log_low - 1e-12).all()
        assert (p.log_values <= space.log_high + 1e-12).all()
        assert p.present[~space.optional].all()
        assert (
            p.polarity[~space.polarity_free] == space.polarity_start[~space.polarity_free]
        ).all()
        assert set(np.abs(p.polarity)) == {1.0}
    for values in (
        np.array([p.present for p in asked])[:, space.optional],
        np.array([p.polarity for p in asked])[:, space.polarity_free],
    ):
        assert (values.min(axis=0) < values.max(axis=0)).all()  # both were tried


@pytest.mark.parametrize("name", STRATEGIES)
def test_proposals_repeat_with_their_seed(ask: Callable[..., list[Proposal]], name: str) -> None:
    """The same seed and costs give the same proposals; another seed gives others."""
    once, again, other = (ask(name, seed, plain_cost) for seed in (4, 4, 5))
    assert all(
        (a.log_values == b.log_values).all()
        and (a.present == b.present).all()
        and (a.polarity == b.polarity).all()
        for a, b in zip(once, again, strict=True)
    )
    assert any((a.log_values != b.log_values).any() for a, b in zip(once, other, strict=True))


@pytest.mark.parametrize("name", STRATEGIES)
@pytest.mark.parametrize("bad", [np.inf, np.nan, 1e300])
def test_costs_that_are_no_numbers_are_survived(
    tiny: Tiny, ask: Callable[..., list[Proposal]], name: str, bad: float
) -> None:
    """After infinite and undefined costs, proposals go on and stay in bounds."""
    space = tiny(MIXED).space
    asked = ask(name, 2, lambda p, i: plain_cost(p, i) if i % 4 == 1 else bad)
    assert len(asked) == 80
    for p in asked:
        assert np.isfinite(p.log_values).all()
        assert (p.log_values >= space.log_low - 1e-12).all()
        assert (p.log_values <= space.log_high + 1e-12).all()


@pytest.mark.parametrize("name", STRATEGIES)
@pytest.mark.parametrize("number", [2, 16])
def test_search_finds_what_plain_loops_find(
    tiny: Tiny, brute: Callable[[int], Any], name: str, number: int
) -> None:
    """Under every strategy the search ends at the best of all networks computed."""
    make_strategy(tiny(number), name, 3)
    result = search(tiny(number), seconds=None, seed=3, top=1, strategy=name, max_rounds=4)
    best = result.candidates[0]
    assert best.cost == pytest.approx(brute(number).best, abs=1e-9)
    assert best.no_better_change_of == 2


def test_strategies_that_need_one_answer_at_a_time_are_refused(tiny: Tiny) -> None:
    """An optimiser that cannot be asked in batches is refused rather than waited for."""
    with pytest.raises(InputError) as caught:
        search(tiny(2), strategy="SQP", max_rounds=2)
    assert caught.value.subject == Subject("search", part="strategy")


def test_unknown_strategies_are_refused(tiny: Tiny) -> None:
    """A name that nevergrad does not know is refused, and a known one is named."""
    with pytest.raises(InputError, match="must be a nevergrad optimiser") as caught:
        search(tiny(2), strategy="Divination")
    assert "DE" in caught.value.remedy
