"""A structure proposed from outside: nevergrad's optimisers, over filled slots and polarities.

What nevergrad is given is the part of the problem that has no slope: which optional slots are
filled and which ways are turned. It is told what the structure came to once its values were relaxed,
rounded to what can be had, and exchanged: the cost of a network that can be built.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Protocol

import numpy as np

from optimizer.arrays import Flags, Real
from optimizer.errors import InputError, Subject
from optimizer.problem.space import Space

Proposal = tuple[Flags, Real, object]
"""Filled slots, shape (K,), polarities, shape (W,), and a mark to tell the outcome by."""

_BUDGET = 1_000  # proposals that an optimiser may plan with
_WORST = 1e6


class Adviser(Protocol):
    """Proposes structures and is told what became of them."""

    def ask(self, count: int) -> list[Proposal]:
        """Propose structures.

        Parameters
        ----------
        count : int
            How many.
        """

    def tell(self, token: object, cost: float) -> None:
        """Tell the cost of the best network of a structure.

        Parameters
        ----------
        token : object
            The mark of the proposal.
        cost : float
        """


@contextmanager
def _quiet() -> Iterator[None]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its optional dependencies warn
        yield


class Strategy:
    """Asks nevergrad for structures and tells it what became of them.

    Parameters
    ----------
    space : Space
        The search space.
    name : str
        Name of a nevergrad optimiser.
    seed : int
        Seed of its random state.
    batch : int
        Most proposals asked for before any is told.

    Raises
    ------
    InputError
        When nevergrad knows no optimiser of that name, or it cannot propose batches.
    """

    def __init__(self, space: Space, name: str, seed: int, batch: int = 32) -> None:
        with _quiet():
            import nevergrad as ng
        if name not in ng.optimizers.registry:
            raise InputError(
                "the search strategy must be a nevergrad optimiser",
                value=name,
                subject=Subject("search", part="strategy"),
                remedy="for example OnePlusOne or DE",
            )
        if getattr(ng.optimizers.registry[name], "no_parallelization", False):
            raise InputError(
                "the search strategy must be able to propose batches",
                value=name,
                subject=Subject("search", part="strategy"),
                remedy="for example OnePlusOne or DE",
            )
        self.space = space
        self.optional = np.flatnonzero(space.optional)
        self.turning = np.flatnonzero(space.polarity_free)
        with _quiet():
            parameter = ng.p.Tuple(
                *(ng.p.Choice([False, True]) for _ in self.optional),
                *(ng.p.Choice([1.0, -1.0]) for _ in self.turning),
            )
            parameter.random_state = np.random.RandomState(seed)
            self.optimizer = ng.optimizers.registry[name](
                parametrization=parameter, budget=_BUDGET, num_workers=batch
            )

    def ask(self, count: int) -> list[Proposal]:
        """See `Adviser.ask`."""
        with _quiet():
            return [self._decode(self.optimizer.ask()) for _ in range(count)]

    def _decode(self, token: Any) -> Proposal:
        space, chosen = self.space, list(token.value)
        present = np.ones(len(space.slots), dtype=bool)
        present[self.optional] = np.array(chosen[: len(self.optional)], dtype=bool)
        if space.alternatives:
            present = space.alternatives.settle(present, present.astype(float))
        polarity = space.polarity_start.copy()
        polarity[self.turning] = chosen[len(self.optional) :]
        return present, polarity, token

    def tell(self, token: object, cost: float) -> None:
        """See `Adviser.tell`; a cost that is no number counts as a very bad one."""
        with _quiet():
            self.optimizer.tell(token, float(min(cost, _WORST)) if cost == cost else _WORST)


class Uniform:
    """Draws structures at random and learns nothing: what an adviser is measured against.

    Parameters
    ----------
    space : Space
    seed : int
    """

    def __init__(self, space: Space, seed: int) -> None:
        self.space = space
        self.rng = np.random.default_rng(seed)

    def ask(self, count: int) -> list[Proposal]:
        """See `Adviser.ask`."""
        space, out = self.space, []
        for _ in range(count):
            present = ~space.optional | (self.rng.random(len(space.slots)) < 0.5)
            polarity = space.polarity_start.copy()
            turned = space.polarity_free & (self.rng.random(len(polarity)) < 0.5)
            polarity[turned] *= -1.0
            out.append((space.alternatives.draw(present, self.rng), polarity, object()))
        return out

    def tell(self, token: object, cost: float) -> None:
        """See `Adviser.tell`."""
