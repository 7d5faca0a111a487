"""Networks met while a front is traced, with their figures: their cost under any weights."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.arrays import Real
from optimizer.goals.economy import EconomyGoal, economy_goals, option_amounts
from optimizer.goals.prepared import HARD_COST_PER_DB
from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem
from optimizer.problem.space import Space
from optimizer.search.trade.front import keep_undominated
from optimizer.search.trade.tasks import Weights

ENDS = (0.04, 0.96)
"""Shares of the first goal at the ends of a front."""

_SEEDS = 6  # networks of different structure that each pair of weights starts from
_EPSILON = 1e-9


@dataclass(frozen=True, slots=True)
class Met:
    """A network with the figures of all goals, those on parts last."""

    genome: Genome
    figures: Real
    feasible: bool
    penalty: float = 0.0  # what a network costs besides that cannot be built


@dataclass(frozen=True, slots=True)
class Best:
    """The best network for one share of the first goal, and its certificate."""

    share: float
    key: bytes
    cost: float
    proven: int


class PartSum:
    """Figures of one goal that adds up over the parts, for networks of a space.

    Parameters
    ----------
    space : Space
        Options of every gene.
    goal : EconomyGoal
        The goal.
    """

    def __init__(self, space: Space, goal: EconomyGoal) -> None:
        self.gene_slot = space.gene_slot
        self.space = space
        self.taken = [
            np.zeros(1)
            if gene.kept is not None
            else option_amounts(goal, options.parts, space.board_place(g))
            for g, (gene, options) in enumerate(zip(space.genes, space.options, strict=True))
        ]
        self.absent = goal.labour(1.0) * space.emptying
        self.turn = goal.labour(1.0)

    @property
    def varies(self) -> bool:
        """Whether networks of the space can differ in the figure."""
        space = self.space
        other = np.where(space.polarity_free, -space.polarity_start, space.polarity_start)
        turns = self.turn * (space.turned(other) != space.turned(space.polarity_start))
        return any(amounts.any() for amounts in self.taken) or bool(self.absent.any() or turns)

    def of(self, genomes: Sequence[Genome]) -> Real:
        """Figures of some networks, shape (P,)."""
        present = np.array([g.present for g in genomes])
        filled = present[:, self.gene_slot]
        polarity = np.array([g.polarity for g in genomes])
        total = ~present @ self.absent + self.turn * self.space.turned(polarity)
        for g, amounts in enumerate(self.taken):
            chosen = np.array([genome.choice[g] for genome in genomes])
            total = total + amounts[chosen] * filled[:, g]
        return np.asarray(total)


class Archive:
    """All networks met, and what they cost for a share of the first of two goals.

    Parameters
    ----------
    problem : Problem
        The problem.
    between : tuple of str
        Names of the two goals.
    """

    def __init__(self, problem: Problem, between: tuple[str, str]) -> None:
        self.problem = problem
        self.between = between
        self.entries: dict[bytes, Met] = {}
        goals = problem.evaluator.goals
        on_parts = economy_goals(problem.goals)
        self.names = [*(g.name for g in goals), *on_parts]
        self.own = {
            **{g.name: HARD_COST_PER_DB if g.hard else g.weight for g in goals},
            **{name: goal.weight for name, goal in on_parts.items()},
        }
        self.index = [self.names.index(n) for n in between]
        # A goal that is traded counts, whatever its weight in the design.
        counting = [replace(g, weight=g.weight or 1.0) for g in on_parts.values()]
        self.sums = [PartSum(problem.space, goal) for goal in counting]

    def key(self, genome: Genome) -> bytes:
        """Identity of a network."""
        return genome.key(self.problem.space.gene_slot)

    def weights(self, share: float) -> Weights:
        """Weights of the two goals; a share of one half gives those of the design."""
        first, second = (self.own[n] or 1.0 for n in self.between)
        return (
            (self.between[0], 2.0 * share * first),
            (self.between[1], 2.0 * (1.0 - share) * second),
        )

    def cost(self, entry: Met, share: float) -> float:
        """Cost of a network, broken hard limits included."""
        chosen = {**self.own, **dict(self.weights(share))}
        return float(entry.figures @ np.array([chosen[n] for n in self.names])) + entry.penalty

    def add(self, genomes: list[Genome]) -> None:
        """Take networks into the archive."""
        space = self.problem.space
        new = {k: g for g in genomes if (k := self.key(g)) not in self.entries}
        if not new:
            return
        curves = self.problem.evaluator.curves(space.population(list(new.values())))
        columns = []
        feasible = np.ones(len(new), dtype=bool)
        for goal in self.problem.evaluator.goals:
            residual = goal.residuals(curves)
            figure = np.sqrt(np.einsum("...n,...n->...", residual, residual))
            columns.append(np.broadcast_to(figure, (len(new),)))
            if goal.hard:
                feasible &= columns[-1] < 1e-9
        columns += [amount.of(list(new.values())) for amount in self.sums]
        penalties = space.rules.penalties(list(new.values()))
        feasible &= penalties == 0.0
        for row, (key, genome) in enumerate(new.items()):
            self.entries[key] = Met(
                genome=genome,
                feasible=bool(feasible[row]),
                penalty=float(penalties[row]),
                figures=np.array([c[row] for c in columns]),
            )

    def cheapest(self, share: float) -> tuple[bytes, float]:
        """Cheapest network of the archive."""
        costs = {k: self.cost(e, share) for k, e in self.entries.items()}
        key = min(costs, key=lambda k: costs[k])
        return key, costs[key]

    def seeds(self, share: float) -> list[Genome]:
        """Cheapest networks of different structures."""
        chosen: dict[bytes, Genome] = {}
        for entry in sorted(self.entries.values(), key=lambda e: self.cost(e, share)):
            structure = entry.genome.structure
            chosen.setdefault(structure, entry.genome)
            if len(chosen) == _SEEDS:
                break
        return list(chosen.values())

    def figures(self, key: bytes) -> tuple[float, float]:
        """Figures of the two goals."""
        figures = self.entries[key].figures
        return float(figures[self.index[0]]), float(figures[self.index[1]])

    def figures_of(self, bests: Sequence[Best]) -> Real:
        """Figures of the two goals of several networks, shape (N, 2)."""
        return np.array([self.figures(b.key) for b in bests]).reshape(-1, 2)

    def tie(self, left: bytes, right: bytes) -> float:
        """Share at which two networks cost the same, between the ends."""
        first, second = self.entries[left], self.entries[right]
        # The difference of two costs is linear in the share.
        start, end = (self.cost(first, s) - self.cost(second, s) for s in (0.0, 1.0))
        tie = start / (start - end) if abs(start - end) > _EPSILON else 0.5
        return float(np.clip(tie, *ENDS))

    def undominated(self) -> set[bytes]:
        """Networks within the limits that no other betters in both figures."""
        keys = [k for k, e in self.entries.items() if e.feasible]
        figures = np.array([self.entries[k].figures[self.index] for k in keys]).reshape(-1, 2)
        return {keys[i] for i in keep_undominated(figures)}

    def inside(self, left: bytes, right: bytes, share: float, dearest: float) -> list[bytes]:
        """List networks between two neighbours of a front in both figures.

        Those that nothing met betters in both come first, cheap ones before dear ones.

        Parameters
        ----------
        left, right : bytes
            Neighbours.
        share : float
            Share at which they cost the same.
        dearest : float
            Largest cost over theirs.
        """
        ends = np.array([self.figures(left), self.figures(right)])
        low, high = ends.min(axis=0), ends.max(axis=0)
        limit = dearest * self.cost(self.entries[left], share)
        undominated = self.undominated()
        found = []
        for key, entry in self.entries.items():
            figures, cost = entry.figures[self.index], self.cost(entry, share)
            if cost < limit and np.all((figures > low) & (figures < high)):
                found.append((key not in undominated, cost, key))
        return [key for _, _, key in sorted(found)]
