"""Portions of a search: pure tasks of a problem, a seed and what is known, each a fraction of a second.

A portion says all that it needs, so that any process on any machine can do it, and do it again. It
is told how many seconds are left, never what time it is.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.arrays import Flags, Real
from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem
from optimizer.search.descend.wander import wander
from optimizer.search.explorer import Explorer, RelaxedPoint, Stop, ValuePoint
from optimizer.search.task import Deadline, keep_with

STARTS_OF_PASS = 24
"""Starts of a first pass."""

COMMON = 3
"""Starts after which a structure counts as known."""

# Iterations, and the share of the starts, best first, that run them.
_SWEEP = ((12, 1.0), (15, 0.35), (15, 0.15))
_RACE = ((5, 1.0), (6, 0.5), (10, 0.25))  # of toggled structures: they start from relaxed values
_BREED = ((6, 1.0), (9, 0.4), (6, 0.15))
_FINISH = ((10, 1.0), (20, 0.4), (30, 0.15))
_STARTS_OF_FINISH = 16
_EXPANDED = 2  # structures toggled in one batch
_FILLINGS = 2  # values that a slot is tried with when it is filled
_NEAR = 1.04  # cost over the best of its niche up to which a structure is expanded
_GAIN = 0.995  # share of the cost below which a structure is worth expanding again
_BROOD = 24
_PARENTS = 8
_JITTER = 0.1  # nepers: how far a child's start values stray from its parent's
_ANEW = 0.1  # share of children whose values are drawn anywhere
_HOPELESS = 1.3  # relaxed cost over the best network from which a structure is not rounded

Seed = tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Haul:
    """What a portion brings back.

    Parameters
    ----------
    met : tuple of RelaxedPoint
        Relaxed points, the best of each structure.
    started : tuple of (bytes, int)
        Structures that were started from, or come to from one with more parts, and how often.
    genomes : tuple of (Genome, float)
        Buildable networks with their full costs.
    expanded : tuple of (bytes, float)
        Structures whose neighbours were tried, and their cost then.
    evaluations : int
    """

    met: tuple[RelaxedPoint, ...] = ()
    started: tuple[tuple[bytes, int], ...] = ()
    genomes: tuple[tuple[Genome, float], ...] = ()
    expanded: tuple[tuple[bytes, float], ...] = ()
    evaluations: int = 0


class Portion(ABC):
    """One task of an island; its seed tells it from all others of a search."""

    seed: Seed

    @abstractmethod
    def run(self, explorer: Explorer, stop: Stop) -> Haul:
        """Do it.

        Parameters
        ----------
        explorer : Explorer
        stop : callable
            Asked now and then; True ends the work where it stands.
        """


def work(problem: Problem, portion: Portion, deadline: Deadline) -> Haul:
    """Do a portion of a search.

    Parameters
    ----------
    problem : Problem
    portion : Portion
    deadline : Deadline

    Returns
    -------
    Haul
    """
    explorer = keep_with(problem, Explorer)
    before = explorer.evaluations
    haul = portion.run(explorer, deadline.passed)
    return replace(haul, evaluations=explorer.evaluations - before)


class _Notebook:
    """The best relaxed point of each structure met in one portion."""

    def __init__(self, explorer: Explorer, met: Sequence[RelaxedPoint] = ()) -> None:
        self.explorer = explorer
        self.best = {m.structure: m for m in met}
        self.started: Counter[bytes] = Counter()
        self.reached: set[bytes] = set()

    def key(self, point: ValuePoint) -> bytes:
        return self.explorer.structures.key(point.present, point.polarity)

    def relax(
        self,
        points: Sequence[ValuePoint],
        schedule: tuple[tuple[int, float], ...],
        stop: Stop,
        *,
        prune: bool = False,
    ) -> None:
        """Relax points and note where each came to."""
        if not points:
            return
        relaxed = self.explorer.relax(points, schedule, stop, prune=prune)
        reached = [
            ValuePoint(log_values=v, present=p, polarity=s)
            for v, p, s in zip(relaxed.log_values, relaxed.present, relaxed.polarity, strict=True)
        ]
        for start, point, cost in zip(points, reached, relaxed.cost, strict=True):
            key = self.key(point)
            self.started.update({self.key(start), key})
            self.reached.add(key)
            if key not in self.best or cost < self.best[key].cost:
                self.best[key] = RelaxedPoint(point=point, cost=float(cost), structure=key)

    def haul(self, expanded: dict[bytes, float] | None = None) -> Haul:
        """List what is new."""
        keys = sorted(self.reached, key=lambda k: (self.best[k].cost, k))
        return Haul(
            met=tuple(self.best[k] for k in keys),
            started=tuple(sorted(self.started.items())),
            expanded=tuple((expanded or {}).items()),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstPass(Portion):
    """Starts from nothing: values anywhere, slots filled at random, what is not missed left out.

    Parameters
    ----------
    polarity : ndarray, shape (N, W)
        Polarities of the starts.
    fill : float
        Share of the optional slots that are filled at first. With all of them a start leads far,
        but takes three times as long as with half of them.
    seed : tuple of int
    """

    polarity: Real
    fill: float
    seed: Seed

    def run(self, explorer: Explorer, stop: Stop) -> Haul:
        """See `Portion.run`."""
        rng = np.random.default_rng(self.seed)
        notebook = _Notebook(explorer)
        space = explorer.space
        filled = rng.random((len(self.polarity), len(space.slots))) < self.fill
        points = [
            ValuePoint(
                log_values=values,
                present=space.alternatives.draw(~space.optional | present, rng),
                polarity=signs,
            )
            for values, present, signs in zip(
                explorer.draw_values(rng, len(filled)), filled, self.polarity, strict=True
            )
        ]
        notebook.relax(points, _SWEEP if self.fill == 1.0 else _BREED, stop, prune=True)
        return notebook.haul()


@dataclass(frozen=True, slots=True, kw_only=True)
class Climb(Portion):
    """Go from structure to better structure in one niche, by single toggles, then by breeding.

    Parameters
    ----------
    known : tuple of RelaxedPoint
        The best of the niche, best first.
    closed : dict of bytes to float
        Structures whose neighbours were tried, or are being tried elsewhere, and their cost then.
    common : frozenset of bytes
        Structures that were started from often enough.
    allowance : int
        Networks after which to come back.
    seed : tuple of int
    """

    known: tuple[RelaxedPoint, ...]
    closed: dict[bytes, float]
    common: frozenset[bytes]
    allowance: int
    seed: Seed

    def run(self, explorer: Explorer, stop: Stop) -> Haul:
        """See `Portion.run`."""
        rng = np.random.default_rng(self.seed)
        notebook = _Notebook(explorer, self.known)
        closed = dict(self.closed)
        expanded: dict[bytes, float] = {}
        before = explorer.evaluations
        while explorer.evaluations - before < self.allowance and not stop():
            parents = open_structures(notebook.best, closed)[:_EXPANDED]
            if parents:
                for key in parents:
                    closed[key] = expanded[key] = notebook.best[key].cost
                points = [
                    point
                    for key in parents
                    for point in _neighbours(explorer, notebook.best[key].point, rng)
                ]
                points = self._uncommon(notebook, points)
                notebook.relax(points, _RACE, stop)
                if points:
                    continue
            brood = self._uncommon(notebook, _breed(explorer, notebook, rng))
            if not brood:
                break
            notebook.relax(brood, _BREED, stop, prune=True)
        return notebook.haul(expanded)

    def _uncommon(self, notebook: _Notebook, points: Sequence[ValuePoint]) -> list[ValuePoint]:
        """Those whose structure was not started from often enough, here or elsewhere."""
        keys = [notebook.key(p) for p in points]
        return [
            p
            for p, key in zip(points, keys, strict=True)
            if key not in self.common and notebook.started[key] < COMMON
        ]


def open_structures(best: dict[bytes, RelaxedPoint], closed: dict[bytes, float]) -> list[bytes]:
    """Structures near the best whose neighbours are worth trying, best first.

    Parameters
    ----------
    best : dict of bytes to RelaxedPoint
        Those known of one niche.
    closed : dict of bytes to float
        Those whose neighbours were tried, and their cost then.
    """
    limit = _NEAR * min((m.cost for m in best.values()), default=np.inf)
    near = [k for k, m in best.items() if m.cost <= limit]
    fresh = [k for k in near if best[k].cost < _GAIN * closed.get(k, np.inf)]
    return sorted(fresh, key=lambda k: (best[k].cost, k))


def _neighbours(
    explorer: Explorer, point: ValuePoint, rng: np.random.Generator
) -> list[ValuePoint]:
    """All structures one toggle or turn away; a slot that is filled gets several values."""
    space = explorer.space
    points = []
    for k in np.flatnonzero(space.optional):
        present = space.alternatives.flip(point.present, int(k))
        fresh = (present & ~point.present)[space.gene_slot]
        for drawn in explorer.draw_values(rng, _FILLINGS if fresh.any() else 1):
            points.append(
                replace(point, log_values=np.where(fresh, drawn, point.log_values), present=present)
            )
    for w in np.flatnonzero(space.polarity_free):
        polarity = point.polarity.copy()
        polarity[w] = -polarity[w]
        points.append(replace(point, polarity=polarity))
    return points


def _breed(explorer: Explorer, notebook: _Notebook, rng: np.random.Generator) -> list[ValuePoint]:
    """Children of the best structures, ladder by ladder, with a toggle or a few."""
    space = explorer.space
    elite = sorted(notebook.best, key=lambda k: (notebook.best[k].cost, k))[:_PARENTS]
    optional = np.flatnonzero(space.optional)
    if not elite or not len(optional):
        return []
    ladder_of_gene = np.array([gene.ladder for gene in space.genes])
    ladder_of_slot = np.array(space.bank.slot_ladder)
    points = []
    for _ in range(_BROOD):
        a, b = (notebook.best[elite[i]].point for i in rng.integers(len(elite), size=2))
        second = rng.random(len(space.topology.ladders)) < 0.5
        present = np.where(second[ladder_of_slot], b.present, a.present)
        for k in rng.choice(optional, min(len(optional), int(rng.integers(1, 4))), replace=False):
            present = space.alternatives.flip(present, int(k))
        values = np.where(second[ladder_of_gene], b.log_values, a.log_values)
        values = values + rng.normal(0.0, _JITTER, len(values))
        unknown = (present & ~a.present & ~b.present)[space.gene_slot]
        if rng.random() < _ANEW:
            unknown[:] = True
        values = np.where(unknown, explorer.draw_values(rng, 1)[0], values)
        points.append(
            ValuePoint(
                log_values=np.clip(values, space.log_low, space.log_high),
                present=present,
                polarity=a.polarity,
            )
        )
    return points


@dataclass(frozen=True, slots=True, kw_only=True)
class Finish(Portion):
    """Bring one structure to buildable networks: many starts, each basin rounded with care.

    Parameters
    ----------
    present : ndarray of bool, shape (K,)
    polarity : ndarray, shape (W,)
    log_values : ndarray, shape (N, G)
        Points known of it; may be empty.
    best : float
        Cost of the best network known: a structure that stays far above it is not rounded.
    seed : tuple of int
    """

    present: Flags
    polarity: Real
    log_values: Real
    best: float
    seed: Seed

    def run(self, explorer: Explorer, stop: Stop) -> Haul:
        """See `Portion.run`."""
        rng = np.random.default_rng(self.seed)
        drawn = explorer.draw_values(rng, _STARTS_OF_FINISH - len(self.log_values))
        relaxed = explorer.relax(
            [
                ValuePoint(log_values=values, present=self.present, polarity=self.polarity)
                for values in np.concatenate([self.log_values, drawn])
            ],
            _FINISH,
            stop,
        )
        least = int(np.argmin(relaxed.cost))
        structure = explorer.structures.key(self.present, self.polarity)
        met = RelaxedPoint(
            point=ValuePoint(
                log_values=relaxed.log_values[least],
                present=self.present,
                polarity=self.polarity,
            ),
            cost=float(relaxed.cost[least]),
            structure=structure,
        )
        genomes: list[tuple[Genome, float]] = []
        if met.cost < _HOPELESS * self.best:
            genomes = explorer.round_basins(relaxed, stop)
        return Haul(met=(met,), started=((structure, _STARTS_OF_FINISH),), genomes=tuple(genomes))


@dataclass(frozen=True, slots=True, kw_only=True)
class Wander(Portion):
    """Disturb a good network and descend again, see `optimizer.search.descend.wander`.

    Parameters
    ----------
    genome : Genome
    cost : float
        Its full cost.
    tries : int
        How many disturbances.
    seed : tuple of int
    """

    genome: Genome
    cost: float
    tries: int
    seed: Seed

    def run(self, explorer: Explorer, stop: Stop) -> Haul:
        """See `Portion.run`."""
        rng = np.random.default_rng(self.seed)
        found = wander(explorer.descent, self.genome, self.cost, rng, self.tries, stop=stop)
        return Haul(genomes=tuple(found))
