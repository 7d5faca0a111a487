"""A search beside the page: better networks near the one shown, while its values can be turned."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Collection

from optimizer.bench.turning.laid import LaidOut
from optimizer.network.network import Network
from optimizer.search.nearby import search_nearby

_WORTH_TELLING = 0.998  # cost against the last that was told: less of a gain waits for the end

Tell = Callable[[Network], None]
"""Is told each network that was found, in the thread of the search."""


class Seeker:
    """One search in a thread of its own.

    Parameters
    ----------
    laid : LaidOut
        Where to begin.
    kept : collection of str
        Labels of the parts that stay what they are.
    seconds : float
        Longest time.
    tell : callable
        Told what is found.

    Attributes
    ----------
    found : int
        Networks told so far.
    """

    def __init__(self, laid: LaidOut, kept: Collection[str], *, seconds: float, tell: Tell) -> None:
        self.laid = laid
        self.held = frozenset(g for g in map(laid.space.find, kept) if g is not None)
        self.seconds = seconds
        self.found = 0
        self._tell = tell
        self._asked = threading.Event()
        self._ended = ""
        self._until = time.monotonic() + seconds
        self._thread = threading.Thread(target=self._seek, daemon=True)
        self._thread.start()

    @property
    def on(self) -> bool:
        """Whether it is still at it."""
        return not self._ended

    def stop(self) -> None:
        """End it, and keep what it found."""
        self._asked.set()
        self._thread.join()

    def say(self) -> str:
        """Say how far it is, or how it ended."""
        count = f"{self.found or 'no'} better network{'' if self.found == 1 else 's'}"
        if self.on:
            return f"searching, {count} so far"
        return f"{count} found; {self._ended}"

    def _over(self) -> bool:
        return self._asked.is_set() or time.monotonic() >= self._until

    def _seek(self) -> None:
        told, best = float("inf"), None
        ended = "the search failed"
        try:
            space = self.laid.space
            steps = search_nearby(
                self.laid.problem, self.laid.genome, held=self.held, stop=self._over
            )
            for genome, cost in steps:
                best = space.network(genome)
                if cost < _WORTH_TELLING * told:
                    self._tell_of(best)
                    told, best = cost, None
            if best is not None:
                self._tell_of(best)
            ended = self._say_end()
        finally:
            self._ended = ended

    def _say_end(self) -> str:
        if self._asked.is_set():
            return "stopped"
        if self._over():
            return f"out of time after {self.seconds:g} s"
        return "no change of one or two parts that may move betters the last"

    def _tell_of(self, network: Network) -> None:
        self._tell(network)
        self.found += 1
