"""From a genome to a candidate: every figure that a report may print."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from optimizer.acoustics.averages import INDICES, list_bands
from optimizer.acoustics.completion import STANDARD_DIRECTIONS, all_directions
from optimizer.acoustics.curves import Curves
from optimizer.acoustics.preference import PreferenceScore, score_preference
from optimizer.arrays import Complex, Real
from optimizer.goals.economy import economy_figures, labour_cost, option_costs
from optimizer.goals.goal import GoalSet, Prepared
from optimizer.goals.prepared import HARD_MET_DB, goal_cost
from optimizer.network.amplifier import equivalent_peak_dissipation_resistance
from optimizer.network.network import Network
from optimizer.network.rework import rework_of
from optimizer.network.solve import solve_network
from optimizer.parts import Kind, Part
from optimizer.problem.candidate import Candidate, Completed, CurveSet, GoalFigure
from optimizer.problem.certificate import NEVER_SOUGHT, Certificate
from optimizer.problem.crossovers import find_crossovers
from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem
from optimizer.problem.verdicts import judge_network

SENSITIVITY_BAND_HZ = (300.0, 3000.0)

ESTIMATED_NOTE = "curves off the axis are estimated from geometry, not measured"


def build_candidate(
    problem: Problem,
    genome: Genome | Network,
    *,
    rank: int = 1,
    certificate: Certificate = NEVER_SOUGHT,
    relaxed_cost: float | None = None,
    expected_cost: float | None = None,
) -> Candidate:
    """Compute everything there is to say of one network.

    Parameters
    ----------
    problem : Problem
    genome : Genome or Network
        A network of the problem's space, or any network with the problem's ways: an old board
        with slots of its own, parts of any value.
    rank : int
    certificate : Certificate
        What the search leaves, or what was read with the network.
    relaxed_cost : float, optional
        Best continuous cost of the same structure.
    expected_cost : float, optional
        Mean cost under tolerance.

    Returns
    -------
    Candidate
    """
    network = problem.space.network(genome) if isinstance(genome, Genome) else genome
    solved = solve_network(
        network, problem.frequency_hz, {d.name: d.impedance for d in problem.drivers}
    )
    transfer, admittance = list(solved.transfer), solved.admittance
    curves = Curves(problem.report_field, transfer, admittance)
    wanted = Curves(problem.evaluator.field, transfer, admittance)
    figures: list[GoalFigure] = []
    target: Real | None = None
    band: tuple[float, float] | None = None
    f = problem.frequency_hz
    for goal in problem.evaluator.goals:
        residual = goal.residuals(wanted)
        value = float(np.sqrt(residual @ residual))
        met = not goal.hard or value <= HARD_MET_DB
        figures.append(
            GoalFigure(
                name=goal.name,
                value=value,
                unit=goal.unit,
                weight=goal.weight,
                cost=float(goal_cost(goal, residual)),
                met=met,
                detail=goal.describe(wanted),
                known=_say_known(problem, goal.curve_names),
            )
        )
        if isinstance(goal, Prepared) and goal.name == "on_axis":
            target = goal.target_db(wanted, f)
            band = (float(f[goal.index[0]]), float(f[goal.index[-1]]))
    economy = network_economy(problem, network)
    figures += [
        GoalFigure(
            name=e.name, value=e.value, unit=e.unit, weight=e.weight, cost=e.cost, detail=e.detail
        )
        for e in economy_figures(
            problem.goals, network, economy, problem.stock.currency, topology=problem.topology
        )
    ]
    impedance = 1.0 / admittance
    modulus = np.abs(impedance)
    epdr = equivalent_peak_dissipation_resistance(impedance)
    low, lowest = int(np.argmin(modulus)), int(np.argmin(epdr))
    curve_set = _curve_set(problem, curves, impedance, target, band)
    inside = (f >= SENSITIVITY_BAND_HZ[0]) & (f <= SENSITIVITY_BAND_HZ[1])
    on_axis = curve_set.named_db["on_axis"]
    verdicts = judge_network(problem, network, solved)
    return Candidate(
        rank=rank,
        cost=float(sum(g.cost for g in figures)),
        network=network,
        goals=tuple(figures),
        curves=curve_set,
        impedance_min_ohm=float(modulus[low]),
        impedance_min_hz=float(f[low]),
        epdr_min_ohm=float(epdr[lowest]),
        epdr_min_hz=float(f[lowest]),
        sensitivity_db=float(on_axis[inside].mean() if inside.any() else on_axis.mean()),
        crossovers_hz=find_crossovers(f, curve_set.way_db),
        feasible=all(g.met for g in figures) and not any(v.broken for v in verdicts),
        certificate=certificate.made_for(problem, network),
        relaxed_cost=relaxed_cost,
        expected_cost=expected_cost,
        price=_price(network),
        preference=_preference(problem, curve_set),
        taken=problem.topology.taken(network),
        verdicts=verdicts,
        notes=(
            *((ESTIMATED_NOTE,) if problem.estimated else ()),
            *_say_expected(expected_cost),
        ),
    )


def reweigh(candidate: Candidate, goals: GoalSet) -> Candidate:
    """Cost a network by other weights of the goals that it was costed by: its figures stay.

    Parameters
    ----------
    candidate : Candidate
        With every figure.
    goals : GoalSet
        The same goals; hard limits have no weight.

    Returns
    -------
    Candidate
        As `build_candidate` has it for the problem of these weights. Nothing is known any more of
        what was sought for, or expected of, others.
    """
    if all(goals[one.name].weight == one.weight for one in candidate.goals):
        return candidate
    figures = [
        one
        if goals[one.name].hard
        else replace(
            one,
            weight=(weight := goals[one.name].weight),
            # The cost of an economy goal may be more than its figure says, see `Price`.
            cost=weight * (one.cost / one.weight if one.weight else one.value),
        )
        for one in candidate.goals
    ]
    expected = _say_expected(candidate.expected_cost)
    return replace(
        candidate,
        cost=float(sum(one.cost for one in figures)),
        goals=tuple(figures),
        certificate=NEVER_SOUGHT,
        relaxed_cost=None,
        expected_cost=None,
        notes=tuple(note for note in candidate.notes if note not in expected),
    )


def _say_expected(cost: float | None) -> tuple[str, ...]:
    if cost is None:
        return ()
    return (f"expected cost with parts within their tolerances {cost:.3f}",)


def _preference(problem: Problem, curves: CurveSet) -> PreferenceScore | None:
    """Score what was measured aside, up and down; anything less cannot be compared."""
    named = curves.named_db
    told = "in_room" in named and not problem.averages["in_room"].mostly_completed
    if problem.estimated or not told:
        return None
    return score_preference(
        curves.frequency_hz,
        on_axis_db=named["on_axis"],
        in_room_db=named["in_room"],
        listening_window_db=named["listening_window"],
        sound_power_db=named["sound_power"],
    )


def network_economy(problem: Problem, network: Network) -> float:
    """Cost of the parts of a network themselves, as the search counts it.

    Parameters
    ----------
    problem : Problem
    network : Network
        A part without a price counts as the dearest of its place, or of its kind where the
        problem has no such place.

    Returns
    -------
    float
    """
    space = problem.space
    of_place = {space.place(g): options for g, options in enumerate(space.options)}
    total = 0.0
    total += labour_cost(problem.goals, rework_of(problem.topology, network).count)
    for place, part in network.places.items():
        options = of_place.get(place)
        pool: tuple[Part, ...] = (
            ()
            if part.price is not None
            else (
                options.parts
                if options is not None and options.parts[0].kind == part.kind
                else _parts_of_kind(problem, part.kind)
            )
        )
        total += float(option_costs(problem.goals, (*pool, part))[-1])
    return total


def _parts_of_kind(problem: Problem, kind: Kind) -> tuple[Part, ...]:
    return tuple(
        part
        for gene, options in zip(problem.space.genes, problem.space.options, strict=True)
        if gene.kind == kind
        for part in options.parts
    )


def _price(network: Network) -> float | None:
    prices = [part.price for part in network.parts if part.origin != "kept"]
    known = [p for p in prices if p is not None]
    return float(sum(known)) if len(known) == len(prices) else None


def _curve_set(
    problem: Problem,
    curves: Curves,
    impedance: Complex,
    target: Real | None,
    band: tuple[float, float] | None,
) -> CurveSet:
    names = problem.report_field.names
    named = {n: curves.level_db(n) for n in names}
    directivity: dict[str, Real] = {}
    if "listening_window" in named:
        for index, other in INDICES.items():
            directivity[index] = named["listening_window"] - named[other]
    pressure = problem.report_field.pressure[:, : len(problem.directions)]
    drive = np.stack(curves.transfer)
    summed = np.einsum("df,daf->af", drive, pressure)
    ways = drive * pressure[:, problem.axis]
    tiny = 1e-15
    return CurveSet(
        frequency_hz=problem.frequency_hz,
        named_db=named,
        directivity_db=directivity,
        direction_db=20.0 * np.log10(np.maximum(np.abs(summed), tiny)),
        directions=problem.directions,
        way_db=20.0 * np.log10(np.maximum(np.abs(ways), tiny)),
        drive_db=20.0 * np.log10(np.maximum(np.abs(drive), tiny)),
        impedance=impedance,
        target_db=target,
        target_band_hz=band,
        way_pressure=ways,
        completed=_tell_completed(problem),
    )


def _say_known(problem: Problem, names: Sequence[str]) -> str:
    """Say within what the averages are known that a figure rests on, if they were completed."""
    averages = [problem.averages[name] for name in names if name in problem.averages]
    halves = [half for average in averages for half in average.band_db or ()]
    if not any(halves):
        return ""
    worst = max(averages, key=lambda average: max(average.band_db or (0.0,)))
    low, high = min(worst.band_db or ()), max(worst.band_db or ())
    return f"{worst.name.replace('_', ' ')} is known within {low:g} to {high:g} dB"


def _tell_completed(problem: Problem) -> Completed | None:
    bands = list_bands(problem.averages)
    if not bands:
        return None
    mostly = [n for n, average in problem.averages.items() if average.mostly_completed]
    mostly += [index for index, other in INDICES.items() if other in mostly]
    return Completed(
        directions=len(all_directions(problem.directions)) - len(problem.directions),
        of=len(STANDARD_DIRECTIONS),
        mostly=tuple(mostly),
        band_db=bands,
    )
