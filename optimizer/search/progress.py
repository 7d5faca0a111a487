"""What a running search tells of itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


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
