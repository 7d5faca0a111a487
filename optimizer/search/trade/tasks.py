"""Tasks of a front: look for networks of one problem under changing weights of two goals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.problem.genome import Genome, structure_key
from optimizer.problem.problem import Problem
from optimizer.problem.space import Space
from optimizer.search.descend.relax import Relaxed, relax
from optimizer.search.descend.rounding import round_relaxed
from optimizer.search.explorer import Explorer, ValuePoint
from optimizer.search.islands import Islands
from optimizer.search.portions import work
from optimizer.search.prove.networks import prove_network
from optimizer.search.task import Deadline, keep_with

Weights = tuple[tuple[str, float], ...]
"""Goal and its weight, for the goals that differ from the problem's own."""

_AROUND = ((8, 1.0), (10, 0.4))  # iterations on the coarse grid, and the share that runs them
_DESCENDED = (5, 3, 1, 1, 1)  # roundings polished of each structure, the best one first
_REMEMBERED = 12  # roundings of each structure that are kept for other weights
_DOUBLE = 12  # copies with two slots or polarities changed
_SHAKEN = 9  # copies with disturbed values
_PASSED_ON = 16  # structures of an exploration that other weights are tried on
_PASSED_ON_NETWORKS = 200  # networks of an exploration that other weights are tried on
_PORTIONS = 4  # of a round
_PATIENCE = 1  # rounds in vain that end an exploration: other weights go on where it ended


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What one task came back with.

    Parameters
    ----------
    genomes : tuple of Genome
        Networks; for a polishing task the best one first.
    evaluations : int
        Networks evaluated.
    proven : int
        Certificate of the first network.
    reached : tuple of ValuePoint
        Relaxed points of the best structures, for an exploring task.
    """

    genomes: tuple[Genome, ...]
    evaluations: int
    proven: int = 0
    reached: tuple[ValuePoint, ...] = ()


def reweight(problem: Problem, weights: Weights) -> Problem:
    """Return the problem with other weights of some goals.

    Parameters
    ----------
    problem : Problem
        The problem.
    weights : tuple of (str, float)
        Goals with residuals and goals on the parts alike.
    """
    return problem.replace(goals=problem.goals.weighted(**dict(weights)))


def explore_structures(
    problem: Problem, weights: Weights, seed: int, rounds: int, seconds: float | None
) -> Outcome:
    """Search a problem under given weights for networks to start from.

    Parameters
    ----------
    problem : Problem
        The problem.
    weights : tuple of (str, float)
        Of the goals.
    seed : int
        Of the starts.
    rounds : int
        Rounds at most; a start that comes to its end ends it as well.
    seconds : float or None
        Time for it.
    """
    deadline = Deadline(seconds)
    weighted = keep_with(problem, reweight, weights)
    islands = Islands(weighted, seed, count=_PORTIONS)
    evaluations = 0
    for _ in range(rounds):
        portions = islands.deal()
        for portion in portions:
            haul = work(weighted, portion, deadline)
            islands.tell(portion, haul)
            evaluations += haul.evaluations
        if islands.end_round(_PATIENCE) or deadline.passed() or not portions:
            break
    for portion in islands.in_haste(1):
        islands.tell(portion, work(weighted, portion, Deadline(0.0)))
    found = tuple(genome for genome, _ in islands.networks()[:_PASSED_ON_NETWORKS])
    return Outcome(
        # Tight limits leave little to find: there is something to go on from in any case.
        genomes=found or (weighted.space.frugal(),),
        evaluations=evaluations,
        reached=tuple(met.point for met in islands.best_structures(_PASSED_ON)),
    )


def polish_network(
    problem: Problem,
    weights: Weights,
    seeds: Sequence[Genome],
    reached: Sequence[ValuePoint],
    seed: int,
    deadline: Deadline,
) -> Outcome:
    """Find the best network under given weights near some known ones, and prove it.

    Parameters
    ----------
    problem : Problem
        The problem.
    weights : tuple of (str, float)
        Of the goals.
    seeds : sequence of Genome
        Networks to start from, cheapest first.
    reached : sequence of ValuePoint
        Relaxed points to start from.
    seed : int
        Of the disturbances.
    deadline : Deadline
        When to give up.
    """
    if deadline.passed():
        return Outcome(genomes=tuple(seeds), evaluations=0)
    weighted = keep_with(problem, reweight, weights)
    space = weighted.space
    explorer = keep_with(weighted, Explorer)
    descent = explorer.descent
    before = explorer.evaluations
    known = {
        g.key(space.gene_slot): (g, float(c))
        for g, c in zip(seeds, weighted.cost(seeds), strict=True)
    }
    best = min(c for _, c in known.values())
    relaxed = _relax_around(weighted, explorer, seeds, reached, np.random.default_rng(seed), best)
    for count, i in zip(_DESCENDED, np.argsort(relaxed.cost, kind="stable"), strict=False):
        if relaxed.cost[i] > best:
            break
        rounded = round_relaxed(weighted, relaxed, int(i))
        known.update({g.key(space.gene_slot): (g, c) for g, c in rounded[:_REMEMBERED]})
        for genome, cost in rounded[:count]:
            if deadline.passed():
                break
            done = descent.descend(genome, cost, best=best)
            known[done.genome.key(space.gene_slot)] = (done.genome, done.cost)
            best = min(best, done.cost)
    leader = min(known.values(), key=lambda item: item[1])
    proved = prove_network(weighted, *leader, deadline)
    known[proved.genome.key(space.gene_slot)] = (proved.genome, proved.cost)
    ordered = sorted(known.values(), key=lambda item: item[1])
    return Outcome(
        genomes=tuple(g for g, _ in ordered),
        proven=proved.no_better_change_of,
        evaluations=relaxed.evaluations + explorer.evaluations - before,
    )


def certify_network(
    problem: Problem, weights: Weights, genome: Genome, deadline: Deadline
) -> Outcome:
    """Change one or two parts of a network until that no longer helps under given weights.

    Parameters
    ----------
    problem : Problem
        The problem.
    weights : tuple of (str, float)
        Of the goals.
    genome : Genome
        The network.
    deadline : Deadline
        When to give up.
    """
    weighted = keep_with(problem, reweight, weights)
    proved = prove_network(weighted, genome, float(weighted.cost([genome])[0]), deadline)
    return Outcome(
        genomes=(proved.genome,),
        proven=proved.no_better_change_of,
        evaluations=proved.evaluations,
    )


def _relax_around(
    problem: Problem,
    explorer: Explorer,
    seeds: Sequence[Genome],
    reached: Sequence[ValuePoint],
    rng: np.random.Generator,
    best: float,
) -> Relaxed:
    """Relax known networks, changed and shaken copies of them, and what was relaxed before.

    Of the best networks, slots and polarities are changed. The whole batch is relaxed on the coarse
    grid; the best of each structure, as far as it comes near `best`, goes on to the full grid and
    is returned.
    """
    space = problem.space
    starts = [*_list_starts(space, seeds, rng), *reached]
    coarse = explorer.relax(starts, _AROUND, lambda: False)
    chosen: list[int] = []
    seen: set[bytes] = set()
    for i in np.argsort(coarse.cost, kind="stable"):
        structure = structure_key(coarse.present[i], coarse.polarity[i])
        # The coarse grid may be a little off.
        if len(chosen) == len(_DESCENDED) or coarse.cost[i] > 1.05 * best:
            break
        if structure not in seen:
            seen.add(structure)
            chosen.append(int(i))
    if not chosen:
        chosen.append(int(np.argmin(coarse.cost)))
    return relax(
        problem.evaluator,
        space,
        problem.loss_laws,
        coarse.log_values[chosen],
        coarse.present[chosen],
        coarse.polarity[chosen],
        schedule=((14, 1.0),),
    )


def _list_starts(
    space: Space, seeds: Sequence[Genome], rng: np.random.Generator
) -> list[ValuePoint]:
    """List the points of networks and of changed copies of them."""
    starts = [
        ValuePoint(log_values=space.log_values(g), present=g.present, polarity=g.polarity)
        for g in seeds
    ]
    optional, turning = np.flatnonzero(space.optional), np.flatnonzero(space.polarity_free)
    moves = len(optional) + len(turning)
    changes = [(parent, (move,)) for parent in range(min(2, len(seeds))) for move in range(moves)]
    if moves > 1:
        changes += [
            (k % min(3, len(seeds)), tuple(rng.choice(moves, 2, replace=False)))
            for k in range(_DOUBLE)
        ]
    for parent, chosen_moves in changes:
        present, polarity = starts[parent].present, starts[parent].polarity.copy()
        for move in chosen_moves:
            if move < len(optional):
                present = space.alternatives.flip(present, int(optional[move]))
            else:
                polarity[turning[move - len(optional)]] *= -1.0
        starts.append(replace(starts[parent], present=present, polarity=polarity))
    for k in range(_SHAKEN):
        start = starts[k % min(3, len(seeds))]
        shaken = start.log_values + rng.normal(0.0, 0.4, len(start.log_values))
        starts.append(replace(start, log_values=shaken))
    return starts
