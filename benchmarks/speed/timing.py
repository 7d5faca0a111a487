"""Times of pieces of work against each other."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np


def least_seconds(works: list[Callable[[], None]], turns: int = 100) -> list[float]:
    """Least time of each piece of work, taken turn about so that all see the same machine."""
    for work in works:
        work()
    least = [np.inf] * len(works)
    for _ in range(turns):
        for i, work in enumerate(works):
            began = time.perf_counter()
            work()
            least[i] = min(least[i], time.perf_counter() - began)
    return least
