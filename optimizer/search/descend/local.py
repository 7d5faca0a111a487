"""A local quadratic of the cost in values and losses, and the best use of it on counted stock.

Near a relaxed optimum the cost is close to a quadratic in log values; parts of a shelf also have
losses of their own, so the quadratic has two variables for each part: how far its log value, and
how far its loss, lies from the point of expansion. Choosing options is then a closest-vector
problem, with pieces that run out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.arrays import Complex, Index, Real
from optimizer.goals.prepared import HARD_COST_PER_DB
from optimizer.network.bank import LossLaws, Population
from optimizer.problem.evaluator import SMOOTH_DB, SMOOTH_HARD_DB, Evaluator
from optimizer.problem.supply import Remainder, Supply

PROXIMAL = 0.03
"""Share of the largest curvature that is added to each: keeps steps where the quadratic holds."""

MANY = 512
"""Options of a part above which only those near the value that is wanted are looked at."""

NEAR = 256
"""How many of them: so many options lie so close together that others hardly do better."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LocalModel:
    """Change of the cost as ``gradient @ z + z @ matrix @ z / 2``.

    Parameters
    ----------
    genes : ndarray of int, shape (S,)
        Genes that may change.
    gradient : ndarray, shape (2 S,)
        First by log values, then by losses in ohm.
    matrix : ndarray, shape (2 S, 2 S)
        Positive semidefinite.
    """

    genes: Index
    gradient: Real
    matrix: Real


def _still(values: Real) -> Real:
    return np.zeros_like(values)


# With the loss law r = log v, one neper of value also adds one ohm: the difference to the slope
# at a constant loss is the slope by the loss alone.
_STILL: LossLaws = {"inductor": _still, "capacitor": _still, "resistor": _still}
_MOVING: LossLaws = {"inductor": np.log, "capacitor": np.log, "resistor": _still}


def expand_cost(evaluator: Evaluator, population: Population, genes: Index) -> LocalModel:
    """Expand the cost around one network.

    Parameters
    ----------
    evaluator : Evaluator
    population : Population
        One network, leading axis 1.
    genes : ndarray of int, shape (S,)
        Free genes in filled slots.

    Returns
    -------
    LocalModel
        Each goal counts as least squares, see `Evaluator.linearise`. Hard limits act on one side
        only: as long as they are hardly touched they have a slope but no curvature.
    """
    solved, tangents = evaluator.bank.solve_with_tangents(population, _STILL)
    _, moved = evaluator.bank.solve_with_tangents(population, _MOVING)
    curves = Curves(evaluator.field, solved.transfer, solved.admittance)
    count = len(genes)
    place = np.full(len(evaluator.bank.genes), 2 * count, dtype=np.intp)
    place[genes] = np.arange(count)

    def by_value_and_loss(own: Index, still: Complex, both: Complex) -> tuple[Index, Complex]:
        # The last column collects the genes that stay as they are.
        at = np.where(place[own] < count, place[own] + count, 2 * count)
        return np.concatenate([place[own], at]), np.concatenate([still, both - still], axis=1)

    slopes = CurveTangents(
        curves,
        2 * count + 1,
        [
            by_value_and_loss(own, still, both)
            for own, still, both in zip(
                tangents.leaves, tangents.transfer, moved.transfer, strict=True
            )
        ],
        by_value_and_loss(tangents.free, tangents.admittance, moved.admittance),
    )
    gradient, matrix = np.zeros(2 * count), np.zeros((2 * count, 2 * count))
    for goal in evaluator.goals:
        residual = goal.residuals(curves)[0]
        square = float(residual @ residual)
        weight = HARD_COST_PER_DB if goal.hard else goal.weight
        if weight == 0.0 or square == 0.0:
            continue
        figure = np.sqrt(square + (SMOOTH_HARD_DB if goal.hard else SMOOTH_DB) ** 2)
        jacobian = goal.tangents(curves, slopes)[0, : 2 * count]
        own = (weight / figure) * (jacobian @ residual)
        gradient += own
        if not goal.hard or square > SMOOTH_HARD_DB**2:
            matrix += (weight / figure) * (jacobian @ jacobian.T)
            matrix -= np.outer(own, own) / (weight * figure)
    return LocalModel(genes=genes, gradient=gradient, matrix=matrix)


@dataclass(frozen=True, slots=True, kw_only=True)
class OptionSteps:
    """Where the options of one gene lie in a local model.

    Parameters
    ----------
    steps : ndarray, shape (O, 2)
        Log value and loss of each option, less those at the point of expansion.
    price : ndarray, shape (O,)
        What each option itself adds to the cost.
    """

    steps: Real
    price: Real


def pick_options(
    model: LocalModel,
    options: list[OptionSteps],
    supply: Supply,
    *,
    breadth: int,
    restraint: float,
) -> Index:
    """Search the options for small values of a local model, taking no piece twice.

    Parameters
    ----------
    model : LocalModel
    options : list of OptionSteps, one for each of its genes
    supply : Supply
        Counts; genes that are not in the model count as empty.
    breadth : int
        Partial choices kept at each step.
    restraint : float
        Share of the largest curvature that is added to each: holds steps back to where the
        quadratic holds.

    Returns
    -------
    ndarray of int, shape (at most breadth, S)
        Option of each gene, most promising first; empty when the stock does not suffice.

    Notes
    -----
    Genes are decided one after the other, those first whose options are far apart for what they
    weigh. A partial choice is valued with the log values of the undecided genes re-optimised,
    which needs the Schur complement of their block only. Of a part with more than `MANY` options the
    `NEAR` nearest to the value at which the quadratic is least are looked at.
    """
    count = len(model.genes)
    ridge = restraint * max(float(np.diag(model.matrix)[:count].max(initial=0.0)), 1e-12)
    order = _order(np.diag(model.matrix)[:count] + ridge, options)
    stages = _eliminate(model, order, ridge)
    picked = np.zeros((1, count), dtype=np.intp)
    known = np.zeros((1, 0))
    price = np.zeros(1)
    left = Remainder(supply)
    for (slope, curve), k in zip(stages, order, strict=True):
        old = known.shape[1]
        pulled = known @ curve[:old]
        before = known @ slope[:old] + 0.5 * np.einsum("bi,bi->b", pulled[:, :old], known) + price
        step, extra = options[k].steps, options[k].price
        alone = step @ slope[old:] + extra
        alone += 0.5 * np.einsum("oi,oi->o", step @ curve[old:, old:], step)
        gene = int(model.genes[k])
        lacking = left.lacking(gene) if supply.counted else None
        if len(step) > MANY:
            wanted = -(pulled[:, old] + slope[old]) / curve[old, old]
            parent, pick = _pick_near(
                options[k], wanted, pulled[:, old:], before, alone, lacking, breadth
            )
        else:
            total = pulled[:, old:] @ step.T
            total += before[:, None]
            total += alone
            if lacking is not None:
                total[lacking] = np.inf
            parent, pick = np.divmod(_smallest(total.ravel(), breadth), len(step))
        picked, price = picked[parent], price[parent] + extra[pick]
        picked[:, k] = pick
        known = np.concatenate([known[parent], step[pick]], axis=1)
        if supply.counted:
            left.take(parent, gene, pick)
    return picked


def _pick_near(
    options: OptionSteps,
    wanted: Real,
    pulled: Real,
    before: Real,
    alone: Real,
    lacking: tuple[Index, Index] | None,
    breadth: int,
) -> tuple[Index, Index]:
    """Go on from partial choices with the best of the options near the value that each wants.

    Parameters
    ----------
    options : OptionSteps
        Sorted by value.
    wanted : ndarray, shape (B,)
        Step of the log value at which the quadratic is least.
    pulled, before : ndarray, shapes (B, 2) and (B,)
        Slope that the parts chosen so far give value and loss, and what these cost.
    alone : ndarray, shape (O,)
        What each option costs by itself.
    lacking : tuple of ndarray, optional
        Partial choices and options that they leave no pieces for.
    breadth : int

    Returns
    -------
    ndarray of int, ndarray of int
        Partial choice and option, the most promising first.
    """
    allowed = np.flatnonzero(np.isfinite(options.price))
    near = min(NEAR, len(allowed))
    at = np.searchsorted(options.steps[allowed, 0], wanted) - near // 2
    begin = np.clip(at, 0, len(allowed) - near)
    index = allowed[begin[:, None] + np.arange(near)]
    total = np.einsum("bi,bni->bn", pulled, options.steps[index])
    total += before[:, None]
    total += alone[index]
    if lacking is not None and near:
        member, option = lacking
        place = np.minimum(np.searchsorted(allowed, option), len(allowed) - 1)
        column = place - begin[member]
        inside = (allowed[place] == option) & (column >= 0) & (column < near)
        total[member[inside], column[inside]] = np.inf
    parent, column = np.divmod(_smallest(total.ravel(), breadth), max(1, near))
    return parent, index[parent, column]


def _smallest(values: Real, count: int) -> Index:
    """Places of the smallest finite values, in order."""
    few = len(values) <= count
    places = np.arange(len(values)) if few else np.argpartition(values, count)[:count]
    places = places[np.isfinite(values[places])]
    return places[np.argsort(values[places], kind="stable")]


def _order(curvature: Real, options: list[OptionSteps]) -> Index:
    """Genes whose coarseness costs most come first."""
    gaps = [
        np.ptp(o.steps[:, 0]) / (len(o.steps) - 1) if len(o.steps) > 1 else 1.0 for o in options
    ]
    return np.argsort(-curvature * np.square(gaps), kind="stable")


def _eliminate(model: LocalModel, order: Index, ridge: float) -> list[tuple[Real, Real]]:
    """Quadratic at each stage of the decisions, the values still undecided at their best.

    Returns
    -------
    list of (ndarray, ndarray)
        Slope and curvature over value and loss of the genes decided so far and the next one.
    """
    columns = np.ravel(np.column_stack([order, order + len(order)]))
    slope = model.gradient[columns]
    curve = model.matrix[columns[:, None], columns]
    values = np.arange(0, len(columns), 2)
    curve[values, values] += ridge
    stages = [(slope, curve)] if len(order) else []
    for last in values[:0:-1]:
        # The loss of an undecided gene follows the law: no step of its own.
        row = curve[last, :last]
        share = row / curve[last, last]
        slope = slope[:last] - share * slope[last]
        curve = curve[:last, :last] - share[:, None] * row
        stages.append((slope, curve))
    return stages[::-1]
