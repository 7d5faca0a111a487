"""What the worker of a search keeps for one problem, and the steps that portions are made of."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Flags, Index, Real
from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem
from optimizer.problem.structures import Structures
from optimizer.search.descend.exchange import Descent
from optimizer.search.descend.relax import Relaxed, relax
from optimizer.search.descend.rounding import choose_anew, round_relaxed

RELAXATION_POINTS = 48
"""Grid points of a relaxation: enough for the smooth part of a goal, a quarter of the work."""

_BASINS = 3  # of one structure that are rounded at most
_BASIN_RANGE = 1.02  # relaxed cost over the lowest up to which a basin is worth rounding
_APART = 0.5  # nepers by which some part must differ between two basins
_BREADTH = 96
_DESCENDED = 3  # roundings of each basin that are descended from
_KEPT = 4  # roundings that are kept as they are: the ranked list wants variety

Stop = Callable[[], bool]


@dataclass(frozen=True, slots=True, kw_only=True)
class ValuePoint:
    """A structure with values that are not bound to any stock.

    Parameters
    ----------
    log_values : ndarray, shape (G,)
    present : ndarray of bool, shape (K,)
    polarity : ndarray, shape (W,)
    """

    log_values: Real
    present: Flags
    polarity: Real


@dataclass(frozen=True, slots=True, kw_only=True)
class RelaxedPoint:
    """A point that was relaxed.

    Parameters
    ----------
    point : ValuePoint
    cost : float
        On the relaxation's grid.
    structure : bytes
        Which one it is, see `optimizer.problem.structures`: whoever relaxed it knows.
    """

    point: ValuePoint
    cost: float
    structure: bytes


class Explorer:
    """The problem with its tables and its relaxation grid; one for each problem and process.

    Parameters
    ----------
    problem : Problem

    Attributes
    ----------
    descent : Descent
    structures : Structures
    evaluations : int
        Networks evaluated so far.
    """

    def __init__(self, problem: Problem) -> None:
        self.space = problem.space
        self.descent = Descent(problem)
        self.structures = Structures(problem.space, kept=True)
        self.coarse = problem.evaluator.spread(RELAXATION_POINTS)
        self._relaxed = 0

    @property
    def problem(self) -> Problem:
        """What is searched."""
        return self.descent.problem

    @property
    def evaluations(self) -> int:
        """Networks evaluated so far, by whatever way."""
        return self._relaxed + self.descent.evaluations

    def draw_values(self, rng: np.random.Generator, count: int) -> Real:
        """Draw log values anywhere between the ends of what is offered, shape (count, G)."""
        space = self.space
        return rng.uniform(space.log_low, space.log_high, (count, len(space.log_low)))

    def relax(
        self,
        points: Sequence[ValuePoint],
        schedule: tuple[tuple[int, float], ...],
        stop: Stop,
        *,
        prune: bool = False,
    ) -> Relaxed:
        """Relax points on the coarse grid, see `optimizer.search.descend.relax.relax`."""
        relaxed = relax(
            self.coarse,
            self.space,
            self.problem.loss_laws,
            np.array([p.log_values for p in points]),
            np.array([p.present for p in points]),
            np.array([p.polarity for p in points]),
            schedule=schedule,
            prune=prune,
            stop=stop,
        )
        self._relaxed += relaxed.evaluations
        return relaxed

    def round_basins(self, relaxed: Relaxed, stop: Stop) -> list[tuple[Genome, float]]:
        """Round the best basins of a batch that has one structure, and descend from there.

        Parameters
        ----------
        relaxed : Relaxed
        stop : callable
            Asked now and then; True ends the work.

        Returns
        -------
        list of (Genome, float)
            Networks with their full costs.

        Notes
        -----
        No descent is given up for what is known from elsewhere: the basin with the lowest relaxed
        cost is often not the one with the best buildable network.
        """
        found: list[tuple[Genome, float]] = []
        ends: set[bytes] = set()
        key_of = self.space.gene_slot
        for member in self._basins(relaxed):
            rounded = round_relaxed(self.problem, relaxed, member, breadth=_BREADTH)
            self.descent.count(len(rounded))
            found += rounded[:_KEPT]
            for genome, cost in rounded[:_DESCENDED]:
                # The first is brought to its end in any case: half a rounding is no network to build.
                if ends and stop():
                    return found
                chosen, cost, count = choose_anew(self.problem, genome, cost)
                self.descent.count(count)
                # Most ways lead where another one has led before.
                if chosen.key(key_of) in ends:
                    continue
                polished = self.descent.descend(chosen, cost, chosen=True, stop=stop)
                ends |= {chosen.key(key_of), polished.genome.key(key_of)}
                found.append((polished.genome, polished.cost))
        return found

    def _basins(self, relaxed: Relaxed) -> Iterator[int]:
        """Members that lie apart, best first."""
        order = np.argsort(relaxed.cost, kind="stable")
        chosen: list[int] = []
        for i in order:
            if relaxed.cost[i] > _BASIN_RANGE * relaxed.cost[order[0]] or len(chosen) == _BASINS:
                return
            if all(
                lie_apart(self.space.gene_slot, relaxed.present[i], relaxed.log_values[[i, j]])
                for j in chosen
            ):
                chosen.append(int(i))
                yield int(i)


def lie_apart(gene_slot: Index, present: Flags, log_values: Real) -> bool:
    """Tell whether two networks of one structure lie in different basins.

    Parameters
    ----------
    gene_slot : ndarray of int, shape (G,)
    present : ndarray of bool, shape (K,)
    log_values : ndarray, shape (2, G)
    """
    filled = present[gene_slot]
    return bool((np.abs(log_values[0] - log_values[1])[filled] >= _APART).any())
