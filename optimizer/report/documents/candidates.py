"""Candidates in a document: side by side, one in detail, their charts, and how to build them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from functools import partial

from optimizer.bench.loads.ratings import Ratings
from optimizer.bench.response import study_load
from optimizer.network.network import FittedLadder, FittedWay, Network
from optimizer.parts import Part
from optimizer.problem.candidate import Candidate, CurveSet, GoalFigure
from optimizer.report.blocks import say_sizes
from optimizer.report.charts.plot import Plot
from optimizer.report.charts.sketch import sketch_plot
from optimizer.report.charts.standard import plot_axis, plot_impedance
from optimizer.report.columns import Column, list_columns
from optimizer.report.document import (
    Cell,
    Chart,
    Charts,
    Note,
    Passage,
    Picture,
    Remarks,
    Row,
    Segment,
    Table,
)
from optimizer.report.documents.numbers import list_planes
from optimizer.report.documents.verdicts import tabulate_verdicts
from optimizer.report.ladder_text import draw_tree, say_tap
from optimizer.report.schematic import draw_figure
from optimizer.report.words import (
    say_band,
    say_certificate,
    say_figure,
    say_impedance,
    say_joins,
    say_preference,
    say_references,
    say_value,
)

_SAID_OF_BANDS = (
    "Shaded: where the curve lies in 8 of 10 cases, as directions that were not measured are "
    'completed; "mostly completed" is a curve more of which is completed than measured.'
)
_SPAN_DB, _TALL = 30.0, 0.33  # so much of a response, so high a load, where nobody asked for charts
_MOVES = 0.02  # a figure that differs by less is not worth a word
_NAME_WIDTH, _KIND_WIDTH, _CANDIDATE_WIDTH = 16, 12, 10


# --- side by side -------------------------------------------------------------------------------


def compare(
    candidates: Sequence[Candidate],
    *,
    names: Sequence[str] = (),
    currency: str = "",
    without: Sequence[str] = (),
    whole: bool = True,
) -> list[Passage]:
    """Set candidates side by side: a column for each, a row for each figure and each part.

    Parameters
    ----------
    candidates : sequence of Candidate
        Of one problem; what differs from the first stands out.
    names : sequence of str, optional
        What to call them; else their ranks.
    currency : str
        Currency of prices.
    without : sequence of str
        Columns that cannot be compared.
    whole : bool
        Whether every part is listed, or only those in which the networks differ.

    Returns
    -------
    list of Passage
        The table, what its marks mean, and what joined parts are made of.
    """
    units = {"price": currency}
    heads = tuple(names) or tuple(f"no. {c.rank}" for c in candidates)
    columns = list_columns(candidates, units=units, without=without)
    # A goal that all of them meet in full sets none apart.
    apart = [one for one in columns if any(one.say(c).strip("0.") for c in candidates)]
    parts = tuple(_network_rows(candidates, whole))
    table = Table(
        heads=("", "", *heads),
        rows=(*_figure_rows(candidates, columns), *parts),
        brief=(*_figure_rows(candidates, apart), *parts) if len(apart) < len(columns) else None,
        align="ll" + "r" * len(candidates),
        fixed=2,
        key="compare",
        widths=(_NAME_WIDTH, _KIND_WIDTH, *[_CANDIDATE_WIDTH] * len(candidates)),
    )
    notes = [Note(text=line) for line in say_joins(candidates, names)]
    if any(not goal.met for c in candidates for goal in c.goals):
        notes.append(Note(text="! breaks a hard limit"))
    return [table, *notes]


def _figure_rows(
    candidates: Sequence[Candidate], columns: Sequence[Column]
) -> Iterable[tuple[str | Cell, ...]]:
    for column in columns:
        leads = column.lead(candidates)
        cells = []
        for candidate, leading in zip(candidates, leads, strict=True):
            broken = column.broken is not None and column.broken(candidate)
            text = f"{column.say(candidate)} !" if broken else column.say(candidate)
            cells.append(Cell(text, "bad" if broken else "best" if leading else ""))
        yield (column.title, Cell(column.unit, "soft"), *cells)
        if column.at is not None:
            yield ("  found at", "", *(column.say_place(c) for c in candidates))


def _network_rows(candidates: Sequence[Candidate], whole: bool) -> Iterable[tuple[str | Cell, ...]]:
    names = [way.name for way in candidates[0].network.ways]
    for index, first in enumerate(candidates[0].network.ladders):
        ladders = [candidate.network.ladders[index] for candidate in candidates]
        rows = list(_part_rows(ladders, whole))
        signs = [one.polarity for one in ladders if isinstance(one, FittedWay)]
        if not (rows or len(set(signs)) > 1 or (whole and signs)):
            continue
        yield ()
        if signs:
            yield (
                Cell(first.name, f"strong, way {names.index(first.name) + 1}"),
                Cell("connected", "soft"),
                *("normal" if sign > 0 else "inverted" for sign in signs),
            )
        else:
            yield (Cell(first.name, "strong"), Cell("shared", "soft"), *("" for _ in ladders))
        yield from rows


def _part_rows(ways: Sequence[FittedLadder], whole: bool) -> Iterable[tuple[str | Cell, ...]]:
    """One row for every part that any candidate has, in the order of the ladder."""
    order: list[tuple[str, str]] = []
    for way in ways:
        previous = -1
        for slot in way.slots:
            named = [(name, place) for name, place, _ in slot.named_parts]
            for name, place in named or [(slot.name, slot.place)]:
                where = f"across {slot.across}" if slot.across else place
                row = (name, where if len(slot.parts) == 1 else slot.form if named else "tap")
                if row not in order:
                    order.insert(previous + 1, row)
                previous = order.index(row)
    columns = [_parts_by_name(way) for way in ways]
    for name, kind in order:
        parts = [column.get(name) for column in columns]
        stays = all(isinstance(part, Part) and part.origin == "kept" for part in parts)
        kept = ", kept" if stays else ""
        usual = _part_cell(parts[0])
        # What differs from the first candidate is what one looks for.
        cells = [Cell(cell, "" if cell == usual else "strong") for cell in map(_part_cell, parts)]
        if not whole and all(cell.text == usual for cell in cells):
            continue
        yield (f"  {name}", Cell(f"{kind}{kept}", "soft"), *cells)


def _parts_by_name(way: FittedLadder) -> dict[str, Part | str]:
    """List what is built by its name: parts, and what transformers leave of the volts."""
    found: dict[str, Part | str] = {}
    for slot in way.slots:
        found |= {name: part for name, _, part in slot.named_parts}
        if slot.circuit.gain is not None:
            found[slot.name] = say_tap(slot.circuit.gain)
    return found


def _part_cell(part: Part | str | None) -> str:
    if part is None:
        return "-"
    if isinstance(part, str):
        return part
    return say_value(part) + ("*" if part.piece_count > 1 else "")


def describe_difference(candidate: Candidate, best: Candidate, best_name: str) -> str:
    """Say in a sentence what sets a candidate apart from the cheapest one shown."""
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
    said = f"Costs {candidate.cost - best.cost:.3f} more than {best_name}"
    if better:
        said += f"; better in {', '.join(better)}"
    if worse:
        said += f"; gives up {', '.join(worse)}"
    return said + "."


# --- one in detail ------------------------------------------------------------------------------


def draw_whole(candidate: Candidate, ratings: Callable[[], Ratings] | None = None) -> Picture:
    """Draw a candidate's network, with its ratings where these are given; bands stand under it."""
    network = candidate.network
    words = [f"{way.name} {_say_way(candidate, k)}".strip() for k, way in enumerate(network.ways)]
    return Picture(
        title="Schematic",
        caption="; ".join(words),
        svg=lambda: draw_figure(
            network,
            title=f"Schematic of network {candidate.rank}",
            name=f"n{candidate.rank}-",
            ratings=say_sizes(ratings()) if ratings else None,
        ),
        lines=lambda width: draw_tree(network, width=width),
    )


def tell_references(network: Network) -> list[Passage]:
    """Say what parts are called on a drawing, where that is not what the design calls them."""
    notes = tuple(Note(text=text) for text in say_references(network))
    return [Remarks(parts=notes)] if notes else []


def _say_way(candidate: Candidate, index: int) -> str:
    """Say the band of a way and how it is connected."""
    way = candidate.network.ways[index]
    words = [say_band(candidate, index), "connected inverted" if way.polarity < 0 else ""]
    for group in candidate.network.groups:
        if group.joint == "series" and way.name in group.members:
            others = (member for member in group.members if member != way.name)
            words.append(f"in series with {' and '.join(others)}")
    return ", ".join(filter(None, words))


def tabulate_goals(candidate: Candidate) -> Table:
    """Set the goals of a candidate under each other, with what they sum to."""
    rows: list[Row] = [
        (
            goal.name.replace("_", " "),
            f"{goal.weight:g}",
            f"{goal.cost:.3f}",
            say_figure(goal),
            Cell(goal.unit, "soft"),
            Cell(goal.told) if goal.met else Cell(f"BROKEN: {goal.told}", "bad"),
        )
        for goal in candidate.goals
    ]
    last = (Cell("sum", "strong"), "", Cell(f"{candidate.cost:.3f}", "strong"))
    return Table(
        heads=("goal", "weight", "cost", "figure", "", ""),
        rows=(*rows, last),
        brief=leave_out_free(candidate.goals, rows, last, cost_at=2),
        align="lrrrll",
        key="goals",
    )


def leave_out_free(
    goals: Sequence[GoalFigure], rows: Sequence[Row], last: Row, *, cost_at: int
) -> tuple[Row, ...] | None:
    """Leave goals out that cost nothing, as written, and say how many these are.

    Parameters
    ----------
    goals : sequence of GoalFigure
        Goals of a candidate.
    rows : sequence of Row
        A row of each, which begins with its name.
    last : Row
        The sum of all.
    cost_at : int
        Column of the cost.

    Returns
    -------
    tuple of Row or None
        None where less than two can be left out.
    """
    free = [goal.met and f"{goal.cost:.3f}" == "0.000" for goal in goals]
    if sum(free) < 2:
        return None
    kept = [row for row, without in zip(rows, free, strict=True) if not without]
    return (*kept, (f"{sum(free)} more", *[""] * (cost_at - 1), "0.000"), last)


def judge(candidate: Candidate) -> list[Passage]:
    """Say how hard a load a candidate is, its preference score, and how sure it is."""
    return [
        Remarks(
            parts=tuple(
                Note(text=text) for text in (say_impedance(candidate), *say_preference(candidate))
            )
        ),
        *certify(candidate),
        *(Note(text=note, lead="Note", warns=True) for note in candidate.notes),
    ]


def certify(candidate: Candidate, *, lead: str = "") -> list[Passage]:
    """Say how good a candidate is known to be, and what that rests on."""
    sought, *more = (Note(text=text, lead=lead) for text in say_certificate(candidate))
    return [sought, *([Remarks(parts=tuple(more))] if more else [])]


def describe(candidate: Candidate) -> list[Passage]:
    """Describe one candidate besides its drawing: goals, impedance, and how sure it is."""
    return [
        *tell_references(candidate.network),
        *tabulate_verdicts(candidate),
        tabulate_goals(candidate),
        *judge(candidate),
    ]


# --- charts -------------------------------------------------------------------------------------


def draw_charts(candidate: Candidate) -> tuple[Chart, Chart]:
    """Chart the response on the axis and the load of one candidate, for a terminal too."""
    axis = plot_axis(candidate, {}, span_db=_SPAN_DB)
    load = replace(plot_impedance(candidate, study_load(candidate), {}), tall=_TALL)
    return (
        Chart(
            key="axis",
            title="On the axis",
            text="Level at 1 m for 2.83 V in dB. Shaded: where 9 in 10 speakers built with these "
            "tolerances lie.",
            wide=True,
            drawn=partial(_sketch, axis),
        ),
        Chart(
            key="ohms",
            title="Impedance",
            text="Modulus in ohm, with the floor that is asked for. Shaded: 9 in 10 speakers.",
            drawn=partial(_sketch, load),
        ),
    )


def _sketch(plot: Plot, width: int) -> list[list[Segment]]:
    return sketch_plot(plot, width=width)


def list_charts(candidate: Candidate, *, drawn: bool = True) -> Charts:
    """List the charts that can be drawn of candidates of one problem.

    Parameters
    ----------
    candidate : Candidate
        One of them.
    drawn : bool
        Whether a terminal draws some, too.
    """
    curves: CurveSet = candidate.curves
    axis, ohms = draw_charts(candidate)
    charts = [axis if drawn else replace(axis, drawn=None)]
    if "listening_window" in curves.named_db:
        told = "" if curves.completed is None else f" {_SAID_OF_BANDS}"
        charts += [
            Chart(
                key="room",
                title="Around the speaker and in the room",
                text=f"Averages over directions, level in dB at 1 m for 2.83 V.{told}",
            ),
            Chart(
                key="index",
                title="Directivity",
                text=f"Listening window less sound power, and less early reflections, in dB.{told}",
            ),
        ]
    charts += [
        Chart(
            key=plane,
            title=f"Level by angle, {plane}",
            text="In dB against the axis. Between measured angles the picture is interpolated; "
            "numbers are those of the nearest measured angle.",
        )
        for plane in sorted(list_planes(curves))
    ]
    charts += [
        ohms if drawn else replace(ohms, drawn=None),
        Chart(key="phase", title="Phase of the impedance", text="In degrees."),
        Chart(
            key="drive",
            title="Drive of each way",
            text="Voltage at the driver against the amplifier's, in dB.",
        ),
    ]
    if len(candidate.network.ways) > 1:
        charts += [
            Chart(
                key="tracking",
                title="Phase between neighbouring ways",
                text="On the axis, where both are within 12 dB of each other, in degrees. Near "
                "zero they add up.",
            ),
            Chart(
                key="null",
                title="With one way turned round",
                text="Level on the axis in dB. A deep, even notch at the crossover shows that the "
                "ways are in step.",
            ),
        ]
    return Charts(items=tuple(charts))
