"""From part values to costs on one frequency grid."""

from __future__ import annotations

import ctypes
import sys
from collections.abc import Sequence

import numpy as np

from optimizer.acoustics.curves import Curves, CurveTangents, Field
from optimizer.arrays import Index, Real
from optimizer.goals.prepared import HARD_COST_PER_DB, PreparedGoal, goal_cost
from optimizer.network.bank import LadderBank, LossLaws, Population

_WORTH_LEAVING = 0.6  # share of members up to which the others are left behind: they are copied
_BLOCK = 64  # networks evaluated at once: their arrays stay in a second-level cache
SMOOTH_DB = 0.01
SMOOTH_HARD_DB = 0.3

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3  # names of mallopt(3): M_TRIM_THRESHOLD, M_MMAP_THRESHOLD
_KEPT_BYTES = 16 << 20


def _keep_memory() -> None:
    """Have the C library keep what one block of networks took for the next.

    The arrays of a block come and go, some MB in all. The GNU C library gives them back to the system
    and takes them again page by page, for two thirds of the time, until by chance one large array has
    been freed (mallopt(3), Linux man-pages); a worker of dask.distributed is told by its environment
    to go on with that. Other C libraries have no such call.
    """
    if sys.platform == "linux":
        mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
        if mallopt is not None:
            mallopt(_MMAP_THRESHOLD, _KEPT_BYTES)
            mallopt(_TRIM_THRESHOLD, 2 * _KEPT_BYTES)


_keep_memory()


class Evaluator:
    """From part values to costs on one frequency grid.

    Parameters
    ----------
    bank : LadderBank
        Electrical side.
    field : Field
        Acoustic side: the curves that the goals use.
    goals : sequence of PreparedGoal
        Prepared on the same grid.
    """

    def __init__(self, bank: LadderBank, field: Field, goals: Sequence[PreparedGoal]) -> None:
        self.bank = bank
        self.field = field
        self.goals = tuple(goals)

    def thinned(self, index: Index, *, bound: bool) -> Evaluator:
        """Return the evaluator on a subset of the grid, see `PreparedGoal.thinned`."""
        return Evaluator(
            self.bank.thinned(index),
            self.field.thinned(index),
            [g.thinned(index, bound=bound) for g in self.goals],
        )

    def spread(self, points: int, *, bound: bool = False) -> Evaluator:
        """Return the evaluator on about `points` evenly spread points of its grid.

        Parameters
        ----------
        points : int
            Wanted number.
        bound : bool
            See `PreparedGoal.thinned`.
        """
        f = len(self.bank.omega)
        if points >= f:
            return self
        index = np.unique(np.linspace(0, f - 1, points).round().astype(np.intp))
        return self.thinned(index, bound=bound)

    def curves(self, population: Population) -> Curves:
        """Curves of a population."""
        solved = self.bank.solve(population)
        return Curves(self.field, solved.transfer, solved.admittance)

    def cost_of_curves(self, curves: Curves, below: Real | None = None) -> Real:
        """Sum of the goals' costs, shape (...).

        Parameters
        ----------
        curves : Curves
        below : ndarray, shape (...), optional
            Cost of each member from which on it does not matter: it may come out as infinite. No
            goal costs less than nothing, so most of a scan is left behind after the first goals.
        """
        shape = curves.admittance.shape[:-1]
        total: Real = np.zeros(())
        places: Index | None = None  # of those that are left; None for all
        for done, goal in enumerate(self.goals, start=1):
            total = total + goal_cost(goal, goal.residuals(curves))
            if below is None or done == len(self.goals):
                continue
            left = np.broadcast_to(total < below, curves.admittance.shape[:-1])
            if np.count_nonzero(left) <= _WORTH_LEAVING * left.size:
                total, below = np.broadcast_to(total, left.shape)[left], below[left]
                kept = np.flatnonzero(left)
                places = kept if places is None else places[kept]
                curves = curves.some(left)
                if not len(places):
                    break
        # A network so far off that its numbers overflow is simply a bad one.
        total = np.where(np.isfinite(total), total, np.inf)
        if places is None:
            # What lies across an ideal source moves no driver: goals of level have no axis for it.
            return total if total.shape == shape else np.broadcast_to(total, shape)
        whole = np.full(shape, np.inf)
        whole.reshape(-1)[places] = total
        return whole

    def cost(self, population: Population) -> Real:
        """Cost of a population without its economy, shape (P,)."""
        return np.concatenate(
            [
                self.cost_of_curves(self.curves(population[s : s + _BLOCK]))
                for s in range(0, len(population), _BLOCK)
            ]
        )

    def linearise(
        self,
        population: Population,
        loss_laws: LossLaws,
        columns: Index,
        *,
        limits_curve: bool = True,
    ) -> tuple[Real, Real, Real]:
        """Cost, gradient and Gauss-Newton matrix with respect to log values.

        Parameters
        ----------
        population : Population
            Leading axis P.
        loss_laws : dict
            See `LadderBank.solve_with_tangents`.
        columns : ndarray of int, shape (S,)
            Free genes, in the order of the result's axes.
        limits_curve : bool
            Whether hard limits count in the matrix; they always count in the gradient.

        Returns
        -------
        cost : ndarray, shape (P,)
            Smoothed: a figure s counts as sqrt(s^2 + e^2) - e with a small e, or its kink at zero
            would hold a search that touches a limit.
        gradient : ndarray, shape (P, S)
        matrix : ndarray, shape (P, S, S)
            Of the majorising quadratic: w sqrt(m) lies below w (m + s^2) / (2 s) and touches it
            at m = s^2, so each goal counts as least squares with weight w / s.
        """
        solved, tangents = self.bank.solve_with_tangents(population, loss_laws)
        curves = Curves(self.field, solved.transfer, solved.admittance)
        place = np.full(len(self.bank.genes), -1, dtype=np.intp)
        place[columns] = np.arange(len(columns))
        slopes = CurveTangents(curves, len(columns), *tangents.into(place))
        p, s = len(population), len(columns)
        cost, gradient = np.zeros(p), np.zeros((p, s))
        curved, own = [np.empty((p, s, 0))], []
        for goal in self.goals:
            weight = HARD_COST_PER_DB if goal.hard else goal.weight
            residual = goal.residuals(curves)
            square = np.einsum("pn,pn->p", residual, residual)
            smooth = SMOOTH_HARD_DB if goal.hard else SMOOTH_DB
            figure = np.sqrt(square + smooth**2)
            cost += weight * (figure - smooth)
            if weight == 0.0 or not square.any():
                continue
            share = np.sqrt(weight / figure)
            jacobian = goal.tangents(curves, slopes) * share[:, None, None]
            along = (jacobian @ residual[..., None])[..., 0] * share[:, None]
            gradient += along
            if goal.hard and not limits_curve:
                continue
            curved.append(jacobian)
            own.append(along / np.sqrt(weight * figure)[:, None])
        # One product for all goals instead of one for each: with few networks, calls cost most.
        together = np.concatenate(curved, axis=-1)
        matrix = together @ together.transpose(0, 2, 1)
        if own:
            less = np.stack(own, axis=-1)
            matrix -= less @ less.transpose(0, 2, 1)
        return cost, gradient, matrix
