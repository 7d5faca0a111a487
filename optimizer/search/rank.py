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

_AT_ONCE = 16  # networks whose curves are computed together: one call costs as much as ten of them


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
    first, everything = (
        sorted(
            (item for item in source if item[1] <= 3.0 * best + 1.0),
            key=lambda item: (item[1], item[0].choice.tolist()),
        )
        for source in (archive, [*archive, *fillers])
    )
    structures = Structures(problem.space, kept=False)
    heard: dict[int, Real] = {}  # by the genome's identity: several passes ask for the same
    for source, most, behind in (
        (first, MOST_PER_STRUCTURE, False),
        (everything, top, False),
        (first, MOST_PER_STRUCTURE, True),
        (everything, top, True),
    ):
        for place, (genome, cost) in enumerate(source):
            if len(chosen) == top:
                break
            structure = structures.key(genome.present, genome.polarity)
            if sum(s == structure for s, _ in shapes) >= most:
                continue
            if id(genome) not in heard:
                ahead = [g for g, _ in source[place : place + _AT_ONCE] if id(g) not in heard]
                heard.update(zip(map(id, ahead), _audible_levels(problem, ahead), strict=True))
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


def _audible_levels(problem: Problem, genomes: Sequence[Genome]) -> Real:
    """Levels of all named curves of some networks, shape (P, C, F)."""
    solved = problem.evaluator.bank.solve(problem.space.population(genomes))
    curves = Curves(problem.report_field, solved.transfer, solved.admittance)
    levels = np.stack([curves.level_db(n) for n in problem.report_field.names], axis=1)
    # What is 40 dB down cannot be heard.
    return np.asarray(np.maximum(levels, levels.max(axis=(1, 2), keepdims=True) - 40.0))
