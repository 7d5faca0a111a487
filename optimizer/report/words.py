"""Results said in plain words: sentences that every kind of report uses."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import PurePath
from typing import Any

from optimizer.acoustics.preference import VALIDITY
from optimizer.bench.check import PartChange
from optimizer.measure.curve import Coverage
from optimizer.measure.driver import Driver
from optimizer.network.network import Network
from optimizer.parts import UNIT_OF_KIND, Part
from optimizer.problem.agreement import MISSED_BY, WITHIN, Agreement
from optimizer.problem.candidate import Candidate, GoalFigure, SearchResult
from optimizer.problem.certificate import Certificate
from optimizer.problem.problem import Problem
from optimizer.report.ladder_text import describe_join
from optimizer.text.stamp import say_date, tell_date
from optimizer.text.units import format_quantity, say_hz

PRINT = 8
"""Figures of a fingerprint that are shown: enough to tell what a project has apart."""

CHANGES_MEANT = "another value, left out, added, polarity, where the design leaves them open"
"""What counts as a change of a part."""

_PARTS = {1: "any one part", 2: "any one or two parts", 3: "any one, two or three parts"}


def say_frequency(value_hz: float | None) -> str:
    """Write a frequency, or a dash where there is none."""
    return "-" if value_hz is None else say_hz(value_hz)


def say_value(part: Part) -> str:
    """Write the value of a part with its unit."""
    return format_quantity(part.value, UNIT_OF_KIND[part.kind])


def say_states(candidate: Candidate) -> str | None:
    """Count the verdicts that are worst; None where nothing was judged."""
    if not candidate.verdicts:
        return None
    states: list[str] = [verdict.state for verdict in candidate.verdicts]
    worst = next((state for state in ("bad", "look") if state in states), "")
    return f"{states.count(worst)} {worst}" if worst else "ok"


def say_figure(goal: GoalFigure) -> str:
    """Write the figure of a goal without its unit; counts have no decimals."""
    return f"{goal.value:.0f}" if goal.counted else f"{goal.value:.2f}"


def say_band(candidate: Candidate, way: int) -> str:
    """Say between which crossovers a way plays, or "" for a single way."""
    low, high = candidate.crossovers_hz[way]
    if low is None:
        return "" if high is None else f"up to {say_frequency(high)}"
    if high is None:
        return f"from {say_frequency(low)}"
    return f"{say_frequency(low)} to {say_frequency(high)}"


def say_impedance(candidate: Candidate) -> str:
    """Say how hard a load the network is for an amplifier."""
    return (
        f"Lowest impedance {candidate.impedance_min_ohm:.2f} ohm at "
        f"{say_frequency(candidate.impedance_min_hz)}. To an amplifier's output devices it is at "
        f"worst as hard a load as a resistor of {candidate.epdr_min_ohm:.2f} ohm (EPDR), at "
        f"{say_frequency(candidate.epdr_min_hz)}."
    )


def say_preference(candidate: Candidate) -> list[str]:
    """Say the preference score with what it is worth, or nothing where it cannot be formed."""
    found = candidate.preference
    if found is None:
        return []
    bass = (
        f"bass to {say_frequency(found.bass_limit_hz)}"
        if found.bass_found
        else f"bass at least to {say_frequency(found.bass_limit_hz)}, where the data end"
    )
    return [f"Preference {found.score:.1f} ({bass}). {VALIDITY}"]


def say_certificate(candidate: Candidate) -> list[str]:
    """Say how good a candidate is known to be."""
    sentences = [_say_sought(candidate.certificate)]
    whole = any(one.others and not one.control for one in candidate.taken)
    if whole and candidate.certificate.changes > 1:
        sentences.append(
            "Each other alternative was tried as a whole, with the best values found for its parts, "
            "alone and with one more change: none is better."
        )
    if candidate.relaxed_cost is not None:
        gap = max(candidate.cost - candidate.relaxed_cost, 0.0)
        sentences.append(
            f"With parts of any value whatever this layout reaches cost "
            f"{candidate.relaxed_cost:.3f}: keeping to values that can be bought adds {gap:.3f}."
        )
    return sentences


def _say_sought(certificate: Certificate) -> str:
    why, count = certificate.why, certificate.changes
    if certificate.state == "never sought":
        return f"A better one was never sought{f': {why}' if why else ''}."
    if certificate.state == "cut short":
        if why:
            return f"It is not the best: {why}."
        return (
            "The search ended before every change of a part was tried: one of them may be better."
        )
    none = "is better" if certificate.measure == "cost" else f"has a smaller {certificate.measure}"
    return (
        f"Every change of {_PARTS.get(count, f'up to {count} parts')} was computed or "
        f"ruled out ({CHANGES_MEANT}): none {none}."
    )


def say_joins(candidates: Sequence[Candidate], names: Sequence[str] = ()) -> list[str]:
    """Say which pieces each joined part consists of.

    Parameters
    ----------
    candidates : sequence of Candidate
        Candidates shown together.
    names : sequence of str, optional
        What to call them; else their ranks.

    Returns
    -------
    list of str
        One line for each different joined part, with those that use it.
    """
    users: dict[str, list[str]] = {}
    for k, candidate in enumerate(candidates):
        user = names[k] if names else str(candidate.rank)
        for ladder in candidate.network.ladders:
            for slot in ladder.slots:
                for name, _, part in slot.named_parts:
                    joined = describe_join(part)
                    if joined:
                        line = f"{ladder.name} {name}: {say_value(part)} = {joined}"
                        users.setdefault(line, []).append(user)
    first = "" if names else "no. "
    return [f"* {first}{', '.join(those)}: {line}" for line, those in users.items()]


def say_stop(result: SearchResult) -> str:
    """Say why the search ended, how much it tried, and whether it can be repeated."""
    reason = {
        "converged": "The search ended by itself.",
        "budget": "The budget was used.",
        "interrupted": "Stopped by hand; these are the best found so far.",
    }[result.stopped]
    text = (
        f"{reason} {result.seconds:.1f} s, {result.evaluations:,} networks tried, those "
        f"of proofs included, seed {result.seed}."
    )
    agreed = say_agreement(result.agreement)
    if agreed:
        text = f"{text} {agreed}"
    if result.repeatable:
        return text
    return f"{text} A run cut short need not repeat exactly, and a longer one may find better."


def say_agreement(agreement: Agreement) -> str:
    """Say how many independent starts came to the best cost, and what that leaves open."""
    starts, met, missed = agreement.starts, agreement.met, agreement.missed
    if missed is None:
        return ""
    first = (
        f"{met} of {starts} independent starts"
        if starts > 1
        else f"{'The one' if met else 'No'} start that came to its end"
    )
    more = f", {agreement.near} within {100.0 * MISSED_BY:.1g} %" if agreement.near > met else ""
    chance = f"about {100.0 * missed:.0f} %" if missed >= 0.01 else "less than 1 %"
    return (
        f"{first} reached the best cost within {100.0 * WITHIN:.1g} %{more}: something better by more "
        f"than {100.0 * MISSED_BY:.1g} % was missed with a chance of {chance}."
    )


def say_broken(candidate: Candidate) -> str:
    """Name the hard limits a candidate breaks."""
    goals = [
        f"{goal.name.replace('_', ' ')} ({goal.told})" if goal.told else goal.name
        for goal in candidate.goals
        if not goal.met
    ]
    limits = [
        f"the limit of {verdict.where} ({verdict.says}; {verdict.remedy})"
        for verdict in candidate.verdicts
        if verdict.broken
    ]
    return ", ".join([*goals, *limits])


def list_ranges(driver: Driver) -> Iterable[tuple[str, str, str, str, str]]:
    """List what was measured of a driver, curves of one range together.

    Parameters
    ----------
    driver : Driver
        With its coverage.

    Yields
    ------
    tuple of str
        What, files, measured range, slope below it, slope above it.
    """
    if not driver.coverage:
        return
    groups: dict[tuple[float, float], list[Coverage]] = {}
    for one in driver.coverage[:-1]:
        groups.setdefault((one.low_hz, one.high_hz), []).append(one)
    named = [
        ("response" if len(group) == 1 else f"{len(group)} responses", group)
        for group in groups.values()
    ]
    for what, group in [*named, ("impedance", [driver.coverage[-1]])]:
        yield (
            what,
            _say_sources(group),
            f"{say_frequency(group[0].low_hz)} to {say_frequency(group[0].high_hz)}",
            _say_slopes([one.slope_low_db_per_octave for one in group]),
            _say_slopes([one.slope_high_db_per_octave for one in group]),
        )


def _say_sources(group: Sequence[Coverage]) -> str:
    names = list(dict.fromkeys(PurePath(one.source).name for one in group))
    return names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more"


def _say_slopes(slopes: Sequence[float]) -> str:
    low, high = round(min(slopes)), round(max(slopes))
    if low == high:
        return "-" if low == 0 else f"{low:+d} dB/oct"
    return f"{low:+d} to {high:+d} dB/oct"


def say_change(change: PartChange) -> str:
    """Say what happens to one part or control."""
    if change.positions:
        return f"{change.label}: turn it from {' to '.join(change.positions)}"
    if change.before is None:
        assert change.after is not None
        return f"{change.label}: add {say_value(change.after)}"
    if change.after is None:
        return f"{change.label}: leave out {say_value(change.before)}"
    before, after = say_value(change.before), say_value(change.after)
    if before == after:
        before, after = (_say_exactly(part) for part in (change.before, change.after))
    return f"{change.label}: {before} -> {after}"


def _say_exactly(part: Part) -> str:
    """Say what sets apart two parts of one value: its last digits, its losses."""
    value = format_quantity(part.value, UNIT_OF_KIND[part.kind], 5)
    loss = {"inductor": "dcr", "capacitor": "esr"}.get(part.kind)
    return f"{value} ({loss} {format_quantity(part.loss_ohm, 'ohm')})" if loss else value


def say_references(network: Network) -> list[str]:
    """Say which part of a design is which on drawing and sheet, where that is not the same name."""
    called = [
        f"{ladder}.{label} is {name}"
        for (ladder, label), name in network.references.items()
        if name != label
    ]
    return [f"On drawing, build sheet and netlist {', '.join(called)}."] if called else []


def say_controls(candidate: Candidate) -> list[str]:
    """Say where each control stands, and what a meter reads there."""
    slots = {
        (ladder.name, slot.name): slot
        for ladder in candidate.network.ladders
        for slot in ladder.slots
    }
    lines = []
    for one in candidate.taken:
        if not one.control:
            continue
        found = [slots[one.ladder, name] for name in one.slots if (one.ladder, name) in slots]
        readings = [
            f"{format_quantity(series.value, 'ohm', 3)} from its input to the driver's side and "
            f"{format_quantity(shunt.value, 'ohm', 3)} from there to its common side"
            for series, shunt in (slot.parts for slot in found)
        ]
        read = readings[0] if readings else "no resistance from its input to the driver's side"
        lines.append(
            f"Turn {one.control} of the {one.ladder} to {one.name}: with its wires off, a meter reads "
            f"{read}."
        )
    return lines


def say_history(steps: Sequence[Mapping[str, Any]]) -> list[str]:
    """Say where a network came from, the newest first."""
    lines = []
    for number, step in enumerate(steps):
        note = f": {step['note']}" if step["note"] else ""
        gone = "" if step["found"] else " (no longer there)"
        lines.append(f"{'from ' if number else ''}{step['network']}{gone}{note}")
    return lines if len(steps) > 1 or (steps and steps[0]["note"]) else []


def say_foot(problem: Problem, design_name: str) -> str:
    """Say at the foot of a printed page what was computed with what, and when."""
    prints = problem.fingerprints
    told = ", ".join(f"{name} {prints[name][:PRINT]}" for name in ("data", "goals"))
    return f"{problem.title}, {design_name}, {say_date(tell_date())}, fingerprints of {told}"
