"""The search: propose, relax, snap, exchange, rank."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Sequence
from typing import Literal

import numpy as np

from optimizer.problem.agreement import NO_START, UNCOUNTED, Agreement
from optimizer.problem.candidate import SearchResult
from optimizer.problem.certificate import Certificate
from optimizer.problem.figures import build_candidate
from optimizer.problem.neighbourhood import Costed
from optimizer.problem.problem import Problem
from optimizer.problem.space import Space
from optimizer.search.budget import Stopwatch
from optimizer.search.found import TIE, Found
from optimizer.search.islands import ISLANDS, STARTS_FAIL, Islands
from optimizer.search.portions import Haul, Portion, work
from optimizer.search.progress import SearchProgress, check_request
from optimizer.search.proofs import PROOF_WORTH, Proofs
from optimizer.search.prove.networks import descend_network, relax_structure
from optimizer.search.robust import Steady, steady_best
from optimizer.search.runner import Runner, WorkersLost, lent_or_local
from optimizer.search.strategies import Adviser, Strategy
from optimizer.search.task import Deadline

_log = logging.getLogger(__name__)

RankBy = Literal["verdicts", "cost"]
"""Whether verdicts come before cost, or cost alone ranks."""

DEFAULT_STRATEGY = "DE"
ROBUST_SHARE = 0.6  # of the time is spent on networks as designed before parts deviate
AGREEING = 4
"""Independent starts that must come to the same best cost before a search counts as converged."""

SMALL_LOG10 = 5.6  # decimal logarithm of the networks of a problem gone through as a whole
_BOARD_SHARE = 0.3  # of the time for going down from the parts on a board
_LEFT = "changes of parts lead from it to a better one"


def search(
    problem: Problem,
    *,
    seconds: float | None = 10.0,
    evaluations: int | None = None,
    seed: int = 1,
    top: int = 5,
    workers: int = 1,
    runner: Runner | None = None,
    islands: int = ISLANDS,
    strategy: str | Callable[[Space, int], Adviser] | None = DEFAULT_STRATEGY,
    progress: Callable[[SearchProgress], None] | None = None,
    robust: bool = False,
    by: RankBy = "verdicts",
) -> SearchResult:
    """Search for the best buildable networks of a problem.

    Parameters
    ----------
    problem : Problem
        What is wanted and what there is.
    seconds : float or None
        Wall-clock budget; None runs until converged. How far a search comes in it depends on the
        machine and its load.
    evaluations : int, optional
        Networks after which no more are proposed; of changes of what was found up to `PROOF_WORTH`
        times as many are ruled out for its proof, and the search ends. This repeats whatever the
        machine has to do besides. (Other kernels of linear algebra round the last bit of a cost
        otherwise.)
    seed : int
        Same seed, same answer, whatever the number of workers, unless the clock cuts the run.
    top : int
        Number of candidates wanted.
    workers : int
        Processes of this machine to use where no runner is given.
    runner : Runner, optional
        Who computes; left open.
    islands : int
        Portions of a round, see `optimizer.search.islands`; the answer depends on it.
    strategy : str, callable or None
        Name of the nevergrad optimiser that proposes structures; or what makes another `Adviser`
        of a space and a seed; None goes without.
    progress : callable, optional
        Called with a `SearchProgress` after every portion, in this process.
    robust : bool
        Whether the expected cost under tolerance ranks, see `optimizer.search.robust`.
    by : {"verdicts", "cost"}
        Whether a network with a bad verdict stands behind all without one, or cost alone ranks.

    Returns
    -------
    SearchResult

    Notes
    -----
    Converged means that `AGREEING` independent starts, each from nothing, came to the same best
    cost. Ctrl-C ends the search and keeps what was found.
    """
    check_request(top, seconds, evaluations, islands)
    if isinstance(strategy, str) and strategy != DEFAULT_STRATEGY:
        Strategy(problem.space, strategy, seed)  # what cannot be used is refused at once
    clock = Stopwatch(ROBUST_SHARE * seconds if robust and seconds else seconds)
    stopped: Literal["converged", "budget", "interrupted"]
    # Every result carries them, and of a long stock they take a second: now, or the end is late.
    _ = problem.fingerprints
    with lent_or_local(runner, workers) as runner:
        _log.info(
            "search: 10^%.1f networks, seed %d, %d workers, budget %s s, %s networks",
            problem.space.size_log10(), seed, runner.workers, seconds, evaluations,
        )  # fmt: skip
        state = _State(
            problem, runner, clock, evaluations, seed=seed, top=top, progress=progress, by=by,
            starts_fail=STARTS_FAIL if islands >= ISLANDS else UNCOUNTED,
        )  # fmt: skip
        try:
            dealer = Islands(
                problem,
                seed,
                count=islands,
                adviser=state.prepare(strategy),
                board=state.start_from_board(),
            )
            stopped = state.explore_and_prove(dealer)
            if robust:
                left = None if seconds is None else seconds - clock.spent()
                state.make_steady(Deadline(left))
        except KeyboardInterrupt:
            stopped = "interrupted"
        except WorkersLost as error:
            if not state.found:
                raise
            stopped = "budget"
            state.notes += (f"cut short: {error}",)
        state.notes += runner.notes
    _log.info("search %s after %.1f s, %d networks", stopped, clock.spent(), state.evaluations)
    try:
        return state.result(stopped)
    except KeyboardInterrupt:
        return state.result("interrupted")  # it takes a moment, and is not put off twice


class _State:
    """Bookkeeping of one search."""

    def __init__(
        self,
        problem: Problem,
        runner: Runner,
        clock: Stopwatch,
        networks: int | None,
        *,
        seed: int,
        top: int,
        progress: Callable[[SearchProgress], None] | None,
        by: RankBy,
        starts_fail: float,
    ) -> None:
        self.problem = problem
        self.runner = runner
        self.clock = clock
        self.networks = networks
        self.seed = seed
        self.top = top
        self.starts_fail = starts_fail
        self.progress = progress
        self.found = Found(problem, by_verdicts=by == "verdicts")
        most = None if networks is None else PROOF_WORTH * networks
        self.proofs = Proofs(problem, self.found, runner, clock, top, most)
        self.relaxed: dict[bytes, float] = {}
        self.ends: list[float] = []
        self.complete = False  # whether every network was computed or ruled out
        self.counted = False  # whether the number of networks ended the exploration
        self.notes: tuple[str, ...] = ()
        self.steady: list[Steady] = []
        self.explored = 0  # networks that a budget of networks counts
        self.besides = 0
        self.relaxed_starts = 0
        self.relaxed_best = np.inf

    @property
    def evaluations(self) -> int:
        """Networks valued or ruled out so far."""
        return self.explored + self.besides + self.proofs.evaluations

    def prepare(
        self, strategy: str | Callable[[Space, int], Adviser] | None
    ) -> Callable[[int], Adviser] | None:
        """Return what makes an adviser; loading nevergrad is on nobody's clock."""
        if strategy is None:
            return None

        def make(seed: int) -> Adviser:
            with self.clock.stopped():
                if isinstance(strategy, str):
                    return Strategy(self.problem.space, strategy, seed)
                return strategy(self.problem.space, seed)

        return make

    def report(self, phase: Literal["searching", "proving"]) -> None:
        if self.progress is not None:
            self.progress(
                SearchProgress(
                    seconds=self.clock.spent(),
                    budget_seconds=self.clock.seconds or 0.0,
                    evaluations=self.evaluations,
                    restarts=self.relaxed_starts,
                    phase=phase,
                    best_cost=None if np.isinf(self.found.best) else self.found.best,
                )
            )

    def explore_and_prove(self, islands: Islands) -> Literal["converged", "budget"]:
        """Explore, prove what was found, and go on exploring as long as that leaves time."""
        while True:
            ended = self.explore(islands)
            self.round_in_haste(islands)
            if ended == "converged" and self.small:
                self.enumerate()
            proved = self.prove()
            if ended == "converged":
                return "converged" if proved else "budget"
            until = self.proofs.begin_s()
            if ended == "evaluations" or not proved or until is None:
                return "budget"
            if self.clock.spent() > until:
                return "budget"

    def round_in_haste(self, islands: Islands) -> None:
        """Bring structures to networks without delay where a short search has hardly any.

        The islands are not told: to them these structures are still to be finished with care.
        """
        tasks = [(portion, Deadline(0.0)) for portion in islands.in_haste(self.top)]
        for haul in self.runner.in_order(work, self.problem, tasks):
            self.besides += haul.evaluations
            for genome, cost in haul.genomes:
                self.found.add(genome, cost)

    @property
    def small(self) -> bool:
        """Whether all networks can be gone through."""
        return self.problem.space.size_log10() <= SMALL_LOG10

    def explore(self, islands: Islands) -> Literal["converged", "evaluations", "budget"]:
        """Deal out rounds until enough starts agree, or the budget is used.

        Where a start does not get on, what is listed is proven beside it.
        """
        while True:
            due = [] if self.small else self.proofs.due(settled=islands.stale > 0)
            proofs = self.proofs.begin(due)
            portions = islands.deal()
            for portion, haul in self.work_off(portions, self.proofs.begin_s()):
                islands.tell(portion, haul)
                self.take(haul)
                self.relaxed_best = min(self.relaxed_best, islands.relaxed_best)
                self.report("searching")
                if self.networks is not None and self.explored >= self.networks:
                    self.runner.cancel()
                    self.counted = True
                    return "evaluations"
            self.proofs.take(due, proofs)
            self.pass_on(islands)
            _log.info(
                "round of start %d: best cost %.4f (of this start %.4f), %d networks, %.1f s",
                len(self.ends) + 1, self.found.best, islands.best, self.evaluations,
                self.clock.spent(),
            )  # fmt: skip
            until = self.proofs.begin_s()
            if until is not None and self.clock.spent() >= until:
                return "budget"
            if islands.end_round() or not portions:
                self.ends.append(islands.best)
                if self.small or self.agreement.met >= AGREEING:
                    return "converged"
                islands.start_anew()

    def take(self, haul: Haul) -> None:
        """Note what a portion brought."""
        self.explored += haul.evaluations
        self.relaxed_starts += sum(count for _, count in haul.started)
        for genome, cost in haul.genomes:
            self.found.add(genome, cost)

    def pass_on(self, islands: Islands) -> None:
        """Tell a start where proofs led from what it has found itself, now or in another start."""
        best = islands.networks()[:1]
        led = self.proofs.led_to(best[0][0]) if best else None
        if led is not None:
            islands.learn(*led)

    @property
    def agreement(self) -> Agreement:
        """How the starts that came to their end agree."""
        return Agreement(ends=tuple(self.ends), best=self.found.best, fails=self.starts_fail)

    def work_off(
        self, portions: Sequence[Portion], until: float | None
    ) -> Iterator[tuple[Portion, Haul]]:
        """Have portions done; hauls in the order of their portions."""
        deadline = self.clock.deadline(until)
        tasks = [(portion, deadline) for portion in portions]
        yield from zip(portions, self.runner.in_order(work, self.problem, tasks), strict=True)

    def start_from_board(self) -> bool:
        """Go down from the parts on the board, where few changes are wanted; False without any."""
        supply = self.problem.space.supply
        if (supply.budgets or supply.ties) and not supply.lots:
            # However tight the limits are, there is something to show.
            frugal = self.problem.space.frugal()
            self.found.add(frugal, float(self.problem.cost([frugal])[0]))
        board = self.problem.space.board()
        if board is None:
            return False
        cost = float(self.problem.cost([board])[0])
        self.found.add(board, cost)
        deadline = self.clock.deadline(self.clock.until(_BOARD_SHARE))
        for proved in self.runner.in_order(
            descend_network, self.problem, [(board, cost, deadline, self.proofs.most)]
        ):
            self.besides += proved.evaluations
            self.found.add(proved.genome, proved.cost)
        return True

    def enumerate(self) -> None:
        """Go through all networks of a problem that is small enough to prove the best."""
        from optimizer.search.prove.exact import enumerate_genomes  # it builds on this module

        left = self.clock.left_until(0.8)
        found, complete, count = enumerate_genomes(self.problem, self.top, left)
        self.besides += count
        for genome, cost in found:
            self.found.add(genome, cost)
        self.complete = complete
        if complete:
            self.notes += ("proven best: every possible network was computed or ruled out",)

    def prove(self) -> bool:
        """Work down the list until all on it carry their certificate; False where that is too much."""
        while (todo := self.proofs.list_next()) and not self.proofs.used_up:
            if self.clock.deadline().passed():
                self.counted = False
                return False
            self.proofs.take(todo, self.proofs.begin(todo))
            _log.info("proved %d networks, %.1f s", len(todo), self.clock.spent())
            self.report("proving")
        chosen = self.found.rank(self.top)
        costs = self.runner.in_order(relax_structure, self.problem, [(g,) for g, _ in chosen])
        for (genome, _), cost in zip(chosen, costs, strict=True):
            self.relaxed[self.found.key(genome)] = cost
        self.counted |= bool(todo)
        return not todo

    def make_steady(self, deadline: Deadline) -> None:
        """Go down in expected cost from what the search found."""
        self.steady, count = steady_best(
            self.problem,
            self.found.networks(),
            starts=self.top,
            runner=self.runner,
            deadline=deadline,
        )
        self.besides += count

    def _choose(self) -> list[Costed]:
        """List what was found in the order in which a person would look at it."""
        ranked = self.found.rank(self.top, fill=True)
        if self.complete:
            return ranked  # the first one is proven best
        chosen = self.found.prefer_fewer(ranked)
        if any(a is not b for a, b in zip(chosen, ranked, strict=True)):
            self.notes += (
                f"costs within {100.0 * TIE:g} % of each other count as equal: of those the network "
                "of fewer pieces stands first",
            )
        return chosen

    def result(self, stopped: Literal["converged", "budget", "interrupted"]) -> SearchResult:
        expected = {self.found.key(s.genome): s for s in self.steady}
        if expected:
            chosen = self.found.rank(self.top, [(s.genome, s.expected) for s in self.steady])
        else:
            chosen = self._choose()
        candidates = []
        for rank, (genome, _) in enumerate(chosen, start=1):
            key = self.found.key(genome)
            if expected:
                certificate = Certificate.of_search(
                    expected[key].no_better_change_of, measure="expected cost"
                )
            else:
                certificate = Certificate.of_search(
                    self.proofs.of(genome),
                    why=_LEFT if self.found.has_stepped_back(genome) else "",
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
            seconds=self.clock.spent(),
            evaluations=self.evaluations,
            seed=self.seed,
            cost_relaxed_best=None if np.isinf(self.relaxed_best) else self.relaxed_best,
            notes=self.notes,
            # Where nothing can have been missed, no chance is named.
            agreement=NO_START if self.complete else self.agreement,
            counted=self.counted,
        )
