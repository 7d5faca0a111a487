"""Tasks of a front: look for networks of one problem under changing weights of two goals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import count as count_from

import numpy as np

from optimizer.arrays import Flags, Real
from optimizer.problem.genome import Genome, structure_key
from optimizer.problem.problem import Problem
from optimizer.problem.space import Space
from optimizer.search.descend.relax import Relaxed, relax
from optimizer.search.descend.rounding import round_relaxed
from optimizer.search.explorer import Explorer
from optimizer.search.fit import DEFAULT_STRATEGY, STARTS_PER_ROUND
from optimizer.search.planner import Planner, structure_of
from optimizer.search.strategies import Proposal, Strategy
from optimizer.search.task import Deadline, keep_with

Weights = tuple[tuple[str, float], ...]
"""Goal and its weight, for the goals that differ from the problem's own."""

STALE_ROUNDS_OF_ANCHOR = 4
"""Rounds without a better relaxed network after which the search for structures starts anew."""

_DESCENDED = (5, 3, 1, 1, 1)  # roundings polished of each structure, the best one first
_REMEMBERED = 12  # roundings of each structure that are kept for other weights
_DOUBLE = 12  # copies with two slots or polarities changed
_SHAKEN = 9  # copies with disturbed values
_PASSED_ON = 16  # structures of an exploration that other weights are tried on
_STARTED_OFTEN = 5


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
    reached : tuple of Proposal
        Relaxed points of the best structures, for an exploring task.
    """

    genomes: tuple[Genome, ...]
    evaluations: int
    proven: int = 0
    reached: tuple[Proposal, ...] = ()


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
        Rounds of starts at most.
    seconds : float or None
        Time for it.
    """
    deadline = Deadline(seconds)
    weighted = keep_with(problem, reweight, weights)
    explorer = keep_with(weighted, Explorer)
    seeds = count_from(seed)
    planner = Planner(
        weighted.space,
        lambda: Strategy(weighted.space, DEFAULT_STRATEGY, next(seeds), budget=10_000),
        np.random.default_rng(seed),
    )
    best, evaluations = np.inf, 0
    done: dict[bytes, float] = {}
    genomes: list[Genome] = []
    reached: dict[bytes, tuple[float, Proposal]] = {}
    stale, relaxed_best = 0, np.inf
    for _ in range(rounds):
        asked = planner.ask(STARTS_PER_ROUND)
        outcome = explorer.explore([replace(p, token=None) for p in asked], best, done)
        planner.tell(asked, outcome.reached, outcome.costs)
        planner.prepare()  # the first round is drawn at random
        for structure, cost in outcome.finished.items():
            done[structure] = min(cost, done.get(structure, np.inf))
        for genome, cost in outcome.genomes:
            genomes.append(genome)
            best = min(best, cost)
        evaluations += outcome.evaluations
        for proposal, cost in zip(outcome.reached, outcome.costs, strict=True):
            if cost < reached.get(structure_of(proposal), (np.inf,))[0]:
                reached[structure_of(proposal)] = (float(cost), proposal)
        for proposal in planner.promising(best, 1):
            deepened = explorer.deepen(proposal, best)
            planner.deepened(deepened.reached, deepened.cost)
            for genome, cost in deepened.genomes:
                genomes.append(genome)
                best = min(best, cost)
            evaluations += deepened.evaluations
        stale = 0 if planner.best < 0.999 * relaxed_best else stale + 1
        relaxed_best = min(relaxed_best, planner.best)
        if _knows_all(planner) or deadline.passed():
            break
        if stale >= STALE_ROUNDS_OF_ANCHOR:
            # This start has come to its end; another one may end elsewhere.
            planner.start_anew()
            stale, relaxed_best = 0, np.inf
    passed_on = sorted(reached.values(), key=lambda r: r[0])[:_PASSED_ON]
    return Outcome(
        genomes=tuple(genomes),
        evaluations=evaluations,
        reached=tuple(proposal for _, proposal in passed_on),
    )


def _knows_all(planner: Planner) -> bool:
    """Whether there are so few structures that each was started from several times."""
    started = sum(k.starts for k in planner.known.values())
    return started >= _STARTED_OFTEN * planner.space.structures()


def polish_network(
    problem: Problem,
    weights: Weights,
    seeds: Sequence[Genome],
    reached: Sequence[Proposal],
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
    reached : sequence of Proposal
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
    before = descent.evaluations
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
    genome, cost, proven, _ = explorer.prove(*leader, deadline.moment)
    known[genome.key(space.gene_slot)] = (genome, cost)
    ordered = sorted(known.values(), key=lambda item: item[1])
    return Outcome(
        genomes=tuple(g for g, _ in ordered),
        proven=proven,
        evaluations=relaxed.evaluations + descent.evaluations - before,
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
    genome, _, proven, evaluations = keep_with(weighted, Explorer).prove(
        genome, float(weighted.cost([genome])[0]), deadline.moment
    )
    return Outcome(genomes=(genome,), proven=proven, evaluations=evaluations)


def _relax_around(
    problem: Problem,
    explorer: Explorer,
    seeds: Sequence[Genome],
    reached: Sequence[Proposal],
    rng: np.random.Generator,
    best: float,
) -> Relaxed:
    """Relax known networks, changed and shaken copies of them, and what was relaxed before.

    Of the best networks, slots and polarities are changed. The whole batch is relaxed on the coarse
    grid; the best of each structure, as far as it comes near `best`, goes on to the full grid and
    is returned.
    """
    space = problem.space
    starts = _list_starts(space, seeds, rng)
    starts += [(p.log_values, p.present, p.polarity) for p in reached]
    coarse = relax(
        explorer.coarse,
        space,
        problem.loss_laws,
        np.array([s[0] for s in starts]),
        np.array([s[1] for s in starts]),
        np.array([s[2] for s in starts]),
        schedule=((8, 1.0), (10, 0.4)),
    )
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
    refined = relax(
        problem.evaluator,
        space,
        problem.loss_laws,
        coarse.log_values[chosen],
        coarse.present[chosen],
        coarse.polarity[chosen],
        schedule=((14, 1.0),),
    )
    return replace(refined, evaluations=refined.evaluations + coarse.evaluations)


def _list_starts(
    space: Space, seeds: Sequence[Genome], rng: np.random.Generator
) -> list[tuple[Real, Flags, Real]]:
    """List log values, filled slots and polarities of networks and of changed copies of them."""

    def point(genome: Genome) -> Real:
        return np.array(
            [np.log(o.values[c]) for o, c in zip(space.options, genome.choice, strict=True)]
        )

    starts = [(point(g), g.present, g.polarity) for g in seeds]
    optional, turning = np.flatnonzero(space.optional), np.flatnonzero(space.polarity_free)
    moves = len(optional) + len(turning)
    changes = [(parent, (move,)) for parent in range(min(2, len(seeds))) for move in range(moves)]
    if moves > 1:
        changes += [
            (k % min(3, len(seeds)), tuple(rng.choice(moves, 2, replace=False)))
            for k in range(_DOUBLE)
        ]
    for parent, chosen_moves in changes:
        values, present, polarity = starts[parent]
        polarity = polarity.copy()
        for move in chosen_moves:
            if move < len(optional):
                present = space.alternatives.flip(present, int(optional[move]))
            else:
                polarity[turning[move - len(optional)]] *= -1.0
        starts.append((values, present, polarity))
    for k in range(_SHAKEN):
        values, present, polarity = starts[k % min(3, len(seeds))]
        starts.append((values + rng.normal(0.0, 0.4, len(values)), present, polarity))
    return starts
