"""From continuous values to the best buildable ones nearby, and from there to better ones.

Near a point the cost is close to a quadratic in log values and losses, so choosing options is a
closest-vector problem, see `optimizer.search.descend.local`. How far the quadratic holds is not known, so
it is tried with steps held back a little, more, and a lot. Whatever comes out is computed exactly.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from optimizer.arrays import Flags, Index
from optimizer.network.bank import Population
from optimizer.problem.genome import Genome, Move
from optimizer.problem.problem import Problem
from optimizer.search.descend.local import LocalModel, OptionSteps, expand_cost, pick_options
from optimizer.search.descend.relax import Relaxed, relaxed_population

BREADTH = 32
"""Partial roundings kept at each step."""

BREADTH_NEARBY = 24
"""The same when a buildable network is chosen anew."""

RESTRAINTS = (0.01, 0.1, 1.0)
"""How much steps are held back, see `pick_options`."""

_SLOW = 0.9  # share of the cost that a step must go below to be worth another one
_FAR = (1.3, 3.0)  # cost against the aim from which slow steps are given up: short ones, any

_EPSILON = 1e-9  # an improvement below this is rounding


def filled_genes(problem: Problem, present: Flags) -> Index:
    """Free genes in filled slots.

    Parameters
    ----------
    problem : Problem
    present : ndarray of bool, shape (K,)
    """
    space = problem.space
    return np.asarray(space.free_genes[present[space.gene_slot[space.free_genes]]])


def expand_around(
    problem: Problem, population: Population, genes: Index
) -> tuple[LocalModel, list[OptionSteps]]:
    """Expand the cost around one network and place the options of its genes there.

    Parameters
    ----------
    problem : Problem
    population : Population
        The network, leading axis 1.
    genes : ndarray of int, shape (S,)
        Free genes in filled slots.
    """
    steps = []
    for g in genes:
        option = problem.space.options[g]
        steps.append(
            OptionSteps(
                steps=np.column_stack(
                    [
                        np.log(option.values / population.values[0, g]),
                        option.loss_ohm - population.loss_ohm[0, g],
                    ]
                ),
                price=option.cost - option.cost.min(),
            )
        )
    return expand_cost(problem.evaluator, population, genes), steps


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
        Networks with their full costs, best first; none takes a piece twice. Empty when the stock
        does not suffice for the structure.
    """
    space = problem.space
    present, polarity = relaxed.present[member], relaxed.polarity[member]
    population = relaxed_population(
        space, problem.loss_laws, relaxed.log_values[member][None], present[None], polarity[None]
    )
    genes = filled_genes(problem, present)
    start = space.snap(relaxed.log_values[member], present, polarity)
    if not len(genes):
        return [(start, float(problem.cost([start])[0]))]
    model, steps = expand_around(problem, population, genes)
    rows = np.concatenate(
        [
            pick_options(model, steps, space.supply, breadth=breadth, restraint=restraint)
            for restraint in RESTRAINTS
        ]
    )
    return _compute(problem, start, genes, rows)


def choose_anew(
    problem: Problem, genome: Genome, cost: float, *, aim: float = np.inf
) -> tuple[Genome, float, int]:
    """Choose all parts of a network anew in the local quadratic, as long as that helps.

    Parameters
    ----------
    problem : Problem
    genome : Genome
        Where to start.
    cost : float
        Its full cost.
    aim : float
        Cost to come near to; what is far above it and hardly falls is given up.

    Returns
    -------
    Genome, float, int
        The best met, its cost, and how many networks were computed.
    """
    genes = filled_genes(problem, genome.present)
    count = 0
    better = bool(len(genes))
    while better:
        better = False
        model, steps = expand_around(problem, problem.space.population([genome]), genes)
        for restraint in RESTRAINTS:
            rows = pick_options(
                model, steps, problem.space.supply, breadth=BREADTH_NEARBY, restraint=restraint
            )
            found = _compute(problem, genome, genes, rows)
            count += len(found)
            if found and found[0][1] < cost - _EPSILON:
                slow = found[0][1] > _SLOW * cost and (
                    restraint > RESTRAINTS[0] or cost > _FAR[1] * aim
                )
                (genome, cost), better = found[0], True
                if slow and cost > _FAR[0] * aim:
                    better = False
                break
    return genome, cost, count


def round_around(
    problem: Problem, genome: Genome, least: Mapping[int, float]
) -> tuple[Genome, float] | None:
    """Choose all parts anew while some must move away from what they are.

    Parameters
    ----------
    problem : Problem
    genome : Genome
        Where to start.
    least : mapping of int to float
        Genes that must move, and by how many nepers at least.

    Returns
    -------
    tuple of (Genome, float) or None
        The best, with its full cost; None when some part can be nothing else.
    """
    genes = filled_genes(problem, genome.present)
    model, steps = expand_around(problem, problem.space.population([genome]), genes)
    for k, g in enumerate(genes):
        if int(g) in least:
            far = np.abs(steps[k].steps[:, 0]) >= least[int(g)]
            steps[k] = replace(steps[k], price=np.where(far, steps[k].price, np.inf))
    rows = np.concatenate(
        [
            pick_options(
                model,
                steps,
                problem.space.supply,
                breadth=BREADTH_NEARBY // len(RESTRAINTS),
                restraint=restraint,
            )
            for restraint in RESTRAINTS
        ]
    )
    found = _compute(problem, genome, genes, rows)
    return found[0] if found else None


def _compute(
    problem: Problem, base: Genome, genes: Index, rows: Index
) -> list[tuple[Genome, float]]:
    """Networks with some genes set to rows of options, with their full costs, best first."""
    found = []
    for row in np.unique(rows, axis=0):
        found.append(
            Move(options=tuple(zip(genes.tolist(), row.tolist(), strict=True))).apply(base)
        )
    if not found:
        return []
    costs = problem.cost(found)
    return [(found[k], float(costs[k])) for k in np.argsort(costs, kind="stable")]
