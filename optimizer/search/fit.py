"""The search: propose, relax, snap, exchange, rank."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from typing import Literal

import numpy as np

from optimizer.problem.agreement import NO_START, Agreement
from optimizer.problem.candidate import SearchResult
from optimizer.problem.certificate import Certificate
from optimizer.problem.figures import build_candidate
from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem
from optimizer.problem.space import Space
from optimizer.problem.verdicts import is_bad
from optimizer.search.budget import Stopwatch
from optimizer.search.descend.exchange import has_many_options
from optimizer.search.islands import ISLANDS, Islands
from optimizer.search.portions import Haul, Portion, work
from optimizer.search.progress import SearchProgress, check_request
from optimizer.search.prove.networks import Proved, prove_network, relax_structure
from optimizer.search.rank import rank_genomes
from optimizer.search.robust import Steady, steady_best
from optimizer.search.runner import Runner, WorkersLost, lent_or_local
from optimizer.search.strategies import Adviser, Strategy
from optimizer.search.task import Deadline

RankBy = Literal["verdicts", "cost"]
"""Whether verdicts come before cost, or cost alone ranks."""

DEFAULT_STRATEGY = "DE"
ROBUST_SHARE = 0.6  # of the time is spent on networks as designed before parts deviate
AGREEING = 4
"""Independent starts that must come to the same best cost before a search counts as converged."""

SMALL_LOG10 = 5.6  # decimal logarithm of the networks of a problem gone through as a whole
_AT_ONCE = 2  # proofs: each may change what is listed, and so what is to be proven
_KEPT_BACK, _LITTLE_KEPT_BACK = 0.4, 0.2  # share of the time for proofs, at most
_LEAST_KEPT_BACK = 0.05
_SPARE = 1.25  # time kept back for a proof over that of those done
_FIRST_PROOF = 0.3  # share of the time after which one is done to know how long it takes
_SHORT_S = 5.0  # budget that is better spent on finding networks than on proving them
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
        Networks after which no more are proposed, what was found is proven, and the search ends:
        this repeats exactly on any machine. The proof is not counted.
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
    check_request(top, seconds, evaluations)
    if isinstance(strategy, str) and strategy != DEFAULT_STRATEGY:
        Strategy(problem.space, strategy, seed)  # what cannot be used is refused at once
    clock = Stopwatch(ROBUST_SHARE * seconds if robust and seconds else seconds)
    stopped: Literal["converged", "budget", "interrupted"]
    with lent_or_local(runner, workers) as runner:
        state = _State(problem, runner, clock, seed=seed, progress=progress, by=by)
        try:
            dealer = Islands(
                problem,
                seed,
                count=islands,
                adviser=state.prepare(strategy),
                board=state.start_from_board(),
            )
            stopped = state.explore_and_prove(dealer, evaluations, top)
            if robust:
                left = None if seconds is None else seconds - clock.spent()
                state.make_steady(top, Deadline(left))
        except KeyboardInterrupt:
            stopped = "interrupted"
        except WorkersLost as error:
            if not state.archive:
                raise
            stopped = "budget"
            state.notes += (f"cut short: {error}",)
        state.notes += runner.notes
    try:
        return state.result(top, stopped)
    except KeyboardInterrupt:
        return state.result(top, "interrupted")  # it takes a moment, and is not put off twice


class _State:
    """Archive and bookkeeping of one search."""

    def __init__(
        self,
        problem: Problem,
        runner: Runner,
        clock: Stopwatch,
        *,
        seed: int,
        progress: Callable[[SearchProgress], None] | None,
        by: RankBy,
    ) -> None:
        self.problem = problem
        self.runner = runner
        self.clock = clock
        self.by = by
        self.bad: dict[bytes, bool] = {}
        self.seed = seed
        self.progress = progress
        self.archive: dict[bytes, tuple[Genome, float]] = {}
        self.moved: dict[bytes, tuple[Genome, float]] = {}
        self.proven: dict[bytes, int] = {}
        self.led: dict[bytes, tuple[Genome, float]] = {}
        self.proof_seconds: list[float] = []
        self.unproven = 0  # networks on the list, when last looked at
        # Where options are many, a proof cannot be had in the time: rather look further.
        self.many = has_many_options(problem.space)
        self.relaxed: dict[bytes, float] = {}
        self.ends: list[float] = []
        self.complete = False  # whether every network was computed or ruled out
        self.counted = False  # whether the number of networks ended the exploration
        self.notes: tuple[str, ...] = ()
        self.steady: list[Steady] = []
        self.evaluations = 0
        self.explored = 0  # of them, those that a budget of networks counts
        self.relaxed_starts = 0
        self.relaxed_best = np.inf
        self.best = np.inf

    def add(self, genome: Genome, cost: float) -> None:
        self.archive[genome.key(self.problem.space.gene_slot)] = (genome, cost)
        self.best = min(self.best, cost)

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

    def report(self, phase: Literal["searching", "proving"]) -> None:
        if self.progress is not None:
            self.progress(
                SearchProgress(
                    seconds=self.clock.spent(),
                    budget_seconds=self.clock.seconds or 0.0,
                    evaluations=self.evaluations,
                    restarts=self.relaxed_starts,
                    phase=phase,
                    best_cost=None if np.isinf(self.best) else self.best,
                )
            )

    def explore_and_prove(
        self, islands: Islands, evaluations: int | None, top: int
    ) -> Literal["converged", "budget"]:
        """Explore, prove what was found, and go on exploring as long as that leaves time."""
        self.unproven = top
        while True:
            ended = self.explore(islands, evaluations, top)
            self.round_in_haste(islands, top)
            if ended == "converged" and self.small:
                self.enumerate(top)
            proved = self.prove(top)
            if ended == "converged":
                return "converged" if proved else "budget"
            until = self.until_proofs()
            if ended == "evaluations" or not proved or until is None:
                return "budget"
            if self.clock.spent() > until:
                return "budget"

    def until_proofs(self) -> float | None:
        """Seconds from the start after which what is listed could no longer be proven in time."""
        seconds = self.clock.seconds
        if seconds is None:
            return None
        most = _LITTLE_KEPT_BACK if self.many or seconds < _SHORT_S else _KEPT_BACK
        if not self.proof_seconds:
            return (1.0 - most) * seconds
        turns = max(1, -(-self.unproven // _AT_ONCE))
        need = _SPARE * turns * float(np.mean(self.proof_seconds)) / seconds
        return (1.0 - min(most, max(_LEAST_KEPT_BACK, need))) * seconds

    def round_in_haste(self, islands: Islands, top: int) -> None:
        """Bring structures to networks without delay where a short search has hardly any.

        The islands are not told: to them these structures are still to be finished with care.
        """
        tasks = [(portion, Deadline(0.0)) for portion in islands.in_haste(top)]
        for haul in self.runner.in_order(work, self.problem, tasks):
            self.evaluations += haul.evaluations
            for genome, cost in haul.genomes:
                self.add(genome, cost)

    @property
    def small(self) -> bool:
        """Whether all networks can be gone through."""
        return self.problem.space.size_log10() <= SMALL_LOG10

    def explore(
        self, islands: Islands, evaluations: int | None, top: int
    ) -> Literal["converged", "evaluations", "budget"]:
        """Deal out rounds until enough starts agree, or the budget is used."""
        while True:
            until = self.until_proofs()
            due = self.due(islands, top)
            proofs = self.have_proven(due)
            portions = islands.deal()
            for portion, haul in self.work_off(portions, until):
                islands.tell(portion, haul)
                self.evaluations += haul.evaluations
                self.explored += haul.evaluations
                self.relaxed_starts += sum(count for _, count in haul.started)
                self.relaxed_best = min(self.relaxed_best, islands.relaxed_best)
                for genome, cost in haul.genomes:
                    self.add(genome, cost)
                self.report("searching")
                if evaluations is not None and self.explored >= evaluations:
                    self.runner.cancel()
                    self.counted = True
                    return "evaluations"
            for (start, _), proved in zip(due, proofs, strict=True):
                self.take(start, proved)
            self.pass_on(islands)
            until = self.until_proofs()
            if until is not None and self.clock.spent() >= until:
                return "budget"
            if islands.end_round() or not portions:
                self.ends.append(islands.best)
                if self.small or self.agreement.met >= AGREEING:
                    return "converged"
                islands.start_anew()

    def due(self, islands: Islands, top: int) -> list[tuple[Genome, float]]:
        """List networks to prove beside the exploration: those that nothing better came in front of.

        In a round that followed one without anything better the list has settled; and one proof
        must be done in time to know how long it takes.
        """
        seconds = self.clock.seconds
        pressing = (
            seconds is not None
            and seconds >= _SHORT_S
            and not self.proof_seconds
            and self.clock.spent() > _FIRST_PROOF * seconds
        )
        if self.many or self.small or not (islands.stale or pressing):
            return []
        return self.list_unproven(top)

    def list_unproven(self, top: int) -> list[tuple[Genome, float]]:
        """List the next networks of the ranked list to be proven."""
        key_of = self.problem.space.gene_slot
        chosen = self.rank(self.archive.values(), top)
        todo = [(g, c) for g, c in chosen if g.key(key_of) not in self.proven]
        self.unproven = len(todo)
        return todo[:_AT_ONCE]

    def have_proven(self, todo: Sequence[tuple[Genome, float]]) -> Iterator[Proved]:
        """Have networks proven, to the end of the budget."""
        deadline = self.clock.deadline()
        tasks = [(genome, cost, deadline) for genome, cost in todo]
        return self.runner.in_order(prove_network, self.problem, tasks)

    def pass_on(self, islands: Islands) -> None:
        """Tell a start where proofs led from what it has found itself, now or in another start."""
        if islands.found and self.led:
            genome, _ = islands.networks()[0]
            led = self.led.get(genome.key(self.problem.space.gene_slot))
            if led is not None:
                islands.learn(*led)

    @property
    def agreement(self) -> Agreement:
        """How the starts that came to their end agree."""
        return Agreement.of(self.ends, self.best)

    def work_off(
        self, portions: Sequence[Portion], until: float | None
    ) -> Iterator[tuple[Portion, Haul]]:
        """Have portions done; hauls in the order of their portions."""
        deadline = self.clock.deadline(until)
        tasks = [(portion, deadline) for portion in portions]
        yield from zip(portions, self.runner.in_order(work, self.problem, tasks), strict=True)

    def start_from_board(self) -> bool:
        """Go down from the parts on the board, where few changes are wanted; False without any."""
        board = self.problem.space.board()
        if board is None:
            return False
        cost = float(self.problem.cost([board])[0])
        self.add(board, cost)
        deadline = self.clock.deadline(self.clock.until(_BOARD_SHARE))
        for proved in self.runner.in_order(prove_network, self.problem, [(board, cost, deadline)]):
            self.evaluations += proved.evaluations
            self.add(proved.genome, proved.cost)
        return True

    def enumerate(self, top: int) -> None:
        """Go through all networks of a problem that is small enough to prove the best."""
        from optimizer.search.prove.exact import enumerate_genomes  # it builds on this module

        left = self.clock.left_until(0.8)
        found, complete, count = enumerate_genomes(self.problem, top, left)
        self.evaluations += count
        for genome, cost in found:
            self.add(genome, cost)
        self.complete = complete
        if complete:
            self.notes += ("proven best: every possible network was computed or ruled out",)

    def prove(self, top: int) -> bool:
        """Work down the archive until `top` distinct candidates carry their certificate."""
        while todo := self.list_unproven(top):
            if self.clock.deadline().passed():
                self.counted = False
                return False
            for (start, _), proved in zip(todo, self.have_proven(todo), strict=True):
                self.take(start, proved)
            self.report("proving")
        key_of = self.problem.space.gene_slot
        chosen = self.rank(self.archive.values(), top)
        costs = self.runner.in_order(relax_structure, self.problem, [(g,) for g, _ in chosen])
        for (genome, _), cost in zip(chosen, costs, strict=True):
            self.relaxed[genome.key(key_of)] = cost
        return True

    def take(self, start: Genome, proved: Proved) -> None:
        """Note what a proof came to."""
        key_of, genome = self.problem.space.gene_slot, proved.genome
        self.evaluations += proved.evaluations
        if proved.no_better_change_of == 2:
            self.proof_seconds.append(proved.seconds)
        if genome.key(key_of) != start.key(key_of) and self.stands_last(genome) <= self.stands_last(
            start
        ):
            # What a change of two parts betters stands back for what none does.
            moved = self.archive.pop(start.key(key_of), None)
            if moved is not None:
                self.moved[start.key(key_of)] = moved
        if genome.key(key_of) != start.key(key_of):
            self.led[start.key(key_of)] = (genome, proved.cost)
        self.proven[start.key(key_of)] = 0
        self.add(genome, proved.cost)
        self.proven[genome.key(key_of)] = proved.no_better_change_of

    def make_steady(self, top: int, deadline: Deadline) -> None:
        """Go down in expected cost from what the search found."""
        self.steady, count = steady_best(
            self.problem,
            list(self.archive.values()),
            starts=top,
            runner=self.runner,
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
            seconds=self.clock.spent(),
            evaluations=self.evaluations,
            seed=self.seed,
            cost_relaxed_best=None if np.isinf(self.relaxed_best) else self.relaxed_best,
            notes=self.notes,
            # Where nothing can have been missed, no chance is named.
            agreement=NO_START if self.complete else self.agreement,
            counted=self.counted,
        )
