"""The cost function that every peer gets: whole numbers in, costs out, clock and count kept."""

from __future__ import annotations

import time
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optimizer.network.bank import Population
from optimizer.search.problem import Problem
from optimizer.search.supply import OVERDRAWN_COST

Real = NDArray[np.float64]
Index = NDArray[np.intp]

_BLOCK = 1 << 14  # complex numbers worked on at once: stays in a second-level cache


class TimeIsUp(Exception):
    """Ends an optimiser from inside its cost function."""


class PeerCost:
    """Full cost of networks given as rows of whole numbers.

    The variables are the option of each free part (sorted by value, so that neighbours are
    alike), then 0 or 1 for each optional slot, then 0 or 1 for each free polarity.

    Parameters
    ----------
    problem : Problem
    seconds : float
        Wall clock after which `TimeIsUp` is raised.
    enough : float
        Cost that ends a run early.

    Attributes
    ----------
    sizes : ndarray of int, shape (D,)
        Number of choices of each variable.
    course : list of (float, float)
        Seconds and best cost at every improvement.
    evaluations : int
    """

    def __init__(self, problem: Problem, seconds: float, enough: float) -> None:
        space = problem.space
        self.problem = problem
        self.seconds = seconds
        self.enough = enough
        self.free = space.free_genes
        self.optional = np.flatnonzero(space.optional)
        self.turning = np.flatnonzero(space.polarity_free)
        self.sizes = np.array([len(space.options[g].values) for g in self.free]
                              + [2] * (len(self.optional) + len(self.turning)))
        self.values = np.array([o.values[0] for o in space.options])
        self.loss = np.array([o.loss_ohm[0] for o in space.options])
        self.block = max(1, _BLOCK // len(problem.frequency_hz))
        self.restart()

    def restart(self) -> None:
        """Set clock and count to zero."""
        self.best = np.inf
        self.evaluations = 0
        self.course: list[tuple[float, float]] = []
        self.began = time.perf_counter()

    @property
    def dimensions(self) -> int:
        """Number of variables."""
        return len(self.sizes)

    def population(self, rows: Index) -> tuple[Population, Real]:
        """Networks of rows (P, D), and what their parts cost or lack, shape (P,)."""
        space, p = self.problem.space, len(rows)
        n, m = len(self.free), len(self.optional)
        present = np.ones((p, len(space.slots)), dtype=bool)
        present[:, self.optional] = rows[:, n:n + m] == 1
        polarity = np.repeat(space.polarity_start[None], p, axis=0)
        polarity[:, self.turning] = np.where(rows[:, n + m:] == 1, 1.0, -1.0)
        values, loss = np.repeat(self.values[None], p, axis=0), np.repeat(self.loss[None], p, 0)
        economy = np.zeros(p)
        for i, g in enumerate(self.free):
            options, chosen = space.options[g], rows[:, i]
            values[:, g], loss[:, g] = options.values[chosen], options.loss_ohm[chosen]
            economy += options.cost[chosen] * present[:, space.gene_slot[g]]
        supply = space.supply
        if supply.counted:
            used = sum(
                supply.usage[g][np.where(present[:, space.gene_slot[g]], rows[:, i], -1)]
                for i, g in enumerate(self.free))
            economy += OVERDRAWN_COST * np.maximum(used - supply.available, 0).sum(axis=1)
        return Population(values=values, loss_ohm=loss, present=present, polarity=polarity), economy

    def compute(self, rows: Index) -> Real:
        """Costs of rows (P, D) without clock and count."""
        population, economy = self.population(rows)
        costs = np.concatenate([
            self.problem.evaluator.cost(population[s:s + self.block])
            for s in range(0, len(rows), self.block)])
        return np.asarray(costs + economy)

    def __call__(self, rows: NDArray[Any]) -> Real:
        """Costs of rows (P, D) of whole numbers.

        Raises
        ------
        TimeIsUp
            When time is up or the cost is low enough.
        """
        rows = np.clip(np.asarray(rows, dtype=np.intp), 0, self.sizes - 1)
        if time.perf_counter() - self.began > self.seconds:
            raise TimeIsUp
        costs = self.compute(rows)
        self.evaluations += len(rows)
        spent = time.perf_counter() - self.began
        if costs.min() < self.best and spent <= self.seconds:
            self.best = float(costs.min())
            self.course.append((spent, self.best))
        if self.best <= self.enough:
            raise TimeIsUp
        return costs

    def from_unit(self, points: NDArray[Any]) -> Index:
        """Rows of points (P, D) of the unit cube, equal shares for all choices."""
        return np.minimum((np.asarray(points) * self.sizes).astype(np.intp), self.sizes - 1)

    def time_to(self, cost: float) -> float:
        """Seconds until a cost was reached, infinite if it never was."""
        return next((t for t, best in self.course if best <= cost), float("inf"))
