"""Geometry of a front between two figures: domination, spread, knee. Small is good in both."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from optimizer.arrays import Real

_EPSILON = 1e-9  # a difference below this is rounding


def keep_undominated(figures: Real) -> list[int]:
    """Find the points that no other point betters in one figure without loss in the other.

    Parameters
    ----------
    figures : ndarray, shape (N, 2)

    Returns
    -------
    list of int
        Indices in the order of the first figure; of equal points the first.
    """
    order = np.lexsort((np.arange(len(figures)), figures[:, 1], figures[:, 0]))
    kept: list[int] = []
    lowest = np.inf
    for i in order:
        if figures[i, 1] < lowest - _EPSILON:
            kept.append(int(i))
            lowest = float(figures[i, 1])
    return kept


def keep_beside(figures: Real, front: Real) -> list[int]:
    """Find the points that can stand beside those of a front: in its gaps, or beyond its ends.

    Parameters
    ----------
    figures : ndarray, shape (N, 2)
    front : ndarray, shape (M, 2)
        None of these betters another.

    Returns
    -------
    list of int
        Indices of points that better no point of the front and that none betters, neither of the
        front nor of each other, in the order of the first figure.
    """
    first, second = figures[:, None, :], front[None, :, :]
    ranked = np.all(first <= second + _EPSILON, axis=2) | np.all(first >= second - _EPSILON, axis=2)
    beside = np.flatnonzero(~ranked.any(axis=1))
    return [int(beside[k]) for k in keep_undominated(figures[beside])]


def normalise(figures: Real) -> Real:
    """Scale both figures to run from 0 to 1 over the front, shape (N, 2)."""
    low, high = figures.min(axis=0), figures.max(axis=0)
    return np.asarray((figures - low) / np.maximum(high - low, _EPSILON))


def find_knee(figures: Real) -> int | None:
    """Find the point that lies furthest below the straight line between the ends.

    Parameters
    ----------
    figures : ndarray, shape (N, 2)
        A front in order.

    Returns
    -------
    int or None
        None with fewer than three points or when none lies below the line.
    """
    if len(figures) < 3:
        return None
    unit = normalise(figures)
    depth = 1.0 - unit.sum(axis=1)  # the line from (0, 1) to (1, 0)
    best = int(np.argmax(depth))
    return best if depth[best] > _EPSILON else None


def choose_spread(
    figures: Real, count: int, always: Sequence[int] = (), preferred: Sequence[int] = ()
) -> list[int]:
    """Choose points of a front that lie far from each other.

    Parameters
    ----------
    figures : ndarray, shape (N, 2)
        A front in order.
    count : int
        How many.
    always : sequence of int
        Points that stay besides the ends.
    preferred : sequence of int
        Points that come before all others, as long as they are not crowded.

    Returns
    -------
    list of int
        In order. The point furthest from those chosen comes next.
    """
    if len(figures) <= count:
        return list(range(len(figures)))
    unit = normalise(figures)
    chosen = list(dict.fromkeys([0, len(figures) - 1, *always]))[: max(2, count)]

    def distance() -> Real:
        return np.asarray(np.abs(unit[:, None, :] - unit[chosen]).sum(axis=2).min(axis=1))

    # The whole front is 2 long, by both figures together: evenly spread points lie 2/(n-1) apart.
    crowded = 0.5 * 2.0 / (count - 1)
    liked = np.isin(np.arange(len(figures)), preferred)
    while len(chosen) < count:
        away = distance()
        if (away[liked] > crowded).any():
            away = np.where(liked, away, -1.0)
        chosen.append(int(np.argmax(away)))
    return sorted(chosen)
