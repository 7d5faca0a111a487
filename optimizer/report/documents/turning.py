"""What a page says of a sitting at the bench: networks to begin from, and the one that is turned."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from optimizer.bench.check import Comparison, compare_networks
from optimizer.bench.turning.laid import Knob
from optimizer.bench.turning.sitting import Sitting
from optimizer.parts import UNIT_OF_KIND
from optimizer.problem.candidate import Candidate
from optimizer.report.blocks import say_quantity
from optimizer.report.columns import Column, list_columns
from optimizer.report.document import Cell, Note, Passage, Table
from optimizer.report.documents.numbers import list_planes
from optimizer.report.documents.verdicts import list_verdicts
from optimizer.report.render.json import candidate_to_json
from optimizer.report.words import say_change

_DIFFERENCES = {"on_axis": "on the axis", "in_room": "in the room"}
_OFFERED = ("cost", "parts", "price", "impedance_min", "doubts")


def tell_offered(sitting: Sitting) -> list[dict[str, Any]]:
    """List the networks to begin from, with the figures by which one chooses among them.

    Returns
    -------
    list of dict
        ``name``, ``figures`` as texts by column, ``parts`` and ``ohm`` as numbers to filter by,
        and ``doubtful``.
    """
    candidates = [one.candidate for one in sitting.offered]
    columns = [c for c in _columns(sitting, candidates) if c.name in _OFFERED]
    return [
        {
            "name": one.name,
            "figures": {
                column.name: {
                    "head": column.head.replace("-\n", "").replace("\n", " "),
                    "text": column.say(one.candidate),
                    "unit": column.unit,
                }
                for column in columns
            },
            "parts": one.candidate.parts,
            "ohm": one.candidate.impedance_min_ohm,
            "doubtful": one.candidate.doubtful or not one.candidate.feasible,
        }
        for one in sitting.offered
    ]


def tell_subject(sitting: Sitting, candidate: Candidate, label: str) -> dict[str, Any]:
    """Collect what charts draw of one network, as `collect_networks` does for a page.

    Parameters
    ----------
    sitting : Sitting
        What it is set against.
    candidate : Candidate
        The network.
    label : str
        What it is called.
    """
    compared = compare_networks(sitting.shown.before, candidate)
    return {
        "label": label,
        "result": candidate_to_json(candidate, currency=sitting.problem.stock.currency),
        "spread": {},
        "planes": list_planes(candidate.curves),
        "difference": {
            _DIFFERENCES[curve.name]: np.round(curve.difference_db, 4).tolist()
            for curve in compared.curves
            if curve.name in _DIFFERENCES
        },
    }


def tell_knobs(knobs: Sequence[Knob]) -> list[dict[str, Any]]:
    """List the parts of a network and how far each can be turned."""
    return [
        {
            "label": knob.label,
            "ladder": knob.ladder,
            "name": knob.name,
            "text": (
                ""
                if knob.part is None
                else say_quantity(knob.part.value, UNIT_OF_KIND[knob.part.kind])
            ),
            "row": knob.row,
            "count": knob.count,
            "filling": knob.filling,
            "filled": knob.part is not None,
        }
        for knob in knobs
    ]


def tell_ways(sitting: Sitting) -> list[dict[str, Any]]:
    """List the ways, how each is connected, and whether that is free."""
    free = sitting.shown.laid.turnable
    return [
        {"name": way.name, "inverted": way.polarity < 0, "free": way.name in free}
        for way in sitting.shown.laid.network.ways
    ]


def list_done(sitting: Sitting, candidate: Candidate) -> list[str]:
    """Say what sets the network shown apart from the one before, part by part."""
    compared: Comparison = compare_networks(sitting.shown.before, candidate)
    turned = [f"{way}: turned round" for way in compared.polarity]
    return [*map(say_change, compared.parts), *turned, *compared.taps]


def describe_turned(sitting: Sitting, candidate: Candidate) -> Mapping[str, list[Passage]]:
    """Compose the texts beside the charts: figures now and before, and the verdicts."""
    before = sitting.shown.before
    columns = _columns(sitting, [candidate, before])
    rows: list[tuple[str | Cell, ...]] = []
    for column in columns:
        now, then = column.say(candidate), column.say(before)
        broken = column.broken is not None and column.broken(candidate)
        tone = "bad" if broken else "strong" if now != then else ""
        rows.append((column.title.strip(), Cell(now, tone), Cell(then, "soft"), _say_unit(column)))
    table = Table(
        heads=("figure", "now", "before", ""), rows=tuple(rows), align="lrrl", key="turned"
    )
    notes: list[Passage] = [
        Note(text=note, lead="Note", warns=True)
        for note in dict.fromkeys((*candidate.notes, *sitting.shown.laid.problem.compared))
    ]
    return {"figures": [table, *notes], "verdicts": list_verdicts(candidate)}


def _columns(sitting: Sitting, candidates: Sequence[Candidate]) -> list[Column]:
    return list_columns(candidates, units={"price": sitting.problem.stock.currency})


def _say_unit(column: Column) -> str | Cell:
    return Cell(column.unit, "soft") if column.unit else ""
