"""After listening: the fewest part changes that give a wished change and hold everything else."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.acoustics.curves import Curves
from optimizer.errors import InputError
from optimizer.goals.base import goal_cost
from optimizer.network.ladder import Network
from optimizer.network.solve import solve_network
from optimizer.parts import Part
from optimizer.search.candidates import Candidate
from optimizer.search.figures import build_candidate
from optimizer.search.problem import Evaluator, Problem
from optimizer.search.space import Genome
from optimizer.workshop.bench import Bench, lay_out
from optimizer.workshop.change_search import BEAM, ChangeSearch, Places
from optimizer.workshop.check import PartChange, list_changes
from optimizer.workshop.wish_goals import DirectivityHoldGoal, Limits, ToneGoal, prepare_wishes
from optimizer.workshop.wishes import Wish
from optimizer.yamltext import suggest

KEPT_WITHIN_DB = 0.05
"""A limit passed by less than this counts as kept."""



@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One way to do it.

    Parameters
    ----------
    changes : tuple of PartChange
        What to change, a part that was asked for included.
    count : int
        Changes that were chosen here.
    score : float
        Error in the wished bands and drift elsewhere, with what each change must earn.
    wish_error_db : float
        Error in the wished bands, rms; without a tone wish, drift of everything.
    level_db : float
        Common level of everything, relative to the present.
    beyond : tuple of str
        Limits that are exceeded, in words; empty when all are kept.
    exact : bool
        Whether every alternative with as many changes was computed.
    candidate : Candidate
        The changed network with every figure and curve.
    """

    changes: tuple[PartChange, ...]
    count: int
    score: float
    wish_error_db: float
    level_db: float
    beyond: tuple[str, ...]
    exact: bool
    candidate: Candidate


@dataclass(frozen=True, slots=True, kw_only=True)
class VoiceResult:
    """What can be done about some wishes.

    Parameters
    ----------
    present : Candidate
        The network as it stands.
    base : Answer
        Nothing changed, or nothing but the part that was asked for.
    answers : tuple of Answer
        Best first.
    evaluations : int
        Networks evaluated.
    seconds : float
        Time taken.
    """

    present: Candidate
    base: Answer
    answers: tuple[Answer, ...]
    evaluations: int
    seconds: float


def voice_network(
    problem: Problem,
    network: Network,
    wishes: Sequence[Wish],
    *,
    changes: int = 2,
    limits: Limits | None = None,
    use: Mapping[str, Part] | None = None,
    top: int = 5,
) -> VoiceResult:
    """Find the fewest part changes that serve the wishes.

    Parameters
    ----------
    problem : Problem
        Drivers, stock, goals.
    network : Network
        As it stands; all changes are relative to it.
    wishes : sequence of Wish
        What should change; everything else is held. None at all with `use`.
    changes : int
        Most changes, 1 to 3.
    limits : Limits, optional
        How far the rest may move.
    use : mapping of str to Part, optional
        Parts that are put in place first and stay, by the name of their place ("tweeter.P1.Rs").
    top : int
        Answers wanted.

    Returns
    -------
    VoiceResult

    Raises
    ------
    InputError
        When a wish cannot be computed from the data, or a place to use is none.
    """
    started = time.monotonic()
    present = build_candidate(problem, network)
    goals = prepare_wishes(problem, present, wishes, limits or Limits())
    bench = _put_in_place(problem, network, use or {})
    names = tuple(dict.fromkeys(n for goal in goals for n in goal.curve_names))
    evaluator = bench.evaluator(names, goals)
    search = ChangeSearch(bench, evaluator, keep=max(top, BEAM if changes > 2 else 0))
    search.run(changes)
    found = search.best(top)

    def answer(genome: Genome, places: Places, score: float) -> Answer:
        return _build_answer(problem, network, bench, evaluator, genome, places, score)

    return VoiceResult(
        present=present, base=answer(bench.genome, frozenset(), search.base),
        answers=tuple(answer(genome, places, score) for places, (score, genome) in found),
        evaluations=search.evaluations, seconds=time.monotonic() - started)


def _put_in_place(problem: Problem, network: Network, use: Mapping[str, Part]) -> Bench:
    """Lay a network out with some parts put in place for good."""
    bench = lay_out(problem, network)
    if not use:
        return bench
    genes = {}
    for label in use:
        g = bench.find_gene(label)
        if g is None or not bench.bank.free[g]:
            known = [bench.gene_label(int(g)) for g in bench.space.free_genes]
            raise InputError("a part to use needs a place of the network", key="--use",
                             value=repr(label), remedy=suggest(label, known))
        genes[g] = label
    keys = {g: (bench.bank.topology.ways[bench.space.genes[g].way].name,
                bench.space.slots[bench.space.gene_slot[g]].name, bench.space.genes[g].part)
            for g in genes}
    bench = lay_out(problem, network, extra={keys[g]: use[genes[g]] for g in genes})
    genome = bench.genome
    for g, label in genes.items():
        slot = bench.space.gene_slot[g]
        if not genome.present[slot] and len(bench.space.slot_genes[slot]) > 1:
            raise InputError("a part of a compound needs the compound in place", key="--use",
                             value=repr(label), remedy="put all its parts in the network file")
        genome.present[slot] = True
        genome.choice[g] = bench.space.options[g].parts.index(use[label])
    bench.space.free_genes = np.setdiff1d(bench.space.free_genes, list(genes))
    return bench


def _build_answer(
    problem: Problem, network: Network, bench: Bench, evaluator: Evaluator, genome: Genome,
    places: Places, score: float,
) -> Answer:
    new = bench.space.network(genome)
    candidate = build_candidate(problem, new)
    solved = solve_network(new, problem.frequency_hz,
                           {d.name: d.impedance for d in problem.drivers})
    curves = Curves(evaluator.field, list(solved.transfer), solved.admittance.sum(axis=0))
    tone = [g for g in evaluator.goals if isinstance(g, ToneGoal)]
    wished = [g for g in tone if ((g.weight_of_point > 0.0) & (g.held == 0.0)).any()]
    error = np.sqrt(np.mean([g.error_db(curves) ** 2 for g in wished or tone[:1]]))
    beyond = []
    for goal in evaluator.goals:
        if isinstance(goal, (ToneGoal, DirectivityHoldGoal)):
            over = goal.beyond_db(curves)
            if over > KEPT_WITHIN_DB:
                beyond.append(f"{goal.name.replace('_', ' ')} goes {over:.1f} dB beyond its limit")
        elif float(goal_cost(goal, goal.residuals(curves))) > 1e-6:
            beyond.append(f"{goal.name.replace('_', ' ')}: {goal.describe(curves)}")
    return Answer(
        changes=tuple(list_changes(network, new)), count=len(places), score=score,
        wish_error_db=float(error), level_db=float(tone[0].common_level(curves)),
        beyond=tuple(beyond), exact=len(places) <= 2, candidate=candidate)
