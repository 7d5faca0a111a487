"""After listening: the fewest part changes that give a wished change and hold everything else."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from optimizer.acoustics.curves import Curves, Field
from optimizer.bench.check import PartChange, list_changes
from optimizer.bench.voice.holding import Excess, list_excesses
from optimizer.bench.voice.moves import Moves, measure_moves
from optimizer.bench.voice.wish_goals import MoveLimits, ToneGoal, prepare_wishes
from optimizer.bench.voice.wishes import Wish
from optimizer.errors import InputError, Subject
from optimizer.goals import PreparedGoal
from optimizer.network.network import Network
from optimizer.network.rework import Rework, compare_work
from optimizer.network.solve import solve_network
from optimizer.parts import BOARD, Part
from optimizer.problem.candidate import Candidate
from optimizer.problem.certificate import NEVER_SOUGHT, Certificate
from optimizer.problem.change_sets import ChangeSets
from optimizer.problem.evaluator import Evaluator
from optimizer.problem.figures import build_candidate
from optimizer.problem.genome import Genome, Move, slots_between
from optimizer.problem.landscape import Landscape
from optimizer.problem.neighbourhood import Neighbourhood
from optimizer.problem.problem import Problem
from optimizer.problem.space import Space
from optimizer.stock.lots import SHELF
from optimizer.text.brief import brief, html_table
from optimizer.text.yamltext import suggest

LOOKED_AT = 20
"""Answers by score among which those within all limits are put first."""

_NEAREST = 2

CHANGE_DB = 0.1
"""What each part changed must earn, dB rms: smaller gains are not worth a soldering iron."""

BOUGHT_DB = 0.02
"""What each piece that must be bought counts more than one from the shelf, where there is one."""

_BOUNDS = ((12, True), (32, True), (72, False))
"""Points of ever finer lower bounds, and whether goals on further curves are left out."""

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
    moves : Moves
        What moves: each wished band against what is held, and that itself.
    beyond : tuple of Excess
        Limits that are exceeded and wishes that are not served; empty when all is well.
    work : Rework
        What is done with the iron.
    exact : bool
        Whether every alternative with as many changes was computed.
    candidate : Candidate
        The changed network with every figure and curve.
    """

    changes: tuple[PartChange, ...]
    count: int
    score: float
    wish_error_db: float
    moves: Moves
    beyond: tuple[Excess, ...]
    work: Rework
    exact: bool
    candidate: Candidate

    __repr__ = brief

    @property
    def level_db(self) -> float:
        """Mean change on axis of what is held; 0 where nothing is."""
        return self.moves.rest[0].mean_db if self.moves.rest else 0.0


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

    def _repr_html_(self) -> str:
        rows = [
            (
                number,
                "; ".join(map(str, answer.changes)),
                answer.wish_error_db,
                answer.level_db,
                answer.candidate.cost,
                not answer.beyond,
            )
            for number, answer in enumerate(self.answers, start=1)
        ]
        heads = ("no.", "change", "from the wish, dB", "level, dB", "cost", "within all limits")
        return html_table("Changes that serve the wishes", heads, rows)


def voice_network(
    problem: Problem,
    network: Network,
    wishes: Sequence[Wish],
    *,
    changes: int = 2,
    limits: MoveLimits | None = None,
    use: Mapping[str, Part] | None = None,
    top: int = 5,
    certificate: Certificate = NEVER_SOUGHT,
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
    limits : MoveLimits, optional
        How far the rest may move.
    use : mapping of str to Part, optional
        Parts that are put in place first and stay, by the name of their place ("tweeter.P1.Rs").
    top : int
        Answers wanted.
    certificate : Certificate
        What is known of networks better than the present one.

    Raises
    ------
    InputError
        When a wish cannot be computed from the data, or a place to use is none.
    """
    started = time.monotonic()
    limits = limits or MoveLimits()
    job = _Job(
        problem=problem,
        network=network,
        wishes=tuple(wishes),
        limits=limits,
        use=use or {},
        present=build_candidate(problem, network, certificate=certificate),
    )
    bench = _put_in_place(problem, network, job.use)
    hood, answers = job.search(bench, changes, keep=max(top, LOOKED_AT))
    base = job.answer(bench.problem.space.network(bench.genome), 0, hood.cost)
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
        evaluations=hood.tally.networks,
        seconds=time.monotonic() - started,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Bench:
    """A network with everything it may be changed to, and what stays."""

    problem: Problem
    genome: Genome
    held: frozenset[int]


@dataclass(frozen=True, kw_only=True)
class _Job:
    """What `voice_network` was asked for."""

    problem: Problem
    network: Network
    wishes: tuple[Wish, ...]
    limits: MoveLimits
    use: Mapping[str, Part]
    present: Candidate

    def search(
        self, bench: _Bench, changes: int, *, keep: int, any_gain: bool = False
    ) -> tuple[Neighbourhood, list[Answer]]:
        """Search, and build the best answers."""
        hood = Neighbourhood(self._landscape(bench), bench.genome, held=bench.held)
        sets = ChangeSets(hood, changes, keep=keep, any_gain=any_gain)
        space = bench.problem.space
        return hood, [
            self.answer(space.network(genome), len(places), score)
            for places, (genome, score) in sets.best(keep)
        ]

    def try_finer(self, changes: int) -> Answer | None:
        """Look for an answer within all limits among values that the stock does not hold."""
        for count, series in FINER:
            if count > changes:
                break
            finer = self.problem.replace(stock=self.problem.stock.with_series(series))
            bench = _put_in_place(finer, self.network, self.use)
            found = self.search(bench, count, keep=1)[1]
            if found and not found[0].beyond:
                return found[0]
        return None

    @cached_property
    def goals(self) -> Sequence[PreparedGoal]:
        """Goals that say how good a changed network is, the one that tells most first."""
        return prepare_wishes(self.problem, self.present, self.wishes, self.limits)

    @cached_property
    def field(self) -> Field:
        """Curves that the wishes look at."""
        return self.problem.evaluate(self.goals).field

    def _landscape(self, bench: _Bench) -> Landscape:
        """Cost every change by the wishes, and by what each change must earn."""
        problem, space = bench.problem, bench.problem.space
        full = problem.evaluate(self.goals)
        points = len(problem.frequency_hz)
        bounds = []
        for wanted, one_curve in _BOUNDS:
            if wanted < points // 2:
                thin = full.spread(wanted, bound=True)
                first = set(thin.goals[0].curve_names)
                some = [g for g in thin.goals if not one_curve or set(g.curve_names) <= first]
                bounds.append(Evaluator(thin.bank, thin.field, some))
        shelf = any(lot.part.origin == SHELF for lot in problem.stock.lots)
        costs = []
        for g, options in enumerate(space.options):
            bought = np.array(
                [p.piece_count if p.origin not in (SHELF, BOARD) else 0 for p in options.parts]
            )
            cost = CHANGE_DB + (BOUGHT_DB * bought if shelf else 0.0 * bought)
            if bench.genome.present[space.gene_slot[g]]:
                cost[bench.genome.choice[g]] = 0.0
            costs.append(cost)
        parts = np.array([len(genes) for genes in space.slot_genes])
        absent = CHANGE_DB * parts * bench.genome.present
        return Landscape(space.priced(costs, absent), [*bounds, full])

    def answer(self, new: Network, count: int, score: float) -> Answer:
        """Compute everything there is to say of one answer."""
        problem = self.problem
        candidate = build_candidate(
            problem, new, certificate=self.present.certificate.settle(problem, new)
        )
        solved = solve_network(
            new, problem.frequency_hz, {d.name: d.impedance for d in problem.drivers}
        )
        curves = Curves(self.field, list(solved.transfer), solved.admittance)
        tone = [g for g in self.goals if isinstance(g, ToneGoal)]
        wished = [g for g in tone if ((g.weight_of_point > 0.0) & (g.held == 0.0)).any()]
        moves = measure_moves(self.present.curves, candidate.curves, self.wishes, self.limits)
        error = np.sqrt(np.mean([g.error_db(curves) ** 2 for g in wished or tone[:1]]))
        return Answer(
            changes=tuple(list_changes(self.network, new, self.present.taken, candidate.taken)),
            count=count,
            score=score,
            wish_error_db=float(error),
            moves=moves,
            beyond=list_excesses(
                self.goals, curves, self.present, candidate, moves, self.wishes, self.limits
            ),
            work=compare_work(self.network, new, by_hand=_controls(self.present, candidate)),
            exact=count <= 2,
            candidate=candidate,
        )


def _controls(*candidates: Candidate) -> set[tuple[str, str]]:
    """Ladder and slot of every position of a control that some networks stand at."""
    taken = [one for candidate in candidates for one in candidate.taken if one.control]
    return {(one.ladder, slot) for one in taken for slot in one.slots}


def _put_in_place(problem: Problem, network: Network, use: Mapping[str, Part]) -> _Bench:
    """Lay a network out with some parts put in place for good."""
    laid = problem.around(network)
    space = laid.space
    genome = space.locate(network)
    free = {space.label(int(g)): int(g) for g in space.free_genes}
    for label in use:
        if label not in free:
            raise InputError(
                "a part to use needs a place of the network",
                subject=Subject("part to use"),
                value=repr(label),
                remedy=suggest(label, list(free)),
            )
    genes = {free[label]: part for label, part in use.items()}
    _check_alternatives(space, genome, genes)
    for label in use:
        slot = space.gene_slot[free[label]]
        if not genome.present[slot] and not set(space.slot_genes[slot].tolist()) <= genes.keys():
            raise InputError(
                "a part of a compound needs the compound in place",
                subject=Subject("part to use"),
                value=repr(label),
                remedy="name all its parts",
                by_stating=(Subject("part to use"),),
            )
    if genes:
        filled = Move(slots=_slots_for(space, genome, genes)).apply(genome)
        used = space.network(filled).replace_parts({space.place(g): p for g, p in genes.items()})
        laid = problem.around(used)
        genome = laid.space.locate(used)
        labels = {laid.space.label(g): g for g in range(len(laid.space.genes))}
        genes = {labels[label]: part for label, part in use.items()}
    return _Bench(problem=laid, genome=genome, held=frozenset(genes))


def _slots_for(
    space: Space, genome: Genome, genes: Mapping[int, Part]
) -> tuple[tuple[int, bool], ...]:
    """Slots to fill for parts that are put in place, and those of other alternatives to empty."""
    present = genome.present
    for slot in dict.fromkeys(int(space.gene_slot[g]) for g in genes):
        if not present[slot]:
            present = space.alternatives.flip(present, slot)
    return slots_between(genome.present, present)


def _check_alternatives(space: Space, genome: Genome, genes: Mapping[int, Part]) -> None:
    """Refuse a part of an alternative that is not taken, unless all that it needs is named."""
    filled = {slot for slot, there in _slots_for(space, genome, genes) if there}
    lacking = [
        space.label(int(g)) for k in filled for g in space.slot_genes[k] if int(g) not in genes
    ]
    if lacking and any(space.alternatives.member[k] for k in filled):
        raise InputError(
            "a part of another alternative needs all parts of that alternative",
            subject=Subject("part to use"),
            value=", ".join(sorted(space.label(g) for g in genes)),
            remedy=f"name {', '.join(sorted(lacking))} too",
            by_stating=(Subject("part to use"),),
        )
