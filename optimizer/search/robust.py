"""The expected cost when parts deviate within their tolerances, and networks that keep it low.

The expectation is the mean over a fixed set of speakers whose parts deviate by shares of their
tolerance that are the same for every network: differences between networks then come from the
networks, not from the draws. What a network costs as designed is to first order the least its
expectation can be, because every figure is a norm; so only networks that cost less than the best
expectation so far need be computed again with deviating parts.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from optimizer.arrays import Real
from optimizer.goals.prepared import HARD_COST_PER_DB
from optimizer.network.bank import Population
from optimizer.problem.genome import Genome
from optimizer.problem.neighbourhood import EPSILON, Costed
from optimizer.problem.problem import Problem
from optimizer.search.descend.exchange import Descent
from optimizer.search.descend.likely import LikelyPairs
from optimizer.search.runner import Runner
from optimizer.search.task import Deadline, keep_with

REPLICAS = 48
"""Speakers that the mean runs over, in pairs of opposite deviations.

The best of many networks is flattered by the speakers that it was chosen by: by 3 % with 32.
"""

_SEED = 20
_BLOCK = 64  # networks evaluated at once
_BATCH = 16
_SINGLES = 96  # changes of one part computed at most in one step
_PAIRS = 192


class Expectation:
    """Expected cost of networks of one problem.

    Parameters
    ----------
    problem : Problem
    replicas : int
        Even number of speakers that the mean runs over.

    Notes
    -----
    Deviations are uniform within the tolerance. They are drawn by Latin hypercube sampling (McKay,
    Beckman and Conover, Technometrics 21, 1979), each with its opposite, so that the mean of what
    is linear in the deviations is exact. In the expectation a broken hard limit counts by its size
    alone.
    """

    def __init__(self, problem: Problem, replicas: int = REPLICAS) -> None:
        self.problem = problem
        space = problem.space
        self.tolerance = [np.array([p.tolerance for p in o.parts]) for o in space.options]
        rng = np.random.default_rng(_SEED)
        half = replicas // 2
        shares = np.column_stack(
            [(rng.permutation(half) + rng.random(half)) / half for _ in space.options]
        )
        self.deviation: Real = np.concatenate([2.0 * shares - 1.0, 1.0 - 2.0 * shares])

    def costs(self, genomes: Sequence[Genome]) -> Real:
        """Return the expected costs, economy included, shape (P,)."""
        space = self.problem.space
        economy = space.economies(genomes) + space.rules.penalties(genomes)
        population = space.population(genomes)
        choice = np.array([g.choice for g in genomes])
        limit = np.column_stack([t[choice[:, g]] for g, t in enumerate(self.tolerance)])
        factor = np.maximum(1.0 + self.deviation[None] * limit[:, None], 1e-3)
        count = len(self.deviation)
        values = (population.values[:, None] * factor).reshape(-1, factor.shape[-1])
        drawn = Population(
            values=values,
            loss_ohm=population.loss_ohm.repeat(count, axis=0),
            present=population.present.repeat(count, axis=0),
            polarity=population.polarity.repeat(count, axis=0),
        )
        costs = np.concatenate(
            [self._costs(drawn[s : s + _BLOCK]) for s in range(0, len(values), _BLOCK)]
        )
        return np.asarray(costs.reshape(len(genomes), count).mean(axis=1) + economy)

    def _costs(self, population: Population) -> Real:
        evaluator = self.problem.evaluator
        curves = evaluator.curves(population)
        total = np.zeros(len(population))
        for goal in evaluator.goals:
            residual = goal.residuals(curves)
            figure = np.sqrt(np.einsum("...n,...n->...", residual, residual))
            total = total + figure * (HARD_COST_PER_DB if goal.hard else goal.weight)
        return np.where(np.isfinite(total), total, np.inf)


@dataclass(frozen=True, slots=True, kw_only=True)
class Steady:
    """A network with its expected cost.

    Parameters
    ----------
    genome : Genome
    expected : float
        Expected cost.
    no_better_change_of : int
        1 when every change of one part was ruled out, else 0.
    """

    genome: Genome
    expected: float
    no_better_change_of: int


def steady(
    descent: Descent,
    expectation: Expectation,
    genome: Genome,
    *,
    stop: Callable[[], bool] = lambda: False,
) -> Steady:
    """Change parts as long as that lowers the expected cost.

    Parameters
    ----------
    descent : Descent
    expectation : Expectation
    genome : Genome
        Where to start.
    stop : callable
        Asked now and then; True ends the descent.

    Returns
    -------
    Steady
    """
    problem = descent.problem
    expected = float(expectation.costs([genome])[0])
    while not stop():
        hood = descent.around(genome)
        singles = hood.singles()
        rows = singles.rows
        fits = problem.space.rules.fitting_singles(genome, rows)
        open_rows = np.flatnonzero(fits & (singles.cost < expected - EPSILON))
        order = open_rows[np.argsort(singles.cost[open_rows], kind="stable")]
        better = partial(_first_better, descent, expectation, expected, stop)
        found = better([hood.move(rows.change(k)).apply(genome) for k in order[:_SINGLES]])
        ruled_out = found is None and len(order) <= _SINGLES and not stop()
        if found is None and not stop():
            now = float(problem.cost([genome])[0])
            first, second, cost = LikelyPairs(problem, genome, now, singles).list_pairs(_PAIRS)
            found = better(
                [
                    hood.move(rows.change(i), rows.change(j)).apply(genome)
                    for i, j, c in zip(first, second, cost, strict=True)
                    if c < expected
                ]
            )
        if found is None:
            found = better([move.apply(genome) for move in hood.toggles()])
        if found is None:
            return Steady(
                genome=genome,
                expected=expected,
                no_better_change_of=int(ruled_out and not stop()),
            )
        genome, expected = found
    return Steady(genome=genome, expected=expected, no_better_change_of=0)


def _first_better(
    descent: Descent,
    expectation: Expectation,
    expected: float,
    stop: Callable[[], bool],
    candidates: Sequence[Genome],
) -> Costed | None:
    """Best of the first batch that holds something better."""
    for start in range(0, len(candidates), _BATCH):
        if stop():
            return None
        batch = candidates[start : start + _BATCH]
        costs = expectation.costs(batch)
        descent.count(len(batch) * len(expectation.deviation))
        k = int(np.argmin(costs))
        if costs[k] < expected - EPSILON:
            return batch[k], float(costs[k])
    return None


def steady_best(
    problem: Problem,
    archive: Sequence[Costed],
    *,
    starts: int,
    runner: Runner,
    deadline: Deadline,
) -> tuple[list[Steady], int]:
    """Go down in expected cost from the best networks of different structures.

    Parameters
    ----------
    problem : Problem
    archive : sequence of (Genome, float)
        Networks with what they cost as designed.
    starts : int
        Structures to start from.
    runner : Runner
        Does a task for each start.
    deadline : Deadline
        When to stop.

    Returns
    -------
    list of Steady, int
        Lowest expectation first, and how many networks were evaluated.
    """
    near = sorted(archive, key=lambda item: item[1])[: 16 * starts]
    if not near:
        return [], 0
    expectation = keep_with(problem, Expectation)
    costs = expectation.costs([g for g, _ in near])
    evaluations = len(near) * len(expectation.deviation)
    begun: dict[bytes, Genome] = {}
    for k in np.argsort(costs, kind="stable"):
        begun.setdefault(near[k][0].structure, near[k][0])
    found = [
        Steady(genome=g, expected=float(e), no_better_change_of=0)
        for (g, _), e in zip(near, costs, strict=True)
    ]
    tasks = [(genome, deadline) for genome in list(begun.values())[:starts]]
    for reached, count in runner.in_order(_steady_from, problem, tasks):
        found.append(reached)
        evaluations += count
    best = {}
    for item in sorted(found, key=lambda s: (-s.expected, s.no_better_change_of)):
        best[item.genome.key(problem.space.gene_slot)] = item
    return sorted(best.values(), key=lambda s: s.expected), evaluations


def _steady_from(problem: Problem, genome: Genome, deadline: Deadline) -> tuple[Steady, int]:
    descent = Descent(problem)
    reached = steady(descent, keep_with(problem, Expectation), genome, stop=deadline.passed)
    return reached, descent.evaluations
