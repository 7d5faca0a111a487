"""A front between two goals for a terminal: chart, table, and what each step buys."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from optimizer.goals.goal import GOALS, say_name
from optimizer.report.trade_words import (
    say_certificates,
    say_front,
    say_steps,
    say_values,
)
from optimizer.report.words import say_frequency
from optimizer.search.trade.result import TradeResult

_LABEL_WIDTH = 8
_ROWS = 15
_SAID_OF_OTHERS = "Other goals: what all goals but these two cost together, by their own weights."


def place_marks(
    a: Sequence[float], b: Sequence[float], *, columns: int, rows: int
) -> dict[tuple[int, int], int]:
    """Place points in a grid of characters, the first figure to the right, the second upwards.

    Parameters
    ----------
    a, b : sequence of float
        Figures of each point.
    columns, rows : int
        Size of the grid.

    Returns
    -------
    dict of (row, column) to int
        Index of the point that stands there; where two fall together, the later one moves right.
    """

    def scale(values: Sequence[float], steps: int) -> list[int]:
        low, high = min(values), max(values)
        span = max(high - low, 1e-9)
        return [round((v - low) / span * (steps - 1)) for v in values]

    marks: dict[tuple[int, int], int] = {}
    for k, (x, y) in enumerate(zip(scale(a, columns), scale(b, rows), strict=True)):
        place = (rows - 1 - y, x)
        while place in marks and place[1] < columns - 1:
            place = (place[0], place[1] + 1)
        marks[place] = k
    return marks


def chart_front(result: TradeResult, *, width: int = 100) -> RenderableType:
    """Chart a front: each point at its two figures, by its number, the knee set off.

    Parameters
    ----------
    result : TradeResult
        The front.
    width : int
        Width in characters.

    Returns
    -------
    RenderableType
        Something rich prints.
    """
    points = result.points
    columns = max(20, min(width, 90) - _LABEL_WIDTH - 4)
    names = [str(p.candidate.rank) for p in points]
    room = columns - max(map(len, names)) + 1
    marks = place_marks([p.a for p in points], [p.b for p in points], columns=room, rows=_ROWS)
    heights = np.linspace(max(p.b for p in points), min(p.b for p in points), _ROWS)
    digits = [".0f" if GOALS[name].counted else ".2f" for name in result.between]
    counted = GOALS[result.between[1]].counted
    lines = [Text(f"{say_name(result.between[1])}, {result.units[1]}  (less is better)")]
    for row in range(_ROWS):
        # Between two counts there is none: a label there would be rounded to a wrong one.
        told = row % 7 == 0 and (not counted or abs(heights[row] - round(heights[row])) < 0.01)
        label = f"{heights[row]:{digits[1]}} ┤" if told else "│"
        line = Text(f"{label:>{_LABEL_WIDTH + 2}} ", style="dim")
        text = Text(" " * columns)
        for (at, column), k in marks.items():
            if at == row:
                name = names[k]
                style = "bold reverse" if points[k].knee else "bold"
                text = Text.assemble(text[:column], (name, style), text[column + len(name) :])
        line.append(text)
        lines.append(line)
    axis = Text(f"{'└':>{_LABEL_WIDTH + 2}}" + "─" * columns, style="dim")
    low, high = min(p.a for p in points), max(p.a for p in points)
    left, right = f"{low:{digits[0]}}", f"{high:{digits[0]}}"
    middle = f"{say_name(result.between[0])}, {result.units[0]}  (less is better)"
    scale = Text(
        " " * (_LABEL_WIDTH + 3) + left + middle.center(columns - len(left) - len(right)) + right
    )
    return Group(*lines, axis, scale)


def tabulate_front(result: TradeResult) -> RenderableType:
    """Set the points of a front under each other with what matters of each.

    Parameters
    ----------
    result : TradeResult
        The front.

    Returns
    -------
    RenderableType
        Something rich prints.
    """
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("no.", justify="right", header_style="dim")
    for name, unit in zip(result.between, result.units, strict=True):
        table.add_column(f"{say_name(name)}\n{unit}", justify="right", header_style="dim")
    ways = result.points[0].candidate.network.ways
    for lower, upper in pairwise(ways):
        table.add_column(f"{lower.name}/\n{upper.name}", justify="right", header_style="dim")
    pieces = "parts" not in result.between  # else they stand in a column already
    for title in (
        *(("pieces",) if pieces else ()),
        "lowest\nohm",
        "dB for\n2.83 V",
        "other\ngoals",
    ):
        table.add_column(title, justify="right", header_style="dim")
    table.add_column("weights", justify="center", header_style="dim")
    table.add_column("", header_style="dim")
    figures = zip(
        say_values([p.a for p in result.points], counted=GOALS[result.between[0]].counted),
        say_values([p.b for p in result.points], counted=GOALS[result.between[1]].counted),
        strict=True,
    )
    for point, (a, b) in zip(result.points, figures, strict=True):
        c = point.candidate
        weights = " : ".join(f"{w:.2f}" if w < 10.0 else f"{w:.3g}" for w in point.weights)
        others = sum(g.cost for g in c.goals if g.name not in result.between)
        table.add_row(
            str(c.rank),
            a,
            b,
            *(say_frequency(c.crossovers_hz[k][1]) for k in range(len(ways) - 1)),
            *((str(c.parts),) if pieces else ()),
            f"{c.impedance_min_ohm:.1f}",
            f"{c.sensitivity_db:.1f}",
            f"{others:.2f}",
            weights if point.cheapest else f"({weights})",
            "knee" if point.knee else "",
            style="bold" if point.knee else "",
        )
    return table


def show_front(result: TradeResult, *, width: int = 100) -> RenderableType:
    """Show a whole front: chart, table, steps in words, how sure it is.

    Parameters
    ----------
    result : TradeResult
        The front.
    width : int
        Width in characters.

    Returns
    -------
    RenderableType
        Something rich prints.
    """
    blocks: list[RenderableType] = [tabulate_front(result), Text()]
    if len(result.points) > 1:  # a single point makes no chart
        blocks = [chart_front(result, width=width), Text(), *blocks]
    steps = say_steps(result)
    if steps:
        blocks.append(Text("What each step buys", style="bold underline"))
        blocks += [Padding(Text(step), (0, 0, 0, 2)) for step in steps]
    knees = [p.candidate.rank for p in result.points if p.knee]
    if knees:
        blocks += [
            Text(),
            Text(
                f"The knee is no. {knees[0]}: on either side of it a step costs "
                "more of one goal than it brings of the other, each measured by "
                "its range over the front."
            ),
        ]
    blocks += [
        Text(),
        Text(_SAID_OF_OTHERS),
        *(Text(said) for said in say_certificates(result)),
        Text(say_front(result)),
    ]
    return Group(*blocks)
