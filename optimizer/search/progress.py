"""What a search may be asked for, and what a running one tells of itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from optimizer.errors import InputError, Subject


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchProgress:
    """How far a search is.

    Parameters
    ----------
    seconds, budget_seconds : float
        Time spent and time allowed (0 when unlimited).
    evaluations : int
        Networks evaluated so far.
    best_cost : float or None
        Best buildable cost so far.
    restarts : int
        Independent starts relaxed so far.
    phase : {"searching", "proving"}
        Proposing networks, or checking that the best cannot be bettered.
    """

    seconds: float
    budget_seconds: float
    evaluations: int
    best_cost: float | None
    restarts: int
    phase: Literal["searching", "proving"] = "searching"


def check_request(
    top: int, seconds: float | None, evaluations: int | None = None, islands: int = 1
) -> None:
    """Refuse a search for no candidates, in no time, or of no portions.

    Parameters
    ----------
    top : int
        Candidates wanted.
    seconds : float or None
        Time allowed.
    evaluations : int or None
        Networks allowed.
    islands : int
        Portions of a round.

    Raises
    ------
    InputError
    """
    if top < 1:
        raise InputError(
            "the number of candidates must be at least 1",
            value=top,
            subject=Subject("search", part="candidates"),
        )
    if seconds is not None and not seconds > 0.0:
        raise InputError(
            "the time allowed must be above 0 s",
            value=seconds,
            subject=Subject("search", part="time"),
        )
    if evaluations is not None and evaluations < 1:
        raise InputError(
            "the number of networks allowed must be at least 1",
            value=evaluations,
            subject=Subject("search", part="evaluations"),
        )
    if islands < 1:
        raise InputError(
            "the number of islands must be at least 1",
            value=islands,
            subject=Subject("search", part="islands"),
        )
