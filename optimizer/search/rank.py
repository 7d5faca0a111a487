"""Ranking without near-duplicates."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from optimizer.acoustics.curves import Curves
from optimizer.arrays import Real
from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem
from optimizer.problem.structures import Structures

DISTINCT_DB = 0.5
"""Candidates of one structure count as different when some named curve differs by this much."""

MOST_PER_STRUCTURE = 2
"""More of one structure would crowd out other ideas."""


def rank_genomes(
    problem: Problem,
    archive: Sequence[tuple[Genome, float]],
    top: int,
    *,
    fillers: Sequence[tuple[Genome, float]] = (),
    last: Callable[[Genome], bool] = lambda genome: False,
) -> list[tuple[Genome, float]]:
    """Choose the best networks that differ in structure or in some curve.

    Parameters
    ----------
    problem : Problem
    archive : sequence of (Genome, float)
        Networks with their costs.
    top : int
        How many to keep at most.
    fillers : sequence of (Genome, float)
        Networks to fall back on when the archive has too few different ones.
    last : callable
        Whether a network stands behind all others, whatever it costs.

    Returns
    -------
    list of (Genome, float)
        Best first, those that stand last behind the others. Two of them differ in structure (the
        order of parts from source to driver, whatever the slots they fill, and polarity), or
        somewhere in a named curve by at least `DISTINCT_DB`. At most `MOST_PER_STRUCTURE` share a
        structure as long as there are others.

    Notes
    -----
    Networks whose cost is more than three times the best are left out: nobody would build them.
    """
    chosen: list[tuple[Genome, float]] = []
    shapes: list[tuple[bytes, Real]] = []
    best = min((cost for _, cost in archive), default=np.inf)
    everything = [*archive, *fillers]
    structures = Structures(problem.space, kept=False)
    heard: dict[int, Real] = {}  # by the genome's identity: several passes ask for the same
    for source, most, behind in (
        (archive, MOST_PER_STRUCTURE, False),
        (everything, top, False),
        (archive, MOST_PER_STRUCTURE, True),
        (everything, top, True),
    ):
        for genome, cost in sorted(source, key=lambda item: (item[1], item[0].choice.tolist())):
            if len(chosen) == top or cost > 3.0 * best + 1.0:
                break
            structure = structures.key(genome.present, genome.polarity)
            if sum(s == structure for s, _ in shapes) >= most:
                continue
            if id(genome) not in heard:
                heard[id(genome)] = _audible_levels(problem, genome)
            levels = heard[id(genome)]
            if any(
                s == structure and np.abs(levels - other).max() < DISTINCT_DB for s, other in shapes
            ):
                continue
            if last(genome) != behind:  # asked last: it takes longest
                continue
            chosen.append((genome, cost))
            shapes.append((structure, levels))
    return sorted(chosen, key=lambda item: (last(item[0]), item[1]))


def _audible_levels(problem: Problem, genome: Genome) -> Real:
    solved = problem.evaluator.bank.solve(problem.space.population([genome])[0])
    curves = Curves(problem.report_field, solved.transfer, solved.admittance)
    levels = np.stack([curves.level_db(n) for n in problem.report_field.names])
    return np.asarray(np.maximum(levels, levels.max() - 40.0))  # what is 40 dB down cannot be heard
