"""From continuous values to the best buildable ones nearby.

Near a relaxed optimum the cost is close to a quadratic in log values, so the best rounding is a
closest-vector problem. A breadth-limited search in the order of a triangular factor keeps the most
promising partial roundings, each with the remaining values re-optimised, which plain
nearest-value rounding does not do. The survivors are then evaluated exactly.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from optimizer.search.problem import Problem
from optimizer.search.relax import Relaxed, relaxed_population
from optimizer.search.space import Genome

Real = NDArray[np.float64]

BREADTH = 192
_CHOICES = 5  # options tried around the conditional optimum of each part


def round_relaxed(
    problem: Problem, relaxed: Relaxed, member: int, *, breadth: int = BREADTH
) -> list[tuple[Genome, float]]:
    """Find good buildable networks around one relaxed point.

    Parameters
    ----------
    problem : Problem
    relaxed : Relaxed
        Relaxed batch.
    member : int
        Which of its points.
    breadth : int
        Partial roundings kept at each step.

    Returns
    -------
    list of (Genome, float)
        At most `breadth` networks with their full costs, best first.
    """
    space = problem.space
    present, polarity = relaxed.present[member], relaxed.polarity[member]
    point = relaxed.log_values[member]
    population = relaxed_population(
        space, problem.loss_laws, point[None], present[None], polarity[None])
    columns = space.free_genes
    # Limits act on one side only: they stay out of the curvature, the exact costs judge them.
    _, gradient, matrix = problem.evaluator.linearise(
        population, problem.loss_laws, columns, limits_curve=False)
    active = np.flatnonzero(present[space.gene_slot[columns]])
    genes = columns[active]
    choice = np.array([int(np.argmin(np.abs(np.log(o.values) - v)))
                       for o, v in zip(space.options, point, strict=True)], dtype=np.intp)
    if len(genes):
        rows = _search(
            point[genes], gradient[0, active], matrix[0][np.ix_(active, active)],
            [np.log(space.options[g].values) for g in genes],
            [space.options[g].cost - space.options[g].cost.min() for g in genes], breadth)
    else:
        rows = np.empty((1, 0), dtype=np.intp)
    found = []
    for row in rows:
        own = choice.copy()
        own[genes] = row
        found.append(Genome(choice=own, present=present.copy(), polarity=polarity.copy()))
    costs = problem.cost(found)
    order = np.argsort(costs, kind="stable")
    return [(found[k], float(costs[k])) for k in order]


def _search(
    point: Real,
    gradient: Real,
    matrix: Real,
    options: list[Real],
    prices: list[Real],
    breadth: int,
) -> NDArray[np.intp]:
    """Breadth-limited search for small values of g d + d H d / 2 over the options' lattice.

    Parameters
    ----------
    point, gradient : ndarray, shape (S,)
    matrix : ndarray, shape (S, S)
        Curvature, positive semidefinite.
    options, prices : list of ndarray
        Log value and extra price of every option of each part.
    breadth : int

    Returns
    -------
    ndarray of int, shape (at most breadth, S)
        Option of each part.
    """
    s = len(point)
    diagonal = np.diag(matrix)
    ridge = 1e-4 * max(float(diagonal.max()), 1e-12)
    h = matrix + ridge * np.eye(s)
    # Stiff parts first: deciding them early makes the remaining freedom count.
    order = np.argsort(np.diag(np.linalg.inv(h)), kind="stable")[::-1]
    upper = np.linalg.cholesky(h[np.ix_(order, order)]).T  # H = U^T U, last row decides first
    centre = -np.linalg.solve(h, gradient)[order]
    offset = np.zeros((1, s))  # d - centre for decided parts
    picked = np.zeros((1, s), dtype=np.intp)
    total = np.zeros(1)
    for k in range(s - 1, -1, -1):
        gene = int(order[k])
        log_values = options[gene] - point[gene]
        pull = offset[:, k + 1:] @ upper[k, k + 1:] / upper[k, k]
        wanted = centre[k] - pull
        first = np.searchsorted(log_values, wanted) - (_CHOICES + 1) // 2
        first = np.clip(first, 0, max(0, len(log_values) - _CHOICES))
        rows = first[:, None] + np.arange(min(_CHOICES, len(log_values)))
        step = log_values[rows]
        gain = 0.5 * (upper[k, k] * (step - wanted[:, None])) ** 2 + prices[gene][rows]
        costs = (total[:, None] + gain).ravel()
        keep = np.argsort(costs, kind="stable")[:breadth]
        parent, pick = np.divmod(keep, rows.shape[1])
        total = costs[keep]
        offset, picked = offset[parent], picked[parent]
        offset[:, k] = step[parent, pick] - centre[k]
        picked[:, gene] = rows[parent, pick]
    return picked
