"""What `check` says of a given network: its figures, the reasons for them, and how others differ."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import PurePath
from typing import Any

from optimizer.bench.check import STEP, BandShare, CheckReport, Comparison, Improvement
from optimizer.problem.candidate import Candidate
from optimizer.problem.problem import Problem
from optimizer.report.document import (
    Cell,
    Document,
    Note,
    OnPage,
    Passage,
    Remarks,
    Row,
    Section,
    Table,
)
from optimizer.report.documents.candidates import (
    certify,
    judge,
    leave_out_free,
    tabulate_goals,
    tell_references,
)
from optimizer.report.documents.octaves import tabulate_octaves
from optimizer.report.documents.shown import PAGE_ORDER, Shown
from optimizer.report.documents.verdicts import tabulate_verdicts
from optimizer.report.render.json import (
    SCHEMA,
    DescribedProblem,
    comparison_to_json,
    improvement_to_json,
    made_to_json,
    rated_to_json,
)
from optimizer.report.words import (
    say_change,
    say_figure,
    say_foot,
    say_frequency,
    say_history,
    say_impedance,
)

Against = tuple[str, Candidate, Comparison]
"""Another network: its name, its figures, and how it differs from the one checked."""

_SPREAD = 0.45


def document_check(
    problem: Problem,
    report: CheckReport,
    *,
    design_name: str,
    network_name: str,
    against: Sequence[Against] = (),
    history: Sequence[Mapping[str, Any]] = (),
    taken: Sequence[str] = (),
    notes: Sequence[str] = (),
    plotted: bool = False,
) -> Document:
    """Say everything of a given network.

    Parameters
    ----------
    problem : Problem
        What it was checked for.
    report : CheckReport
        The network checked.
    design_name, network_name : str
        As the user gave them.
    against : sequence of Against
        Networks to compare it with.
    history : sequence of mapping
        Where the network came from, the newest first.
    taken : sequence of str
        What the network is taken for, if not for what its file says.
    notes : sequence of str
        What was assumed in reading it.
    plotted : bool
        Whether all charts were asked for.

    Returns
    -------
    Document
    """
    named = [(network_name, report.candidate), *((name, other) for name, other, _ in against)]
    shown = Shown(
        problem,
        tuple(replace(one, rank=k) for k, (_, one) in enumerate(named, 1)),
        names=tuple(shorten_names([name for name, _ in named])),
    )
    sections = (
        shown.lead(design_name, notes=taken, remarks=[*say_history(history), *notes]),
        Section(
            title="Is it in order", key="verdicts", parts=tuple(tabulate_verdicts(report.candidate))
        ),
        *shown.build("The network", _describe, judged=False),
        Section(
            title="Where its cost comes from",
            key="reasons",
            parts=(
                tabulate_reasons(report),
                Remarks(parts=(Note(text=say_impedance(report.candidate)),)),
            ),
        ),
        Section(
            title="One part at a time",
            key="better",
            parts=(
                *(Note(text=text) for text in say_improvements(report)),
                *certify(report.candidate),
            ),
        ),
        *shown.sound(plotted=plotted),
        *([shown.which("Side by side")] if against else []),
        *(
            Section(
                title=f"From {network_name} to {name}", parts=tuple(list_differences(one, other))
            )
            for name, other, one in against
        ),
        shown.trade() if against else Section(title="", parts=()),
        shown.assumed(),
        shown.care(),
    )
    return Document(
        title=f"{problem.title}: {network_name}",
        sections=sections,
        order=("lead", "verdicts", "reasons", "better", *PAGE_ORDER),
        picks=shown.picks(),
        footer=partial(say_foot, problem, design_name),
        numbers=shown.numbers,
        data=lambda: check_to_json(report, problem, design_name, network_name, against),
    )


def _describe(candidate: Candidate) -> list[Passage]:
    more = OnPage(compose=lambda: [tabulate_goals(candidate), *judge(candidate)])
    return [*tell_references(candidate.network), more]


def tabulate_reasons(report: CheckReport) -> Table:
    """Set the goals in a table: what each costs, where it comes from, which parts move it."""
    by_name = {reason.goal: reason for reason in report.reasons}
    rows: list[Row] = []
    goals = sorted(report.candidate.goals, key=lambda g: -g.cost)
    for goal in goals:
        reason = by_name.get(goal.name)
        band = say_share(reason.band, reason.unit) if reason and reason.band else ""
        where = "; ".join(filter(None, (band, goal.detail.partition(";")[0], goal.known)))
        parts = ", ".join(
            f"{effect.label} {effect.cost_change:+z.2f}"
            for effect in (reason.parts if reason else ())
        )
        rows.append(
            (
                goal.name.replace("_", " "),
                f"{goal.cost:.3f}",
                say_figure(goal),
                Cell(goal.unit, "soft"),
                Cell(where) if goal.met else Cell(f"BROKEN: {where}", "bad"),
                parts,
            )
        )
    last = (Cell("sum", "strong"), Cell(f"{report.candidate.cost:.3f}", "strong"))
    moved = f"moved most by {STEP:.0%} more of"
    return Table(
        heads=("goal", "cost", "figure", "", "where it comes from", moved),
        rows=(*rows, last),
        align="lrrlll",
        key="reasons",
        brief=leave_out_free(goals, rows, last, cost_at=1),
    )


def say_share(band: BandShare, unit: str) -> str:
    """Say which band most of a figure comes from."""
    if band.octaves > _SPREAD:
        return "spread over the band"
    short = unit.partition(" rms")[0]
    low, high = say_frequency(band.low_hz), say_frequency(band.high_hz)
    if low == high:
        return f"{band.share:.0%} of it at {low}, {band.mean:+z.1f} {short} there"
    return f"{band.share:.0%} of it from {low} to {high}, on average {band.mean:+z.1f} {short}"


def say_improvements(report: CheckReport) -> list[str]:
    """Say what changing one part or one polarity alone can do."""
    if not report.improvements:
        other = ", no other alternative" * any(one.others for one in report.candidate.taken)
        return [
            f"No change of one part in stock{other}, and no turn, lowers the cost by 0.005 or more."
        ]
    return [_say_improvement(one, report.candidate.cost) for one in report.improvements]


def _say_improvement(one: Improvement, cost: float) -> str:
    goals = ", ".join(f"{name.replace('_', ' ')} {move:+z.2f}" for name, move in one.goals)
    moves = [say_change(change) for change in one.changes]
    moves += [f"{way}: turn its two wires round" for way in one.turned]
    return f"{'; '.join(moves)}: cost {cost:.3f} -> {one.cost:.3f} ({goals})"


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


def list_differences(comparison: Comparison, other: Candidate) -> list[Passage]:
    """Show two networks part by part and curve by curve.

    Parameters
    ----------
    comparison : Comparison
        What differs.
    other : Candidate
        The second network; its curves are on the grid of the first.

    Returns
    -------
    list of Passage
    """
    lines = [f"{name}: polarity turned" for name in comparison.polarity]
    lines += [*comparison.taps, *(say_change(change) for change in comparison.parts)]
    if not lines:
        lines.append("The parts and polarities are the same.")
    curves = {c.name: c.difference_db for c in comparison.curves}
    octaves = tabulate_octaves(curves, other.curves.frequency_hz)
    return [*(Note(text=line) for line in lines), octaves]


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
        **made_to_json(problem),
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
                **comparison_to_json(comparison),
            }
            for name, candidate, comparison in against
        ],
    }
