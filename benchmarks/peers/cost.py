"""The cost function that every peer gets: whole numbers in, costs out, clock and count kept."""

from __future__ import annotations

import time
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optimizer.arrays import Flags, Index, Real
from optimizer.problem.problem import Problem
from optimizer.problem.supply import OVERDRAWN_COST


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
        self.sizes = np.array(
            [len(space.options[g].values) for g in self.free]
            + [2] * (len(self.optional) + len(self.turning))
        )
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

    def networks(self, rows: Index) -> tuple[Index, Flags, Real]:
        """Options (P, G), filled slots (P, K) and polarities (P, W) of rows (P, D)."""
        space, p = self.problem.space, len(rows)
        n, m = len(self.free), len(self.optional)
        choice = np.zeros((p, len(space.genes)), dtype=np.intp)
        choice[:, self.free] = rows[:, :n]
        present = np.ones((p, len(space.slots)), dtype=bool)
        present[:, self.optional] = rows[:, n : n + m] == 1
        polarity = np.repeat(space.polarity_start[None], p, axis=0)
        polarity[:, self.turning] = np.where(rows[:, n + m :] == 1, 1.0, -1.0)
        return choice, present, polarity

    def economy(self, choice: Index, present: Flags) -> Real:
        """What the parts of networks cost or lack, shape (P,)."""
        space = self.problem.space
        filled = present[:, space.gene_slot]
        economy = sum(space.options[g].cost[choice[:, g]] * filled[:, g] for g in self.free)
        supply = space.supply
        if supply.counted:
            used = np.zeros((len(choice), len(supply.available)), dtype=np.int64)
            for g in self.free:
                row, lot, pieces = supply.taken(g, np.where(filled[:, g], choice[:, g], -1))
                used[row, lot] += pieces
            economy += OVERDRAWN_COST * np.maximum(used - supply.available, 0).sum(axis=1)
        return np.asarray(economy)

    def compute(self, rows: Index) -> Real:
        """Costs of rows (P, D) without clock and count."""
        choice, present, polarity = self.networks(rows)
        costs = self.problem.tables.costs(choice, present, polarity)
        return np.asarray(costs + self.economy(choice, present))

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
