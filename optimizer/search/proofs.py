"""Proofs of the ranked list: which networks they are due for, what they led to, their time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from optimizer.problem.genome import Genome
from optimizer.problem.neighbourhood import Costed
from optimizer.problem.problem import Problem
from optimizer.search.budget import Stopwatch
from optimizer.search.descend.exchange import has_many_options
from optimizer.search.found import Found
from optimizer.search.prove.networks import Proved, prove_network
from optimizer.search.runner import Runner

_AT_ONCE = 2  # each may change what is listed, and so what is to be proven next
_KEPT_BACK, _LITTLE_KEPT_BACK = 0.4, 0.2  # share of the time for proofs, at most
_LEAST_KEPT_BACK = 0.05
_SPARE = 1.25  # time kept back for a proof over that of those done
_FIRST_PROOF = 0.3  # share of the time after which one is done to know how long it takes
_SHORT_S = 5.0  # budget that is better spent on finding networks than on proving them

PROOF_WORTH = 10
"""Networks that a proof may value or rule out for each that a budget of networks proposes: they take
about a tenth of the time (measured: 60,000 to 90,000 a second against 6,000 to 14,000)."""


class Proofs:
    """Works down the list of a search until all on it are proven.

    Parameters
    ----------
    problem : Problem
    found : Found
        What the search has found; where proofs lead goes in there.
    runner : Runner
    clock : Stopwatch
    top : int
        Length of the list.
    most : int or None
        Networks valued or ruled out after which no more is proven.

    Attributes
    ----------
    evaluations : int
        Networks valued or ruled out by the proofs.
    """

    def __init__(
        self,
        problem: Problem,
        found: Found,
        runner: Runner,
        clock: Stopwatch,
        top: int,
        most: int | None,
    ) -> None:
        self.problem = problem
        self.found = found
        self.runner = runner
        self.clock = clock
        self.top = top
        self.most = most
        # What is counted goes to the best first.
        self.at_once = _AT_ONCE if most is None else 1
        self.evaluations = 0
        # Where options are many, a proof cannot be had in the time: rather look further.
        self.many = has_many_options(problem.space)
        self._proven: dict[bytes, int] = {}
        self._led: dict[bytes, Costed] = {}
        self._took_s: list[float] = []
        self._unproven = top  # when last looked at

    def of(self, genome: Genome) -> int:
        """Say how many changes at a time are known not to better a network."""
        return self._proven.get(self.found.key(genome), 0)

    def led_to(self, genome: Genome) -> Costed | None:
        """Where the proof of a network led, if not to itself."""
        return self._led.get(self.found.key(genome))

    def begin_s(self) -> float | None:
        """Seconds from the start after which what is listed could no longer be proven in time."""
        seconds = self.clock.seconds
        if seconds is None:
            return None
        most = _LITTLE_KEPT_BACK if self.many or seconds < _SHORT_S else _KEPT_BACK
        if not self._took_s:
            return (1.0 - most) * seconds
        turns = max(1, -(-self._unproven // self.at_once))
        need = _SPARE * turns * float(np.mean(self._took_s)) / seconds
        return (1.0 - min(most, max(_LEAST_KEPT_BACK, need))) * seconds

    def due(self, *, settled: bool) -> list[Costed]:
        """List networks to prove beside the exploration.

        Parameters
        ----------
        settled : bool
            Whether nothing better came of late. One proof must be done in time in any case, to
            know how long it takes.
        """
        seconds = self.clock.seconds
        pressing = (
            seconds is not None
            and seconds >= _SHORT_S
            and not self._took_s
            and self.clock.spent() > _FIRST_PROOF * seconds
        )
        due = not self.many and not self.used_up and (settled or pressing)
        return self.list_next() if due else []

    def list_next(self) -> list[Costed]:
        """List the next networks of the ranked list to be proven."""
        todo = [
            (g, c) for g, c in self.found.rank(self.top) if self.found.key(g) not in self._proven
        ]
        self._unproven = len(todo)
        return todo[: self.at_once]

    @property
    def used_up(self) -> bool:
        """Whether a budget of networks leaves no more proofs."""
        return self.most is not None and self.evaluations >= self.most

    def begin(self, todo: Sequence[Costed]) -> Iterator[Proved]:
        """Have networks proven, until the end of the budget; results in their order."""
        deadline = self.clock.deadline()
        left = None if self.most is None else self.most - self.evaluations
        tasks = [(genome, cost, deadline, left) for genome, cost in todo]
        return self.runner.in_order(prove_network, self.problem, tasks)

    def take(self, todo: Sequence[Costed], proofs: Iterator[Proved]) -> None:
        """Note what proofs came to.

        Parameters
        ----------
        todo : sequence of (Genome, float)
        proofs : iterator of Proved
            As begun for them.
        """
        for (start, _), proved in zip(todo, proofs, strict=True):
            self.evaluations += proved.evaluations
            if proved.no_better_change_of == 2:
                self._took_s.append(proved.seconds)
            self._proven[self.found.key(start)] = 0
            if self.found.key(proved.genome) != self.found.key(start):
                self._led[self.found.key(start)] = (proved.genome, proved.cost)
                self.found.step_back(start, behind=proved.genome)
            self.found.add(proved.genome, proved.cost)
            self._proven[self.found.key(proved.genome)] = proved.no_better_change_of
