"""Exchange of parts until no change of one or two of them helps, with proof.

A change is any move of `optimizer.problem.neighbourhood`: another value for one part, an optional
part put in or left out, a compound put in or left out, a free way turned, or another alternative
taken. All pairs of changes are covered, but of compounds put in: one of these is put in at a time,
with nothing else; and of alternatives whose parts have values: each is taken with the best ones
found for it, alone and with one other part changed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from optimizer.problem.genome import Genome
from optimizer.problem.neighbourhood import EPSILON, MANY_OPTIONS, Costed, Neighbourhood, Tally
from optimizer.problem.problem import Problem
from optimizer.problem.space import Space
from optimizer.search.descend.likely import best_chain, best_likely_pair
from optimizer.search.descend.rounding import choose_anew

_GATES = (1.3, 1.1, 1.02)  # cost against the best known: above these a descent goes no deeper

MANY_IN_ALL = 700
"""Options of all parts together from which on the likely changes of two parts come first."""


def has_many_options(space: Space) -> bool:
    """Whether there are too many options to go through all pairs of changes at once.

    Parameters
    ----------
    space : Space
    """
    return sum(len(option.values) for option in space.options) > MANY_IN_ALL


@dataclass(frozen=True, slots=True, kw_only=True)
class Polished:
    """A genome with its cost and how many changes at a time cannot better it."""

    genome: Genome
    cost: float
    no_better_change_of: int


class Descent:
    """Descends by exchanges of parts in one problem.

    Parameters
    ----------
    problem : Problem
        The problem; tables of all alternatives are prepared once.
    held : frozenset of int
        Genes that do not move. `descend` and `descend_likely` choose parts anew and cannot hold any.
    """

    def __init__(self, problem: Problem, *, held: frozenset[int] = frozenset()) -> None:
        self.problem = problem
        self.held = held
        self.tally = Tally()
        self.many = has_many_options(problem.space)
        # Where a part has very many options a descent passes over most: it has proved nothing then.
        most = max((len(option.values) for option in problem.space.options), default=0)
        self.passes_over = most > MANY_OPTIONS

    @property
    def evaluations(self) -> int:
        """Networks valued or ruled out so far."""
        return self.tally.networks

    def count(self, networks: int) -> None:
        """Add networks that were valued elsewhere on the way."""
        self.tally.networks += networks

    def around(self, genome: Genome) -> Neighbourhood:
        """Return everything one or two changes away from a network."""
        return Neighbourhood(self.problem.landscape, genome, tally=self.tally, held=self.held)

    def descend_singles(self, genome: Genome) -> Polished:
        """Make the best change of one part, or turn, until none helps.

        Parameters
        ----------
        genome : Genome
            Start.
        """
        last = float("inf")
        while True:
            hood = self.around(genome)
            better = hood.best_single()
            if better is not None and better[1] < last - EPSILON:
                genome, last = better
                continue
            turned = hood.best_toggle()
            if turned is None or turned[1] >= hood.cost - EPSILON:
                return Polished(genome=genome, cost=hood.cost, no_better_change_of=1)
            genome = turned[0]

    def descend(
        self,
        genome: Genome,
        cost: float,
        *,
        best: float = float("inf"),
        chosen: bool = False,
        stop: Callable[[], bool] = lambda: False,
    ) -> Polished:
        """Choose all parts anew, then change single ones, in turn until neither helps.

        Parameters
        ----------
        genome : Genome
            Start.
        cost : float
            Its full cost.
        best : float
            Cost of the best network known; what stays far above it is left half done.
        chosen : bool
            Whether all parts were chosen anew to the end already.
        stop : callable
            Asked now and then; True ends the descent.
        """
        structure_only = True
        while cost < _GATES[0] * best and not stop():
            if not chosen:
                genome, cost, count = choose_anew(self.problem, genome, cost)
                self.count(count)
            chosen = False
            if cost > (_GATES[1] if structure_only else _GATES[2]) * best:
                break
            hood = self.around(genome)
            better = hood.best_single(structure_only=structure_only, few=True)
            if better is None:
                if structure_only:
                    structure_only, chosen = False, True
                    continue
                better = hood.best_toggle()
                if better is None or better[1] >= cost - EPSILON:
                    proved = 0 if self.passes_over else 1
                    return Polished(genome=genome, cost=cost, no_better_change_of=proved)
            # Alike drivers can make two sums of one network differ by more than rounding: only
            # a cost that truly falls lets the descent end.
            changed_cost = hood.cost_of(better[0])
            if changed_cost >= cost - EPSILON:
                break
            genome, cost = better[0], changed_cost
        return Polished(genome=genome, cost=cost, no_better_change_of=0)

    def descend_likely(
        self, genome: Genome, cost: float, *, stop: Callable[[], bool] = lambda: False
    ) -> Polished:
        """Make the likely changes of two parts and longer exchanges of pieces, until none helps.

        Parameters are those of `descend`.
        """
        proved = 0
        while not stop():
            polished = self.descend(genome, cost, stop=stop)
            genome, cost = polished.genome, polished.cost
            proved = polished.no_better_change_of
            if stop():
                break
            hood = self.around(genome)
            singles = hood.singles(few=True)
            better = best_likely_pair(self.problem, hood, cost, singles, stop=stop)
            if better is None and self.problem.space.supply.counted:
                better = best_chain(self.problem, hood, cost, singles)
            if better is None and self.passes_over and not stop():
                better = hood.best_single()
                proved = int(better is None)
            if better is None:
                break
            genome, cost = better
            proved = 0
        return Polished(genome=genome, cost=cost, no_better_change_of=proved)

    def descend_pairs(
        self, genome: Genome, cost: float, *, stop: Callable[[], bool] = lambda: False
    ) -> Polished:
        """Change two parts at a time until no change of one or two helps.

        Parameters are those of `descend`; a stopped descent has no certificate of two changes.

        Returns
        -------
        Polished
            ``no_better_change_of`` is 2 when every change was ruled out, 1 when time ran out after
            every change of one part was.
        """
        unproved = 0
        if self.many and not self.held:
            likely = self.descend_likely(genome, cost, stop=stop)
            genome, cost, unproved = likely.genome, likely.cost, likely.no_better_change_of
        while not stop():
            better = self.better_two(genome, cost, stop=stop)
            if better is None:
                return Polished(
                    genome=genome, cost=cost, no_better_change_of=unproved if stop() else 2
                )
            genome, cost = better
            unproved = 0
        return Polished(genome=genome, cost=cost, no_better_change_of=unproved)

    def better_two(
        self, genome: Genome, cost: float, *, stop: Callable[[], bool] = lambda: False
    ) -> Costed | None:
        """Go through all changes of two parts once, taking every improvement.

        Parameters are those of `descend`.

        Returns
        -------
        (Genome, float) or None
            None when there was none.
        """
        start = cost
        hood = self.around(genome)
        movable = self.problem.tables.scannable(genome)
        for key in hood.block_keys():
            if stop():
                break
            found = hood.best_pair(key, cost)
            if found is not None:
                genome, cost = found
                hood = self.around(genome)
                if self.problem.tables.scannable(genome) != movable:
                    return found
        if cost < start:
            return genome, cost
        return self._better_whole(hood, cost, stop)

    def _better_whole(
        self, hood: Neighbourhood, cost: float, stop: Callable[[], bool]
    ) -> Costed | None:
        """Go through the moves that a scan of parts does not hold, each with one further change."""
        for move in hood.toggles():
            if stop():
                return None
            other = hood.around(move.apply(hood.genome))
            further = [(other.genome, other.cost), other.best_single(), other.best_toggle()]
            found = min((b for b in further if b is not None), key=lambda b: b[1])
            if found[1] < cost - EPSILON:
                return found
        for move, reached in hood.switched(stop=stop):
            taken = (move.apply(hood.genome), reached)
            if reached >= cost - EPSILON:
                taken = hood.around(taken[0]).best_single() or taken
            if taken[1] < cost - EPSILON:
                return taken
        return hood.best_added_compound(cost, stop=stop)
