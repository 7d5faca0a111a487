"""A survey for a terminal: files, drivers, peaks, pairs, timing, findings, charts."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from optimizer.measure.pairs import PairSurvey, SlotHint
from optimizer.measure.readings import Folder
from optimizer.measure.response import Response
from optimizer.measure.shape import Rolloff
from optimizer.measure.survey import DriverSurvey, Survey
from optimizer.measure.timing import Timing
from optimizer.report.plots import Segment, Trace, draw_chart
from optimizer.units import format_quantity

_STYLES = ("blue", "magenta", "cyan", "yellow")
_SEVERITY = {"error": "bold red", "warning": "bold yellow", "note": "dim"}
_MOST_PEAKS = 5


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
    for name, cells in _driver_rows(drivers):
        if any(cell != "-" for cell in cells):
            table.add_row(name, *cells)
    return table


def _driver_rows(drivers: Sequence[DriverSurvey]) -> list[tuple[str, list[str]]]:
    z = [d.impedance for d in drivers]

    def each(figures: Sequence[float | None], unit: str) -> list[str]:
        return [_say(figure, unit) for figure in figures]

    equalisers = [x.equalisers[-1] if x is not None and x.equalisers else None for x in z]
    return [
        ("measured", [_say_range(d.measured_hz) for d in drivers]),
        ("directions", [str(d.directions) for d in drivers]),
        ("usable, within 6 dB", [_say_range(d.usable_hz) for d in drivers]),
        ("level, as the file states it", [f"{d.sensitivity_db:.1f} dB" for d in drivers]),
        ("falls off below", [_say_rolloff(d.shape.low) for d in drivers]),
        ("falls off above", [_say_rolloff(d.shape.high) for d in drivers]),
        ("break-up to stay clear of", each(
            [d.break_up.frequency_hz if d.break_up else None for d in drivers], "Hz")),
        ("6 dB down off axis", [
            f"{_say(d.beaming.frequency_hz, 'Hz')} at {d.beaming.angle_deg:g} deg, "
            f"{d.beaming.source}" if d.beaming else "-" for d in drivers]),
        ("resonance", each([x.resonance_hz if x else None for x in z], "Hz")),
        ("  box", [(x.box or "-") if x else "-" for x in z]),
        ("  port tuned to", each([x.tuning_hz if x else None for x in z], "Hz")),
        ("Qms, Qes, Qts", [
            f"{x.qms:.2f}, {x.qes:.2f}, {x.qts:.2f}"
            if x and x.qms is not None and x.qes is not None and x.qts is not None else "-"
            for x in z]),
        ("voice coil Re", each([x.re_ohm if x else None for x in z], "ohm")),
        ("lowest impedance", [
            f"{_say(x.minimum_ohm, 'ohm')} at {_say(x.minimum_hz, 'Hz')}" if x else "-"
            for x in z]),
        ("inductance at 1 kHz", each([x.inductance_1k_h if x else None for x in z], "H")),
        ("inductance at 10 kHz", each([x.inductance_10k_h if x else None for x in z], "H")),
        ("impedance at 10 kHz over Re", [
            f"{x.rise:.1f}" if x and x.rise is not None else "-" for x in z]),
        ("equaliser against the rise", [
            f"{_say(e.r_ohm, 'ohm')} + {_say(e.c_farad, 'F')}" if e else "-"
            for e in equalisers]),
        ("lowest safe crossover", each([d.lowest_hz for d in drivers], "Hz")),
    ]  # fmt: skip


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
    table = _table("driver", "at", "height", "Q", "trap in the line", "or notch across")
    for driver in drivers:
        hints = {hint.peak: hint for hint in driver.peak_hints}
        name = driver.name
        for peak in driver.shape.peaks[:_MOST_PEAKS]:
            cells = ["-", "-"]
            if peak in hints:
                cells = [
                    f"{_say(one.inductance_h, 'H')}, {_say(one.capacitance_f, 'F')}, "
                    f"{_say(one.resistance_ohm, 'ohm')}"
                    for one in (hints[peak].trap, hints[peak].notch)
                ]
            table.add_row(
                name,
                _say(peak.frequency_hz, "Hz"),
                f"{peak.height_db:+.1f} dB",
                f"{peak.q:.1f}",
                *cells,
            )
            name = ""
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
    title.append(f"from {_say(low, 'Hz')} to {_say(high, 'Hz')}", style="bold")
    title.append(f", start at {_say(pair.centre_hz, 'Hz')}")
    title.append("" if pair.clean else " (a compromise)", style="bold yellow")
    lines: list[RenderableType] = [title]
    if pair.overlap_hz is None:
        lines.append(Text("The two have no band in common.", style="bold yellow"))
    else:
        lines.append(Text(f"Both are usable from {_say_range(pair.overlap_hz)}."))
    lines += [Padding(Text(f"- {reason}"), (0, 0, 0, 2)) for reason in pair.reasons]
    lines.append(
        Text(
            f"Orders to try: {_say_orders(pair.low_pass_orders)} for {pair.lower}, "
            f"{_say_orders(pair.high_pass_orders)} for {pair.upper}."
        )
    )
    if pair.slots:
        lines.append(Text("Optional slots:"))
        lines += [
            Padding(Text(f"- {slot.driver}: {slot.form}, {_say_slot(slot)} ({slot.reason})"),
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
    table = _table("driver", "delay", "95 % interval", "level", "polarity")
    for name, delay in timing.delays_s.items():
        interval = timing.interval_s.get(name)
        wide = interval is not None and interval[1] > interval[0]
        table.add_row(
            name,
            f"{delay * 1e6:+.1f} us",
            f"{interval[0] * 1e6:+.1f} to {interval[1] * 1e6:+.1f} us"
            if interval is not None and wide
            else "-",
            f"{timing.levels_db[name]:+.2f} dB",
            "normal" if timing.polarity[name] > 0 else "reversed",
        )
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
    responses: list[Response] = [d.response for d in drivers if d.response is not None]
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


def _say(value: float | None, unit: str) -> str:
    return "-" if value is None else format_quantity(value, unit)


def _say_range(band: tuple[float, float]) -> str:
    return f"{_say(band[0], 'Hz')} to {_say(band[1], 'Hz')}"


def _say_rolloff(rolloff: Rolloff) -> str:
    if rolloff.slope_db_per_octave is None and rolloff.order is None:
        return "not in the data" if "end before" in rolloff.reason else "not determined"
    slope = "" if rolloff.slope_db_per_octave is None else (
        f"{rolloff.slope_db_per_octave:.0f} dB/oct")  # fmt: skip
    order = f"order {rolloff.order}" if rolloff.order is not None else "order open"
    corner = f", 3 dB at {_say(rolloff.corner_hz, 'Hz')}" if rolloff.corner_hz else ""
    return f"{slope} ({order}){corner}"


def _say_orders(orders: Sequence[int]) -> str:
    words = [str(order) for order in orders]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} or {words[-1]}"


def _say_slot(slot: SlotHint) -> str:
    units = {
        "inductance_h": "H",
        "capacitance_f": "F",
        "resistance_ohm": "ohm",
        "series_ohm": "ohm",
        "shunt_ohm": "ohm",
    }
    return ", ".join(_say(value, units[key]) for key, value in slot.values.items())
