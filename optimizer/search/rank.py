"""Ranking without near-duplicates."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from optimizer.acoustics.curves import Curves
from optimizer.search.problem import Problem
from optimizer.search.space import Genome

DISTINCT_DB = 0.5
"""Candidates of one structure count as different when some named curve differs by this much."""

MOST_PER_STRUCTURE = 2
"""More of one structure would crowd out other ideas."""


def rank_genomes(
    problem: Problem, archive: Sequence[tuple[Genome, float]], top: int
) -> list[tuple[Genome, float]]:
    """Choose the best networks that differ in structure or in some curve.

    Parameters
    ----------
    problem : Problem
    archive : sequence of (Genome, float)
        Networks with their costs.
    top : int
        How many to keep at most.

    Returns
    -------
    list of (Genome, float)
        Best first. Two of them differ in which slots are filled, in polarity, or somewhere in a
        named curve by at least `DISTINCT_DB`; at most `MOST_PER_STRUCTURE` share a structure.

    Notes
    -----
    Networks whose cost is more than three times the best are left out: nobody would build them.
    """
    ordered = sorted(archive, key=lambda item: (item[1], item[0].choice.tolist()))
    chosen: list[tuple[Genome, float]] = []
    shapes: list[tuple[bytes, np.ndarray]] = []
    for genome, cost in ordered:
        if len(chosen) == top or (chosen and cost > 3.0 * chosen[0][1] + 1.0):
            break
        structure = genome.present.tobytes() + genome.polarity.tobytes()
        if sum(s == structure for s, _ in shapes) == MOST_PER_STRUCTURE:
            continue
        solved = problem.evaluator.bank.solve(problem.space.population([genome])[0])
        curves = Curves(problem.report_field, solved.transfer, solved.admittance)
        levels = np.stack([curves.level_db(n) for n in problem.report_field.names])
        levels = np.maximum(levels, levels.max() - 40.0)  # what is 40 dB down cannot be heard
        if any(s == structure and np.abs(levels - other).max() < DISTINCT_DB
               for s, other in shapes):
            continue
        chosen.append((genome, cost))
        shapes.append((structure, levels))
    return chosen
