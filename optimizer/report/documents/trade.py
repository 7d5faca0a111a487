"""What `trade` found: a front between two goals as chart and table, and what each step buys."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from itertools import pairwise
from typing import Any

import numpy as np

from optimizer.goals.goal import GOALS, say_name
from optimizer.problem.candidate import Candidate
from optimizer.problem.problem import Problem
from optimizer.report.columns import COSTS, list_columns
from optimizer.report.document import (
    Cell,
    Document,
    Listing,
    Note,
    Passage,
    Remarks,
    Scatter,
    Section,
    Segment,
    Table,
)
from optimizer.report.documents.shown import (
    PAGE_ORDER,
    POINTS_TEXT,
    POINTS_TITLE,
    Shown,
)
from optimizer.report.render.json import (
    DescribedProblem,
    problem_assumptions,
    rated_to_json,
    search_to_json,
)
from optimizer.report.words import CHANGES_MEANT, say_foot, say_frequency
from optimizer.search.trade.result import TradePoint, TradeResult

_LABEL_WIDTH = 8
_ROWS = 15
_WIDEST = 90
_SAID_OF_OTHERS = "Other goals: what all goals but these two cost together, by their own weights."
_SAID_ELSEWHERE = ("goals", "no_better_change_of")

_NOTICED = 0.04  # of its frequency: a crossover that moves less is not worth a word
_NOTICED_OHM = 0.5
_NOTICED_DB = 0.75


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
        notes=result.notes,
        front=result.between,
        knee=knees[0] if knees else None,
    )
    sections = (
        shown.lead(design_name, notes=result.notes),
        *front_sections(result, currency=shown.currency),
        shown.which(compared=False),
        shown.assumed(),
        *(one for one in shown.only_on_page() if one.key != "trade"),
    )
    return Document(
        title=f"{problem.title}: {first} against {second}",
        sections=sections,
        order=("lead", "trade", "steps", "closing", *PAGE_ORDER),
        picks=shown.picks(),
        footer=partial(say_foot, problem, design_name),
        numbers=shown.numbers,
        data=lambda: trade_to_json(result, problem, design_name),
    )


def front_sections(result: TradeResult, *, currency: str = "") -> tuple[Section, ...]:
    """Say what is on a front, what each step along it buys, and how sure it is."""
    points = result.points
    front: list[Passage] = [tabulate_front(result, currency=currency)]
    if len(points) > 1:  # a single point makes no chart
        drawn = partial(chart_front, result)
        front.insert(0, Scatter(title=POINTS_TITLE, text=POINTS_TEXT, drawn=drawn))
    closing = [*say_certificates(result), say_front(result)]
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
        Section(
            title="",
            key="closing",
            parts=(
                *(Note(text=text) for text in closing),
                Remarks(parts=(Note(text=_SAID_OF_OTHERS),)),
            ),
        ),
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
    rows = [
        tuple(
            Cell(text, "strong" if point.knee else "")
            for text in (
                str(point.candidate.rank),
                a,
                b,
                *(column.say(point.candidate) for column in columns),
                *_say_weights(point, result),
            )
        )
        for point, (a, b) in zip(result.points, _say_figures(result), strict=True)
    ]
    goals = [f"{say_name(n)}\n{u}" for n, u in zip(result.between, result.units, strict=True)]
    return Table(
        heads=("no.", *goals, *(c.head for c in columns), "other\ngoals", "weights"),
        rows=tuple(rows),
        align="rrr" + "r" * len(columns) + "rl",
        fixed=1,
        key="front",
    )


def _say_figures(result: TradeResult) -> list[tuple[str, str]]:
    """Write the two figures of every point as they stand in the table."""
    first, second = (GOALS[name].counted for name in result.between)
    return list(
        zip(
            say_values([p.a for p in result.points], counted=first),
            say_values([p.b for p in result.points], counted=second),
            strict=True,
        )
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


# --- words ----------------------------------------------------------------------------------------


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


def say_step(k: int, result: TradeResult) -> str:
    """Say what the step to a point of the front from the one before gives and takes.

    Amounts are differences of the figures that the table shows, so that both agree.

    Parameters
    ----------
    k : int
        Index of the point, from 1.
    result : TradeResult
        The front.

    Returns
    -------
    str
        One sentence.
    """
    (first, second), (unit_a, unit_b) = (GOALS[name] for name in result.between), result.units
    (a0, b0), (a1, b1) = ((float(a), float(b)) for a, b in _say_figures(result)[k - 1 : k + 1])
    sold = say_amount(a1 - a0, unit_a, counted=first.counted)
    bought = say_amount(b0 - b1, unit_b, counted=second.counted)
    sentence = f"{sold} {first.sells} buys {bought} {second.buys}"
    before, after = (point.candidate for point in result.points[k - 1 : k + 1])
    return "; ".join([sentence, *_say_changes(before, after, result)])


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
            said.append(f"{way.name}/{upper} crossover {word} from {say_shift(old, new)}")
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


def say_shift(old_hz: float, new_hz: float) -> str:
    """Write two frequencies with their common unit once: "1.99 to 1.54 kHz"."""
    (first, unit), (second, other) = (say_frequency(hz).split() for hz in (old_hz, new_hz))
    return f"{first} to {second} {unit}" if unit == other else f"{first} {unit} to {second} {other}"


def say_steps(result: TradeResult) -> list[str]:
    """Say every step of a front, from the best of the first goal on."""
    return [
        f"{a.candidate.rank} to {b.candidate.rank}: {say_step(k, result)}"
        for k, (a, b) in enumerate(pairwise(result.points), 1)
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
            f"parts ({CHANGES_MEANT}) lowers its cost."
        ]
    if not all(p.cheapest for p in result.points):
        said.append(
            "Weights in brackets: a fit with these would choose another point, "
            "though no change of one or two parts of this one costs less."
        )
    return said


# --- data -----------------------------------------------------------------------------------------


def trade_to_json(
    result: TradeResult, problem: DescribedProblem, design_name: str
) -> dict[str, Any]:
    """Turn a front into plain data for JSON: SI units, no NaN or infinity."""
    steps = ["", *(say_step(k, result) for k in range(1, len(result.points)))]
    return {
        **search_to_json(problem, design_name, result),
        "between": list(result.between),
        "units": list(result.units),
        "assumed": problem_assumptions(problem),
        **({"notes": list(result.notes)} if result.notes else {}),
        "points": [
            {
                "a": float(f"{p.a:.10g}"),
                "b": float(f"{p.b:.10g}"),
                "knee": p.knee,
                "cheapest": p.cheapest,
                "weights": [float(f"{w:.10g}") for w in p.weights],
                "step": step,
                "candidate": rated_to_json(p.candidate, problem),
            }
            for p, step in zip(result.points, steps, strict=True)
        ],
    }
