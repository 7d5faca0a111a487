"""Candidates, one candidate in detail, data ranges and the closing line, for a terminal."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import PurePath

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from optimizer.measure.driver import Coverage, Driver
from optimizer.network.ladder import FittedWay, Place
from optimizer.parts import UNIT_OF_KIND
from optimizer.report.ladder_text import draw_ladder, name_parts
from optimizer.report.plots import Segment, draw_impedance, draw_response
from optimizer.search.candidates import Candidate, SearchResult
from optimizer.units import format_quantity

_COLUMN_WIDTH = 11
_LABEL_WIDTH = 29
_WAY_STYLES = ("blue", "magenta", "cyan", "yellow")
_STYLES = {"axis": "dim", "sum": "bold", "target": "green"}
_WORD_OF_COUNT = {1: "one part", 2: "one or two parts", 3: "one, two or three parts"}


def tabulate_candidates(candidates: Sequence[Candidate], *, width: int = 100) -> list[Table]:
    """Set candidates side by side: one column each, one row a figure or a part.

    Parameters
    ----------
    candidates : sequence of Candidate
        Best first.
    width : int
        Width in characters; more candidates than fit go into further tables.

    Returns
    -------
    list of Table
        Tables to print one after the other.
    """
    room = max(1, (width - _LABEL_WIDTH) // _COLUMN_WIDTH)
    return [
        _side_by_side(candidates[start : start + room])
        for start in range(0, len(candidates), room)
    ]


def _side_by_side(candidates: Sequence[Candidate]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), show_header=True)
    table.add_column("", width=_LABEL_WIDTH - 1, no_wrap=True)
    for candidate in candidates:
        table.add_column(
            f"no. {candidate.rank}", justify="right", width=_COLUMN_WIDTH - 1, no_wrap=True,
            header_style="bold", style="bold" if candidate is candidates[0] else "",
        )
    for label, cells in _figure_rows(candidates):
        table.add_row(label, *cells)
    for index, way in enumerate(candidates[0].network.ways):
        table.add_row("")
        ways = [candidate.network.ways[index] for candidate in candidates]
        heads = ["inverted" if one.polarity < 0 else "normal" for one in ways]
        table.add_row(Text(way.name, style=f"bold {_way_style(index)}"), *heads)
        for label, cells in _part_rows(ways):
            table.add_row(label, *cells)
    return table


def _figure_rows(candidates: Sequence[Candidate]) -> Iterable[tuple[Text, list[str]]]:
    def label(name: str, unit: str = "") -> Text:
        return Text.assemble(name, (f"  {unit}" if unit else "", "dim"))

    yield label("cost"), [f"{c.cost:.3f}" for c in candidates]
    for index, goal in enumerate(candidates[0].goals):
        yield (
            label(f"  {goal.name.replace('_', ' ')}", goal.unit),
            [_goal_cell(c, index) for c in candidates],
        )
    yield label("lowest impedance", "ohm"), [f"{c.impedance_min_ohm:.2f}" for c in candidates]
    yield label("  found at"), [format_quantity(c.impedance_min_hz, "Hz") for c in candidates]
    ways = candidates[0].network.ways
    for index in range(len(ways) - 1):
        yield (
            label(f"{ways[index].name} meets {ways[index + 1].name}"),
            [_frequency(c.crossovers_hz[index][1]) for c in candidates],
        )
    yield label("sensitivity", "dB 2.83 V 1 m"), [f"{c.sensitivity_db:.1f}" for c in candidates]
    yield label("pieces"), [str(c.parts) for c in candidates]
    if any(c.price is not None for c in candidates):
        yield label("price"), ["-" if c.price is None else f"{c.price:.2f}" for c in candidates]


def _goal_cell(candidate: Candidate, index: int) -> str:
    goal = candidate.goals[index]
    return f"{goal.value:.2f}" + ("" if goal.met else " !")


def _part_rows(ways: Sequence[FittedWay]) -> Iterable[tuple[Text, list[str]]]:
    """One row for every part that any candidate has, in the order of the ladder."""
    columns: list[dict[str, str]] = []
    order: list[tuple[str, Place]] = []
    for way in ways:
        cells: dict[str, str] = {}
        previous = -1
        for slot in way.slots:
            for name, place, part in name_parts(slot):
                cells[name] = format_quantity(part.value, UNIT_OF_KIND[part.kind])
                if part.piece_count > 1:
                    cells[name] += "*"
                if (name, place) not in order:
                    order.insert(previous + 1, (name, place))
                previous = order.index((name, place))
        columns.append(cells)
    for name, place in order:
        text = Text.assemble(f"  {name:<6}", (f" {place}", "dim"))
        yield text, [cells.get(name, "-") for cells in columns]


def _frequency(value: float | None) -> str:
    return "-" if value is None else format_quantity(value, "Hz")


def _way_style(index: int) -> str:
    return _WAY_STYLES[index % len(_WAY_STYLES)]


def describe_candidate(candidate: Candidate, *, width: int = 100) -> RenderableType:
    """Describe one candidate: ladders, goals in words, impedance, and how sure it is.

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
    lines: list[RenderableType] = [Text(f"Network no. {candidate.rank}", style="bold"), Text()]
    for index, way in enumerate(candidate.network.ways):
        polarity = "" if way.polarity > 0 else ", connected inverted"
        lines.append(
            Text.assemble(
                (way.name, f"bold {_way_style(index)}"), polarity, _meeting(candidate, index)
            )
        )
        for row in draw_ladder(way, width=width):
            text = Text(row)
            text.highlight_regex(r"[─│┬┴>]+", "dim")
            lines.append(text)
        lines.append(Text())
    lines.append(_goal_table(candidate))
    lines.append(Text())
    lines.append(
        Text(
            f"Impedance falls to {candidate.impedance_min_ohm:.2f} ohm at "
            f"{_frequency(candidate.impedance_min_hz)}; to an amplifier it is at worst as hard "
            f"as {candidate.epdr_min_ohm:.2f} ohm (EPDR) at "
            f"{_frequency(candidate.epdr_min_hz)}."
        )
    )
    lines += [Text(sentence) for sentence in explain_certificate(candidate)]
    lines += [Text(f"Note: {note}") for note in candidate.notes]
    return Group(*lines)


def _meeting(candidate: Candidate, index: int) -> str:
    low, high = candidate.crossovers_hz[index]
    if low is None and high is None:
        return ""
    if low is None:
        return f", up to {_frequency(high)}"
    if high is None:
        return f", from {_frequency(low)}"
    return f", {_frequency(low)} to {_frequency(high)}"


def _goal_table(candidate: Candidate) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for heading, justify in (("goal", "left"), ("figure", "right"), ("", "left"),
                             ("weight", "right"), ("cost", "right"), ("", "left")):
        table.add_column(heading, justify=justify, header_style="dim")  # type: ignore[arg-type]
    for goal in candidate.goals:
        table.add_row(
            goal.name.replace("_", " "), f"{goal.value:.2f}", goal.unit, f"{goal.weight:g}",
            f"{goal.cost:.3f}",
            Text(goal.detail if goal.met else f"BROKEN: {goal.detail}",
                 style="" if goal.met else "bold red"),
        )
    table.add_row("sum", "", "", "", f"{candidate.cost:.3f}", style="bold")
    return table


def explain_certificate(candidate: Candidate) -> list[str]:
    """Say in plain words how good a candidate is known to be."""
    sentences = []
    count = candidate.no_better_change_of
    if count > 0:
        parts = _WORD_OF_COUNT.get(count, f"up to {count} parts")
        sentences.append(
            f"Every change of any {parts} to another value that can be bought was computed: "
            "none makes it better."
        )
    if candidate.relaxed_cost is not None:
        gap = candidate.cost - candidate.relaxed_cost
        sentences.append(
            f"With values free of any series this structure reaches cost "
            f"{candidate.relaxed_cost:.3f}: real values cost {max(gap, 0.0):.3f}."
        )
    return sentences


def chart_candidate(candidate: Candidate, *, width: int = 100) -> RenderableType:
    """Chart the response on axis and the input impedance of one candidate."""
    ways = [way.name for way in candidate.network.ways]
    legend = Text.assemble(("⣀⣀⣀ sum on axis", _STYLES["sum"]))
    if candidate.curves.target_db is not None:
        legend.append("   ⣀ ⣀ target", style=_STYLES["target"])
    for index, name in enumerate(ways):
        legend.append(f"   ⢀⢀ {name}", style=_way_style(index))
    return Group(
        legend,
        _to_text(draw_response(candidate.curves, width=width)),
        Text(),
        Text("input impedance", style="bold"),
        _to_text(draw_impedance(candidate.curves, width=width)),
    )


def _to_text(rows: Sequence[Sequence[Segment]]) -> Text:
    lines = []
    for row in rows:
        line = Text()
        for text, role in row:
            line.append(text, style=_role_style(role))
        lines.append(line)
    return Text("\n").join(lines)


def _role_style(role: str) -> str:
    if role.startswith("way "):
        return _way_style(int(role[4:]) - 1)
    return _STYLES.get(role, "")


def tabulate_ranges(drivers: Sequence[Driver]) -> RenderableType:
    """Show what was measured, over which range, and how curves go on outside it.

    Parameters
    ----------
    drivers : sequence of Driver
        Drivers of the problem.

    Returns
    -------
    RenderableType
        A table and the notes of the drivers.
    """
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for heading in ("driver", "data", "from", "measured", "below it", "above it"):
        table.add_column(heading, header_style="dim")
    notes: list[Text] = []
    for driver in drivers:
        name = driver.name
        for what, group in _coverage_groups(driver):
            table.add_row(
                name, what, _sources(group),
                f"{_frequency(group[0].low_hz)} to {_frequency(group[0].high_hz)}",
                _slopes([one.slope_low_db_per_octave for one in group]),
                _slopes([one.slope_high_db_per_octave for one in group]),
            )
            name = ""
        notes += [Text(f"{driver.name}: {note}") for note in dict.fromkeys(driver.notes)]
    return Group(table, *(Padding(note, (0, 0, 0, 2)) for note in notes))


def _coverage_groups(driver: Driver) -> Iterable[tuple[str, list[Coverage]]]:
    if not driver.coverage:
        return
    groups: dict[tuple[float, float], list[Coverage]] = {}
    for one in driver.coverage[:-1]:
        groups.setdefault((one.low_hz, one.high_hz), []).append(one)
    for group in groups.values():
        count = len(group)
        yield ("response" if count == 1 else f"{count} responses"), group
    yield "impedance", [driver.coverage[-1]]


def _sources(group: Sequence[Coverage]) -> str:
    names = list(dict.fromkeys(PurePath(one.source).name for one in group))
    return names[0] if len(names) == 1 else f"{names[0]} ... {names[-1]}"


def _slopes(slopes: Sequence[float]) -> str:
    low, high = round(min(slopes)), round(max(slopes))
    if low == high == 0:
        return "-"
    return f"{low:+d} dB/oct" if low == high else f"{low:+d} to {high:+d} dB/oct"


def describe_stop(result: SearchResult) -> Text:
    """Say why the search ended, how much it tried, and how to repeat it."""
    reason = {
        "converged": "Search ended by itself: further restarts found nothing better",
        "budget": "Time was up",
        "interrupted": "Stopped by hand, with the best found so far",
    }[result.stopped]
    text = (
        f"{reason}. {result.seconds:.1f} s, {result.evaluations:,} networks tried, "
        f"seed {result.seed}."
    )
    if result.stopped == "budget":
        text += " More --seconds may find better; a run cut by the clock need not repeat exactly."
    return Text(text)


def heading(title: str) -> Text:
    """Set a title."""
    return Text(title, style="bold underline")


def list_notes(notes: Sequence[str]) -> RenderableType:
    """List notes, each on lines of its own."""
    return Group(*(Padding(Text(f"- {note}"), (0, 0, 0, 2)) for note in notes))
