"""A front between two goals in words and as plain data."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from optimizer.report.export import SCHEMA, DescribedProblem, list_assumptions, rated_to_json
from optimizer.report.words import say_frequency
from optimizer.search.candidates import Candidate
from optimizer.search.trade import TradePoint, TradeResult
from optimizer.units import format_quantity

_GIVEN: dict[str, str] = {
    "on_axis": "of ripple on the axis", "listening_window": "of ripple in the listening window",
    "early_reflections": "of unevenness in the early reflections",
    "sound_power": "of unevenness in sound power", "in_room": "of unevenness in the room",
    "off_axis": "of unevenness off the axis", "directivity": "of steps in directivity",
    "early_reflections_index": "of steps in directivity", "monotony": "of fall in directivity",
    "similarity": "of unlikeness off the axis", "lobe_symmetry": "of tilt of the vertical lobe",
    "lobe_depth": "of vertical cancellation", "phase_tracking": "of phase between the ways",
    "parts": "more", "price": "more", "copper": "of copper more",
}
_BOUGHT: dict[str, str] = {
    "on_axis": "flatter on the axis", "listening_window": "flatter in the listening window",
    "early_reflections": "smoother early reflections", "sound_power": "smoother sound power",
    "in_room": "smoother in the room", "off_axis": "smoother off the axis",
    "directivity": "smoother directivity", "early_reflections_index": "smoother directivity",
    "monotony": "less fall in directivity", "similarity": "more alike off the axis",
    "lobe_symmetry": "less tilt of the vertical lobe", "lobe_depth": "less vertical cancellation",
    "phase_tracking": "closer phase between the ways", "parts": "fewer", "price": "less",
    "copper": "of copper less",
}

_NOTICED = 0.04  # octaves: a crossover that moves less is not worth a word


def name_goal(name: str) -> str:
    """Write the name of a goal as words."""
    return name.replace("_", " ")


def say_amount(value: float, unit: str) -> str:
    """Write a difference of figures: "0.4 dB", "2 pieces", "12 deg"."""
    if unit == "pieces":
        return f"{value:.0f} piece{'s' if round(value) != 1 else ''}"
    short = unit.split()[0] if unit else ""
    digits = 1 if short == "deg" or value >= 10.0 else 2
    return f"{value:.{digits}f} {short}".strip()


def say_step(before: TradePoint, after: TradePoint, result: TradeResult) -> str:
    """Say what the step from one point of the front to the next gives and takes.

    Parameters
    ----------
    before, after : TradePoint
        Neighbours.
    result : TradeResult
        The front.

    Returns
    -------
    str
        One sentence.
    """
    (first, second), (unit_a, unit_b) = result.between, result.units
    given = _GIVEN.get(first, f"of {name_goal(first)}")
    bought = _BOUGHT.get(second, f"less {name_goal(second)}")
    sentence = (f"{say_amount(after.a - before.a, unit_a)} {given} buys "
                f"{say_amount(before.b - after.b, unit_b)} {bought}")
    return "; ".join([sentence, *_say_changes(before.candidate, after.candidate)])


def _say_changes(before: Candidate, after: Candidate) -> list[str]:
    """Say what else changes: crossovers, polarity, number of pieces, lowest impedance."""
    said = []
    for k, way in enumerate(after.network.ways[:-1]):
        old, new = before.crossovers_hz[k][1], after.crossovers_hz[k][1]
        upper = after.network.ways[k + 1].name
        if old is None or new is None:
            if old != new:
                said.append(f"{way.name} meets {upper} at {say_frequency(new)}")
        elif abs(new - old) > _NOTICED * old:
            word = "falls" if new < old else "rises"
            said.append(f"crossover {way.name}/{upper} {word} from {say_frequency(old)} to "
                        f"{say_frequency(new)}")
    for old_way, new_way in zip(before.network.ways, after.network.ways, strict=True):
        if old_way.polarity != new_way.polarity:
            said.append(f"{new_way.name} turned round")
    pieces = after.parts - before.parts
    if pieces:
        said.append(f"{abs(pieces)} piece{'s' if abs(pieces) != 1 else ''} "
                    f"{'more' if pieces > 0 else 'fewer'}")
    if abs(after.impedance_min_ohm - before.impedance_min_ohm) > 0.5:
        said.append("lowest impedance "
                    f"{format_quantity(before.impedance_min_ohm, 'ohm')} to "
                    f"{format_quantity(after.impedance_min_ohm, 'ohm')}")
    return said


def say_steps(result: TradeResult) -> list[str]:
    """Say every step of a front, from the best of the first goal on."""
    return [f"{a.candidate.rank} to {b.candidate.rank}: {say_step(a, b, result)}"
            for a, b in pairwise(result.points)]


def say_front(result: TradeResult) -> str:
    """Say what the front is and how it was found."""
    reason = {
        "converged": "No weights of the two goals led to anything else.",
        "budget": "Time was up: a longer run may fill gaps or find better.",
        "interrupted": "Stopped by hand; these are the points found so far.",
    }[result.stopped]
    return (f"{reason} {result.seconds:.1f} s, {result.evaluations:,} networks tried, "
            f"seed {result.seed}.")


def say_certificates(result: TradeResult) -> str:
    """Say how good each point is known to be."""
    proven = all(p.candidate.no_better_change_of >= 2 for p in result.points)
    if not proven:
        return "Not every point could be proven in the time given."
    return ("Every point is proven for the weights beside it: no change of any one or two parts "
            "(another value, left out, added, polarity) lowers its cost.")


def trade_to_json(
    result: TradeResult, problem: DescribedProblem, design_name: str
) -> dict[str, Any]:
    """Turn a front into plain data for JSON.

    Parameters
    ----------
    result : TradeResult
        The front.
    problem : Problem
        The problem it was found for.
    design_name : str
        Name of the design file, as the user gave it.

    Returns
    -------
    dict
        Plain data in SI units without NaN or infinity.
    """
    steps = ["", *(say_step(a, b, result) for a, b in pairwise(result.points))]
    return {
        "schema": SCHEMA,
        "design": design_name,
        "speaker": problem.title,
        "between": list(result.between),
        "units": list(result.units),
        "seed": result.seed,
        "seconds": round(result.seconds, 2),
        "evaluations": result.evaluations,
        "stopped": result.stopped,
        "assumed": list_assumptions(problem),
        "points": [
            {"a": float(f"{p.a:.6g}"), "b": float(f"{p.b:.6g}"), "knee": p.knee,
             "weights": [float(f"{w:.6g}") for w in p.weights], "step": step,
             "candidate": rated_to_json(p.candidate, problem)}
            for p, step in zip(result.points, steps, strict=True)
        ],
    }
