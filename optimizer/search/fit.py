"""The search: propose, relax, snap, exchange, rank."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from itertools import count as count_from
from typing import Literal

import numpy as np

from optimizer.problem.candidate import SearchResult
from optimizer.problem.certificate import Certificate
from optimizer.problem.figures import build_candidate
from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem
from optimizer.problem.verdicts import is_bad
from optimizer.search.crew import Crew
from optimizer.search.descend.exchange import has_many_options
from optimizer.search.planner import Planner
from optimizer.search.progress import SearchProgress, check_request
from optimizer.search.rank import rank_genomes
from optimizer.search.robust import Steady, steady_best
from optimizer.search.runner import Runner, lent_or_local
from optimizer.search.strategies import Strategy
from optimizer.search.task import Deadline

RankBy = Literal["verdicts", "cost"]
"""Whether verdicts come before cost, or cost alone ranks."""

DEFAULT_STRATEGY = "DE"
STARTS_PER_ROUND = 24
ROUNDS_PER_GENERATION = 2
ROBUST_SHARE = 0.6  # of the time is spent on networks as designed before parts deviate
_LEFT = "changes of parts lead from it to a better one"
LEAST_LEFT = 0.1  # share of the time that is worth going on with after a proof
STALE_ROUNDS = 10  # rounds without a better relaxed structure after which to start anew
DEEPENED_PER_GENERATION = 1
SMALL_LOG10 = 5.6  # decimal logarithm of the networks of a problem gone through as a whole
WANDERED_PER_GENERATION = 2
WANDERED_STRUCTURES = 6


def search(
    problem: Problem,
    *,
    seconds: float | None = 10.0,
    seed: int = 1,
    top: int = 5,
    workers: int = 1,
    strategy: str = DEFAULT_STRATEGY,
    max_rounds: int | None = None,
    progress: Callable[[SearchProgress], None] | None = None,
    robust: bool = False,
    by: RankBy = "verdicts",
    runner: Runner | None = None,
) -> SearchResult:
    """Search for the best buildable networks of a problem.

    Parameters
    ----------
    problem : Problem
        What is wanted and what there is.
    seconds : float or None
        Wall-clock budget; None runs until converged.
    seed : int
        Same seed, same answer, whatever the number of workers, unless the budget cuts the run.
    top : int
        Number of candidates wanted.
    workers : int
        Processes of this machine to use where no runner is given.
    strategy : str
        Name of the nevergrad optimiser that proposes structures and start values.
    max_rounds : int, optional
        Stop proposing after this many rounds.
    progress : callable, optional
        Called with a `SearchProgress` after every generation, in this process.
    robust : bool
        Whether the expected cost under tolerance ranks, see `optimizer.search.robust`.
    by : {"verdicts", "cost"}
        Whether a network with a bad verdict stands behind all without one, or cost alone ranks.
    runner : Runner, optional
        Who computes; left open.

    Returns
    -------
    SearchResult

    Notes
    -----
    A start ends when `STALE_ROUNDS` rounds of `STARTS_PER_ROUND` relaxations brought no better
    structure. Converged means that one more independent start brought no better network, three
    more where there are over 10^20 networks. Ctrl-C ends the search and keeps what was found.
    """
    check_request(top, seconds)
    began = time.monotonic()
    state = _State(
        problem,
        seed=seed,
        began=began,
        progress=progress,
        seconds=ROBUST_SHARE * seconds if robust and seconds else seconds,
        by=by,
    )
    stopped: Literal["converged", "budget", "interrupted"]
    with lent_or_local(runner, workers) as runner:
        crew = Crew(problem, runner)
        try:
            seeds = count_from(seed)  # every independent start has a strategy of its own
            planner = Planner(
                problem.space,
                lambda: Strategy(
                    problem.space,
                    strategy,
                    next(seeds),
                    budget=10_000,
                    batch=STARTS_PER_ROUND * ROUNDS_PER_GENERATION,
                ),
                np.random.default_rng(seed),
            )
            stopped = state.explore_and_prove(crew, planner, max_rounds, top)
            if robust:
                left = None if seconds is None else seconds - state.spent()
                state.make_steady(top, runner, Deadline(left))
        except KeyboardInterrupt:
            stopped = "interrupted"
        state.notes += runner.notes
    return state.result(top, stopped)


@dataclass(slots=True)
class _Course:
    """How an exploration stands, to go on from there.

    Parameters
    ----------
    board : bool
        Whether it began from parts on a board.
    rounds, stale, fruitless : int
        Rounds done, rounds since the last better structure, starts without a better network.
    relaxed_before, best_before : float
        Best relaxed cost of this start, best cost before it.
    """

    board: bool
    rounds: int = 0
    stale: int = 0
    fruitless: int = 0
    relaxed_before: float = np.inf
    best_before: float = np.inf


class _State:
    """Archive and bookkeeping of one search."""

    def __init__(
        self,
        problem: Problem,
        *,
        seed: int,
        began: float,
        seconds: float | None,
        progress: Callable[[SearchProgress], None] | None,
        by: RankBy,
    ) -> None:
        self.problem = problem
        self.by = by
        self.bad: dict[bytes, bool] = {}
        self.seed = seed
        self.began = began
        self.seconds = seconds
        self.progress = progress
        self.archive: dict[bytes, tuple[Genome, float]] = {}
        self.moved: dict[bytes, tuple[Genome, float]] = {}
        self.proven: dict[bytes, int] = {}
        self.relaxed: dict[bytes, float] = {}
        self.done: dict[bytes, float] = {}
        self.visits: dict[bytes, int] = {}
        self.notes: tuple[str, ...] = ()
        self.steady: list[Steady] = []
        self.evaluations = 0
        self.restarts = 0
        self.relaxed_best = np.inf
        self.best = np.inf

    def add(self, genome: Genome, cost: float) -> None:
        self.archive[genome.key(self.problem.space.gene_slot)] = (genome, cost)
        self.best = min(self.best, cost)

    def stands_last(self, genome: Genome) -> bool:
        """Whether a network stands behind the others for what is said of it."""
        if self.by == "cost":
            return False
        key = genome.key(self.problem.space.gene_slot)
        if key not in self.bad:
            self.bad[key] = is_bad(self.problem, self.problem.space.network(genome))
        return self.bad[key]

    def rank(
        self,
        archive: Collection[tuple[Genome, float]],
        top: int,
        fillers: Collection[tuple[Genome, float]] = (),
    ) -> list[tuple[Genome, float]]:
        """Rank networks, see `rank_genomes`."""
        return rank_genomes(
            self.problem, list(archive), top, fillers=list(fillers), last=self.stands_last
        )

    def spent(self) -> float:
        return time.monotonic() - self.began

    def report(self, phase: Literal["searching", "proving"]) -> None:
        if self.progress is not None:
            self.progress(
                SearchProgress(
                    seconds=self.spent(),
                    budget_seconds=self.seconds or 0.0,
                    evaluations=self.evaluations,
                    restarts=self.restarts,
                    phase=phase,
                    best_cost=None if np.isinf(self.best) else self.best,
                )
            )

    def explore_and_prove(
        self, crew: Crew, planner: Planner, max_rounds: int | None, top: int
    ) -> Literal["converged", "budget"]:
        """Explore, prove what was found, and go on exploring as long as that leaves time."""
        # Where options are many, the proof cannot be had in the time: rather look further.
        share = 0.8 if has_many_options(self.problem.space) else 0.6
        course = _Course(board=self.start_from_board(crew))
        while True:
            left = None if self.seconds is None else self.seconds - self.spent()
            until = None if left is None else self.spent() + share * left
            ended = self.explore(crew, planner, course, max_rounds, until)
            if ended == "converged" and self.problem.space.size_log10() <= SMALL_LOG10:
                self.enumerate(top)
            proved = self.prove(crew, top)
            if ended == "converged":
                return "converged" if proved else "budget"
            if ended == "rounds" or not proved or self.seconds is None:
                return "budget"
            if self.seconds - self.spent() < LEAST_LEFT * self.seconds:
                return "budget"

    def explore(
        self,
        crew: Crew,
        planner: Planner,
        course: _Course,
        max_rounds: int | None,
        until: float | None,
    ) -> Literal["converged", "rounds", "time"]:
        """Breed structures until nothing new comes, or as many rounds or seconds are over."""
        while max_rounds is None or course.rounds < max_rounds:
            self.breed(crew, planner)
            # Scarce pieces make a landscape of their own; elsewhere it is a last resort.
            tired = course.stale >= STALE_ROUNDS // 2
            if self.problem.space.supply.counted or course.board or tired:
                self.wander(crew, course.rounds, until)
            course.rounds += ROUNDS_PER_GENERATION
            better = planner.best < 0.999 * course.relaxed_before
            course.stale = 0 if better else course.stale + ROUNDS_PER_GENERATION
            course.relaxed_before = min(course.relaxed_before, planner.best)
            self.report("searching")
            if course.stale >= STALE_ROUNDS:
                # This start has come to its end; another one may end elsewhere.
                gained = self.best < course.best_before - 1e-9
                course.fruitless = 0 if gained else course.fruitless + 1
                if course.fruitless == (3 if self.problem.space.size_log10() > 20.0 else 1):
                    return "converged"
                planner.start_anew()
                course.stale, course.relaxed_before, course.best_before = 0, np.inf, self.best
            if until is not None and self.spent() > until:
                return "time"
        return "rounds"

    def breed(self, crew: Crew, planner: Planner) -> None:
        """Relax a generation of starts, and deepen what the one before found."""
        batches = [planner.ask(STARTS_PER_ROUND) for _ in range(ROUNDS_PER_GENERATION)]
        bare = [[replace(p, token=None) for p in batch] for batch in batches]
        done = dict(self.done)  # what a round knows must not depend on the others' order
        # What the last generation found is deepened beside this one's new starts.
        chosen = planner.promising(self.best, DEEPENED_PER_GENERATION)
        deepening = crew.deepen([(p, self.best) for p in chosen])
        outcomes = crew.explore([(b, self.best, done) for b in bare], planner.prepare)
        for batch, outcome in zip(batches, outcomes, strict=True):
            planner.tell(batch, outcome.reached, outcome.costs)
            for structure, cost in outcome.finished.items():
                self.done[structure] = min(cost, self.done.get(structure, np.inf))
            self.evaluations += outcome.evaluations
            self.restarts += len(batch)
            self.relaxed_best = min(self.relaxed_best, float(outcome.costs.min()))
            for genome, cost in outcome.genomes:
                self.add(genome, cost)
            self.report("searching")
        for deepened in deepening:
            planner.deepened(deepened.reached, deepened.cost)
            self.evaluations += deepened.evaluations
            self.relaxed_best = min(self.relaxed_best, deepened.cost)
            for genome, cost in deepened.genomes:
                self.add(genome, cost)

    def start_from_board(self, crew: Crew) -> bool:
        """Go down from the parts on the board, where few changes are wanted; False without any."""
        board = self.problem.space.board()
        if board is None:
            return False
        cost = float(self.problem.cost([board])[0])
        self.add(board, cost)
        deadline = Deadline(None if self.seconds is None else 0.3 * self.seconds - self.spent())
        for genome, better, _, count in crew.prove([(board, cost)], deadline):
            self.evaluations += count
            self.add(genome, better)
        return True

    def enumerate(self, top: int) -> None:
        """Go through all networks of a problem that is small enough to prove the best."""
        from optimizer.search.prove.exact import enumerate_genomes  # it builds on this module

        left = None if self.seconds is None else max(0.1, 0.8 * self.seconds - self.spent())
        found, complete, count = enumerate_genomes(self.problem, top, left)
        self.evaluations += count
        for genome, cost in found:
            self.add(genome, cost)
        if complete:
            self.notes += ("proven best: every possible network was computed or ruled out",)

    def wander(self, crew: Crew, rounds: int, until: float | None) -> None:
        """Disturb the best networks of the best structures, those less visited first."""
        best: dict[bytes, tuple[Genome, float]] = {}
        for genome, cost in sorted(self.archive.values(), key=lambda item: item[1]):
            best.setdefault(genome.structure, (genome, cost))
            if len(best) == WANDERED_STRUCTURES:
                break
        key_of = self.problem.space.gene_slot
        order = sorted(
            enumerate(best.values()),
            key=lambda item: (
                item[0] + WANDERED_STRUCTURES // 2 * self.visits.get(item[1][0].key(key_of), 0)
            ),
        )
        chosen = [found for _, found in order[:WANDERED_PER_GENERATION]]
        for genome, _ in chosen:
            key = genome.key(key_of)
            self.visits[key] = self.visits.get(key, 0) + 1
        deadline = Deadline(None if until is None else until - self.spent())
        tasks = [(g, c, (self.seed, rounds, i)) for i, (g, c) in enumerate(chosen)]
        for found, evaluations in crew.wander(tasks, deadline):
            self.evaluations += evaluations
            for genome, cost in found:
                self.add(genome, cost)

    def prove(self, crew: Crew, top: int) -> bool:
        """Work down the archive until `top` distinct candidates carry their certificate."""
        deadline = Deadline(None if self.seconds is None else self.seconds - self.spent())
        key_of = self.problem.space.gene_slot
        while True:
            chosen = self.rank(self.archive.values(), top)
            todo = [(g, c) for g, c in chosen if g.key(key_of) not in self.proven]
            if not todo:
                break
            todo = todo[:2]
            for (start, _), (genome, cost, changes, count) in zip(
                todo, crew.prove(todo, deadline), strict=True
            ):
                self.evaluations += count
                bettered = genome is not start and genome.key(key_of) != start.key(key_of)
                if bettered and self.stands_last(genome) <= self.stands_last(start):
                    # What a change of two parts betters stands back for what none does.
                    moved = self.archive.pop(start.key(key_of), None)
                    if moved is not None:
                        self.moved[start.key(key_of)] = moved
                self.proven[start.key(key_of)] = 0
                self.add(genome, cost)
                self.proven[genome.key(key_of)] = changes
            self.report("proving")
            if deadline.passed():
                return False
        chosen = self.rank(self.archive.values(), top)
        for (genome, _), cost in zip(chosen, crew.relax([g for g, _ in chosen]), strict=True):
            self.relaxed[genome.key(key_of)] = cost
        return True

    def make_steady(self, top: int, runner: Runner, deadline: Deadline) -> None:
        """Go down in expected cost from what the search found."""
        self.steady, count = steady_best(
            self.problem,
            list(self.archive.values()),
            starts=top,
            runner=runner,
            deadline=deadline,
        )
        self.evaluations += count

    def result(
        self, top: int, stopped: Literal["converged", "budget", "interrupted"]
    ) -> SearchResult:
        key_of = self.problem.space.gene_slot
        expected = {s.genome.key(key_of): s for s in self.steady}
        if expected:
            chosen = self.rank([(s.genome, s.expected) for s in self.steady], top)
        else:
            chosen = self.rank(self.archive.values(), top, self.moved.values())
        candidates = []
        for rank, (genome, _) in enumerate(chosen, start=1):
            key = genome.key(key_of)
            if expected:
                certificate = Certificate.of_search(
                    expected[key].no_better_change_of, measure="expected cost"
                )
            else:
                certificate = Certificate.of_search(
                    self.proven.get(key, 0), why=_LEFT if key in self.moved else ""
                )
            candidates.append(
                build_candidate(
                    self.problem,
                    genome,
                    rank=rank,
                    certificate=certificate,
                    relaxed_cost=self.relaxed.get(key),
                    expected_cost=expected[key].expected if expected else None,
                )
            )
        feasible = [c for c in candidates if c.feasible]
        return SearchResult(
            candidates=tuple(feasible or candidates[:1]),
            stopped=stopped,
            seconds=self.spent(),
            evaluations=self.evaluations,
            seed=self.seed,
            cost_relaxed_best=None if np.isinf(self.relaxed_best) else self.relaxed_best,
            notes=self.notes,
        )
