"""What giving up a little of one goal buys of the others, among networks that are known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from optimizer.errors import InputError, Subject
from optimizer.problem.candidate import Candidate, GoalFigure

_LEAST = 0.005
"""A figure that differs by less is the same as it is written."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bargain:
    """One network that is better in one goal, and no worse than was allowed in another.

    Parameters
    ----------
    number : int
        Of the network, among those that were looked at.
    given : float
        How much worse it is in the goal that was given up; below 0 where it is better there too.
    bought : GoalFigure
        What it has of the goal that it betters.
    gained : float
        By how much.
    """

    number: int
    given: float
    bought: GoalFigure
    gained: float


def find_bargains(
    shown: Candidate, known: Sequence[Candidate], *, goal: str, give: float
) -> list[Bargain]:
    """Find what giving up some of one goal buys.

    Parameters
    ----------
    shown : Candidate
        Where one stands.
    known : sequence of Candidate
        Where one may go.
    goal : str
        Whose figure may be worse.
    give : float
        By how much at most, in its unit.

    Returns
    -------
    list of Bargain
        For each other goal the network that betters it most, in the order of the goals. A network
        that breaks a limit is none where the one shown keeps all.

    Raises
    ------
    InputError
        When the network has no such goal, or less than nothing is given.
    """
    own = {one.name: one for one in shown.goals}
    if goal not in own:
        raise InputError(
            "there is no such goal", value=repr(goal), remedy=f"one of {', '.join(own)}"
        )
    if not 0.0 <= give < float("inf"):
        raise InputError(
            "what is given up is an amount from 0 up", subject=Subject("goal", goal), value=give
        )
    allowed = own[goal].value + give + 1e-9
    open_to = [
        (number, {one.name: one for one in candidate.goals})
        for number, candidate in enumerate(known)
        if candidate.feasible >= shown.feasible
    ]
    within = [(number, figures) for number, figures in open_to if figures[goal].value <= allowed]
    found = []
    for name, here in own.items():
        if name == goal or not within:
            continue
        number, figures = min(within, key=lambda one: (one[1][name].value, one[1][goal].value))
        gained = here.value - figures[name].value
        if gained >= _LEAST:
            given = figures[goal].value - own[goal].value
            found.append(Bargain(number=number, given=given, bought=figures[name], gained=gained))
    return found
