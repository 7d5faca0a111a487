"""A survey for a terminal: files, drivers, peaks, pairs, timing, findings, charts."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from optimizer.measure.curve import MeasuredCurve
from optimizer.measure.readings import Folder
from optimizer.measure.survey.nouns import DriverSurvey, PairSurvey, Survey
from optimizer.measure.timing.timing import Timing
from optimizer.report.plots import Segment, Trace, draw_chart
from optimizer.report.survey_words import (
    PEAK_HEADS,
    TIMING_HEADS,
    driver_rows,
    peak_rows,
    say,
    say_orders,
    say_range,
    say_slot,
    timing_rows,
)

_STYLES = ("blue", "magenta", "cyan", "yellow")
_SEVERITY = {"error": "bold red", "warning": "bold yellow", "note": "dim"}


def show_survey(survey: Survey, *, width: int = 100) -> RenderableType:
    """Lay out a whole survey.

    Parameters
    ----------
    survey : Survey
        What was found.
    width : int
        Width in characters.

    Returns
    -------
    RenderableType
        Something rich prints.
    """
    blocks: list[RenderableType] = [
        _heading("files"),
        tabulate_files(survey.folder),
        Text(),
        _heading("drivers"),
        tabulate_drivers(survey.drivers),
    ]
    if any(d.shape.peaks for d in survey.drivers):
        blocks += [Text(), _heading("peaks and dips"), tabulate_peaks(survey.drivers)]
    blocks += [Text(), *chart_drivers(survey.drivers, width=width)]
    for pair in survey.pairs:
        blocks += [Text(), _heading(f"{pair.lower} to {pair.upper}"), describe_pair(pair)]
    if survey.timing is not None:
        blocks += [Text(), _heading("timing"), describe_timing(survey.timing)]
    blocks += [Text(), _heading("findings"), list_findings(survey)]
    return Group(*blocks)


def tabulate_files(folder: Folder) -> RenderableType:
    """Show how every file was understood, ignored ones last.

    Parameters
    ----------
    folder : Folder
        What was read.

    Returns
    -------
    RenderableType
        A table; empty folders say so.
    """
    if not folder.files:
        return Text(f"{folder.path} holds no files.")
    table = _table("file", "taken as", "driver", "direction", "because")
    for reading in sorted(folder.files, key=lambda r: r.role == "ignored"):
        table.add_row(
            reading.path,
            Text(reading.role, style="dim" if reading.role == "ignored" else ""),
            reading.driver or "-",
            str(reading.direction) if reading.direction is not None else "-",
            Text("; ".join(reading.because), style="dim"),
        )
    return table


def tabulate_drivers(drivers: Sequence[DriverSurvey]) -> RenderableType:
    """Set the drivers side by side.

    Parameters
    ----------
    drivers : sequence of DriverSurvey
        From the lowest up.

    Returns
    -------
    RenderableType
        A table: a row for each figure.
    """
    table = _table("")
    for index, driver in enumerate(drivers):
        table.add_column(driver.name, header_style=f"bold {_style(index)}")
    for name, cells in driver_rows(drivers):
        if any(cell != "-" for cell in cells):
            table.add_row(name, *cells)
    return table


def tabulate_peaks(drivers: Sequence[DriverSurvey]) -> RenderableType:
    """List the largest peaks and dips with starting values of compounds against them.

    Parameters
    ----------
    drivers : sequence of DriverSurvey
        From the lowest up.

    Returns
    -------
    RenderableType
        A table.
    """
    table = _table(*PEAK_HEADS)
    for row in peak_rows(drivers):
        table.add_row(*row)
    return table


def describe_pair(pair: PairSurvey) -> RenderableType:
    """Describe the crossover proposed between two drivers.

    Parameters
    ----------
    pair : PairSurvey
        The proposal.

    Returns
    -------
    RenderableType
        Sentences.
    """
    low, high = pair.crossover_hz
    title = Text("Cross over ")
    title.append(f"from {say(low, 'Hz')} to {say(high, 'Hz')}", style="bold")
    title.append(f", start at {say(pair.centre_hz, 'Hz')}")
    title.append("" if pair.clean else " (a compromise)", style="bold yellow")
    lines: list[RenderableType] = [title]
    if pair.overlap_hz is None:
        lines.append(Text("The two have no band in common.", style="bold yellow"))
    else:
        lines.append(Text(f"Both are usable from {say_range(pair.overlap_hz)}."))
    lines += [Padding(Text(f"- {reason}"), (0, 0, 0, 2)) for reason in pair.reasons]
    lines.append(
        Text(
            f"Orders to try: {say_orders(pair.low_pass_orders)} for {pair.lower}, "
            f"{say_orders(pair.high_pass_orders)} for {pair.upper}."
        )
    )
    if pair.slots:
        lines.append(Text("Optional slots:"))
        lines += [
            Padding(Text(f"- {slot.driver}: {slot.form}, {say_slot(slot)} ({slot.reason})"),
                    (0, 0, 0, 2))
            for slot in pair.slots
        ]  # fmt: skip
    return Group(*lines)


def describe_timing(timing: Timing) -> RenderableType:
    """Describe relative timing and how sure it is.

    Parameters
    ----------
    timing : Timing
        Found or assumed.

    Returns
    -------
    RenderableType
        A sentence, a table, notes.
    """
    lines: list[RenderableType] = []
    if timing.refused:
        lines.append(Text(f"Not determined: {timing.refused}.", style="bold yellow"))
    else:
        text = Text(timing.method.capitalize(), style="bold")
        if timing.residual_db is not None:
            met = f"the predicted sum meets the measured one within {timing.residual_db:.2f} dB rms"
            text.append(f": {met}", style="not bold")
        lines.append(text)
    table = _table(*TIMING_HEADS)
    for row in timing_rows(timing):
        table.add_row(*row)
    lines.append(table)
    lines += [Padding(Text(note, style="dim"), (0, 0, 0, 2)) for note in timing.notes]
    return Group(*lines)


def list_findings(survey: Survey) -> RenderableType:
    """List what looks wrong, worst first.

    Parameters
    ----------
    survey : Survey
        With its findings.

    Returns
    -------
    RenderableType
        Lines; one that says so when there is nothing.
    """
    if not survey.findings:
        return Text("Nothing looks wrong.")
    lines: list[RenderableType] = []
    for finding in survey.findings:
        text = Text(f"{finding.severity}: ", style=_SEVERITY[finding.severity])
        text.append(f"{finding.where} {finding.what}", style="default not bold not dim")
        lines.append(text)
        if finding.remedy:
            lines.append(Padding(Text(finding.remedy, style="dim"), (0, 0, 0, 4)))
    return Group(*lines)


def chart_drivers(drivers: Sequence[DriverSurvey], *, width: int = 100) -> list[RenderableType]:
    """Chart the responses on axis of all drivers in one frame.

    Parameters
    ----------
    drivers : sequence of DriverSurvey
        With their responses.
    width : int
        Width in characters.

    Returns
    -------
    list of RenderableType
        Legend and chart; empty without drivers.
    """
    responses: list[MeasuredCurve] = [d.response for d in drivers if d.response is not None]
    if not responses:
        return []
    legend = Text("response on axis:", style="not bold")
    for index, driver in enumerate(drivers):
        legend.append(f"   {driver.name}", style=_style(index))
    peak = max(float(np.max(r.level_db)) for r in responses)
    top = 5.0 * math.ceil((peak + 0.5) / 5.0)
    traces = [
        Trace(role=f"way {index}", frequency_hz=r.frequency_hz, height=r.level_db)
        for index, r in enumerate(responses)
    ]
    labels = [f"{top - 5 * step:g}" for step in range(8)]
    labels[0] += " dB"
    rows = draw_chart(traces, top=top, steps=7, step=5.0, labels=labels, width=width)
    return [legend, Text("\n").join(_row(row) for row in rows)]


def _row(row: Sequence[Segment]) -> Text:
    return Text.assemble(*((text, _role_style(role)) for text, role in row))


def _role_style(role: str) -> str:
    return _style(int(role.removeprefix("way "))) if role.startswith("way ") else "dim"


def _style(index: int) -> str:
    return _STYLES[index % len(_STYLES)]


def _heading(title: str) -> Text:
    return Text(title, style="bold underline")


def _table(*titles: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for title in titles:
        table.add_column(title, header_style="dim")
    return table
