"""The front between two goals: networks that give up one for the other, each the best it can be.

Every point is the best buildable network for its own weights of the two goals; the other goals keep
theirs. Weights are found as the front needs them: between two neighbours lies the pair of weights
for which both cost the same, and if any network does better there, it is a new point. Networks
found on the way are shared: whatever one pair of weights turns up is tried for all others.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import count, pairwise
from typing import Any, Literal

import numpy as np

from optimizer.errors import InputError, Subject
from optimizer.goals.economy import economy_goals
from optimizer.problem.certificate import Certificate
from optimizer.problem.figures import build_candidate
from optimizer.problem.genome import structure_key
from optimizer.problem.problem import Problem
from optimizer.search.explorer import ValuePoint
from optimizer.search.fit import SMALL_LOG10
from optimizer.search.progress import SearchProgress
from optimizer.search.runner import Runner, WorkersLost, lent_or_local
from optimizer.search.task import Deadline
from optimizer.search.trade import front as geometry
from optimizer.search.trade.archive import ENDS, Archive, Best, PartSum
from optimizer.search.trade.result import TradePoint, TradeResult
from optimizer.search.trade.tasks import (
    Outcome,
    certify_network,
    explore_structures,
    polish_network,
    reweight,
)

_log = logging.getLogger(__name__)

ANCHORS = (0.5, 0.1, 0.9, 0.3)
"""Shares of the first goal at which structures are looked for."""

ANCHORS_AGAIN = 2
"""Shares at which they are looked for each time again."""

LOOKS_IN_VAIN = 2
"""Looks that better nothing, after which a front is finished; one for a small problem."""

ROUNDS_OF_ANCHOR = 8
"""Most rounds of portions at each share."""

BATCH = 4
"""Weights tried at a time; fixed, so that the answer does not depend on the number of workers."""

SHARE_OF_EXPLORING = 0.35
"""Largest share of the time that goes into looking for structures."""

SHARE_OF_REFINING = 0.65
"""Share of the time after which no more weights are tried, only what is known is proven."""

SHARE_OF_LOOKING_AGAIN = 0.6
"""Share of the time after which structures are not looked for again."""

_FIRST = (ANCHORS[0], *ENDS, 0.3, 0.7, 0.1, 0.9)  # shares that are always tried
_SURPLUS = 1.4  # points found over points wanted: some leave room to choose well-spread ones
_TRIED_A_GAP = 2  # networks proven in each gap at a time
_RELAXED_AGAIN = 30  # structures relaxed for other weights that each pair of weights starts from
_DEAREST = 1.15  # cost of a network between two neighbours over theirs
_GOLDEN = 0.5 * (5.0**0.5 - 1.0)
_EPSILON = 1e-9


def search_trade(
    problem: Problem,
    between: tuple[str, str],
    *,
    points: int = 9,
    seconds: float | None = 30.0,
    seed: int = 1,
    workers: int = 1,
    progress: Callable[[SearchProgress], None] | None = None,
    runner: Runner | None = None,
) -> TradeResult:
    """Find the front between two goals of a problem.

    Parameters
    ----------
    problem : Problem
        With both goals among its own.
    between : tuple of str
        Names of the two goals; neither may be a hard limit.
    points : int
        Points wanted, at least 3.
    seconds : float or None
        Wall-clock budget; None runs until converged: structures looked for anew, under other
        weights, bettered nothing.
    seed : int
        Same seed, same answer, whatever the number of workers, unless the budget cuts the run.
    workers : int
        Processes of this machine to use where no runner is given.
    progress : callable, optional
        Called now and then.
    runner : Runner, optional
        Who computes; left open.

    Returns
    -------
    TradeResult
        With fewer points when the problem does not have as many.

    Raises
    ------
    InputError
        When a goal is not among the problem's, is hard, or both are the same.
    """
    _check(problem, between, points)
    stopped: Literal["converged", "budget", "interrupted"] = "interrupted"
    with lent_or_local(runner, workers) as runner:
        run = _Trade(problem, between, points, seconds, seed, progress, runner)
        try:
            run.explore(ANCHORS)
            run.start()
            run.refine()
            run.look_again()
            stopped = "budget" if run.cut else "converged"
        except KeyboardInterrupt:
            pass  # what was found so far is the answer
        except WorkersLost as error:
            run.keep_or_raise(error)
        run.notes += runner.notes
    return run.result(stopped)


def _check(problem: Problem, between: tuple[str, str], points: int) -> None:
    if points < 3:
        raise InputError(
            "a front has at least 3 points", value=points, subject=Subject("front", part="points")
        )
    if between[0] == between[1]:
        raise InputError(
            "a front lies between two different goals",
            value=between[0],
            subject=Subject("front", part="goals"),
        )
    hard = {g.name for g in problem.evaluator.goals if g.hard}
    on_parts = economy_goals(problem.goals)
    for name in between:
        if name not in problem.goals:
            raise InputError(
                "the goal must be among those of the design",
                value=name,
                subject=Subject("front", part="goals"),
                remedy=f"choose from {', '.join(problem.goals)}",
            )
        if name in on_parts and not PartSum(problem.space, on_parts[name]).varies:
            raise InputError(
                "the networks of a front must be able to differ in both goals",
                value=f"{name}, which is the same for every network of this design",
                subject=Subject("front", part="goals"),
                remedy="choose another goal",
            )
        if name in hard:
            raise InputError(
                "a hard limit cannot be traded",
                value=name,
                subject=Subject("front", part="goals"),
                remedy="make the limit soft, or choose another goal",
                by_stating=(Subject("goal", name, "hard"),),
            )


class _Trade:
    """Archive and bookkeeping of one front."""

    def __init__(
        self,
        problem: Problem,
        between: tuple[str, str],
        points: int,
        seconds: float | None,
        seed: int,
        progress: Callable[[SearchProgress], None] | None,
        runner: Runner,
    ) -> None:
        self.problem = problem
        self.runner = runner
        self.between = between
        self.points = points
        self.seconds = seconds
        self.seed = seed
        self.progress = progress
        self.began = time.monotonic()
        self.archive = Archive(problem, between)
        self.best: dict[float, Best] = {}
        self.between_bests: dict[bytes, Best] = {}
        self.reached: list[tuple[float, tuple[ValuePoint, ...]]] = []
        self.closed: set[tuple[bytes, bytes]] = set()  # neighbours whose tie was tried
        self.tried: set[bytes] = set()  # networks that were proven between neighbours
        self.evaluations = 0
        self.cut = False
        self.notes: tuple[str, ...] = ()

    def spent(self) -> float:
        return time.monotonic() - self.began

    def late(self, share: float = 0.95) -> bool:
        """Whether a share of the time is spent, with something left for the last figures."""
        late = self.seconds is not None and self.spent() > share * self.seconds - 0.3
        self.cut = self.cut or late
        return late

    def last_call(self) -> Deadline:
        """When tasks give up, with something left for the last figures."""
        return Deadline(None if self.seconds is None else 0.97 * self.seconds - self.spent())

    def _run(
        self, function: Callable[..., Outcome], tasks: Sequence[tuple[Any, ...]]
    ) -> Iterator[Outcome]:
        return self.runner.in_order(function, self.problem, tasks)

    def keep_or_raise(self, error: WorkersLost) -> None:
        """Go on with what was found before workers were lost, if that is anything."""
        if not self.archive.entries:
            raise error
        self.notes += (f"cut short: {error}",)

    def report(self) -> None:
        if self.progress is not None:
            middle = [b.cost for s, b in self.best.items() if s == ANCHORS[0]]
            self.progress(
                SearchProgress(
                    seconds=self.spent(),
                    budget_seconds=self.seconds or 0.0,
                    evaluations=self.evaluations,
                    best_cost=min(middle, default=None),
                    restarts=0,
                    phase="proving" if self.best else "searching",
                )
            )

    def explore(self, shares: Sequence[float], first_seed: int = 0) -> None:
        """Look for structures at a few pairs of weights."""
        limit = None
        if self.seconds is not None:
            turns = -(-len(shares) // self.runner.workers)
            limit = SHARE_OF_EXPLORING * (self.seconds - self.spent()) / turns
        tasks = [
            (self.archive.weights(s), self.seed + first_seed + i, ROUNDS_OF_ANCHOR, limit)
            for i, s in enumerate(shares)
        ]
        for share, found in zip(shares, self._run(explore_structures, tasks), strict=True):
            self.archive.add(list(found.genomes))
            self.reached.append((share, found.reached))
            self.evaluations += found.evaluations
            _log.info(
                "front: explored for a share of %.3f, %d networks, %.1f s",
                share, self.evaluations, self.spent(),
            )  # fmt: skip
            self.report()

    def look_again(self) -> None:
        """Look for structures at other weights until that betters the front no more."""
        left = LOOKS_IN_VAIN if self.problem.space.size_log10() > SMALL_LOG10 else 1
        for first in count(0, ANCHORS_AGAIN):
            if self.cut or self.late(SHARE_OF_LOOKING_AGAIN):
                return
            # Multiples of the golden ratio less their whole part never come close to each other.
            shares = [0.1 + 0.8 * ((_GOLDEN * (first + i + 1)) % 1.0) for i in range(ANCHORS_AGAIN)]
            before = {share: best.cost for share, best in self.best.items()}
            self.explore(shares, len(ANCHORS) + first)
            self.polish(shares)
            self.refine()
            if all(self.best[s].cost >= cost - _EPSILON for s, cost in before.items()):
                left -= 1
                if not left:
                    return

    def polish(self, shares: list[float]) -> None:
        """Find the best network for each share, starting from what is known."""
        deadline, archive = self.last_call(), self.archive
        tasks = [
            (archive.weights(s), archive.seeds(s), self.relaxed_near(s), self.seed, deadline)
            for s in shares
        ]
        for share, found in zip(shares, self._run(polish_network, tasks), strict=True):
            self._keep(self._take(share, found))
        self.report()

    def _take(self, share: float, found: Outcome) -> Best:
        self.archive.add(list(found.genomes))
        self.evaluations += found.evaluations
        key = self.archive.key(found.genomes[0])
        return Best(
            share=share,
            key=key,
            proven=found.proven,
            cost=self.archive.cost(self.archive.entries[key], share),
        )

    def relaxed_near(self, share: float) -> list[ValuePoint]:
        """List structures as they were relaxed for other weights, those for the nearest first."""
        chosen: dict[bytes, ValuePoint] = {}
        for _, points in sorted(self.reached, key=lambda r: abs(r[0] - share)):
            for point in points:
                chosen.setdefault(structure_key(point.present, point.polarity), point)
        return list(chosen.values())[:_RELAXED_AGAIN]

    def _keep(self, best: Best) -> None:
        """Take a network for its share, unless time ended its proof and another one has it."""
        known = self.best.get(best.share)
        if known is None or best.proven >= 2 or known.proven < 2:
            self.best[best.share] = best

    def start(self) -> None:
        """Find the best networks for the middle, the ends and a few weights between them."""
        # The middle and the ends come first: they make a front, if time ends it there.
        for start in range(0, len(_FIRST), BATCH):
            if start and self.late():
                return
            self.polish(list(_FIRST[start : start + BATCH]))

    def refine(self) -> None:
        """Add weights where the front is widest open, then let every point profit from all."""
        while True:
            self._settle()
            shares = self._openings()
            if (
                not shares
                or len(self._front()) >= _SURPLUS * self.points
                or self.late(SHARE_OF_REFINING)
            ):
                break
            self.polish(shares)
        self._settle()
        self._fill()
        self._settle()

    def _settle(self) -> None:
        """Take over, and prove, what other weights have turned up that is cheaper."""
        while True:
            poor = [
                s
                for s, b in self.best.items()
                if self.archive.cheapest(s)[1] < b.cost - _EPSILON or b.proven < 2
            ]
            if not poor or self.late():
                return
            tasks = [(s, self.archive.cheapest(s)[0]) for s in poor]
            for best in self._certify(tasks):
                self._keep(best)
            self.report()

    def _certify(self, tasks: list[tuple[float, bytes]]) -> list[Best]:
        """Prove networks of the archive, or what they turn into, each for its share."""
        deadline, archive = self.last_call(), self.archive
        answers = self._run(
            certify_network,
            [(archive.weights(s), archive.entries[key].genome, deadline) for s, key in tasks],
        )
        return [self._take(share, found) for (share, _), found in zip(tasks, answers, strict=True)]

    def _fill(self) -> None:
        """Prove networks that lie between neighbours without being the best for any weights.

        A network counts when, at the weights for which its neighbours cost the same, no change of
        one or two parts betters it.
        """
        while len(self._front()) < _SURPLUS * self.points:
            tasks = self._candidates_between()
            if not tasks or self.late():
                return
            own = {b.key for b in self.best.values()}
            for best in self._certify(tasks):
                if best.proven >= 2 and best.key not in own:
                    self.between_bests.setdefault(best.key, best)
            self.report()

    def _candidates_between(self) -> list[tuple[float, bytes]]:
        """Cheapest networks inside each gap of the front, with the share of its tie."""
        tasks: list[tuple[float, bytes]] = []
        for left, right in pairwise(self._front()):
            share = self.archive.tie(left.key, right.key)
            inside = [
                k
                for k in self.archive.inside(left.key, right.key, share, _DEAREST)
                if k not in self.tried
            ][:_TRIED_A_GAP]
            self.tried.update(inside)
            tasks += [(share, key) for key in inside]
        return tasks

    def _front(self) -> list[Best]:
        """Points that carry their certificate, one for each network, in order."""
        by_network: dict[bytes, Best] = {}
        for share in sorted(self.best, key=lambda s: abs(s - 0.5)):
            best = self.best[share]
            if best.proven >= 2:
                by_network.setdefault(best.key, best)
        own = self._in_order(by_network.values())
        # What is the best for no weights fills gaps: it must drive out nothing that is, however
        # dear it is by the other goals, and be bettered by nothing met.
        undominated = self.archive.undominated()
        others = [b for k, b in self.between_bests.items() if k in undominated]
        kept = geometry.keep_beside(self.archive.figures_of(others), self.archive.figures_of(own))
        return sorted([*own, *(others[k] for k in kept)], key=lambda b: self.archive.figures(b.key))

    def _in_order(self, bests: Iterable[Best]) -> list[Best]:
        """Those within the limits that no other betters, by the first figure."""
        found = [b for b in bests if self.archive.entries[b.key].feasible]
        return [found[i] for i in geometry.keep_undominated(self.archive.figures_of(found))]

    def _openings(self) -> list[float]:
        """Shares at which neighbours cost the same, widest gaps first; each gap once."""
        front = self._front()
        if len(front) < 2:
            return []
        unit = geometry.normalise(self.archive.figures_of(front))
        gaps = []
        for k, (left, right) in enumerate(pairwise(front)):
            width = float(np.abs(unit[k + 1] - unit[k]).sum())
            if (left.key, right.key) not in self.closed:
                gaps.append((width, left, right))
        shares: list[float] = []
        for _, left, right in sorted(gaps, key=lambda g: -g[0])[:BATCH]:
            self.closed.add((left.key, right.key))
            share = self.archive.tie(left.key, right.key)
            if all(abs(share - s) > 1e-6 for s in [*self.best, *shares]):
                shares.append(share)
        # A gap whose weights were tried before is closed now: look at the next ones.
        return shares if shares or not gaps else self._openings()

    def result(self, stopped: Literal["converged", "budget", "interrupted"]) -> TradeResult:
        """Build the candidates of the front."""
        front = self._front()
        if len(front) < 3 and stopped != "converged":
            front = self._unproven()
        figures = self.archive.figures_of(front)
        knee = geometry.find_knee(figures)
        own = {b.key for b in self.best.values()}
        middle = self.best.get(ANCHORS[0])
        always = [
            k
            for k, b in enumerate(front)
            if k == knee or (middle is not None and b.key == middle.key)
        ]
        kept = geometry.choose_spread(
            figures, self.points, always, [k for k, b in enumerate(front) if b.key in own]
        )
        units = dict.fromkeys(self.between, "")
        points = []
        for rank, k in enumerate(kept, start=1):
            best = front[k]
            weights = self.archive.weights(best.share)
            candidate = build_candidate(
                reweight(self.problem, weights),
                self.archive.entries[best.key].genome,
                rank=rank,
                certificate=Certificate.of_search(best.proven),
            )
            units.update({g.name: g.unit for g in candidate.goals if g.name in units})
            points.append(
                TradePoint(
                    a=float(figures[k, 0]),
                    b=float(figures[k, 1]),
                    candidate=candidate,
                    weights=(weights[0][1], weights[1][1]),
                    knee=False,
                    cheapest=self.archive.cheapest(best.share)[1] >= best.cost - _EPSILON,
                )
            )
        chosen = geometry.find_knee(figures[kept]) if points else None
        return TradeResult(
            between=self.between,
            units=(units[self.between[0]], units[self.between[1]]),
            points=tuple(replace(p, knee=k == chosen) for k, p in enumerate(points)),
            stopped=stopped,
            seconds=self.spent(),
            evaluations=self.evaluations,
            seed=self.seed,
            notes=self.notes,
        )

    def _unproven(self) -> list[Best]:
        """When time allowed no front of proven points: the cheapest networks met, as they are."""
        if not self.archive.entries:
            return []
        met = dict(self.best)
        for share in _FIRST:
            key, cost = self.archive.cheapest(share)
            if share not in met or cost < met[share].cost - _EPSILON:
                met[share] = Best(share=share, key=key, cost=cost, proven=0)
        return self._in_order(met.values()) or [met[ANCHORS[0]]]
