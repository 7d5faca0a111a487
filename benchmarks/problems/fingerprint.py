"""A name for the numbers of a problem: equal as long as the problem asks the same question."""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optimizer.goals import goal_cost
from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem

_SAMPLES = 64


def draw_networks(problem: Problem, count: int, seed: int) -> list[Genome]:
    """Draw networks evenly over options, filled slots and polarities."""
    space, rng = problem.space, np.random.default_rng(seed)
    found = []
    for _ in range(count):
        u = rng.random(len(space.options))
        choice = np.array(
            [int(x * len(o.values)) for x, o in zip(u, space.options, strict=True)], dtype=np.intp
        )
        present = ~space.optional | (rng.random(len(space.slots)) < 0.5)
        turned = space.polarity_free & (rng.random(len(space.polarity_free)) < 0.5)
        found.append(
            Genome(
                choice=choice,
                present=present,
                polarity=np.where(turned, -1.0, space.polarity_start),
            )
        )
    return found


def _text(values: NDArray[Any]) -> bytes:
    # Six digits: the last ones differ between machines.
    return " ".join(f"{v:.5e}" for v in np.ravel(values) + 0.0).encode()


def fingerprint(problem: Problem) -> str:
    """Hash what may be chosen, and what every goal says of a fixed draw of networks.

    Notes
    -----
    Figures rather than the goals' own fields: a goal may be written anew as long as it says the
    same.
    """
    digest = hashlib.sha256()
    space, evaluator = problem.space, problem.evaluator
    for gene, options in zip(space.genes, space.options, strict=True):
        place = (gene.name, gene.ladder, gene.slot, gene.kind, gene.kept is None)
        digest.update(repr(place).encode())
        for array in (options.values, options.loss_ohm, options.cost):
            digest.update(_text(array))
    digest.update(
        repr(
            (
                space.optional.tolist(),
                space.polarity_free.tolist(),
                space.polarity_start.tolist(),
                len(problem.frequency_hz),
            )
        ).encode()
    )
    if space.supply.counted:
        digest.update(_text(space.supply.available))
        for g, option in enumerate(space.options):
            usage = np.zeros((len(option.values) + 1, len(space.supply.available)), dtype=np.int64)
            row, lot, pieces = space.supply.taken(g, np.arange(len(usage)))
            usage[row, lot] = pieces
            digest.update(_text(usage))
    networks = draw_networks(problem, _SAMPLES, 0)
    curves = evaluator.curves(space.population(networks))
    for goal in evaluator.goals:
        digest.update(f"{goal.name} {goal.hard}".encode())
        digest.update(_text(np.round(goal_cost(goal, goal.residuals(curves)), 9)))
    digest.update(_text(np.array([space.economy(g) for g in networks])))
    return digest.hexdigest()[:16]
