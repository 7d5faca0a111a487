"""One sitting at the bench: networks to begin from, and every state since, to go back to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from optimizer.bench.turning.laid import LaidOut
from optimizer.errors import InputError
from optimizer.goals.goal import GoalSet
from optimizer.problem.candidate import Candidate
from optimizer.problem.figures import build_candidate, reweigh
from optimizer.problem.problem import Problem

MOST_STATES = 500
"""States that can be gone back to; the oldest are forgotten first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Offered:
    """A network to begin from.

    Parameters
    ----------
    name : str
        What the user calls it ("results.json#2").
    candidate : Candidate
        With every figure, under the weights of the design.
    parent : str
        What is written as the parent of what is made of it; its name where that is a file.
    said : tuple of str
        What it is for, in sentences, the shortest first.
    against : Candidate, optional
        What it was made of, and is set against at first; itself where that is not known.
    """

    name: str
    candidate: Candidate
    parent: str
    said: tuple[str, ...] = ()
    against: Candidate | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Moment:
    """What lies on the bench at one moment.

    Parameters
    ----------
    start : int
        Which network it began as.
    laid : LaidOut
        What it is now.
    before : Candidate
        What it is set against.
    said : str
        What was done to come here ("woofer.L1 up"); empty at the beginning.
    """

    start: int
    laid: LaidOut
    before: Candidate
    said: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sitting:
    """Networks to begin from and the states since. A value: whatever is done gives another one.

    Parameters
    ----------
    problem : Problem
        What is wanted and what there is, as the design has it.
    goals : GoalSet
        Its goals with the weights that are set now. They belong to the sitting, not to a state:
        networks are costed by them when they are looked at.
    offered : tuple of Offered
        At least one.
    states : tuple of Moment
        The oldest first; those after `at` were undone.
    at : int
        Which of them is shown.

    Examples
    --------
    >>> from optimizer.testing import small_problem
    >>> from optimizer.verbs import fit
    >>> problem = small_problem()
    >>> found = fit(problem, exact=True).best
    >>> sitting = Sitting.begin(problem, [Offered(name="best", candidate=found, parent="")])
    >>> place = sitting.shown.laid.knobs[0]
    >>> turned = sitting.step(place.label, 1 if place.row == 0 else -1)
    >>> turned.undo().shown is sitting.shown
    True
    """

    problem: Problem
    goals: GoalSet
    offered: tuple[Offered, ...]
    states: tuple[Moment, ...]
    at: int = 0

    @classmethod
    def begin(cls, problem: Problem, offered: Sequence[Offered]) -> Sitting:
        """Begin with the first of some networks."""
        first = Moment(
            start=0,
            laid=LaidOut.of(problem, offered[0].candidate.network),
            before=offered[0].candidate,
            said="",
        )
        return cls(problem=problem, goals=problem.goals, offered=tuple(offered), states=(first,))

    @property
    def shown(self) -> Moment:
        """What lies on the bench now."""
        return self.states[self.at]

    @property
    def start(self) -> Offered:
        """What it began as."""
        return self.offered[self.shown.start]

    @property
    def wanted(self) -> Problem:
        """The problem of the weights that are set now."""
        if self.goals is self.problem.goals:
            return self.problem
        return self.problem.replace(goals=self.goals)

    def candidate(self) -> Candidate:
        """Compute every figure of what is shown, as `check` does, and cost it as it is wanted now."""
        return self.weighed(self.plain())

    def plain(self) -> Candidate:
        """Compute every figure of what is shown under the weights of the design."""
        network = self.shown.laid.network
        for known in (self.start.candidate, self.shown.before):
            if known.network == network:
                return known
        return build_candidate(self.problem, network)

    def weighed(self, candidate: Candidate) -> Candidate:
        """Cost a network by the weights that are set now."""
        return reweigh(candidate, self.goals)

    # -- what is done

    def choose(self, start: int) -> Sitting:
        """Take another of the networks to begin from."""
        if not 0 <= start < len(self.offered):
            raise InputError("there is no such network to begin from", value=start)
        chosen = self.offered[start]
        return self._then(
            Moment(
                start=start,
                laid=LaidOut.of(self.problem, chosen.candidate.network),
                before=chosen.against or chosen.candidate,
                said=chosen.name,
            )
        )

    def step(self, label: str, by: int) -> Sitting:
        """Turn one part, see `LaidOut.step`."""
        said = f"{label} {'up' if by > 0 else 'down'}"
        return self._become(self.shown.laid.step(label, by), said)

    def put(self, label: str, row: int) -> Sitting:
        """Give one part one of its options, see `LaidOut.put`."""
        return self._become(self.shown.laid.put(label, row), f"{label} set")

    def toggle(self, label: str) -> Sitting:
        """Put a part in or leave it out, see `LaidOut.toggle`."""
        return self._become(self.shown.laid.toggle(label), f"{label} in or out")

    def turn(self, way: str) -> Sitting:
        """Connect a way the other way round, see `LaidOut.turn`."""
        return self._become(self.shown.laid.turn(way), f"{way} turned round")

    def take(self, switch: int, alternative: int) -> Sitting:
        """Take another alternative, see `LaidOut.take`."""
        return self._become(self.shown.laid.take(switch, alternative), "another alternative")

    def free(self, label: str) -> Sitting:
        """Let a part that stays on the board be changed, see `LaidOut.free`."""
        return self._become(self.shown.laid.free(label), f"{label} free to be changed")

    def hold(self) -> Sitting:
        """Set what follows against what is shown now."""
        return self._then(replace(self.shown, before=self.plain(), said="held as before"))

    def weigh(self, weights: Mapping[str, float]) -> Sitting:
        """Count some goals more or less than now.

        Parameters
        ----------
        weights : mapping of str to float
            By the name of the goal.

        Raises
        ------
        InputError
            When there is no such goal, or a weight below 0.
        """
        goals = self.goals.weighted(**weights)
        return replace(self, goals=self.problem.goals if goals == self.problem.goals else goals)

    def undo(self) -> Sitting:
        """Go back by one state."""
        if self.at == 0:
            raise InputError("nothing has been done yet", remedy="turn a value first")
        return replace(self, at=self.at - 1)

    def redo(self) -> Sitting:
        """Go forward again by one state."""
        if self.at + 1 == len(self.states):
            raise InputError("nothing was undone")
        return replace(self, at=self.at + 1)

    def add(self, offered: Sequence[Offered]) -> Sitting:
        """Offer more networks to begin from; those that are there already are left out.

        They may be costed by the weights of the design or by those that are set now.
        """
        known = [one.candidate.network for one in self.offered]
        new: list[Offered] = []
        for found in offered:
            one = self._unweigh(found)
            if one.candidate.network not in [*known, *(n.candidate.network for n in new)]:
                new.append(one)
        return replace(self, offered=(*self.offered, *new))

    def _unweigh(self, offered: Offered) -> Offered:
        """Cost what is offered by the weights of the design, as everything that is kept here."""
        plain = self.problem.goals
        against = None if offered.against is None else reweigh(offered.against, plain)
        return replace(offered, candidate=reweigh(offered.candidate, plain), against=against)

    def adopt(self, saved: Offered) -> Sitting:
        """Go on from what is shown as from a network of its own, once it was saved."""
        added = self.add([saved])
        network = saved.candidate.network
        at = next(k for k, one in enumerate(added.offered) if one.candidate.network == network)
        if at < len(self.offered):
            return self
        return added._then(replace(self.shown, start=at, said=f"saved as {saved.name}"))

    def _become(self, laid: LaidOut, said: str) -> Sitting:
        return self._then(replace(self.shown, laid=laid, said=said))

    def _then(self, state: Moment) -> Sitting:
        states = (*self.states[: self.at + 1], state)[-MOST_STATES:]
        return replace(self, states=states, at=len(states) - 1)
