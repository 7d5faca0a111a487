"""The time of a search: counted from its start, loading of libraries on nobody's clock."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager

from optimizer.search.task import Deadline


class Stopwatch:
    """How much of a budget is spent.

    Parameters
    ----------
    seconds : float or None
        The budget; None sets no limit.
    """

    def __init__(self, seconds: float | None) -> None:
        self.seconds = seconds
        self._began = time.monotonic()

    def spent(self) -> float:
        """Seconds since the start."""
        return time.monotonic() - self._began

    def left(self) -> float | None:
        """Seconds that are left, 0.0 when none are; None without a limit."""
        return self.left_until(1.0)

    def left_until(self, share: float) -> float | None:
        """Seconds until a share of the budget is spent.

        Parameters
        ----------
        share : float
        """
        return None if self.seconds is None else max(0.0, share * self.seconds - self.spent())

    def until(self, share: float) -> float | None:
        """Seconds from the start at which a share of what is left now will be spent.

        Parameters
        ----------
        share : float
        """
        left = self.left()
        return None if left is None else self.spent() + share * left

    def deadline(self, until: float | None = None) -> Deadline:
        """Return when a task must stop: at the end of the budget, or before.

        Parameters
        ----------
        until : float or None
            Seconds from the start.
        """
        left = self.left()
        if left is None:
            return Deadline(None)
        return Deadline(left if until is None else min(left, until - self.spent()))

    @contextmanager
    def stopped(self) -> Iterator[None]:
        """Do something that does not count."""
        began = time.monotonic()
        try:
            yield
        finally:
            self._began += time.monotonic() - began
