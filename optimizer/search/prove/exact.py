"""Exact search of small problems: every network is computed or ruled out, so the best is proven."""

from __future__ import annotations

import time
from collections.abc import Callable
from itertools import product
from typing import Literal

import numpy as np

from optimizer.arrays import Index, Real
from optimizer.errors import InputError, Subject
from optimizer.problem.candidate import Candidate, SearchResult
from optimizer.problem.certificate import Certificate
from optimizer.problem.figures import build_candidate
from optimizer.problem.genome import Genome
from optimizer.problem.neighbourhood import Costed
from optimizer.problem.problem import Problem
from optimizer.problem.space import Space
from optimizer.search.descend.exchange import Descent
from optimizer.search.progress import SearchProgress, check_request
from optimizer.search.prove.branches import MISSED, Bounds, WayTree, ranking_cost
from optimizer.search.prove.networks import relax_structure
from optimizer.search.rank import rank_genomes

LARGEST = 2e8
"""Most networks that an exact search goes through unless told otherwise."""

_EPSILON = 1e-9  # a difference below this is rounding
_ARCHIVE = 4000  # networks kept for the ranking
_CHUNK = 2048  # joint branches taken up at a time
_STARTS = 24


def enumerate_best(
    problem: Problem,
    *,
    top: int = 5,
    limit: float = LARGEST,
    seconds: float | None = None,
    seed: int = 1,
    progress: Callable[[SearchProgress], None] | None = None,
) -> SearchResult:
    """Find the proven best networks of a small problem.

    Parameters
    ----------
    problem : Problem
        What is wanted and what there is.
    top : int
        Number of candidates wanted.
    limit : float
        Most networks the problem may have.
    seconds : float or None
        Wall-clock budget; when it runs out nothing is proven.
    seed : int
        Of the starts that give the first threshold; it does not change what is proven best.
    progress : callable, optional
        Called now and then with a `SearchProgress`.

    Returns
    -------
    SearchResult
        The first note begins with "proven best" when no network was left out. The candidates'
        ``no_better_change_of`` then counts changes up to the nearest better network, for the best
        one all there are. It begins with "not proven" when time ran out, or when a part moves
        several ways at once: there is no bound for these, and the candidates are what a few
        descents by changes of two parts arrive at.

    Raises
    ------
    InputError
        When the problem has more than `limit` networks.

    Notes
    -----
    Branch and bound: sets of networks whose bound (see `optimizer.search.prove.branches`) reaches the
    cost of the last candidate of the present ranking are left out whole, the others are split.
    Networks that differ by less than 1e-9 in cost count as equal. Networks that keep all hard
    limits stand before all others, and those that the stock has the pieces for before those.
    """
    check_request(top, seconds)
    networks = problem.space.size_log10()
    if networks > np.log10(limit):
        raise InputError(
            f"an exact search goes through at most {limit:.2g} networks",
            value=f"about 1e{networks:.1f}",
            subject=Subject("search", part="proof"),
            remedy="narrow the ranges, choose a coarser series, keep parts, or leave exact out",
        )
    run = _Enumeration(problem, top, seconds, seed, progress)
    stopped = run.go()
    return run.result(stopped)


def enumerate_genomes(
    problem: Problem, top: int, seconds: float | None
) -> tuple[list[Costed], bool, int]:
    """Go through a small problem for another search.

    Parameters
    ----------
    problem : Problem
    top : int
        Candidates wanted.
    seconds : float or None
        Time allowed.

    Returns
    -------
    list of (Genome, float), bool, int
        Networks met with their costs, whether the best is proven, and how many were computed.
    """
    run = _Enumeration(problem, top, seconds, 1, None)
    complete = run.go() == "converged" and run.bounded
    return list(run.archive.values()), complete, run.evaluations


class _Enumeration:
    """Archive, threshold and work list of one exact search."""

    def __init__(
        self,
        problem: Problem,
        top: int,
        seconds: float | None,
        seed: int,
        progress: Callable[[SearchProgress], None] | None,
    ) -> None:
        self.problem = problem
        self.top = top
        self.seed = seed
        self.began = time.monotonic()
        self.seconds = seconds
        self.progress = progress
        self.reported = 0.0
        self.archive: dict[bytes, Costed] = {}
        self.threshold = np.inf
        self.evaluations = 0
        alone = all(len(ways) == 1 for ways in problem.tables.areas)
        self.bounded = alone and not problem.topology.groups
        self.descended: dict[bytes, int] = {}

    def go(self) -> Literal["converged", "budget", "interrupted"]:
        """Run to the end, to the budget, or to Ctrl-C."""
        try:
            self._start()
            if not self.bounded:
                return "converged"
            trees = [WayTree(self.problem, w) for w in range(len(self.problem.topology.ways))]
            bounds = Bounds(self.problem.evaluator, trees)
            free = np.flatnonzero(self.problem.space.polarity_free)
            for turned in product((1.0, -1.0), repeat=len(free)):
                signs = self.problem.space.polarity_start.copy()
                signs[free] = turned
                if not self._search(trees, bounds, signs):
                    return "budget"
        except KeyboardInterrupt:
            return "interrupted"
        return "converged"

    def _start(self) -> None:
        """Descend from random networks: the lower the first threshold, the less remains."""
        space, rng = self.problem.space, np.random.default_rng(self.seed)
        descent = Descent(self.problem)
        for _ in range(_STARTS):
            choice = np.array([rng.integers(len(o.values)) for o in space.options], dtype=np.intp)
            present = ~space.optional | (rng.random(len(space.slots)) < 0.5)
            present = space.alternatives.draw(present, rng)
            polarity = np.where(
                space.polarity_free & (rng.random(len(space.polarity_free)) < 0.5),
                -1.0,
                space.polarity_start,
            )
            polished = descent.descend_singles(
                Genome(choice=choice, present=present, polarity=polarity)
            )
            self._add(polished.genome, self._cost(polished.genome))
        for genome, _ in rank_genomes(self.problem, list(self.archive.values()), self.top):
            cost = float(self.problem.cost([genome])[0])
            polished = descent.descend_pairs(genome, cost)
            self._add(polished.genome, self._cost(polished.genome))
            key = polished.genome.key(self.problem.space.gene_slot)
            self.descended[key] = polished.no_better_change_of
        self._lower()

    def _cost(self, genome: Genome) -> float:
        curves = self.problem.evaluator.curves(self.problem.space.population([genome]))
        return float(
            ranking_cost(self.problem.evaluator, curves)[0] + self.problem.space.economy(genome)
        ) + self._missing(genome)

    def _missing(self, genome: Genome) -> float:
        """Cost of pieces that the stock does not have: more than any goal can gain."""
        missing = self.problem.space.rules.breaches(genome)
        return MISSED * (1.0 + missing) if missing else 0.0

    def _add(self, genome: Genome, cost: float) -> None:
        self.archive[genome.key(self.problem.space.gene_slot)] = (genome, cost)

    def _lower(self) -> None:
        """Set the threshold by the present ranking, and forget what lies above."""
        found = sorted(self.archive.values(), key=lambda item: item[1])[:_ARCHIVE]
        ranked = rank_genomes(self.problem, found, self.top)
        if len(ranked) == self.top:
            self.threshold = min(self.threshold, ranked[-1][1])
        else:
            # Nothing dearer than this is ever ranked, see `rank_genomes`.
            self.threshold = min(self.threshold, 3.0 * ranked[0][1] + 1.0)
        if len(found) == _ARCHIVE:
            self.threshold = min(self.threshold, found[-1][1])
        key = self.problem.space.gene_slot
        self.archive = {g.key(key): (g, c) for g, c in found if c <= self.threshold + _EPSILON}

    def _search(self, trees: list[WayTree], bounds: Bounds, signs: Real) -> bool:
        """Split branches until none is left; False when time ran out."""
        last = [len(t.levels) - 1 for t in trees]
        roots = [np.arange(len(t.starts[0])) for t in trees]
        rows = np.stack(np.meshgrid(*roots, indexing="ij"), axis=-1).reshape(-1, len(trees))
        stack: list[tuple[tuple[int, ...], Index]] = [((0,) * len(trees), rows)]
        if last == [0] * len(trees):
            self._take(trees, bounds.below(stack.pop()[0], rows, signs), rows, signs)
        while stack:
            levels, rows = stack.pop()
            if len(rows) > _CHUNK:
                stack.append((levels, rows[_CHUNK:]))
                rows = rows[:_CHUNK]
            w = bounds.widest(levels, rows)
            rows = _split(trees[w], levels[w], w, rows)
            levels = (*levels[:w], levels[w] + 1, *levels[w + 1 :])
            economy = sum(
                t.levels[level].economy[rows[:, v]]
                for v, (t, level) in enumerate(zip(trees, levels, strict=True))
            )
            rows = rows[economy < self.threshold + _EPSILON]
            below = bounds.below(levels, rows, signs)
            self.evaluations += len(rows)
            open_ = below < self.threshold + _EPSILON
            if list(levels) == last:
                self._take(trees, below[open_], rows[open_], signs)
            elif open_.any():
                # The most promising branches come first, so that the threshold falls early.
                order = np.argsort(below[open_], kind="stable")
                stack.append((levels, rows[open_][order]))
            if self._out_of_time():
                return False
        return True

    def _take(self, trees: list[WayTree], costs: Real, rows: Index, signs: Real) -> None:
        space = self.problem.space
        for cost, row in zip(costs, rows, strict=True):
            choice = np.zeros(len(space.genes), dtype=np.intp)
            present = np.zeros(len(space.slots), dtype=bool)
            for tree, r in zip(trees, row, strict=True):
                choice[tree.genes] = tree.choice[r]
                present[tree.slots] = tree.present[r]
            genome = Genome(choice=choice, present=present, polarity=signs.copy())
            self._add(genome, float(cost) + self._missing(genome))
        if len(self.archive) >= 2 * _ARCHIVE or (
            len(costs) and costs.min() < self._best() + _EPSILON
        ):
            self._lower()

    def _best(self) -> float:
        return min((c for _, c in self.archive.values()), default=np.inf)

    def _out_of_time(self) -> bool:
        spent = time.monotonic() - self.began
        if self.progress is not None and spent > self.reported + 0.1:
            self.reported = spent
            self.progress(
                SearchProgress(
                    seconds=spent,
                    budget_seconds=self.seconds or 0.0,
                    evaluations=self.evaluations,
                    best_cost=self._best(),
                    restarts=_STARTS,
                    phase="proving",
                )
            )
        return self.seconds is not None and spent > self.seconds

    def result(self, stopped: Literal["converged", "budget", "interrupted"]) -> SearchResult:
        """Rank what was found."""
        problem = self.problem
        complete = stopped == "converged" and self.bounded
        found = sorted(self.archive.values(), key=lambda item: item[1])
        ranked = rank_genomes(problem, found, self.top)
        candidates: list[Candidate] = []
        for rank, (genome, cost) in enumerate(ranked, start=1):
            why = ""
            if self.bounded:
                ruled_out = cost <= self.threshold + _EPSILON and complete
                changes = self._count_changes(found, genome, cost) if ruled_out else 0
                why = "a change of a single part betters it" if ruled_out else ""
            else:
                changes = self.descended.get(genome.key(problem.space.gene_slot), 0)
            candidates.append(
                build_candidate(
                    problem,
                    genome,
                    rank=rank,
                    certificate=Certificate.of_search(changes, why=why),
                    relaxed_cost=relax_structure(problem, genome),
                )
            )
        feasible = [c for c in candidates if c.feasible]
        networks = 10.0 ** problem.space.size_log10()
        if complete:
            note = (
                f"proven best: each of the {networks:.3g} possible networks was computed or ruled "
                "out"
            )
        elif self.bounded:
            note = "not proven: the exact search was cut short, so a better network may exist"
        else:
            note = (
                "not proven: parts that move several ways at once (a shared ladder, a source with "
                "resistance) leave no way to rule networks out in bulk, so a better one may exist"
            )
        relaxed = [c.relaxed_cost for c in candidates if c.relaxed_cost is not None]
        return SearchResult(
            candidates=tuple(feasible or candidates[:1]),
            stopped=stopped,
            seconds=time.monotonic() - self.began,
            evaluations=self.evaluations,
            seed=self.seed,
            cost_relaxed_best=min(relaxed, default=None),
            notes=(note,),
        )

    def _count_changes(self, found: list[Costed], genome: Genome, cost: float) -> int:
        """Count the changes that cannot better a network: one less than the nearest better has."""
        space = self.problem.space
        everything = len(space.free_genes) + int(np.count_nonzero(space.polarity_free))
        better = [g for g, c in found if c < cost - _EPSILON]
        return min((_changes(space, genome, g) - 1 for g in better), default=everything)


def _changes(space: Space, a: Genome, b: Genome) -> int:
    """Count changes between two networks: values, filled or emptied slots, polarities.

    Another alternative, with whatever values, is one change.
    """
    both = (a.present & b.present)[space.gene_slot]
    taken, within = space.alternatives.between(a.present, b.present)
    return int(
        taken
        + np.count_nonzero(both & (a.choice != b.choice))
        + np.count_nonzero((a.present != b.present) & ~within)
        + np.count_nonzero(a.polarity != b.polarity)
    )


def _split(tree: WayTree, level: int, way: int, rows: Index) -> Index:
    """Replace each branch of one way by its branches of the next level."""
    at = tree.levels[level]
    first, last = at.first[rows[:, way]], at.last[rows[:, way]]
    count = last - first
    out = np.repeat(rows, count, axis=0)
    within = np.arange(len(out)) - np.repeat(np.cumsum(count) - count, count)
    out[:, way] = np.repeat(first, count) + within
    return out
