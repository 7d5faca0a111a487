"""Why a network scores as it does, and what sets two networks apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.arrays import Flags, Real
from optimizer.goals.prepared import HARD_COST_PER_DB, PreparedGoal, goal_cost
from optimizer.network.choices import Taken
from optimizer.network.network import FittedSlot, Network
from optimizer.parts import UNIT_OF_KIND, Part
from optimizer.problem.candidate import Candidate
from optimizer.problem.certificate import NEVER_SOUGHT, Certificate
from optimizer.problem.figures import build_candidate
from optimizer.problem.genome import Genome
from optimizer.problem.neighbourhood import Neighbourhood
from optimizer.problem.problem import Problem
from optimizer.text.brief import brief, html_table
from optimizer.text.units import format_quantity

SHARE = 0.5
"""Share of a figure's square that the band named as its reason must hold."""

STEP = 0.10
"""Relative change of a value for which its effect is stated."""

_SMALL_COST = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class BandShare:
    """The narrowest band that holds most of a figure.

    Parameters
    ----------
    low_hz, high_hz : float
        Its ends.
    share : float
        Share of the figure's square.
    mean : float
        Mean residual in the band, in the unit of the goal, with its sign.
    octaves : float
        Its width over the width of the goal's whole band (1 is everywhere).
    """

    low_hz: float
    high_hz: float
    share: float
    mean: float
    octaves: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PartEffect:
    """How the cost of a goal moves, to first order, when a value grows by `STEP`."""

    label: str
    cost_change: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why one goal costs what it costs.

    Parameters
    ----------
    goal : str
        Its name.
    cost : float
        Its cost.
    unit : str
        Unit of its residuals.
    band : BandShare or None
        Where it comes from; None for goals that are not spread over a band.
    parts : tuple of PartEffect
        Parts that move it most, strongest first.
    """

    goal: str
    cost: float
    unit: str
    band: BandShare | None
    parts: tuple[PartEffect, ...]

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True)
class PartChange:
    """One part that differs, or one control: None stands for a place left empty.

    Parameters
    ----------
    label : str
        Ladder and name.
    before, after : Part or None
        The part; None for a control.
    positions : tuple of str
        Where a control stood and stands, empty for a part.
    """

    label: str
    before: Part | None
    after: Part | None
    positions: tuple[str, ...] = ()

    __repr__ = brief

    def __str__(self) -> str:
        if self.positions:
            return f"{self.label} from {' to '.join(self.positions)}"
        before, after = (
            "empty" if part is None else format_quantity(part.value, UNIT_OF_KIND[part.kind], 4)
            for part in (self.before, self.after)
        )
        return f"{self.label} {before} to {after}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Improvement:
    """The best that one move alone can do: of a part, of a compound as a whole, of a polarity.

    Parameters
    ----------
    changes : tuple of PartChange
        Parts to change; those of one compound where there are several.
    turned : tuple of str
        Ways to connect the other way round.
    cost : float
        Cost of the whole network after it.
    goals : tuple of (str, float)
        Changes of the costs of single goals, the largest first.
    """

    changes: tuple[PartChange, ...]
    turned: tuple[str, ...]
    cost: float
    goals: tuple[tuple[str, float], ...]

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckReport:
    """Everything there is to say of a given network.

    Parameters
    ----------
    candidate : Candidate
        Every figure and curve.
    reasons : tuple of Reason
        The dearest goal first.
    improvements : tuple of Improvement
        The best first.
    """

    candidate: Candidate
    reasons: tuple[Reason, ...]
    improvements: tuple[Improvement, ...]

    __repr__ = brief

    def _repr_html_(self) -> str:
        reasons = [
            (r.goal, r.cost, ", ".join(part.label for part in r.parts)) for r in self.reasons
        ]
        better = [
            ("; ".join([*map(str, one.changes), *(f"turn {way}" for way in one.turned)]), one.cost)
            for one in self.improvements
        ]
        return (
            self.candidate._repr_html_()
            + html_table("Why", ("goal", "cost", "parts that move it most"), reasons)
            + html_table("One move at a time", ("change", "cost after it"), better)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveDifference:
    """How far a curve of one network lies from that of another.

    Parameters
    ----------
    name : str
        Name of the curve; "impedance" is compared in dB too.
    difference_db : ndarray, shape (F,)
        Second minus first.
    rms_db : float
        Over the band compared.
    worst_db, worst_hz : float
        Largest difference and where.
    """

    name: str
    difference_db: Real
    rms_db: float
    worst_db: float
    worst_hz: float

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two networks part by part and curve by curve."""

    polarity: tuple[str, ...]
    taps: tuple[str, ...]
    parts: tuple[PartChange, ...]
    curves: tuple[CurveDifference, ...]

    __repr__ = brief


def check_network(
    problem: Problem,
    network: Network,
    *,
    best: int = 3,
    certificate: Certificate = NEVER_SOUGHT,
) -> CheckReport:
    """Compute every figure of a network and why they are what they are.

    Parameters
    ----------
    problem : Problem
        Drivers, stock, goals.
    network : Network
        Any network with the problem's ways.
    best : int
        Most improvements and parts to name.
    certificate : Certificate
        What is known of better networks.

    Returns
    -------
    CheckReport
    """
    candidate = build_candidate(problem, network, certificate=certificate)
    laid = problem.around(network)
    genome = laid.space.locate(network)
    return CheckReport(
        candidate=candidate,
        reasons=_find_reasons(laid, genome, candidate, best),
        improvements=_find_improvements(problem, laid, genome, candidate, best),
    )


def _find_reasons(
    laid: Problem, genome: Genome, candidate: Candidate, most: int
) -> tuple[Reason, ...]:
    space, bank, evaluator = laid.space, laid.bank, laid.evaluator
    columns = np.flatnonzero(bank.free & genome.present[space.gene_slot])
    population = space.population([genome])
    solved, slopes = bank.solve_with_tangents(population, laid.loss_laws)
    curves = Curves(evaluator.field, solved.transfer, solved.admittance)
    place = np.full(len(space.genes), -1, dtype=np.intp)
    place[columns] = np.arange(len(columns))
    # Genes in empty slots have no slope; they share a last column that nobody reads.
    place[place < 0] = len(columns)
    tangents = CurveTangents(curves, len(columns) + 1, *slopes.into(place))
    reasons = []
    for goal in evaluator.goals:
        residual = goal.residuals(curves)[0]
        figure = float(np.sqrt(residual @ residual))
        if figure < 1e-9:
            continue
        weight = HARD_COST_PER_DB if goal.hard else goal.weight
        pull = goal.tangents(curves, tangents)[0, : len(columns)] @ residual / figure
        change = weight * pull * np.log1p(STEP)
        order = [int(i) for i in np.argsort(-np.abs(change), kind="stable")[:most]]
        reasons.append(
            Reason(
                goal=goal.name,
                cost=float(goal_cost(goal, residual)),
                unit=goal.unit,
                band=_find_band(goal, residual, laid.frequency_hz),
                parts=tuple(
                    PartEffect(label=space.label(int(columns[i])), cost_change=float(change[i]))
                    for i in order
                    if abs(change[i]) > _SMALL_COST
                ),
            )
        )
    reasons += [
        Reason(goal=g.name, cost=g.cost, unit=g.unit, band=None, parts=())
        for g in candidate.goals[len(evaluator.goals) :]
        if g.cost > 0.0
    ]
    return tuple(sorted(reasons, key=lambda r: -r.cost))


def _find_band(goal: PreparedGoal, residual: Real, frequency_hz: Real) -> BandShare | None:
    """Narrowest band that holds `SHARE` of the square of the residuals."""
    index = getattr(goal, "index", None)
    if index is None or len(index) < 3 or len(residual) % len(index):
        return None
    # Several curves over one band stand one after the other.
    rows = residual.reshape(-1, len(index))
    energy = np.concatenate([[0.0], np.cumsum((rows**2).sum(axis=0))])
    f = frequency_hz[index]
    ends = np.searchsorted(energy, energy[:-1] + SHARE * energy[-1] * (1.0 - 1e-12))
    wide = [
        (float(np.log(f[e - 1] / f[s])), s, int(e)) for s, e in enumerate(ends) if e <= len(index)
    ]
    width, start, end = min(wide)
    scale = float(getattr(goal, "scale", 1.0)) or 1.0
    return BandShare(
        low_hz=float(f[start]),
        high_hz=float(f[end - 1]),
        share=float((energy[end] - energy[start]) / energy[-1]),
        mean=float(rows[:, start:end].mean() / scale),
        octaves=width / float(np.log(f[-1] / f[0])),
    )


def _find_improvements(
    problem: Problem, laid: Problem, genome: Genome, candidate: Candidate, most: int
) -> tuple[Improvement, ...]:
    out: list[Improvement] = []
    for proposal in Neighbourhood(laid.landscape, genome).best_per_place():
        if len(out) == most:
            break
        after = build_candidate(problem, laid.space.network(proposal.move.apply(genome)))
        if after.cost > candidate.cost - _SMALL_COST:
            continue
        moves = [
            (new.name, new.cost - old.cost)
            for new, old in zip(after.goals, candidate.goals, strict=True)
        ]
        out.append(
            Improvement(
                changes=tuple(
                    list_changes(candidate.network, after.network, candidate.taken, after.taken)
                ),
                turned=list_turned(candidate.network, after.network),
                cost=after.cost,
                goals=tuple(
                    sorted((m for m in moves if abs(m[1]) > _SMALL_COST), key=lambda m: -abs(m[1]))
                ),
            )
        )
    return tuple(sorted(out, key=lambda one: one.cost))


def list_turned(first: Network, second: Network) -> tuple[str, ...]:
    """List the ways that two networks connect differently."""
    return tuple(
        old.name
        for old, new in zip(first.ways, second.ways, strict=True)
        if old.polarity != new.polarity
    )


def compare_networks(
    first: Candidate, second: Candidate, *, band_hz: tuple[float, float] = (50.0, 16000.0)
) -> Comparison:
    """Compare two networks of one problem part by part and curve by curve.

    Parameters
    ----------
    first, second : Candidate
        Before and after.
    band_hz : tuple of float
        Band of the figures; the curves are compared everywhere.

    Returns
    -------
    Comparison
    """
    f = first.curves.frequency_hz
    inside = (f >= band_hz[0]) & (f <= band_hz[1])
    curves = []
    for name in first.curves.named_db:
        if name in ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room"):
            curves.append(
                _compare(
                    name, second.curves.named_db[name] - first.curves.named_db[name], f, inside
                )
            )
    ratio = np.abs(second.curves.impedance) / np.abs(first.curves.impedance)
    curves.append(_compare("impedance", 20.0 * np.log10(ratio), f, np.ones_like(inside)))
    return Comparison(
        polarity=list_turned(first.network, second.network),
        taps=_list_taps(first.network, second.network),
        parts=tuple(list_changes(first.network, second.network, first.taken, second.taken)),
        curves=tuple(curves),
    )


def _compare(name: str, difference: Real, f: Real, inside: Flags) -> CurveDifference:
    at = np.flatnonzero(inside)[int(np.argmax(np.abs(difference[inside])))]
    return CurveDifference(
        name=name,
        difference_db=difference,
        rms_db=float(np.sqrt(np.mean(difference[inside] ** 2))),
        worst_db=float(difference[at]),
        worst_hz=float(f[at]),
    )


def list_changes(
    first: Network, second: Network, stood: Sequence[Taken] = (), stands: Sequence[Taken] = ()
) -> Sequence[PartChange]:
    """List the parts and controls in which two networks differ, in the order of the ladders.

    Parameters
    ----------
    first, second : Network
        Of the same ways and groups.
    stood, stands : sequence of Taken
        What either of them takes of each choice; only the positions of controls count.
    """
    out: list[PartChange] = []
    before_it = {(one.ladder, one.control): one for one in stood if one.control}
    turned = {
        key: (before_it[key], one)
        for one in stands
        if (key := (one.ladder, one.control)) in before_it and one.name != before_it[key].name
    }
    for old, new in zip(first.ladders, second.ladders, strict=True):
        own = {key: both for key, both in turned.items() if key[0] == old.name}
        within = {name for both in own.values() for one in both for name in one.slots}
        before, after = (
            _name([slot for slot in one.slots if slot.name not in within], one.name)
            for one in (old, new)
        )
        out += [
            PartChange(label=".".join(key), before=None, after=None, positions=(a.name, b.name))
            for key, (a, b) in own.items()
        ]
        for label in dict.fromkeys((*before, *after)):
            a, b = before.get(label), after.get(label)
            if (
                a is None
                or b is None
                or (a.kind, a.value, a.loss_ohm) != (b.kind, b.value, b.loss_ohm)
            ):
                out.append(PartChange(label=label, before=a, after=b))
    return out


def _list_taps(first: Network, second: Network) -> tuple[str, ...]:
    """Say of each transformer in which two networks differ what it is in both."""
    before, after = (
        {
            f"{one.name}.{s.name}": s.form
            for one in network.ladders
            for s in one.slots
            if not s.parts
        }
        for network in (first, second)
    )
    return tuple(
        f"{label}: {before.get(label, 'none')} -> {after.get(label, 'none')}"
        for label in dict.fromkeys((*before, *after))
        if before.get(label) != after.get(label)
    )


def _name(slots: Sequence[FittedSlot], way: str) -> dict[str, Part]:
    named = {}
    for slot in slots:
        for name, _, part in slot.named_parts:
            named[f"{way}.{name}"] = part
    return named
