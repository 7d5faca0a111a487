"""A given network on the terminal: figures, reasons, and what sets it apart from another."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import PurePath
from typing import Any

import numpy as np
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from optimizer.arrays import Real
from optimizer.bench.check import (
    STEP,
    BandShare,
    CheckReport,
    Comparison,
    Improvement,
    PartChange,
)
from optimizer.network.ladder import Network
from optimizer.parts import UNIT_OF_KIND, Part
from optimizer.problem.candidate import Candidate
from optimizer.report.export import SCHEMA, DescribedProblem, rated_to_json
from optimizer.report.ladder_text import draw_ladder
from optimizer.report.words import say_band, say_figure, say_frequency, say_impedance, say_value
from optimizer.text.units import format_quantity

_OCTAVES_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
_SPREAD = 0.45


def show_ladders(candidate: Candidate, *, width: int = 100) -> RenderableType:
    """Draw the ladder of every way under its name and band.

    Parameters
    ----------
    candidate : Candidate
        What to draw.
    width : int
        Width in characters.
    """
    lines: list[RenderableType] = []
    for index, way in enumerate(candidate.network.ways):
        words = [say_band(candidate, index), "connected inverted" if way.polarity < 0 else ""]
        title = Text(way.name, style="bold")
        title.append("".join(f", {word}" for word in words if word), style="not bold")
        lines += [title, *(Text(row) for row in draw_ladder(way, width=width)), Text()]
    return Group(*lines[:-1])


def tabulate_reasons(report: CheckReport) -> RenderableType:
    """Set the goals in a table: what each costs, where it comes from, which parts move it."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("goal", header_style="dim")
    for heading in ("cost", "figure"):
        table.add_column(heading, header_style="dim", justify="right")
    table.add_column("", style="dim")
    table.add_column("where it comes from", header_style="dim", ratio=3)
    table.add_column(f"moved most by {STEP:.0%} more of", header_style="dim", ratio=2)
    by_name = {reason.goal: reason for reason in report.reasons}
    for goal in sorted(report.candidate.goals, key=lambda g: -g.cost):
        reason = by_name.get(goal.name)
        band = say_share(reason.band, reason.unit) if reason and reason.band else ""
        where = "; ".join(filter(None, (band, goal.detail.partition(";")[0])))
        parts = ", ".join(
            f"{effect.label} {effect.cost_change:+.2f}"
            for effect in (reason.parts if reason else ())
        )
        table.add_row(
            goal.name.replace("_", " "),
            f"{goal.cost:.3f}",
            say_figure(goal),
            goal.unit,
            Text(where if goal.met else f"BROKEN: {where}", "" if goal.met else "bold red"),
            parts,
        )
    table.add_row("sum", f"{report.candidate.cost:.3f}", style="bold")
    return table


def say_share(band: BandShare, unit: str) -> str:
    """Say which band most of a figure comes from."""
    if band.octaves > _SPREAD:
        return "spread over the band"
    short = unit.partition(" rms")[0]
    return (
        f"{band.share:.0%} of it from {say_frequency(band.low_hz)} to "
        f"{say_frequency(band.high_hz)}, on average {band.mean:+.1f} {short}"
    )


def say_change(change: PartChange) -> str:
    """Say what happens to one part."""
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


def say_improvements(report: CheckReport) -> list[str]:
    """Say what changing one part or one polarity alone can do."""
    if not report.improvements:
        return ["No change of one part in stock, and no turn, lowers the cost by 0.005 or more."]
    return [_say_improvement(one, report.candidate.cost) for one in report.improvements]


def _say_improvement(one: Improvement, cost: float) -> str:
    goals = ", ".join(f"{name.replace('_', ' ')} {move:+.2f}" for name, move in one.goals)
    moves = [say_change(change) for change in one.changes]
    moves += [f"{way}: turn its two wires round" for way in one.turned]
    return f"{'; '.join(moves)}: cost {cost:.3f} -> {one.cost:.3f} ({goals})"


def tabulate_side_by_side(named: Sequence[tuple[str, Candidate]]) -> RenderableType:
    """Set the figures of several networks side by side.

    Parameters
    ----------
    named : sequence of (str, Candidate)
        Networks of one problem with what to call them.
    """
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("", no_wrap=True)
    table.add_column("", style="dim", no_wrap=True)
    for name in shorten_names([name for name, _ in named]):
        table.add_column(name, justify="right", header_style="bold", overflow="fold")
    candidates = [candidate for _, candidate in named]
    table.add_row("cost", "", *(f"{c.cost:.3f}" for c in candidates))
    for index, goal in enumerate(candidates[0].goals):
        table.add_row(
            f"  {goal.name.replace('_', ' ')}",
            goal.unit,
            *(
                say_figure(c.goals[index]) + ("" if c.goals[index].met else " !")
                for c in candidates
            ),
        )
    table.add_row("lowest impedance", "ohm", *(f"{c.impedance_min_ohm:.2f}" for c in candidates))
    table.add_row("  found at", "", *(say_frequency(c.impedance_min_hz) for c in candidates))
    table.add_row("lowest EPDR", "ohm", *(f"{c.epdr_min_ohm:.2f}" for c in candidates))
    for index, way in enumerate(candidates[0].network.ways[:-1]):
        after = candidates[0].network.ways[index + 1]
        table.add_row(
            f"{way.name} to {after.name}",
            "crossover",
            *(say_frequency(c.crossovers_hz[index][1]) for c in candidates),
        )
    table.add_row("sensitivity", "dB, 1 m", *(f"{c.sensitivity_db:.1f}" for c in candidates))
    table.add_row("pieces", "", *(str(c.parts) for c in candidates))
    return table


def shorten_names(names: Sequence[str]) -> list[str]:
    """Shorten names of networks for column heads: no folders, candidates of one file by number."""
    files = {name.partition("#")[0] for name in names if "#" in name}
    short = [
        f"no. {name.partition('#')[2]}" if "#" in name and len(files) == 1 else PurePath(name).name
        for name in names
    ]
    # Files of one name in two folders keep their folders.
    return [
        full if "#" not in full and short.count(brief) > 1 else brief
        for full, brief in zip(names, short, strict=True)
    ]


def show_comparison(comparison: Comparison, frequency_hz: Real) -> RenderableType:
    """Show two networks part by part and curve by curve.

    Parameters
    ----------
    comparison : Comparison
        What differs.
    frequency_hz : ndarray, shape (F,)
        Grid of the curves.
    """
    lines: list[RenderableType] = [Text(f"{name}: polarity turned") for name in comparison.polarity]
    lines += [Text(say_change(change)) for change in comparison.parts]
    if not lines:
        lines.append(Text("The parts and polarities are the same."))
    return Group(
        *lines,
        Text(),
        tabulate_octaves({c.name: c.difference_db for c in comparison.curves}, frequency_hz),
    )


def tabulate_octaves(curves_db: Mapping[str, Real], frequency_hz: Real) -> RenderableType:
    """Set differences of curves in a table, averaged over octaves, in dB.

    Parameters
    ----------
    curves_db : mapping of str to ndarray (F,)
        Differences by the name of the curve.
    frequency_hz : ndarray, shape (F,)
        Grid.
    """
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("difference, dB", header_style="dim", no_wrap=True)
    bands = {
        hz: (frequency_hz >= hz / np.sqrt(2.0)) & (frequency_hz < hz * np.sqrt(2.0))
        for hz in _OCTAVES_HZ
    }
    bands = {hz: inside for hz, inside in bands.items() if inside.any()}
    for hz in bands:
        table.add_column(
            say_frequency(hz).replace(" Hz", "").replace(" kHz", "k"),
            justify="right",
            header_style="dim",
            min_width=5,
        )
    table.add_column("largest", justify="right", header_style="dim", no_wrap=True)
    for name, difference in curves_db.items():
        at = int(np.argmax(np.abs(difference)))
        cells = [f"{float(difference[inside].mean()):+.1f}" for inside in bands.values()]
        table.add_row(
            name.replace("_", " "),
            *(cell.replace("-0.0", "0.0").replace("+0.0", "0.0") for cell in cells),
            f"{difference[at]:+.1f} at {say_frequency(float(frequency_hz[at]))}",
        )
    return table


def say_history(steps: Sequence[Mapping[str, Any]]) -> list[str]:
    """Say where a network came from, the newest first."""
    lines = []
    for number, step in enumerate(steps):
        note = f": {step['note']}" if step["note"] else ""
        gone = "" if step["found"] else " (no longer there)"
        lines.append(f"{'from ' if number else ''}{step['network']}{gone}{note}")
    return lines if len(steps) > 1 or (steps and steps[0]["note"]) else []


def say_load(candidate: Candidate) -> str:
    """Say how hard a load a network is; see `say_impedance`."""
    return say_impedance(candidate)


def check_to_json(
    report: CheckReport,
    problem: DescribedProblem,
    design_name: str,
    network_name: str,
    against: Sequence[tuple[str, Candidate, Comparison]] = (),
) -> dict[str, Any]:
    """Turn a check into plain data for JSON.

    Parameters
    ----------
    report : CheckReport
        The network checked.
    problem : DescribedProblem
        What it was checked for; the loads of its parts are those of its drivers.
    design_name, network_name : str
        As the user gave them.
    against : sequence of (str, Candidate, Comparison)
        Other networks and how they differ from the first.

    Returns
    -------
    dict
        SI units, no NaN or infinity.
    """
    return {
        "schema": SCHEMA,
        "design": design_name,
        "network": network_name,
        "candidate": rated_to_json(report.candidate, problem),
        "reasons": [
            {
                "goal": reason.goal,
                "cost": round(reason.cost, 6),
                **(
                    {
                        "band_hz": [round(reason.band.low_hz, 3), round(reason.band.high_hz, 3)],
                        "share": round(reason.band.share, 4),
                        "mean": round(reason.band.mean, 4),
                    }
                    if reason.band
                    else {}
                ),
                "parts": [
                    {"slot": e.label, "cost_change": round(e.cost_change, 5)} for e in reason.parts
                ],
            }
            for reason in report.reasons
        ],
        "better": [
            improvement_to_json(one, report.candidate.network) for one in report.improvements
        ],
        "against": [
            {
                "network": name,
                "candidate": rated_to_json(candidate, problem),
                "polarity_turned": list(comparison.polarity),
                "changes": [change_to_json(change) for change in comparison.parts],
                "curves": {
                    c.name: {
                        "rms_db": round(c.rms_db, 4),
                        "worst_db": round(c.worst_db, 4),
                        "worst_hz": round(c.worst_hz, 2),
                    }
                    for c in comparison.curves
                },
            }
            for name, candidate, comparison in against
        ],
    }


def change_to_json(change: PartChange) -> dict[str, Any]:
    """Turn one change into plain data: values in SI units, None for an empty place.

    Of the new part it tells what a network file needs to say of it: value, loss, origin, and the
    pieces of a joined one.
    """
    data: dict[str, Any] = {
        "slot": change.label,
        "from": None if change.before is None else change.before.value,
        "to": None if change.after is None else change.after.value,
    }
    part = change.after
    if part is None:
        return data
    loss = {"inductor": "to_dcr_ohm", "capacitor": "to_esr_ohm"}.get(part.kind)
    if loss:
        data[loss] = part.loss_ohm
    data["to_origin"] = part.origin
    if part.piece_count > 1:
        data |= {"to_pieces": list(part.pieces), "to_joined": part.joined}
    return data


def improvement_to_json(one: Improvement, network: Network) -> dict[str, Any]:
    """Turn a move that lowers the cost into plain data: each change of it, a turn included.

    A move of one part stands in the object itself too.
    """
    now = {way.name: int(way.polarity) for way in network.ways}
    changes = [change_to_json(change) for change in one.changes]
    changes += [
        {"slot": f"{way}.polarity", "from": now[way], "to": -now[way]} for way in one.turned
    ]
    alone = changes[0] if len(changes) == 1 else {}
    return {**alone, "changes": changes, "cost": round(one.cost, 9)}
