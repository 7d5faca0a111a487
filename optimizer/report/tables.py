"""Candidates side by side, one candidate in detail, and data ranges, for a terminal."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from optimizer.bench.build.sides import Sides
from optimizer.measure.driver import Driver
from optimizer.network.ladder import FittedWay
from optimizer.parts import Part
from optimizer.problem.candidate import Candidate
from optimizer.report.ladder_text import draw_ladder, name_parts
from optimizer.report.plots import Segment, draw_impedance, draw_response
from optimizer.report.sheet_spread import describe_sides, list_sides
from optimizer.report.words import (
    list_ranges,
    say_band,
    say_certificate,
    say_figure,
    say_frequency,
    say_impedance,
    say_joins,
    say_preference,
    say_value,
)

_NAME_WIDTHS = (16, 26)
_KIND_WIDTH = 13
_CANDIDATE_WIDTH = 11
_WAY_STYLES = ("blue", "magenta", "cyan", "yellow")
_STYLES = {"axis": "dim", "sum": "bold", "target": "green"}


def show_heading(title: str) -> Text:
    """Set a title."""
    return Text(title, style="bold underline")


def show_notes(notes: Sequence[str]) -> RenderableType:
    """List notes, each on lines of its own."""
    return Group(*(Padding(Text(note), (0, 0, 0, 2)) for note in dict.fromkeys(notes)))


def tabulate_candidates(candidates: Sequence[Candidate], *, width: int = 100) -> RenderableType:
    """Set candidates side by side: a column for each, a row for each figure or part.

    Parameters
    ----------
    candidates : sequence of Candidate
        Best first, of one problem.
    width : int
        Width in characters; candidates that do not fit go into further tables.

    Returns
    -------
    RenderableType
        Tables, and what joined parts are made of.
    """
    names = _name_width(candidates[0])
    room = max(1, (width - names - _KIND_WIDTH) // _CANDIDATE_WIDTH)
    blocks: list[RenderableType] = []
    for start in range(0, len(candidates), room):
        shown = candidates[start : start + room]
        blocks += [Text()] if start else []
        blocks.append(_side_by_side(shown, best=candidates[0], names=names))
        joins = say_joins(shown)
        blocks += [Text(), *(Text(line) for line in joins)] if joins else []
    return Group(*blocks)


def _name_width(candidate: Candidate) -> int:
    """Width of the first column: as wide as its names, within limits."""
    least, most = _NAME_WIDTHS
    names = [name for name, _, _ in _figure_rows([candidate])]
    names += [way.name for way in candidate.network.ways]
    return min(most, max(least, *map(len, names)) + 1)


def _side_by_side(candidates: Sequence[Candidate], *, best: Candidate, names: int) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("", width=names - 1, no_wrap=True)
    table.add_column("", width=_KIND_WIDTH - 1, no_wrap=True, style="dim")
    for candidate in candidates:
        table.add_column(
            f"no. {candidate.rank}",
            justify="right",
            width=_CANDIDATE_WIDTH - 1,
            no_wrap=True,
            header_style="bold",
        )
    for name, unit, cells in _figure_rows(candidates):
        table.add_row(name, unit, *cells)
    for index, way in enumerate(best.network.ways):
        table.add_row()
        ways = [candidate.network.ways[index] for candidate in candidates]
        table.add_row(
            Text(way.name, style=f"bold {_way_style(index)}"),
            "connected",
            *("normal" if one.polarity > 0 else "inverted" for one in ways),
        )
        for row in _part_rows(ways, way):
            table.add_row(*row)
    return table


def _figure_rows(candidates: Sequence[Candidate]) -> Iterable[tuple[str, str, list[str]]]:
    first = candidates[0]
    yield "cost", "", [f"{c.cost:.3f}" for c in candidates]
    for index, goal in enumerate(first.goals):
        name = f"  {goal.name.replace('_', ' ')}"
        yield name, goal.unit, [say_figure(c.goals[index]) for c in candidates]
    yield "lowest impedance", "ohm", [f"{c.impedance_min_ohm:.2f}" for c in candidates]
    yield "  found at", "", [say_frequency(c.impedance_min_hz) for c in candidates]
    ways = first.network.ways
    for index in range(len(ways) - 1):
        name = f"{ways[index].name} to {ways[index + 1].name}"
        yield name, "crossover", [say_frequency(c.crossovers_hz[index][1]) for c in candidates]
    yield "sensitivity", "dB, 1 m", [f"{c.sensitivity_db:.1f}" for c in candidates]
    proved = [str(c.no_better_change_of or "-") for c in candidates]
    yield "best within", "part changes", proved
    yield "pieces", "", [str(c.parts) for c in candidates]
    if any(c.price is not None for c in candidates):
        prices = [c.price for c in candidates]
        yield "price", "", ["-" if price is None else f"{price:.2f}" for price in prices]


def _part_rows(
    ways: Sequence[FittedWay], best: FittedWay
) -> Iterable[tuple[str, str, *tuple[Text, ...]]]:
    """One row for every part that any candidate has, in the order of the ladder."""
    order: list[tuple[str, str]] = []
    for way in ways:
        previous = -1
        for slot in way.slots:
            for name, place, _ in name_parts(slot):
                row = (name, place if len(slot.parts) == 1 else slot.form)
                if row not in order:
                    order.insert(previous + 1, row)
                previous = order.index(row)
    columns = [_parts_by_name(way) for way in ways]
    in_best = _parts_by_name(best)
    for name, kind in order:
        parts = [column.get(name) for column in columns]
        kept = ", kept" if all(part is not None and part.origin == "kept" for part in parts) else ""
        usual = _part_cell(in_best.get(name))
        # What differs from the best candidate is what one looks for.
        same = "dim" if best not in ways else ""
        cells = [
            Text(cell, style=same if cell == usual else "bold") if index else Text(cell)
            for index, cell in enumerate(_part_cell(part) for part in parts)
        ]
        yield f"  {name}", f"{kind}{kept}", *cells


def _parts_by_name(way: FittedWay) -> dict[str, Part]:
    return {name: part for slot in way.slots for name, _, part in name_parts(slot)}


def _part_cell(part: Part | None) -> str:
    if part is None:
        return "-"
    return say_value(part) + ("*" if part.piece_count > 1 else "")


def _way_style(index: int) -> str:
    return _WAY_STYLES[index % len(_WAY_STYLES)]


def describe_candidate(candidate: Candidate, *, width: int = 100) -> RenderableType:
    """Describe one candidate: ladders, goals, impedance, and how sure it is.

    Parameters
    ----------
    candidate : Candidate
        What to describe.
    width : int
        Width in characters.

    Returns
    -------
    RenderableType
        Something rich prints.
    """
    lines: list[RenderableType] = []
    for index, way in enumerate(candidate.network.ways):
        words = [say_band(candidate, index), "connected inverted" if way.polarity < 0 else ""]
        title = Text(way.name, style=f"bold {_way_style(index)}")
        title.append("".join(f", {word}" for word in words if word), style="not bold default")
        lines.append(title)
        for row in draw_ladder(way, width=width):
            text = Text(row)
            text.highlight_regex(r"[─│┬┴>]+", "dim")
            text.highlight_regex(r"\[[^\]]+\]", "bold")
            lines.append(text)
        lines.append(Text())
    lines += [_tabulate_goals(candidate), Text(), Text(say_impedance(candidate))]
    lines += [Text(sentence) for sentence in say_preference(candidate)]
    lines += [Text(sentence) for sentence in say_certificate(candidate)]
    lines += [Text(f"Note: {note}", style="bold") for note in candidate.notes]
    return Group(*lines)


def _tabulate_goals(candidate: Candidate) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("goal", header_style="dim")
    for heading in ("weight", "cost", "figure"):
        table.add_column(heading, header_style="dim", justify="right")
    table.add_column("", style="dim")
    table.add_column("", ratio=1)
    for goal in candidate.goals:
        detail = Text(goal.detail) if goal.met else Text(f"BROKEN: {goal.detail}", "bold red")
        table.add_row(
            goal.name.replace("_", " "),
            f"{goal.weight:g}",
            f"{goal.cost:.3f}",
            say_figure(goal),
            goal.unit,
            detail,
        )
    table.add_row("sum", "", f"{candidate.cost:.3f}", style="bold")
    return table


def chart_candidate(candidate: Candidate, *, width: int = 100) -> RenderableType:
    """Chart the response on axis and the input impedance of one candidate.

    Parameters
    ----------
    candidate : Candidate
        What to chart.
    width : int
        Width in characters.

    Returns
    -------
    RenderableType
        Something rich prints.
    """
    legend = Text("response on axis:  ", style="not bold")
    legend.append("⣀⣀⣀ sum", style=_STYLES["sum"])
    if candidate.curves.target_db is not None:
        legend.append("   ⣀⣀ ⣀ target", style=_STYLES["target"])
    for index, way in enumerate(candidate.network.ways):
        legend.append(f"   ⢀⢀⢀ {way.name}", style=_way_style(index))
    return Group(
        legend,
        _to_text(draw_response(candidate.curves, width=width)),
        Text(),
        Text("input impedance"),
        _to_text(draw_impedance(candidate.curves, width=width)),
    )


def _to_text(rows: Sequence[Sequence[Segment]]) -> Text:
    lines = [Text.assemble(*((text, _role_style(role)) for text, role in row)) for row in rows]
    return Text("\n").join(lines)


def _role_style(role: str) -> str:
    if role.startswith("way "):
        return _way_style(int(role.removeprefix("way ")) - 1)
    return _STYLES.get(role, "")


def tabulate_sides(sides: Sides) -> RenderableType:
    """Show which measured piece goes left and which right, and how alike the speakers will be.

    Parameters
    ----------
    sides : Sides
        Pieces as shared out.

    Returns
    -------
    RenderableType
        A table and sentences.
    """
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for title in ("part", "left", "right"):
        table.add_column(title, header_style="dim")
    table.add_column("left - right", header_style="dim", justify="right")
    for row in list_sides(sides):
        table.add_row(*row)
    return Group(table, *(Text(sentence) for sentence in describe_sides(sides)))


def tabulate_ranges(drivers: Sequence[Driver]) -> RenderableType:
    """Show what was measured, over which range, and how curves go on outside it.

    Parameters
    ----------
    drivers : sequence of Driver
        Drivers of the problem.

    Returns
    -------
    RenderableType
        A table, followed by the notes of the drivers.
    """
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for title in ("driver", "data", "from", "measured", "goes on below", "goes on above"):
        table.add_column(title, header_style="dim")
    notes: list[str] = []
    for driver in drivers:
        name = driver.name
        for row in list_ranges(driver):
            table.add_row(name, *row)
            name = ""
        notes += [f"{driver.name}: {note}" for note in driver.notes]
    return Group(table, show_notes(notes))
