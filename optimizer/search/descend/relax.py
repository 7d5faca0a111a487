"""Batched relaxation: many starts at once, values continuous, structure fixed or pruned.

A Levenberg-Marquardt iteration on log values inside a box. Each goal w sqrt(m) is majorised by a
least-squares term (see `Evaluator.linearise`), so a step that lowers the quadratic lowers the cost.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Flags, Index, Real
from optimizer.network.bank import LossLaws, Population
from optimizer.problem.evaluator import Evaluator
from optimizer.problem.space import Space

_BLOCK = 32  # networks differentiated at once: fewer calls; larger arrays would leave the cache
_PRUNED_EVERY = 3  # iterations between two attempts to do with one slot less
_HARDLY_MISSED = 0.01  # share by which the cost may rise: the slots that are left make it good
_LARGEST_STEP = 1.2  # nepers: a value changes at most by a factor of 3.3 in one iteration


@dataclass(frozen=True, slots=True, kw_only=True)
class Relaxed:
    """Outcome of a relaxation, leading axis P.

    Parameters
    ----------
    log_values : ndarray, shape (P, G)
    present : ndarray of bool, shape (P, K)
    polarity : ndarray, shape (P, W)
    cost : ndarray, shape (P,)
        Cost on the relaxation's grid, smallest economy of the structure included.
    evaluations : int
        Networks evaluated.
    """

    log_values: Real
    present: Flags
    polarity: Real
    cost: Real
    evaluations: int


def relaxed_population(
    space: Space, loss_laws: LossLaws, log_values: Real, present: Flags, polarity: Real
) -> Population:
    """Build the population of continuous values with losses by law; kept parts keep their own.

    Parameters
    ----------
    space : Space
    loss_laws : mapping of kind, or of gene, to callable
    log_values : ndarray, shape (P, G)
    present : ndarray of bool, shape (P, K)
    polarity : ndarray, shape (P, W)
    """
    values = np.exp(log_values)
    loss = np.empty_like(values)
    for g, gene in enumerate(space.genes):
        law = loss_laws.get(g, loss_laws[gene.kind])
        loss[:, g] = law(values[:, g]) if gene.kept is None else gene.kept.loss_ohm
    return Population(values=values, loss_ohm=loss, present=present, polarity=polarity)


def relax(
    evaluator: Evaluator,
    space: Space,
    loss_laws: LossLaws,
    log_values: Real,
    present: Flags,
    polarity: Real,
    *,
    schedule: tuple[tuple[int, float], ...] = ((6, 1.0), (9, 0.4), (6, 0.15)),
    tolerance: float = 1e-5,
    prune: bool = False,
    stop: Callable[[], bool] = lambda: False,
) -> Relaxed:
    """Relax a batch of starts; poor ones are dropped on the way.

    Parameters
    ----------
    evaluator : Evaluator
        Usually thinned.
    space : Space
    loss_laws : mapping of kind, or of gene, to callable
    log_values, present, polarity : ndarray
        Starts, leading axis P.
    schedule : tuple of (iterations, share)
        Stages: iterations to run and the share of the batch, best first, that runs them.
    tolerance : float
        A member whose cost falls by less than this share in three iterations running is finished.
    prune : bool
        Whether optional slots that do not earn their place are emptied on the way, one at a time.
    stop : callable
        Asked before each iteration; True ends the relaxation where it stands.

    Returns
    -------
    Relaxed
        All members, in the order given.
    """
    columns = space.free_genes
    low, high = space.log_low[columns], space.log_high[columns]
    x_all = np.clip(log_values, space.log_low, space.log_high)
    p_all = len(x_all)
    prune = prune and bool(space.optional.any())
    present = present.copy()
    economy = space.relaxed_economy(present, polarity)

    def linearise(rows: Index, x: Real) -> tuple[Real, Real, Real]:
        full = x_all[rows]
        full[:, columns] = x
        outcome = []
        for start in range(0, len(rows), _BLOCK):
            part = rows[start : start + _BLOCK]
            population = relaxed_population(
                space, loss_laws, full[start : start + _BLOCK], present[part], polarity[part]
            )
            outcome.append(evaluator.linearise(population, loss_laws, columns))
        cost, gradient, matrix = (np.concatenate(o) for o in zip(*outcome, strict=True))
        return cost, gradient, matrix

    rows = np.arange(p_all)
    x = x_all[:, columns].copy()
    cost, gradient, matrix = linearise(rows, x)
    damping = np.full(p_all, 1.0)
    stalled = np.zeros(p_all, dtype=int)
    evaluations = p_all
    for iterations, share in schedule:
        count = max(1, round(share * p_all))
        order = np.argsort(cost + economy, kind="stable")[:count]
        for iteration in range(iterations):
            if prune and iteration % _PRUNED_EVERY == _PRUNED_EVERY - 1:
                full = x_all[order]
                full[:, columns] = x[order]
                leaner, count = _prune(
                    evaluator, space, loss_laws, full, present[order], polarity[order]
                )
                evaluations += count
                changed = order[(leaner != present[order]).any(axis=1)]
                if len(changed):
                    present[order] = leaner
                    economy[changed] = space.relaxed_economy(present[changed], polarity[changed])
                    cost[changed], gradient[changed], matrix[changed] = linearise(
                        changed, x[changed]
                    )
                    stalled[changed] = 0
            active = order[stalled[order] < 7]
            if not len(active) or stop():
                break
            step = _bounded_step(
                x[active], gradient[active], matrix[active], damping[active], low, high
            )
            trial = np.clip(x[active] + step, low, high)
            new_cost, new_gradient, new_matrix = linearise(active, trial)
            evaluations += len(active)
            predicted = -(
                np.einsum("ps,ps->p", step, gradient[active])
                + 0.5 * np.einsum("ps,pst,pt->p", step, matrix[active], step)
            )
            ratio = (cost[active] - new_cost) / np.maximum(predicted, 1e-12)
            better = new_cost < cost[active]
            gain = (cost[active] - new_cost) / np.maximum(cost[active], 1e-12)
            won = active[better]
            x[won], cost[won] = trial[better], new_cost[better]
            gradient[won], matrix[won] = new_gradient[better], new_matrix[better]
            # The usual trust rule: damp less where the model foretold the gain, more where not.
            damping[active] *= np.select(
                [ratio > 0.75, ratio > 0.25, better], [0.2, 1.0, 3.0], default=8.0
            )
            np.clip(damping, 1e-8, 1e8, out=damping)
            # A refused step only means more damping; small gains in a row mean the end is near.
            stalled[active] += np.where(better, np.where(gain > tolerance, -stalled[active], 2), 1)
    x_all[:, columns] = x
    return Relaxed(
        log_values=x_all,
        present=present,
        polarity=polarity,
        cost=cost + economy,
        evaluations=evaluations,
    )


def _prune(
    evaluator: Evaluator,
    space: Space,
    loss_laws: LossLaws,
    log_values: Real,
    present: Flags,
    polarity: Real,
) -> tuple[Flags, int]:
    """Empty the optional slot of each member that is missed least, where it is hardly missed."""
    everyone, optional = np.arange(len(present)), np.flatnonzero(space.optional)
    row, slot = np.nonzero(present[:, optional])
    emptied = present[row]
    emptied[np.arange(len(row)), optional[slot]] = False
    may = space.alternatives.fits(emptied)
    row, slot = row[may], slot[may]
    rows = np.concatenate([everyone, row])
    trial = np.concatenate([present, emptied[may]])
    cost = evaluator.cost(
        relaxed_population(space, loss_laws, log_values[rows], trial, polarity[rows])
    )
    cost += space.relaxed_economy(trial, polarity[rows])
    without = np.full((len(everyone), len(optional)), np.inf)
    without[row, slot] = cost[len(everyone) :]
    least = without.argmin(axis=1)
    leave = without[everyone, least] <= (1.0 + _HARDLY_MISSED) * cost[: len(everyone)]
    leaner = present.copy()
    leaner[everyone[leave], optional[least[leave]]] = False
    return leaner, len(rows)


def _bounded_step(
    x: Real, gradient: Real, matrix: Real, damping: Real, low: Real, high: Real
) -> Real:
    """Damped Gauss-Newton step with the values that lean on a bound held."""
    s = x.shape[1]
    diagonal = np.einsum("pss->ps", matrix)
    held = ((x <= low + 1e-12) & (gradient > 0.0)) | ((x >= high - 1e-12) & (gradient < 0.0))
    held |= diagonal <= 0.0
    scale = np.where(held, 1.0, diagonal)
    # A floor on the damping keeps values that hardly matter from wandering.
    floor = 1e-6 * scale.max(axis=1, keepdims=True, initial=0.0)
    keep = ~held
    a = matrix * (keep[:, :, None] & keep[:, None, :])
    index = np.arange(s)
    a[:, index, index] = np.where(
        held, 1.0, diagonal + damping[:, None] * np.maximum(diagonal, floor) + 1e-300
    )
    rhs = np.where(held, 0.0, gradient)[..., None]
    step = -np.asarray(np.linalg.solve(a, rhs), dtype=np.float64)[..., 0]
    largest = np.abs(step).max(axis=1, keepdims=True, initial=0.0)
    return np.asarray(step * np.minimum(1.0, _LARGEST_STEP / np.maximum(largest, 1e-300)))
