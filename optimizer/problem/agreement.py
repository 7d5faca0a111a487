"""How independent starts of a search agree, and what that says of anything better."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

WITHIN = 0.001
"""Share of the cost by which two starts may differ and still have come to the same."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """How often independent starts came to the best cost.

    Parameters
    ----------
    starts : int
        Starts that came to their end.
    met : int
        Those among them that came within `WITHIN` of the best cost.
    """

    starts: int
    met: int

    @classmethod
    def of(cls, ends: Sequence[float], best: float) -> Agreement:
        """Compare where starts ended.

        Parameters
        ----------
        ends : sequence of float
            Best cost of each start.
        best : float
            Best cost of all.
        """
        return cls(starts=len(ends), met=sum(end <= (1.0 + WITHIN) * best for end in ends))

    @property
    def missed(self) -> float | None:
        """Estimated chance that something better was missed; None before any start has ended.

        Notes
        -----
        The rule of succession (Laplace, Essai philosophique sur les probabilites, 1814): what came
        out the same way in `met` of `met` trials comes out otherwise in the next with probability
        1 / (met + 2). It takes for granted that what is better is no harder to find than what was
        met; how well that holds is counted in ``benchmarks/quality``.
        """
        return None if not self.starts else 1.0 / (self.met + 2.0)


NO_START = Agreement(starts=0, met=0)
"""Of what was not searched, or not to the end of a start."""
