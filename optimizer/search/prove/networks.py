"""Tasks about one network: no change of one or two parts betters it; what its structure could be."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace

import numpy as np

from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem
from optimizer.search.descend.relax import relax
from optimizer.search.explorer import Explorer
from optimizer.search.task import Deadline, keep_with

_STARTS = 8
_STRAY = 0.15  # nepers
_SCHEDULE = ((10, 1.0), (20, 0.25))


@dataclass(frozen=True, slots=True, kw_only=True)
class Proved:
    """Where exchanges of parts led.

    Parameters
    ----------
    genome : Genome
    cost : float
        Its full cost.
    no_better_change_of : int
        Changes that were all ruled out.
    evaluations : int
        Networks valued or ruled out on the way.
    seconds : float
        How long it took.
    """

    genome: Genome
    cost: float
    no_better_change_of: int
    evaluations: int
    seconds: float


def prove_network(
    problem: Problem,
    genome: Genome,
    cost: float,
    deadline: Deadline,
    networks: int | None = None,
) -> Proved:
    """Exchange parts until no change of one or two helps.

    Parameters
    ----------
    problem : Problem
    genome : Genome
    cost : float
        Its full cost.
    deadline : Deadline
    networks : int, optional
        Networks after whose valuing no more are begun, which repeats under any load.

    Returns
    -------
    Proved
    """
    descent = keep_with(problem, Explorer).descent
    before, began = descent.evaluations, time.monotonic()

    def stop() -> bool:
        enough = networks is not None and descent.evaluations - before >= networks
        return enough or deadline.passed()

    done = descent.descend_pairs(genome, cost, stop=stop)
    return Proved(
        genome=done.genome,
        cost=done.cost,
        no_better_change_of=done.no_better_change_of,
        evaluations=descent.evaluations - before,
        seconds=time.monotonic() - began,
    )


def descend_network(
    problem: Problem,
    genome: Genome,
    cost: float,
    deadline: Deadline,
    networks: int | None = None,
) -> Proved:
    """Do the same to a network that may be far from the best: single changes first, which are quick.

    Parameters and results are those of `prove_network`.
    """
    descent = keep_with(problem, Explorer).descent
    before = descent.evaluations
    done = descent.descend_singles(genome)
    nearer = prove_network(problem, done.genome, done.cost, deadline, networks)
    return replace(nearer, evaluations=descent.evaluations - before)


def relax_structure(problem: Problem, genome: Genome) -> float:
    """Best cost with a network's structure and values left continuous, on the full grid.

    Parameters
    ----------
    problem : Problem
    genome : Genome
    """
    space = problem.space
    own = space.log_values(genome)
    rng = np.random.default_rng(0)
    starts = own + rng.normal(0.0, _STRAY, (_STARTS, len(own)))
    starts[0] = own
    relaxed = relax(
        problem.evaluator,
        space,
        problem.loss_laws,
        starts,
        np.repeat(genome.present[None], _STARTS, axis=0),
        np.repeat(genome.polarity[None], _STARTS, axis=0),
        schedule=_SCHEDULE,
    )
    # A value that is open is no value of the board: what changes there is paid for all the same.
    return float(relaxed.cost.min()) + space.above_board(genome)
