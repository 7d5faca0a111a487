"""What `trade` found: a front between two goals as chart and table, and what each step buys."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np

from optimizer.goals.goal import GOALS, say_name
from optimizer.problem.problem import Problem
from optimizer.report.columns import COSTS, list_columns
from optimizer.report.document import (
    Cell,
    Document,
    Listing,
    Note,
    OnPage,
    Part,
    Scatter,
    Section,
    Segment,
    Table,
)
from optimizer.report.documents.candidates import (
    PAGE_ORDER,
    POINTS_TEXT,
    POINTS_TITLE,
    Shown,
    warn_estimated,
)
from optimizer.report.trade_words import (
    say_certificates,
    say_front,
    say_steps,
    say_values,
    trade_to_json,
)
from optimizer.search.trade.result import TradePoint, TradeResult

_LABEL_WIDTH = 8
_ROWS = 15
_WIDEST = 90
_SAID_OF_OTHERS = "Other goals: what all goals but these two cost together, by their own weights."
_SAID_ELSEWHERE = ("goals", "no_better_change_of")


def document_trade(problem: Problem, result: TradeResult, design_name: str) -> Document:
    """Say everything of a front.

    Parameters
    ----------
    problem : Problem
        The problem it was found for.
    result : TradeResult
        The front; its networks are numbered along it.
    design_name : str
        Name of the design file, as the user gave it.

    Returns
    -------
    Document
    """
    first, second = map(say_name, result.between)
    knees = [point.candidate.rank for point in result.points if point.knee]
    shown = Shown(
        problem,
        tuple(point.candidate for point in result.points),
        seed=result.seed,
        front=result.between,
        knee=knees[0] if knees else None,
    )
    sections = (
        Section(
            title="",
            key="lead",
            parts=(
                OnPage(compose=lambda: [Note(text=f"Design {design_name}.")]),
                *warn_estimated(problem),
            ),
        ),
        shown.assumed(),
        *front_sections(result, currency=shown.currency),
        shown.which(compared=False),
        *(one for one in shown.only_on_page() if one.key != "trade"),
    )
    return Document(
        title=f"{problem.title}: {first} against {second}",
        sections=sections,
        order=("lead", "trade", "steps", "closing", *PAGE_ORDER),
        picks=shown.picks(),
        numbers=shown.numbers,
        data=lambda: trade_to_json(result, problem, design_name),
    )


def front_sections(result: TradeResult, *, currency: str = "") -> tuple[Section, ...]:
    """Say what is on a front, what each step along it buys, and how sure it is."""
    points = result.points
    front: list[Part] = [tabulate_front(result, currency=currency)]
    if len(points) > 1:  # a single point makes no chart
        drawn = partial(chart_front, result)
        front.insert(0, Scatter(title=POINTS_TITLE, text=POINTS_TEXT, drawn=drawn))
    closing = [_SAID_OF_OTHERS, *say_certificates(result), say_front(result)]
    knees = [point.candidate.rank for point in points if point.knee]
    if knees:
        closing.insert(
            0,
            f"The knee is no. {knees[0]}: on either side of it a step costs more of one goal than "
            "it brings of the other, each measured by its range over the front.",
        )
    steps = Listing(items=tuple(say_steps(result)))
    buys = (
        [Section(title="What each step buys", key="steps", parts=(steps,))] if steps.items else []
    )
    return (
        Section(title="The front", key="trade", parts=tuple(front)),
        *buys,
        Section(title="", key="closing", parts=tuple(Note(text=text) for text in closing)),
    )


def tabulate_front(result: TradeResult, *, currency: str = "") -> Table:
    """Set the points of a front under each other with what matters of each.

    Parameters
    ----------
    result : TradeResult
        The front.
    currency : str
        Currency of prices.

    Returns
    -------
    Table
        The two goals, every other column of candidates, and the weights that lead to the point.
    """
    candidates = [point.candidate for point in result.points]
    without = (*COSTS, *_SAID_ELSEWHERE, *result.between)  # these stand in a column already
    columns = list_columns(candidates, units={"price": currency}, without=without)
    figures = zip(
        say_values([p.a for p in result.points], counted=GOALS[result.between[0]].counted),
        say_values([p.b for p in result.points], counted=GOALS[result.between[1]].counted),
        strict=True,
    )
    rows = [
        tuple(
            Cell(text, "strong" if point.knee else "")
            for text in (
                str(point.candidate.rank),
                a,
                b,
                *(column.say(point.candidate) for column in columns),
                *_say_weights(point, result),
                "knee" if point.knee else "",
            )
        )
        for point, (a, b) in zip(result.points, figures, strict=True)
    ]
    goals = [f"{say_name(n)}\n{u}" for n, u in zip(result.between, result.units, strict=True)]
    return Table(
        heads=("no.", *goals, *(c.head for c in columns), "other\ngoals", "weights", ""),
        rows=tuple(rows),
        align="rrr" + "r" * len(columns) + "rll",
        fixed=1,
        key="front",
    )


def _say_weights(point: TradePoint, result: TradeResult) -> tuple[str, str]:
    """Write what all other goals cost, and the weights; in brackets where they lead elsewhere."""
    others = sum(g.cost for g in point.candidate.goals if g.name not in result.between)
    weights = " : ".join(f"{w:.2f}" if w < 10.0 else f"{w:.3g}" for w in point.weights)
    return f"{others:.2f}", weights if point.cheapest else f"({weights})"


def chart_front(result: TradeResult, width: int = 100) -> list[list[Segment]]:
    """Chart a front: each point at its two figures, by its number, the knee set off.

    Parameters
    ----------
    result : TradeResult
        The front.
    width : int
        Width in characters.

    Returns
    -------
    list of list of Segment
        Rows from the top.
    """
    points = result.points
    columns = max(20, min(width, _WIDEST) - _LABEL_WIDTH - 4)
    names = [str(p.candidate.rank) for p in points]
    room = columns - max(map(len, names)) + 1
    marks = place_marks([p.a for p in points], [p.b for p in points], columns=room, rows=_ROWS)
    heights = np.linspace(max(p.b for p in points), min(p.b for p in points), _ROWS)
    digits = [".0f" if GOALS[name].counted else ".2f" for name in result.between]
    counted = GOALS[result.between[1]].counted
    rows: list[list[Segment]] = [
        [(f"{say_name(result.between[1])}, {result.units[1]}  (less is better)", "")]
    ]
    for row in range(_ROWS):
        # Between two counts there is none: a label there would be rounded to a wrong one.
        told = row % 7 == 0 and (not counted or abs(heights[row] - round(heights[row])) < 0.01)
        label = f"{heights[row]:{digits[1]}} ┤" if told else "│"
        line: list[Segment] = [(f"{label:>{_LABEL_WIDTH + 2}} ", "axis")]
        end = 0
        for column, k in sorted((at[1], k) for at, k in marks.items() if at[0] == row):
            line.append((" " * (column - end), ""))
            line.append((names[k], "mark" if points[k].knee else "strong"))
            end = column + len(names[k])
        rows.append(line)
    rows.append([(f"{'└':>{_LABEL_WIDTH + 2}}" + "─" * columns, "axis")])
    low, high = min(p.a for p in points), max(p.a for p in points)
    left, right = f"{low:{digits[0]}}", f"{high:{digits[0]}}"
    middle = f"{say_name(result.between[0])}, {result.units[0]}  (less is better)"
    middle = middle.center(columns - len(left) - len(right))
    rows.append([(" " * (_LABEL_WIDTH + 3) + left + middle + right, "")])
    return rows


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
