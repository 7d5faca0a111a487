"""Verdicts in a document: what is doubtful before what is in order."""

from __future__ import annotations

from optimizer.problem.candidate import Candidate
from optimizer.problem.verdict import Verdict
from optimizer.report.document import Cell, Passage, Row, Table
from optimizer.text.units import format_quantity

_STATES = ("bad", "look", "ok")
_WORDS = {"bad": "BAD", "look": "look", "ok": "ok"}
_TONES = {"bad": "bad", "look": "strong", "ok": "soft"}
_TITLES = {
    "crossover": "crossover", "low_drive": "drive below its range", "in_step": "ways in step",
    "hole": "hole up and down", "break_up": "break-up", "impedance": "lowest impedance",
    "epdr": "heat in the amplifier", "loudness": "loudness given away",
    "range_ends": "ends of ranges", "estimated": "estimated",
    "completed": "beyond what was measured", "limit": "limit",
}  # fmt: skip


def tabulate_verdicts(candidate: Candidate) -> list[Passage]:
    """Set the verdicts of a candidate under each other, the doubtful ones first."""
    if not candidate.verdicts:
        return []
    rows: list[Row] = []
    good = sum(verdict.state == "ok" for verdict in candidate.verdicts)
    for verdict in sorted(candidate.verdicts, key=lambda v: _STATES.index(v.state)):
        rows.append(
            (
                Cell(_WORDS[verdict.state], _TONES[verdict.state]),
                say_subject(verdict),
                f"{verdict.says}; {verdict.remedy}" if verdict.remedy else verdict.says,
                Cell(say_limit(verdict), "soft"),
                Cell(verdict.source if say_limit(verdict) else "", "soft"),
            )
        )
    heads = ("verdict", "on", "finding, and what would change it", "in order", "limit from")
    brief = (*rows[: len(rows) - good], *_say_good(candidate)) if good > 1 else None
    return [Table(heads=heads, rows=tuple(rows), align="lllll", key="verdicts", brief=brief)]


def _say_good(candidate: Candidate) -> list[Row]:
    """Say in one row what is in order."""
    good = [_TITLES.get(v.name, v.name) for v in candidate.verdicts if v.state == "ok"]
    each = [f"{title} ({good.count(title)})" if good.count(title) > 1 else title for title in good]
    counted = f"{len(good)} more" if len(good) < len(candidate.verdicts) else f"all {len(good)}"
    return [(Cell(_WORDS["ok"], _TONES["ok"]), counted, ", ".join(dict.fromkeys(each)))]


def list_verdicts(candidate: Candidate, *, doubtful: bool = False) -> list[Passage]:
    """Say the verdicts in a narrow column: state, subject and finding, the doubtful ones first.

    Parameters
    ----------
    candidate : Candidate
    doubtful : bool
        Whether only those that are not in order are listed, and the others counted.
    """
    rows: list[tuple[str | Cell, ...]] = [
        (
            Cell(_WORDS[verdict.state], _TONES[verdict.state]),
            Cell(
                say_subject(verdict),
                small=f"{verdict.says}; {verdict.remedy}" if verdict.remedy else verdict.says,
            ),
        )
        for verdict in sorted(candidate.verdicts, key=lambda v: _STATES.index(v.state))
        if not doubtful or verdict.state != "ok"
    ]
    if doubtful and len(rows) < len(candidate.verdicts):
        rows += [row[:2] for row in _say_good(candidate)]
    return [Table(heads=("", ""), rows=tuple(rows), align="ll", key="findings")] if rows else []


def say_subject(verdict: Verdict) -> str:
    """Say what is judged, and where."""
    return ", ".join(filter(None, (_TITLES.get(verdict.name, verdict.name), verdict.where)))


def say_limit(verdict: Verdict) -> str:
    """Say what would be in order; empty where nothing is known of it."""
    if verdict.limit == (None, 0.0):
        return "none"
    low, high = (None if end is None else _say_end(end, verdict.unit) for end in verdict.limit)
    if low is not None and high is not None:
        return f"{low} to {high}"
    if low is not None:
        return f"at least {low}"
    return "" if high is None else f"at most {high}"


def _say_end(value: float, unit: str) -> str:
    if unit in ("Hz", "ohm"):
        return format_quantity(value, unit)
    return f"{value:.3g} {unit}".rstrip()
