"""How independent starts of a search agree, and what that says of anything better."""

from __future__ import annotations

from dataclasses import dataclass
from math import comb, inf, prod

WITHIN = 0.001
"""Share of the cost by which two starts may differ and still have come to the same."""

MISSED_BY = 0.01
"""Share of the cost by which something must be better to count as missed."""

UNCOUNTED = 0.5
"""Chance that a start fails where nobody has counted: as likely as not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """Where the independent starts of a search ended.

    Parameters
    ----------
    ends : tuple of float
        Best cost of each start that came to its end.
    best : float
        Best cost of all, found by one of them or besides.
    fails : float
        Chance that a start of a problem of which nothing is known fails: that it ends more than
        `MISSED_BY` above the best there is.
    """

    ends: tuple[float, ...] = ()
    best: float = inf
    fails: float = UNCOUNTED

    @property
    def starts(self) -> int:
        """Starts that came to their end."""
        return len(self.ends)

    @property
    def met(self) -> int:
        """Those among them that came to the best cost, within `WITHIN`."""
        return self._count(WITHIN)

    @property
    def near(self) -> int:
        """Those among them that came within `MISSED_BY` of the best cost."""
        return self._count(MISSED_BY)

    def _count(self, within: float) -> int:
        return sum(end <= (1.0 + within) * self.best for end in self.ends)

    @property
    def missed(self) -> float | None:
        """Estimated chance that something better by more than `MISSED_BY` was missed.

        Returns
        -------
        float or None
            None before any start has ended.

        Notes
        -----
        Starts fail with a chance that belongs to the problem. Over problems it has a beta law of mean
        `fails` and weight 1, that of Jeffreys' prior where the mean is 1/2, so most problems have
        starts that nearly always or hardly ever fail; of n starts then as many fail as in Skellam, J.
        Royal Stat. Soc. B 10(2), 1948, eq. 1 (from memory). Either all n have failed, and something
        better was missed, or the k that are near the best are those that have not. That starts which
        fail agree as these do is taken for certain, so the chance is rather too high.
        """
        n, k = self.starts, self.near
        if not n:
            return None
        if not k:
            n, k = n + 1, 1  # the best is of a start that has not ended
        all_fail = prod(self.fails + i for i in range(n))
        others_fail = comb(n, k) * prod(
            [1.0 - self.fails + i for i in range(k)] + [self.fails + i for i in range(n - k)]
        )
        return all_fail / (all_fail + others_fail)


NO_START = Agreement()
"""Of what was not searched, or not to the end of a start."""
