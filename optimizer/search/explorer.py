"""What one process of a search does: explore, deepen, prove."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from optimizer.arrays import Index, Real
from optimizer.problem.genome import Genome, structure_key
from optimizer.problem.problem import Problem
from optimizer.search.descend.exchange import Descent
from optimizer.search.descend.relax import Relaxed, relax
from optimizer.search.descend.rounding import round_relaxed
from optimizer.search.descend.wander import wander
from optimizer.search.strategies import Proposal

POLISHED_PER_ROUND = 1
RELAXATION_POINTS = 48
ROUNDINGS_DESCENDED = 1
ROUNDINGS_KEPT = 12
DEEP_ITERATIONS = 60
DEEP_BREADTH = 96
DEEP_DESCENDED = 2
DISTURBANCES = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """Outcome of one round of starts.

    Parameters
    ----------
    reached : tuple of Proposal
        Where each proposal was relaxed to.
    costs : ndarray, shape (P,)
        The relaxed costs.
    genomes : tuple of (Genome, float)
        Polished networks with their full costs.
    finished : dict of bytes to float
        Structures that were rounded, with their relaxed costs.
    evaluations : int
    """

    reached: tuple[Proposal, ...]
    costs: Real
    genomes: tuple[tuple[Genome, float], ...]
    finished: dict[bytes, float]
    evaluations: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Deepened:
    """Outcome of deepening one structure.

    Parameters
    ----------
    reached : Proposal
        Its relaxed optimum.
    cost : float
        The relaxed cost there.
    genomes : tuple of (Genome, float)
        Polished networks with their full costs.
    evaluations : int
    """

    reached: Proposal
    cost: float
    genomes: tuple[tuple[Genome, float], ...]
    evaluations: int


class Explorer:
    """What a worker keeps: the problem with its tables and its relaxation grid."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.descent = Descent(problem)
        self.coarse = problem.evaluator.spread(RELAXATION_POINTS)

    def _relax(self, proposals: Sequence[Proposal], **how: Any) -> Relaxed:
        """Relax proposals on the coarse grid; `how` goes to `relax`."""
        return relax(
            self.coarse,
            self.problem.space,
            self.problem.loss_laws,
            np.array([p.log_values for p in proposals]),
            np.array([p.present for p in proposals]),
            np.array([p.polarity for p in proposals]),
            **how,
        )

    def _choose(self, relaxed: Relaxed, best: float, done: dict[bytes, float]) -> Index:
        """Relaxed points worth rounding: one a structure, new or bettered, below the best."""
        chosen: list[int] = []
        seen: set[bytes] = set()
        for i in np.argsort(relaxed.cost, kind="stable"):
            if len(chosen) == POLISHED_PER_ROUND or relaxed.cost[i] > best:
                break
            structure = structure_key(relaxed.present[i], relaxed.polarity[i])
            if structure in seen or relaxed.cost[i] > 0.995 * done.get(structure, np.inf):
                continue
            seen.add(structure)
            chosen.append(int(i))
        return np.array(chosen, dtype=np.intp)

    def explore(self, proposals: list[Proposal], best: float, done: dict[bytes, float]) -> Round:
        """Relax a batch of proposals and polish the most promising ones.

        Parameters
        ----------
        proposals : list of Proposal
        best : float
            Best cost so far; a structure that cannot beat it is not rounded.
        done : dict of bytes to float
            Structures rounded before, with their relaxed costs.
        """
        problem, descent = self.problem, self.descent
        before = descent.evaluations
        relaxed = self._relax(proposals, prune=True)
        chosen = self._choose(relaxed, best, done)
        found: dict[bytes, tuple[Genome, float]] = {}
        finished: dict[bytes, float] = {}
        if len(chosen):
            for i in chosen:
                finished[structure_key(relaxed.present[i], relaxed.polarity[i])] = float(
                    relaxed.cost[i]
                )
                rounded = round_relaxed(problem, relaxed, int(i))
                descent.count(len(rounded))
                # The next best roundings are kept too: the ranked list wants variety.
                for genome, cost in rounded[:ROUNDINGS_KEPT]:
                    found[genome.key(problem.space.gene_slot)] = (genome, cost)
                for genome, cost in rounded[:ROUNDINGS_DESCENDED]:
                    polished = descent.descend(genome, cost, best=best)
                    best = min(best, polished.cost)
                    found[polished.genome.key(problem.space.gene_slot)] = (
                        polished.genome,
                        polished.cost,
                    )
        reached = tuple(
            Proposal(log_values=v, present=p, polarity=s)
            for v, p, s in zip(relaxed.log_values, relaxed.present, relaxed.polarity, strict=True)
        )
        return Round(
            reached=reached,
            costs=relaxed.cost,
            genomes=tuple(found.values()),
            finished=finished,
            evaluations=relaxed.evaluations + descent.evaluations - before,
        )

    def deepen(self, proposal: Proposal, best: float) -> Deepened:
        """Relax one promising structure to the end and round it with more care.

        Parameters
        ----------
        proposal : Proposal
            Best point of the structure so far.
        best : float
            Best cost so far.
        """
        problem, descent = self.problem, self.descent
        before = descent.evaluations
        relaxed = self._relax([proposal], schedule=((DEEP_ITERATIONS, 1.0),))
        rounded = round_relaxed(problem, relaxed, 0, breadth=DEEP_BREADTH)
        descent.count(len(rounded))
        found: dict[bytes, tuple[Genome, float]] = {}
        for genome, cost in rounded[:DEEP_DESCENDED]:
            polished = descent.descend(genome, cost, best=best)
            best = min(best, polished.cost)
            found[polished.genome.key(problem.space.gene_slot)] = (polished.genome, polished.cost)
        reached = Proposal(
            log_values=relaxed.log_values[0], present=proposal.present, polarity=proposal.polarity
        )
        return Deepened(
            reached=reached,
            cost=float(relaxed.cost[0]),
            genomes=tuple(found.values()),
            evaluations=relaxed.evaluations + descent.evaluations - before,
        )

    def wander(
        self, genome: Genome, cost: float, seed: tuple[int, ...], deadline: float | None
    ) -> tuple[list[tuple[Genome, float]], int]:
        """Disturb a good network and descend again, see `optimizer.search.descend.wander`.

        Parameters
        ----------
        genome : Genome
        cost : float
            Its full cost.
        seed : tuple of int
            Of the disturbances.
        deadline : float or None
            `time.monotonic` value at which to give up.

        Returns
        -------
        list of (Genome, float), int
            Networks with their full costs, and evaluations.
        """
        before = self.descent.evaluations

        def stop() -> bool:
            return deadline is not None and time.monotonic() > deadline

        found = wander(
            self.descent, genome, cost, np.random.default_rng(seed), DISTURBANCES, stop=stop
        )
        return found, self.descent.evaluations - before

    def prove(
        self, genome: Genome, cost: float, deadline: float | None
    ) -> tuple[Genome, float, int, int]:
        """Exchange parts until no change of one or two helps.

        Parameters
        ----------
        genome : Genome
        cost : float
            Its full cost.
        deadline : float or None
            `time.monotonic` value at which to give up.

        Returns
        -------
        genome, cost, no_better_change_of, evaluations
        """
        before = self.descent.evaluations

        def stop() -> bool:
            return deadline is not None and time.monotonic() > deadline

        done = self.descent.descend_pairs(genome, cost, stop=stop)
        return (
            done.genome,
            done.cost,
            done.no_better_change_of,
            self.descent.evaluations - before,
        )

    def relax_structure(self, genome: Genome) -> float:
        """Best cost with the genome's structure and values left continuous, on the full grid."""
        space, problem = self.problem.space, self.problem
        own = np.log([o.values[c] for o, c in zip(space.options, genome.choice, strict=True)])
        rng = np.random.default_rng(0)
        starts = own + rng.normal(0.0, 0.15, (8, len(own)))
        starts[0] = own
        relaxed = relax(
            problem.evaluator,
            space,
            problem.loss_laws,
            starts,
            np.repeat(genome.present[None], 8, axis=0),
            np.repeat(genome.polarity[None], 8, axis=0),
            schedule=((10, 1.0), (20, 0.25)),
        )
        return float(relaxed.cost.min())
