"""The integer program of assignment: one option for each slot, no piece used twice."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from optimizer.arrays import Counts, Index, Real

if TYPE_CHECKING:
    from scipy.sparse import csr_array

LotDraws = tuple[Index, Index, Counts]
"""Options by number, the lots they draw on, and the pieces they take from these."""


class Assignment:
    """Binary x_jk says that slot j takes option k: one option for each slot, counts respected.

    Parameters
    ----------
    costs : sequence of ndarray, each shape (O_j,)
        What each option of each slot adds to the cost; finite, may be negative.
    usage : sequence of (row, lot, pieces), each three ndarrays of int, shape (N_j,)
        Pieces that options of each slot take from lots, see `Ledger.draws`.
    available : ndarray, shape (L,)
        Pieces there are.

    Notes
    -----
    Minimise sum c_jk x_jk with sum_k x_jk = 1 for each slot and sum u_jkl x_jk <= n_l for each
    lot, by branch and cut (HiGHS), to the end unless a time limit is set.
    """

    def __init__(self, costs: Sequence[Real], usage: Sequence[LotDraws], available: Counts) -> None:
        self.sizes = [len(row) for row in costs]
        self.starts = np.concatenate([[0], np.cumsum(self.sizes)]).astype(np.int64)
        total, count = int(self.starts[-1]), len(costs)
        # Costs are brought to the order of 1, where the solver's margins are small.
        least = np.array([row.min() if len(row) else 0.0 for row in costs])
        self.scale = max((float(np.ptp(row)) for row in costs if len(row)), default=0.0) or 1.0
        self.cost = np.concatenate(
            [
                np.zeros(0),
                *((row - low) / self.scale for row, low in zip(costs, least, strict=True)),
            ]
        )
        # A slot left out saves its least cost, which the other columns no longer contain.
        self.spared = -least / self.scale
        self.cover = np.zeros((count, total + count))
        most = np.zeros(len(available))
        for j, (_, lot, pieces) in enumerate(usage):
            self.cover[j, self.starts[j] : self.starts[j + 1]] = 1.0
            self.cover[j, total + j] = 1.0
            largest = np.zeros(len(available))
            np.maximum.at(largest, lot, pieces)
            most += largest
        # Lots that every slot together cannot exhaust need no row.
        tight = most > available
        self.limit = available[tight]
        number = np.where(tight, np.cumsum(tight) - 1, -1)
        self._usage = [
            (number[lot], start + row, pieces)
            for start, (row, lot, pieces) in zip(self.starts, usage, strict=False)
        ]

    def _limits(self) -> csr_array:
        """Pieces of each tight lot that each column takes: few of many lots, so kept sparse."""
        from scipy.sparse import csr_array  # slow to import

        none = np.empty(0, dtype=np.int64)
        lot, column, pieces = (
            np.concatenate([none, *(triple[k] for triple in self._usage)]) for k in range(3)
        )
        kept = lot >= 0
        shape = (len(self.limit), int(self.starts[-1]) + len(self.sizes))
        return csr_array((pieces[kept].astype(float), (lot[kept], column[kept])), shape=shape)

    def _run(
        self,
        cost: Real,
        slack: tuple[float, float],
        seconds: float | None,
        kept: tuple[Sequence[int], int] | None = None,
    ) -> tuple[Real | None, bool]:
        from scipy.optimize import Bounds, LinearConstraint, milp  # slow to import

        count = len(self.sizes)
        total = int(self.starts[-1])
        rows = [LinearConstraint(self.cover, 1.0, 1.0)]
        if len(self.limit):
            rows.append(LinearConstraint(self._limits(), -np.inf, self.limit))
        spare = np.zeros((1, total + count))
        spare[0, total:] = 1.0
        rows.append(LinearConstraint(spare, *slack))
        if kept is not None:
            same = np.zeros((1, total + count))
            same[0, self.starts[:-1] + np.asarray(kept[0])] = 1.0
            rows.append(LinearConstraint(same, count - kept[1], np.inf))
        options: dict[str, object] = {"mip_rel_gap": 0.0}
        if seconds is not None:
            options["time_limit"] = seconds
        result = milp(
            cost,
            integrality=np.ones(total + count),
            bounds=Bounds(0, 1),
            constraints=rows,
            options=options,
        )
        return result.x, result.status == 0

    def solve(
        self,
        *,
        unserved: int = 0,
        seconds: float | None = None,
        kept: tuple[Sequence[int], int] | None = None,
    ) -> tuple[list[int | None] | None, bool]:
        """Find the options of least total cost.

        Parameters
        ----------
        unserved : int
            How many slots go without.
        seconds : float, optional
            Time limit.
        kept : (sequence of int, int), optional
            Present option of each slot, and how many slots at most may depart from it.

        Returns
        -------
        list of int or None, bool
            Option of each slot (None where it goes without), None when there is no solution; and
            whether it is proved to be the best.
        """
        cost = np.concatenate([self.cost, self.spared])
        x, proved = self._run(cost, (unserved, unserved), seconds, kept)
        if x is None:
            return None, proved
        picks: list[int | None] = []
        for start, size in zip(self.starts, self.sizes, strict=False):
            chosen = np.flatnonzero(x[start : start + size] > 0.5)
            picks.append(int(chosen[0]) if len(chosen) else None)
        return picks, proved

    def count_unserved(self, seconds: float | None) -> tuple[int, bool]:
        """Return the least number of slots that must go without, and whether that is proved."""
        count = len(self.sizes)
        cost = np.concatenate([np.zeros(int(self.starts[-1])), np.ones(count)])
        x, proved = self._run(cost, (0, count), seconds)
        return (count, False) if x is None else (round(float(cost @ x)), proved)
