"""Tables and sentences of a page of candidates, as plain texts for its template."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import Any

from optimizer.bench.loads.ratings import PartRating, Ratings, list_warnings
from optimizer.network.ladder import Network
from optimizer.parts import UNIT_OF_KIND
from optimizer.problem.candidate import Candidate
from optimizer.report.ladder_text import describe_join
from optimizer.report.layout import draw_network, say_quantity
from optimizer.report.page.render import mark_safe
from optimizer.report.schematic import PHONE, describe_network, render_drawing
from optimizer.report.words import (
    say_band,
    say_certificate,
    say_figure,
    say_frequency,
    say_impedance,
    say_preference,
)

WIDE = 24.0
"""Rows of the schematic in drawing units, for a screen or paper."""

_SOURCES = {"kept": "stays on the board", "shelf": "from the shelf", "stock": "bought-in list"}
_MOVES = 0.02  # a figure that differs by less is not worth a word


def compare_figures(
    candidates: Sequence[Candidate], currency: str, *, with_cost: bool = True
) -> list[dict[str, Any]]:
    """Set the figures of candidates side by side.

    Parameters
    ----------
    candidates : sequence of Candidate
        In the order of the columns.
    currency : str
        Currency of prices.
    with_cost : bool
        Whether costs can be compared: not along a front, where each has its own weights.

    Returns
    -------
    list of dict
        Rows with ``name``, ``unit``, ``cells`` and ``best`` (columns that lead in this row).
    """
    return [
        {"name": name, "unit": unit, "cells": cells, "best": best}
        for name, unit, cells, best in _rows(candidates, currency)
        if with_cost or name != "cost"
    ]


def _rows(
    candidates: Sequence[Candidate], currency: str
) -> Iterable[tuple[str, str, list[str], list[bool]]]:
    yield (
        "cost",
        "sum of weight x figure",
        [f"{c.cost:.3f}" for c in candidates],
        _lead([round(c.cost, 3) for c in candidates]),
    )
    for index, goal in enumerate(candidates[0].goals):
        goals = [c.goals[index] for c in candidates]
        cells = [say_figure(g) + ("" if g.met else " broken") for g in goals]
        leads = _lead([round(g.value, 2) for g in goals])
        yield (
            goal.name.replace("_", " "),
            goal.unit,
            cells,
            [lead and g.met for lead, g in zip(leads, goals, strict=True)],
        )
    yield (
        "lowest impedance",
        "ohm at",
        [f"{c.impedance_min_ohm:.2f} at {say_frequency(c.impedance_min_hz)}" for c in candidates],
        _lead([-round(c.impedance_min_ohm, 2) for c in candidates]),
    )
    yield (
        "hardest load (EPDR)",
        "ohm at",
        [f"{c.epdr_min_ohm:.2f} at {say_frequency(c.epdr_min_hz)}" for c in candidates],
        _lead([-round(c.epdr_min_ohm, 2) for c in candidates]),
    )
    yield (
        "sensitivity",
        "dB at 1 m, 2.83 V",
        [f"{c.sensitivity_db:.1f}" for c in candidates],
        _lead([-round(c.sensitivity_db, 1) for c in candidates]),
    )
    ways = candidates[0].network.ways
    for index, (low, high) in enumerate(pairwise(ways)):
        cells = [say_frequency(c.crossovers_hz[index][1]) for c in candidates]
        yield f"{low.name} to {high.name}", "crossover", cells, [False] * len(cells)
    for index, way in enumerate(ways):
        cells = ["normal" if c.network.ways[index].polarity > 0 else "inverted" for c in candidates]
        if len(set(cells)) > 1:
            yield f"{way.name} polarity", "", cells, [False] * len(cells)
    if any(c.preference is not None for c in candidates):
        yield (
            "preference score",
            "see below",
            ["-" if c.preference is None else f"{c.preference.score:.1f}" for c in candidates],
            [False] * len(candidates),
        )
    if any(c.price is not None for c in candidates):
        yield (
            "price",
            currency,
            ["-" if c.price is None else f"{c.price:.2f}" for c in candidates],
            _lead([float("inf") if c.price is None else round(c.price, 2) for c in candidates]),
        )
    yield (
        "proved against",
        "part changes at once",
        [str(c.no_better_change_of or "not finished") for c in candidates],
        [False] * len(candidates),
    )


def _lead(values: Sequence[float]) -> list[bool]:
    """Mark the smallest values, unless all are equal."""
    least = min(values)
    return [value == least and max(values) > least for value in values]


def describe_difference(candidate: Candidate, best: Candidate) -> str:
    """Say in a sentence what sets a candidate apart from the cheapest one on the page."""
    if candidate is best:
        return "The smallest cost on this page."
    better: list[str] = []
    worse: list[str] = []
    for one, other in zip(candidate.goals, best.goals, strict=True):
        change = one.value - other.value
        if abs(change) < (0.5 if one.counted else _MOVES):
            continue
        name = one.name.replace("_", " ")
        size = f"{abs(change):.0f}" if one.counted else f"{abs(change):.2f}"
        (worse if change > 0.0 else better).append(f"{name} {size} {one.unit.split()[0]}")
    said = f"Costs {candidate.cost - best.cost:.3f} more than no. {best.rank}"
    if better:
        said += f"; better in {', '.join(better)}"
    if worse:
        said += f"; gives up {', '.join(worse)}"
    return said + "."


def describe_candidate(
    candidate: Candidate, ratings: Ratings, best: Candidate, currency: str
) -> dict[str, Any]:
    """Collect what the template shows of one candidate.

    Parameters
    ----------
    candidate : Candidate
        The candidate.
    ratings : Ratings
        Its loads.
    best : Candidate
        The one of the smallest cost on the page.
    currency : str
        Currency of prices.

    Returns
    -------
    dict
    """
    network = candidate.network
    return {
        "rank": candidate.rank,
        "cost": f"{candidate.cost:.3f}",
        "parts": candidate.parts,
        "feasible": candidate.feasible,
        "difference": describe_difference(candidate, best),
        "ways": [_describe_way(candidate, k, ratings, currency) for k in range(len(network.ways))],
        "goals": [
            {
                "name": g.name.replace("_", " "),
                "figure": f"{say_figure(g)} {g.unit}",
                "weight": f"{g.weight:g}",
                "cost": f"{g.cost:.3f}",
                "detail": g.detail,
                "met": g.met,
            }
            for g in candidate.goals
        ],
        "certificate": say_certificate(candidate),
        "load": say_impedance(candidate),
        "preference": say_preference(candidate),
        "warnings": list_warnings(ratings),
        "notes": candidate.notes,
        "priced": any(load.part.price is not None for load in ratings.parts),
        "price": None if not candidate.price else f"{candidate.price:.2f} {currency}".rstrip(),
    }


def _describe_way(
    candidate: Candidate, index: int, ratings: Ratings, currency: str
) -> dict[str, Any]:
    way = candidate.network.ways[index]
    alone = Network(ways=(way,))
    wide, narrow = (
        mark_safe(
            render_drawing(
                draw_network(alone, widest=widest),
                name=f"n{candidate.rank}w{index}{size}-",
                title=f"Schematic of {way.name}, network {candidate.rank}",
                words=describe_network(alone),
            )
        )
        for size, widest in (("w", WIDE), ("n", PHONE))
    )
    load = next(d for d in ratings.drivers if d.way == way.name)
    limit = "" if load.limit_w is None else f" of the {load.limit_w:g} W it stands"
    return {
        "name": way.name,
        "driver": way.driver,
        "wide": wide,
        "narrow": narrow,
        "band": say_band(candidate, index),
        "inverted": way.polarity < 0,
        "power": f"takes {load.watts:.3g} W on programme{limit}",
        "parts": [_describe_part(one, currency) for one in ratings.parts if one.way == way.name],
    }


def _describe_part(load: PartRating, currency: str) -> dict[str, Any]:
    part = load.part
    loss = {"inductor": "dcr", "capacitor": "esr"}.get(part.kind)
    rms = "" if load.unit == "W" else " rms"
    rating = f"{load.size:g} {load.unit}"
    if part.rating is not None:
        rating = f"has {part.rating:g} {load.unit}"
    return {
        "name": load.name,
        "kind": part.kind,
        "value": say_quantity(part.value, UNIT_OF_KIND[part.kind]),
        "made_of": describe_join(part).replace(" u", " µ").replace("ohm", "Ω"),
        "loss": f"{loss} {part.loss_ohm:.2g} Ω" if loss and part.loss_ohm > 0.0 else "",
        "tolerance": f"± {100 * part.tolerance:g} %",
        "source": ", ".join(filter(None, (_SOURCES.get(part.origin, part.origin), part.note))),
        "price": "" if part.price is None else f"{part.price:.2f} {currency}".rstrip(),
        "programme": f"{load.programme:.3g} {load.unit}{rms}",
        "sine": f"{load.sine:.3g} {load.unit}{rms} at {say_frequency(load.sine_hz)}",
        "rating": rating,
        "small": load.verdict == "too small",
    }
