"""A front between two goals in words and as plain data."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

from optimizer.goals import GOALS
from optimizer.problem.candidate import Candidate
from optimizer.report.render.json import SCHEMA, DescribedProblem, list_assumptions, rated_to_json
from optimizer.report.words import say_frequency
from optimizer.search.trade.result import TradePoint, TradeResult

_NOTICED = 0.04  # of its frequency: a crossover that moves less is not worth a word
_NOTICED_OHM = 0.5
_NOTICED_DB = 0.75


def say_amount(value: float, unit: str, *, counted: bool = False) -> str:
    """Write a difference of figures: "0.4 dB", "2 pieces", "12 deg"."""
    if counted:
        return f"{value:.0f} {unit if round(value) != 1 else unit.removesuffix('s')}"
    short = unit.split()[0] if unit else ""
    digits = 1 if short == "deg" or value >= 10.0 else 2
    if 0.0 < value < 0.5 * 10.0**-digits:  # small, but not nothing
        return f"less than {10.0**-digits:g} {short}".strip()
    return f"{value:.{digits}f} {short}".strip()


def say_values(values: Sequence[float], *, counted: bool = False) -> list[str]:
    """Write figures under each other, with as many decimals as set all of them apart."""
    said: list[str] = []
    for digits in (0,) if counted else (2, 3, 4):
        said = [f"{value:.{digits}f}" for value in values]
        if len(set(said)) == len(said):
            break
    return said


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
    (first, second), (unit_a, unit_b) = (GOALS[name] for name in result.between), result.units
    sold = say_amount(after.a - before.a, unit_a, counted=first.counted)
    bought = say_amount(before.b - after.b, unit_b, counted=second.counted)
    sentence = f"{sold} {first.sells} buys {bought} {second.buys}"
    return "; ".join([sentence, *_say_changes(before.candidate, after.candidate, result)])


def _say_changes(before: Candidate, after: Candidate, result: TradeResult) -> list[str]:
    """Say what else changes: crossovers, polarity, pieces, lowest impedance, sensitivity."""
    said = []
    for k, way in enumerate(after.network.ways[:-1]):
        old, new = before.crossovers_hz[k][1], after.crossovers_hz[k][1]
        upper = after.network.ways[k + 1].name
        if old is None or new is None:
            if old != new:
                said.append(
                    f"{way.name} {'no longer meets' if new is None else 'meets'} {upper}"
                    + (f" at {say_frequency(new)}" if new is not None else "")
                )
        elif abs(new - old) > _NOTICED * old:
            word = "falls" if new < old else "rises"
            said.append(f"{way.name}/{upper} crossover {word} from {say_range(old, new)}")
    turned = [
        new.name
        for old, new in zip(before.network.ways, after.network.ways, strict=True)
        if old.polarity != new.polarity
    ]
    if turned:
        said.append(f"{' and '.join(turned)} turned round")
    pieces = after.parts - before.parts
    if pieces and "parts" not in result.between:
        said.append(
            f"{abs(pieces)} piece{'s' if abs(pieces) != 1 else ''} "
            f"{'more' if pieces > 0 else 'fewer'}"
        )
    if abs(after.impedance_min_ohm - before.impedance_min_ohm) > _NOTICED_OHM:
        word = "falls" if after.impedance_min_ohm < before.impedance_min_ohm else "rises"
        said.append(
            f"lowest impedance {word} from {before.impedance_min_ohm:.1f} to "
            f"{after.impedance_min_ohm:.1f} ohm"
        )
    if abs(after.sensitivity_db - before.sensitivity_db) > _NOTICED_DB:
        louder = after.sensitivity_db - before.sensitivity_db
        said.append(f"{abs(louder):.1f} dB {'louder' if louder > 0.0 else 'quieter'} for 2.83 V")
    return said


def say_range(old_hz: float, new_hz: float) -> str:
    """Write two frequencies with their common unit once: "1.99 to 1.54 kHz"."""
    (first, unit), (second, other) = (say_frequency(hz).split() for hz in (old_hz, new_hz))
    return f"{first} to {second} {unit}" if unit == other else f"{first} {unit} to {second} {other}"


def say_steps(result: TradeResult) -> list[str]:
    """Say every step of a front, from the best of the first goal on."""
    return [
        f"{a.candidate.rank} to {b.candidate.rank}: {say_step(a, b, result)}"
        for a, b in pairwise(result.points)
    ]


def say_front(result: TradeResult) -> str:
    """Say what the front is and how it was found."""
    reason = {
        "converged": "Looking again from elsewhere, under other weights, bettered nothing.",
        "budget": "Time was up: a longer run may fill gaps or find better.",
        "interrupted": "Stopped by hand; these are the points found so far.",
    }[result.stopped]
    return (
        f"{reason} {result.seconds:.1f} s, {result.evaluations:,} networks tried, "
        f"seed {result.seed}."
    )


def say_certificates(result: TradeResult) -> list[str]:
    """Say how good each point is known to be."""
    unproven = [str(p.candidate.rank) for p in result.points if p.candidate.no_better_change_of < 2]
    if len(unproven) == len(result.points):
        said = ["No point could be proven in the time given: a longer run may better each of them."]
    elif unproven:
        said = [f"No. {', '.join(unproven)} could not be proven in the time given."]
    else:
        said = [
            "Every point is proven for the weights beside it: no change of any one or two "
            "parts (another value, left out, added, polarity) lowers its cost."
        ]
    if not all(p.cheapest for p in result.points):
        said.append(
            "Weights in brackets: a fit with these would choose another point, "
            "though no change of one or two parts of this one costs less."
        )
    return said


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
            {
                "a": float(f"{p.a:.6g}"),
                "b": float(f"{p.b:.6g}"),
                "knee": p.knee,
                "cheapest": p.cheapest,
                "weights": [float(f"{w:.6g}") for w in p.weights],
                "step": step,
                "candidate": rated_to_json(p.candidate, problem),
            }
            for p, step in zip(result.points, steps, strict=True)
        ],
    }
