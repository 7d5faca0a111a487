"""After listening: the fewest part changes that give a wished change and hold everything else."""

from __future__ import annotations

import copy
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.acoustics.curves import Curves
from optimizer.bench.check import PartChange, list_changes
from optimizer.bench.layout import Bench, lay_out
from optimizer.bench.voice.change_search import BEAM, ChangeSearch, Places
from optimizer.bench.voice.holding import Excess, list_excesses, measure_bands
from optimizer.bench.voice.wish_goals import Limits, ToneGoal, prepare_wishes
from optimizer.bench.voice.wishes import Wish
from optimizer.errors import InputError
from optimizer.network.ladder import Network
from optimizer.network.solve import solve_network
from optimizer.parts import Part
from optimizer.problem.candidate import Candidate
from optimizer.problem.figures import build_candidate
from optimizer.problem.problem import Evaluator, Problem
from optimizer.problem.space import Genome
from optimizer.stock.stock import series_stock
from optimizer.text.brief import brief
from optimizer.text.yamltext import suggest

LOOKED_AT = 20
"""Answers by score among which those within all limits are put first."""

_NEAREST = 2

FINER = ((1, "E96"), (2, "E24"))
"""Changes and series with which to ask whether the steps of the stock stand in the way."""


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
    bands_db : tuple of float
        Change in each wished band in the order of the wishes, relative to the common level.
    beyond : tuple of Excess
        Limits that are exceeded and wishes that are not served; empty when all is well.
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
    bands_db: tuple[float, ...]
    beyond: tuple[Excess, ...]
    exact: bool
    candidate: Candidate

    __repr__ = brief


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
        Those within all limits first, and the best first among either.
    nearest : tuple of Answer
        Without any answer, the changes that come nearest to being one: none gains what each
        change must earn.
    finer : Answer or None
        Without any answer within all limits, one that values between those of the stock would
        give.
    evaluations : int
        Networks evaluated.
    seconds : float
        Time taken.
    """

    present: Candidate
    base: Answer
    answers: tuple[Answer, ...]
    nearest: tuple[Answer, ...]
    finer: Answer | None
    evaluations: int
    seconds: float

    __repr__ = brief


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
    limits = limits or Limits()
    job = _Job(
        problem=problem,
        network=network,
        wishes=tuple(wishes),
        limits=limits,
        use=use or {},
        present=build_candidate(problem, network),
    )
    bench = _put_in_place(problem, network, job.use)
    search, answers = job.search(bench, changes, keep=max(top, LOOKED_AT))
    base = job.answer(bench, bench.genome, frozenset(), search.base)
    nearest: tuple[Answer, ...] = ()
    finer = None
    if not any(not a.beyond for a in answers) and (base.beyond or not job.use):
        if not answers:
            nearest = tuple(job.search(bench, changes, keep=_NEAREST, any_gain=True)[1])
        finer = job.try_finer(changes)
    return VoiceResult(
        present=job.present,
        base=base,
        answers=tuple(sorted(answers, key=lambda a: bool(a.beyond))[:top]),
        nearest=nearest,
        finer=finer,
        evaluations=search.evaluations,
        seconds=time.monotonic() - started,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    """What `voice_network` was asked for."""

    problem: Problem
    network: Network
    wishes: tuple[Wish, ...]
    limits: Limits
    use: Mapping[str, Part]
    present: Candidate

    def search(
        self, bench: Bench, changes: int, *, keep: int, any_gain: bool = False
    ) -> tuple[ChangeSearch, list[Answer]]:
        """Search, and build the best answers."""
        search = ChangeSearch(
            bench,
            self._evaluator(bench),
            any_gain=any_gain,
            keep=max(keep, BEAM if changes > 2 else 0),
        )
        search.run(changes)
        return search, [
            self.answer(bench, genome, places, score)
            for places, (score, genome) in search.best(keep)
        ]

    def try_finer(self, changes: int) -> Answer | None:
        """Look for an answer within all limits among values that the stock does not hold."""
        for count, series in FINER:
            if count > changes:
                break
            finer = copy.copy(self.problem)
            finer.stock = series_stock(series)
            try:
                bench = _put_in_place(finer, self.network, self.use)
            except InputError:  # goals on prices have nothing to count with
                return None
            found = self.search(bench, count, keep=1)[1]
            if found and not found[0].beyond:
                return found[0]
        return None

    def _evaluator(self, bench: Bench) -> Evaluator:
        goals = prepare_wishes(self.problem, self.present, self.wishes, self.limits)
        names = tuple(dict.fromkeys(n for goal in goals for n in goal.curve_names))
        return bench.evaluator(names, goals)

    def answer(self, bench: Bench, genome: Genome, places: Places, score: float) -> Answer:
        """Compute everything there is to say of one answer."""
        problem, evaluator = self.problem, self._evaluator(bench)
        new = bench.space.network(genome)
        candidate = build_candidate(problem, new)
        solved = solve_network(
            new, problem.frequency_hz, {d.name: d.impedance for d in problem.drivers}
        )
        curves = Curves(evaluator.field, list(solved.transfer), solved.admittance.sum(axis=0))
        tone = [g for g in evaluator.goals if isinstance(g, ToneGoal)]
        wished = [g for g in tone if ((g.weight_of_point > 0.0) & (g.held == 0.0)).any()]
        error = np.sqrt(np.mean([g.error_db(curves) ** 2 for g in wished or tone[:1]]))
        return Answer(
            changes=tuple(list_changes(self.network, new)),
            count=len(places),
            score=score,
            wish_error_db=float(error),
            level_db=float(tone[0].common_level(curves)),
            bands_db=measure_bands(evaluator.goals, curves, self.present, candidate, self.wishes),
            beyond=list_excesses(
                evaluator.goals, curves, self.present, candidate, self.wishes, self.limits
            ),
            exact=len(places) <= 2,
            candidate=candidate,
        )


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
            raise InputError(
                "a part to use needs a place of the network",
                key="--use",
                value=repr(label),
                remedy=suggest(label, known),
            )
        genes[g] = label
    keys = {
        g: (
            bench.bank.topology.ways[bench.space.genes[g].way].name,
            bench.space.slots[bench.space.gene_slot[g]].name,
            bench.space.genes[g].part,
        )
        for g in genes
    }
    bench = lay_out(problem, network, extra={keys[g]: use[genes[g]] for g in genes})
    genome = bench.genome
    for g, label in genes.items():
        slot = bench.space.gene_slot[g]
        together = bench.space.slot_genes[slot]
        if not genome.present[slot] and not all(int(other) in genes for other in together):
            raise InputError(
                "a part of a compound needs the compound in place",
                key="--use",
                value=repr(label),
                remedy="name all its parts with --use",
            )
    for g, label in genes.items():
        genome.present[bench.space.gene_slot[g]] = True
        genome.choice[g] = bench.space.options[g].parts.index(use[label])
    bench.space.free_genes = np.setdiff1d(bench.space.free_genes, list(genes))
    return bench
