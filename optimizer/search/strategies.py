"""Where to look next: structures and start values proposed by nevergrad, taught by results.

Each proposal is a point of the unit cube: one coordinate per free part (start value between its
bounds, in log), one per optional slot and one per free polarity (on above one half). The strategy
is told the polished cost at the polished point, so it learns from what a proposal leads to.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from optimizer.arrays import Flags, Real
from optimizer.errors import InputError, Subject
from optimizer.problem.space import Space


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """A structure with start values.

    Parameters
    ----------
    log_values : ndarray, shape (G,)
    present : ndarray of bool, shape (K,)
    polarity : ndarray, shape (W,)
    token : object
        The strategy's own mark; hand it back with the result.
    """

    log_values: Real
    present: Flags
    polarity: Real
    token: Any = None


class Strategy:
    """Asks nevergrad for proposals and tells it what became of them.

    Parameters
    ----------
    space : Space
        The search space.
    name : str
        Name of a nevergrad optimiser.
    seed : int
        Seed of its random state.
    budget : int
        Proposals it may expect; some optimisers plan with it.
    batch : int
        Most proposals asked for before any is told.

    Raises
    ------
    InputError
        When nevergrad knows no optimiser of that name, or it cannot propose batches.
    """

    def __init__(self, space: Space, name: str, seed: int, budget: int, batch: int = 32) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # its optional dependencies warn at import
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
        self.free = space.free_genes
        self.optional = np.flatnonzero(space.optional)
        self.turning = np.flatnonzero(space.polarity_free)
        self.size = max(1, len(self.free) + len(self.optional) + len(self.turning))
        parameter = ng.p.Array(init=np.full(self.size, 0.5), lower=0.0, upper=1.0)
        parameter.random_state = np.random.RandomState(seed)
        self.parameter = parameter
        self._warnings = warnings.catch_warnings
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            self.optimizer = ng.optimizers.registry[name](
                parametrization=parameter, budget=budget, num_workers=batch
            )

    def ask(self, count: int) -> list[Proposal]:
        """Ask for proposals.

        Parameters
        ----------
        count : int
            How many.
        """
        with self._warnings():
            warnings.simplefilter("ignore")
            return [self._decode(self.optimizer.ask()) for _ in range(count)]

    def _decode(self, token: Any) -> Proposal:
        u = np.asarray(token.value, dtype=np.float64)
        n, m = len(self.free), len(self.optional)
        space = self.space
        log_values = 0.5 * (space.log_low + space.log_high)
        span = space.log_high - space.log_low
        log_values[self.free] = space.log_low[self.free] + u[:n] * span[self.free]
        present = np.ones(len(space.slots), dtype=bool)
        present[self.optional] = u[n : n + m] > 0.5
        if space.alternatives:
            liking = np.ones(len(present))
            liking[self.optional] = u[n : n + m]
            present = space.alternatives.settle(present, liking)
        polarity = space.polarity_start.copy()
        polarity[self.turning] = np.where(u[n + m : n + m + len(self.turning)] > 0.5, 1.0, -1.0)
        return Proposal(log_values=log_values, present=present, polarity=polarity, token=token)

    def _encode(self, log_values: Real, present: Flags, polarity: Real) -> Real:
        space = self.space
        span = np.maximum(space.log_high - space.log_low, 1e-12)
        u = ((log_values - space.log_low) / span)[self.free]
        return np.concatenate(
            [
                np.clip(u, 0.0, 1.0),
                np.where(present[self.optional], 0.75, 0.25),
                np.where(polarity[self.turning] > 0.0, 0.75, 0.25),
            ]
        )

    def tell(self, proposals: Sequence[Proposal], reached: Sequence[Proposal], costs: Real) -> None:
        """Tell what each proposal led to: the cost, and the point where it was found.

        Parameters
        ----------
        proposals : sequence of Proposal
            As asked.
        reached : sequence of Proposal
            The relaxed points.
        costs : ndarray, shape (len(proposals),)
            Their costs.
        """
        with self._warnings():
            warnings.simplefilter("ignore")
            for proposal, point, cost in zip(proposals, reached, costs, strict=True):
                # The asked point is told as if it had been the one it was relaxed to.
                child = proposal.token.spawn_child(
                    new_value=self._encode(point.log_values, point.present, point.polarity)
                )
                child.uid = proposal.token.uid
                self.optimizer.tell(child, float(min(cost, 1e6)))
