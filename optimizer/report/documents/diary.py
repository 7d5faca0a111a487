"""What a diary tells: what was done, the newest last, and which network is in which cabinet."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from typing import Any

from optimizer.bench.check import compare_networks
from optimizer.bench.diary.file import SIDES, Diary, DiaryEntry
from optimizer.problem.candidate import Candidate
from optimizer.problem.certificate import OTHER
from optimizer.problem.problem import Problem
from optimizer.report.document import Cell, Document, Note, Section, Table
from optimizer.report.documents.check import list_differences, shorten_names
from optimizer.report.documents.shown import PAGE_ORDER, Shown
from optimizer.report.render.json import SCHEMA, comparison_to_json, made_to_json, rated_to_json
from optimizer.text.stamp import say_date

_DID = {
    "begun": "begun",
    "fit": "fit",
    "choice": "chosen",
    "voice": "voiced",
    "build": "built",
    "undo": "undone",
    "note": "heard",
    "verified": "verified",
}


def document_diary(diary: Diary) -> Document:
    """Tell the story of a speaker.

    Parameters
    ----------
    diary : Diary
        Its entries.

    Returns
    -------
    Document
    """
    story = Table(
        heads=("no.", "when", "what", "", "cost"),
        rows=tuple(_list_rows(diary.entries)),
        align="rlllr",
        key="diary",
    )
    empty = Note(text="Nothing is written in it yet.")
    return Document(
        title=f"The diary {diary.path.name}",
        sections=(
            Section(title="What was done", parts=(story,) if diary.entries else (empty,)),
            Section(title="In the cabinets", key="cabinets", parts=(tabulate_cabinets(diary),)),
        ),
        order=("cabinets",),
        data=lambda: diary_to_json(diary),
    )


def _list_rows(entries: Sequence[DiaryEntry]) -> Iterator[tuple[str | Cell, ...]]:
    before: dict[str, str] = {}
    for entry in entries:
        changed = [
            OTHER[name]
            for name, one in entry.of.items()
            if name in OTHER and before.get(name, one) != one
        ]
        if changed:
            yield ("", "", Cell("from here on", "soft"), Cell(", ".join(changed), "strong"))
        before |= entry.of
        yield from _say_entry(entry)


def _say_entry(entry: DiaryEntry) -> Iterator[tuple[str | Cell, ...]]:
    says = entry.says
    if entry.verdict:
        says = f"{entry.verdict.upper()}: {says}"
    if entry.booked:
        pieces = sum(one.pieces for one in entry.booked)
        move = f"{pieces} off" if pieces > 0 else f"{-pieces} back on"
        says += f"; {move} the shelf" if pieces else "; pieces of the shelf exchanged"
    if entry.by_hand:
        says += " (changed by hand)"
    one = len(entry.networks) == 1
    cost = _say_cost(entry.networks[0].cost) if one else ""
    yield (str(entry.number), say_date(entry.date), _DID[entry.did], says, cost)
    if not one:
        for k, network in enumerate(entry.networks, start=1):
            name = Cell(f"{network.name}, {network.pieces} pieces", "soft")
            yield (Cell(f"{entry.number}.{k}", "soft"), "", "", name, _say_cost(network.cost))


def _say_cost(cost: float | None) -> str:
    return "" if cost is None else f"{cost:.3f}"


def tabulate_cabinets(diary: Diary) -> Table:
    """Say which network is in which cabinet."""
    rows = []
    for side, builds in diary.built.items():
        if builds:
            kept = builds[-1].networks[0]
            since = f"since {say_date(builds[-1].date)} (entry {builds[-1].number})"
            rows.append((side, kept.name, since, _say_cost(kept.cost)))
        else:
            rows.append((side, "nothing that was noted", "", ""))
    return Table(heads=("cabinet", "network", "", "cost"), rows=tuple(rows), align="lllr")


def diary_to_json(diary: Diary) -> dict[str, Any]:
    """Turn a diary into plain data; SI units, no NaN or infinity."""
    return {
        "schema": SCHEMA,
        "diary": str(diary.path),
        "cabinets": {
            side: diary.built[side][-1].number if diary.built[side] else None for side in SIDES
        },
        "entries": [_entry_to_json(entry) for entry in diary.entries],
    }


def _entry_to_json(entry: DiaryEntry) -> dict[str, Any]:
    skipped = {"line", "networks", "values", "booked"}
    plain = {
        one.name: getattr(entry, one.name)
        for one in dataclasses.fields(entry)
        if one.name not in skipped
    }
    listed = {
        "values": [dataclasses.asdict(one) for one in entry.values],
        "booked": [dataclasses.asdict(one) for one in entry.booked],
        "networks": [
            {
                name: getattr(one, name)
                for name in ("name", "cost", "price", "pieces", "lowest_ohm", "level_db", "goals")
            }
            for one in entry.networks
        ],
    }
    told = {
        name: one for name, one in {**plain, **listed}.items() if one not in ("", (), [], {}, 0)
    }
    return {
        name: list(one) if isinstance(one, tuple) else dict(one) if name in ("of", "files") else one
        for name, one in told.items()
    }


def document_states(
    problem: Problem, first: tuple[str, Candidate], second: tuple[str, Candidate], design_name: str
) -> Document:
    """Compare two states of a speaker in figures, parts and curves.

    Parameters
    ----------
    problem : Problem
        As it is now: both are computed for it.
    first, second : tuple of (str, Candidate)
        Their names and figures.
    design_name : str
        Name of the design file.

    Returns
    -------
    Document
    """
    names = tuple(shorten_names([first[0], second[0]]))
    candidates = tuple(
        dataclasses.replace(one, rank=k) for k, (_, one) in enumerate((first, second), start=1)
    )
    shown = Shown(problem, candidates, names=names)
    comparison = compare_networks(first[1], second[1])
    return Document(
        title=f"{problem.title}: {first[0]} and {second[0]}",
        sections=(
            shown.lead(design_name),
            shown.which("Side by side"),
            Section(
                title=f"From {first[0]} to {second[0]}",
                parts=tuple(list_differences(comparison, second[1])),
            ),
            *shown.only_on_page(),
        ),
        order=("lead", *PAGE_ORDER),
        picks=shown.picks(),
        numbers=shown.numbers,
        data=lambda: {
            "schema": SCHEMA,
            "design": design_name,
            **made_to_json(problem),
            "states": [
                {"network": name, "candidate": rated_to_json(one, problem)}
                for name, one in (first, second)
            ],
            "difference": {
                "cost": round(second[1].cost - first[1].cost, 9),
                "goals": {
                    a.name: round(b.value - a.value, 9)
                    for a, b in zip(first[1].goals, second[1].goals, strict=True)
                },
                **comparison_to_json(comparison),
            },
        },
    )
