"""The buildable networks that a search has found."""

from __future__ import annotations

import numpy as np

from optimizer.problem.genome import Genome
from optimizer.problem.neighbourhood import Costed
from optimizer.problem.problem import Problem
from optimizer.problem.verdicts import is_bad
from optimizer.search.rank import rank_genomes

TIE = 0.005
"""Costs that differ by less, relatively, count as equal: no ear, and hardly any measurement, tells such
networks apart (common practice, no source)."""


class Found:
    """Networks by what tells them apart, and their order.

    Parameters
    ----------
    problem : Problem
    by_verdicts : bool
        Whether a network with a bad verdict stands behind all without one.

    Attributes
    ----------
    best : float
        Lowest cost.
    """

    def __init__(self, problem: Problem, *, by_verdicts: bool) -> None:
        self.problem = problem
        self.by_verdicts = by_verdicts
        self.best = np.inf
        self._networks: dict[bytes, Costed] = {}
        self._behind: dict[bytes, Costed] = {}
        self._bad: dict[bytes, bool] = {}

    def __len__(self) -> int:
        return len(self._networks)

    def key(self, genome: Genome) -> bytes:
        """Return what tells a network from others."""
        return genome.key(self.problem.space.gene_slot)

    def add(self, genome: Genome, cost: float) -> None:
        """Add a network with its full cost."""
        self._networks[self.key(genome)] = (genome, cost)
        self.best = min(self.best, cost)

    def networks(self) -> list[Costed]:
        """List all that have not stepped back."""
        return list(self._networks.values())

    def step_back(self, genome: Genome, *, behind: Genome) -> None:
        """Let a network be listed only where others are too few: changes of parts lead from it on.

        Parameters
        ----------
        genome : Genome
        behind : Genome
            Where they lead.
        """
        if self._stands_last(behind) <= self._stands_last(genome):
            moved = self._networks.pop(self.key(genome), None)
            if moved is not None:
                self._behind[self.key(genome)] = moved

    def has_stepped_back(self, genome: Genome) -> bool:
        """Whether changes of parts lead from a network to a better one."""
        return self.key(genome) in self._behind

    def rank(
        self, top: int, costs: list[Costed] | None = None, *, fill: bool = False
    ) -> list[Costed]:
        """Choose the best that differ, see `rank_genomes`.

        Parameters
        ----------
        top : int
        costs : list of (Genome, float), optional
            Networks and what ranks them, instead of all and their costs.
        fill : bool
            Whether those that stepped back fill the list where others are too few.
        """
        return rank_genomes(
            self.problem,
            self.networks() if costs is None else costs,
            top,
            fillers=list(self._behind.values()) if fill else [],
            last=self._stands_last,
        )

    def prefer_fewer(self, chosen: list[Costed]) -> list[Costed]:
        """Let fewer pieces stand first among costs that count as equal, see `TIE`.

        Where a network is ranked by its cost alone, nothing is changed.
        """
        if not self.by_verdicts:
            return chosen
        left, order = list(chosen), []
        while left:
            alike = left[0][1] * (1.0 + TIE)
            behind = self._stands_last(left[0][0])
            tied = [
                (self.problem.space.network(genome).piece_count, cost, k)
                for k, (genome, cost) in enumerate(left)
                if cost <= alike and self._stands_last(genome) == behind
            ]
            order.append(left.pop(min(tied)[2]))
        return order

    def _stands_last(self, genome: Genome) -> bool:
        """Whether a network stands behind the others for what is said of it."""
        if not self.by_verdicts:
            return False
        key = self.key(genome)
        if key not in self._bad:
            self._bad[key] = is_bad(self.problem, self.problem.space.network(genome))
        return self._bad[key]
