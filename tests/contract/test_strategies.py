"""What every strategy must keep to, run by a short list of nevergrad's optimisers."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from optimizer.arrays import Flags, Real
from optimizer.errors import InputError, Subject
from optimizer.problem.problem import Problem
from optimizer.search.fit import search
from optimizer.search.strategies import Strategy
from tests.conftest import cases

STRATEGIES = ("OnePlusOne", "DE", "TwoPointsDE", "CMA", "NGOpt", "RandomSearch", "PSO")
ROUTINE = ("OnePlusOne", "NGOpt")
MIXED = 16  # a tiny problem with kept, optional and compound slots and a free polarity

Tiny = Callable[..., Problem]
Asked = list[tuple[Flags, Real]]


def make_strategy(problem: Problem, name: str, seed: int) -> Strategy:
    strategy = Strategy(problem.space, name, seed)
    # Not told that it is asked in batches, it may choose a method that waits for ever for the
    # answer to its first proposal.
    assert name != "NGOpt" or strategy.optimizer.num_workers >= 16
    return strategy


@pytest.fixture
def turns(trials: Callable[..., int]) -> int:
    """How many batches are asked for: a proposal takes nevergrad some 20 ms."""
    return trials(routine=3, full=5)


@pytest.fixture
def ask(tiny: Tiny, turns: int) -> Callable[..., Asked]:
    """Return a function that asks and tells in turn and returns all that was proposed."""

    def run(name: str, seed: int, cost_of: Callable[[Flags, int], float]) -> Asked:
        strategy = make_strategy(tiny(MIXED), name, seed)
        asked: Asked = []
        for _ in range(turns):
            batch = strategy.ask(16)
            for i, (present, polarity, token) in enumerate(batch):
                strategy.tell(token, cost_of(present, len(asked) + i))
                asked.append((present, polarity))
        return asked

    return run


def plain_cost(present: Flags, number: int) -> float:
    return float(present.sum() + number % 3)


def test_the_mixed_problem_has_everything(tiny: Tiny) -> None:
    """The problem that the strategies are tried on has slots and ways of each sort."""
    space = tiny(MIXED).space
    assert space.optional.any()
    assert not space.optional.all()
    assert not space.free.all()
    assert space.polarity_free.any()
    assert max(len(genes) for genes in space.slot_genes) > 1


@pytest.mark.parametrize("name", cases(STRATEGIES, routine=ROUTINE))
def test_proposals_can_be_built(tiny: Tiny, ask: Callable[..., Asked], name: str) -> None:
    """Slots that must be filled are; fixed ways stay; of what is free, both are tried."""
    space = tiny(MIXED).space
    present, polarity = (np.array(a) for a in zip(*ask(name, 1, plain_cost), strict=True))
    assert present[:, ~space.optional].all()
    fixed = ~space.polarity_free
    assert (polarity[:, fixed] == space.polarity_start[fixed]).all()
    assert (np.abs(polarity) == 1.0).all()
    for values in (present[:, space.optional], polarity[:, space.polarity_free]):
        assert (values.min(axis=0) < values.max(axis=0)).all()


@pytest.mark.parametrize("name", cases(STRATEGIES, routine=ROUTINE))
def test_proposals_repeat_with_their_seed(ask: Callable[..., Asked], name: str) -> None:
    """The same seed and costs give the same proposals; another seed gives others."""
    once, again, other = (
        np.array([np.concatenate(a) for a in ask(name, seed, plain_cost)]) for seed in (4, 4, 5)
    )
    assert (once == again).all()
    assert (once != other).any()


@pytest.mark.parametrize("name", cases(STRATEGIES, routine=ROUTINE))
@pytest.mark.parametrize("bad", cases([np.nan, np.inf, 1e300], routine=1))
def test_costs_that_are_no_numbers_are_survived(
    ask: Callable[..., Asked], turns: int, name: str, bad: float
) -> None:
    """After infinite and undefined costs, proposals go on."""
    asked = ask(name, 2, lambda p, i: plain_cost(p, i) if i % 4 == 1 else bad)
    assert len(asked) == 16 * turns


@pytest.mark.parametrize("name", cases(STRATEGIES, routine=ROUTINE))
@pytest.mark.parametrize("number", cases([16, 2], routine=1))
def test_search_finds_what_plain_loops_find(
    tiny: Tiny, brute: Callable[[int], Any], name: str, number: int
) -> None:
    """Under every strategy the search ends at the best of all networks computed."""
    make_strategy(tiny(number), name, 3)
    result = search(tiny(number), seconds=None, seed=3, top=1, strategy=name, evaluations=5_000)
    best = result.candidates[0]
    assert best.cost == pytest.approx(brute(number).best, abs=1e-9)
    assert best.no_better_change_of == 2


def test_strategies_that_need_one_answer_at_a_time_are_refused(tiny: Tiny) -> None:
    """An optimiser that cannot be asked in batches is refused rather than waited for."""
    with pytest.raises(InputError) as caught:
        search(tiny(2), strategy="SQP", evaluations=8_000)
    assert caught.value.subject == Subject("search", part="strategy")


def test_unknown_strategies_are_refused(tiny: Tiny) -> None:
    """A name that nevergrad does not know is refused, and a known one is named."""
    with pytest.raises(InputError, match="must be a nevergrad optimiser") as caught:
        search(tiny(2), strategy="Divination")
    assert "DE" in caught.value.remedy
