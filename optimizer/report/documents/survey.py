"""What `survey` found: files, drivers, peaks, pairs, timing, findings, curves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from optimizer.measure.readings import FileReading, Folder
from optimizer.measure.survey.hygiene import Finding
from optimizer.measure.survey.impedance import ImpedanceSurvey
from optimizer.measure.survey.nouns import DriverSurvey, PairSurvey, SlotHint, Survey
from optimizer.measure.survey.shape import Rolloff
from optimizer.measure.timing.timing import Timing
from optimizer.report.charts.plot import Curve, Plot, dash_of, frequency_axis, level_axis, tall_of
from optimizer.report.charts.sketch import sketch_plot
from optimizer.report.document import (
    Cell,
    Charts,
    Document,
    Drawn,
    Listing,
    Note,
    OnPage,
    Passage,
    Remarks,
    Row,
    Section,
    Segment,
    Table,
)
from optimizer.report.documents.survey_curves import collect_curves
from optimizer.report.documents.survey_json import survey_to_json
from optimizer.text.stamp import say_date, tell_date
from optimizer.text.units import format_quantity

ORDER = ("findings", "curves", "drivers", "peaks", "pairs", "angles", "timing", "files")
"""Sections in the order of a page."""

_MOST_PEAKS = 5
_SPAN_DB = 40.0
_GRAVITY = {"error": "bad", "warning": "look", "note": "soft"}


def document_survey(survey: Survey, title: str) -> Document:
    """Say everything of a survey.

    Parameters
    ----------
    survey : Survey
        What was found.
    title : str
        Name of the folder or loudspeaker.

    Returns
    -------
    Document
    """
    numbers, charts = collect_curves(survey, draw_responses(survey.drivers))
    return Document(
        title=f"Survey of {title}",
        subtitle="What the measured drivers allow, and what to avoid.",
        sections=survey_sections(survey, charts),
        order=ORDER,
        numbers=(lambda: numbers) if charts.items else None,
        footer=lambda: f"Survey of {title}, {say_date(tell_date())}",
        data=lambda: survey_to_json(survey),
    )


def survey_sections(survey: Survey, charts: Charts) -> tuple[Section, ...]:
    """Compose the sections of a survey, those that hold anything."""
    drivers = survey.drivers
    curves = tuple(one for one in charts.items if not one.key.startswith("plane"))
    planes = tuple(one for one in charts.items if one.key.startswith("plane"))
    how = Note(
        text="Move over a chart, or use the arrow keys on it, to read every curve at a frequency. "
        "Tick curves on and off beside them.",
        tone="soft",
    )
    sections = [Section(title="Files", key="files", parts=(tabulate_files(survey.folder),))]
    sections.append(Section(title="Drivers", key="drivers", parts=(tabulate_drivers(drivers),)))
    if any(d.shape.peaks for d in drivers):
        peaks = tabulate_peaks(drivers)
        sections.append(Section(title="Peaks and dips", key="peaks", parts=(peaks,)))
    if curves:
        shown = (OnPage(compose=lambda: [how]), Charts(items=curves))
        sections.append(Section(title="Curves", key="curves", parts=shown))
    sections += [
        Section(title=f"{p.lower} to {p.upper}", key="pairs", parts=tuple(describe_pair(p)))
        for p in survey.pairs
    ]
    if planes:
        by_angle = OnPage(compose=lambda: [Charts(items=planes)])
        sections.append(Section(title="By angle", key="angles", parts=(by_angle,)))
    if survey.timing is not None:
        timing = tuple(describe_timing(survey.timing))
        sections.append(Section(title="Timing", key="timing", parts=timing))
    sections.append(Section(title="Findings", key="findings", parts=tuple(list_findings(survey))))
    return tuple(sections)


def document_files(folder: Folder) -> Document:
    """Say how every file of a folder was understood, where no driver was found."""
    every = tabulate_files(folder)
    if isinstance(every, Table):
        every = replace(every, brief=None)
    return Document(title="", sections=(Section(title="", parts=(every,)),))


def tabulate_files(folder: Folder) -> Passage:
    """Show how every file was understood, ignored ones last; an empty folder says so.

    In brief, files of one driver that were read alike share a row.
    """
    if not folder.files:
        return Note(text=f"{folder.path} holds no files.")
    rows = tuple(
        (
            reading.path,
            Cell(reading.role, "soft" if reading.role == "ignored" else ""),
            reading.driver or "-",
            str(reading.direction) if reading.direction is not None else "-",
            Cell(_tell_columns(reading), "soft"),
            Cell("; ".join(reading.because), "soft"),
        )
        for reading in sorted(folder.files, key=lambda r: r.role == "ignored")
    )
    heads = ("file", "taken as", "driver", "direction", "columns", "because")
    return Table(heads=heads, rows=rows, align="llllll", brief=_gather_files(folder.files))


def _gather_files(files: Sequence[FileReading]) -> tuple[Row, ...]:
    """Give files that were read alike one row, with all their directions; ignored ones last."""
    alike: dict[tuple[str, ...], list[FileReading]] = {}
    for reading in sorted(files, key=lambda r: r.role == "ignored"):
        because = "; ".join(reading.because) if reading.role == "ignored" else ""
        key = (reading.role, reading.driver or "-", _tell_columns(reading), because)
        alike.setdefault(key, []).append(reading)
    return tuple(
        (
            some[0].path if len(some) == 1 else f"{some[0].path} and {len(some) - 1} more",
            Cell(role, "soft" if role == "ignored" else ""),
            driver,
            ", ".join(str(one.direction) for one in some if one.direction is not None) or "-",
            Cell(columns, "soft"),
            Cell(because, "soft"),
        )
        for (role, driver, columns, because), some in alike.items()
    )


def _tell_columns(reading: FileReading) -> str:
    """Say what the columns of a file were taken for; "-" where it was not read."""
    return reading.curve.columns or reading.curve.layout if reading.curve is not None else "-"


def tabulate_drivers(drivers: Sequence[DriverSurvey]) -> Table:
    """Set the drivers side by side: a row for each figure that any of them has."""
    rows = [
        (name, *cells) for name, cells in driver_rows(drivers) if any(cell != "-" for cell in cells)
    ]
    names = (d.name for d in drivers)
    return Table(
        heads=("", *names), rows=tuple(rows), align="l" * (len(drivers) + 1), fixed=1, key="drivers"
    )


def tabulate_peaks(drivers: Sequence[DriverSurvey]) -> Table:
    """List the largest peaks and dips with starting values of compounds against them."""
    heads = ("driver", "at", "height", "Q", "trap in the line", "or notch across")
    return Table(heads=heads, rows=tuple(peak_rows(drivers)), align="lrrrll")


def describe_pair(pair: PairSurvey) -> list[Passage]:
    """Describe the crossover proposed between two drivers."""
    low, high = pair.crossover_hz
    said = f"from {say(low, 'Hz')} to {say(high, 'Hz')}, start at {say(pair.centre_hz, 'Hz')}."
    overlap = (
        Note(text="The two have no band in common.", warns=True)
        if pair.overlap_hz is None
        else Note(text=f"Both are usable from {say_range(pair.overlap_hz)}.")
    )
    orders = (
        f"Orders to try: {say_orders(pair.low_pass_orders)} for {pair.lower}, "
        f"{say_orders(pair.high_pass_orders)} for {pair.upper}."
    )
    parts: list[Passage] = [
        Note(text=said, lead="Cross over" if pair.clean else "Cross over (a compromise)"),
        overlap,
        *([Listing(items=pair.reasons)] if pair.reasons else []),
        Note(text=orders),
    ]
    if pair.slots:
        parts += [
            Note(text="Optional slots:"),
            Listing(
                items=tuple(f"{say_slot(s)} ({s.reason})" for s in pair.slots),
                topics=tuple(f"{s.driver}, {s.form}" for s in pair.slots),
            ),
        ]
    return parts


def describe_timing(timing: Timing) -> list[Passage]:
    """Describe relative timing and how sure it is."""
    said = f"{timing.method.capitalize()}."
    if timing.residual_db is not None:
        said = (
            f"{timing.method.capitalize()}: the predicted sum meets the measured one within "
            f"{timing.residual_db:.2f} dB rms."
        )
    if timing.refused:
        said = f"Not determined: {timing.refused}."
    heads = ("driver", "delay", "95 % interval", "level", "polarity")
    parts: list[Passage] = [
        Note(text=said, warns=bool(timing.refused)),
        Table(heads=heads, rows=tuple(timing_rows(timing)), align="lrrrl"),
    ]
    return parts + ([Remarks(parts=(Listing(items=timing.notes),))] if timing.notes else [])


def list_findings(survey: Survey) -> list[Passage]:
    """List what looks wrong, worst first; one line that says so when nothing does."""
    grave = [f for f in survey.findings if f.severity != "note"]
    notes = [f for f in survey.findings if f.severity == "note"]
    parts: list[Passage] = [_list_found(grave) if grave else Note(text="Nothing looks wrong.")]
    return parts + ([Remarks(parts=(_list_found(notes),))] if notes else [])


def _list_found(findings: Sequence[Finding]) -> Listing:
    items = [f"{f.where} {f.what}" + (f"; {f.remedy}" if f.remedy else "") for f in findings]
    return Listing(
        items=tuple(items),
        topics=tuple(f.severity for f in findings),
        tones=tuple(_GRAVITY[f.severity] for f in findings),
    )


def draw_responses(drivers: Sequence[DriverSurvey]) -> Drawn | None:
    """Chart the responses on axis of all drivers in one frame, for a terminal."""
    shown = [d for d in drivers if d.response is not None]
    if not shown:
        return None

    def draw(width: int) -> list[list[Segment]]:
        responses = [d.response for d in shown if d.response is not None]
        peak = max(float(np.max(r.level_db)) for r in responses)
        across, up = frequency_axis(), level_axis([np.array([peak])], _SPAN_DB)
        lines = tuple(
            Curve(
                name=driver.name,
                x=one.frequency_hz,
                y=one.level_db,
                role=f"way {k + 1}",
                dash=dash_of(k),
            )
            for k, (driver, one) in enumerate(zip(shown, responses, strict=True))
        )
        plot = Plot(
            key="responses",
            title="Response on the axis, as measured",
            text="",
            across=across,
            up=up,
            tall=tall_of(up, across),
            curves=lines,
        )
        return sketch_plot(plot, width=width)

    return draw


def peak_rows(drivers: Sequence[DriverSurvey]) -> list[tuple[str, ...]]:
    """State the largest peaks and dips, with starting values of compounds against them."""
    rows: list[tuple[str, ...]] = []
    for driver in drivers:
        hints = {hint.peak: hint for hint in driver.peak_hints}
        name = driver.name
        for peak in driver.shape.peaks[:_MOST_PEAKS]:
            cells = ["-", "-"]
            if peak in hints:
                cells = [
                    f"{say(one.inductance_h, 'H')}, {say(one.capacitance_f, 'F')}, "
                    f"{say(one.resistance_ohm, 'ohm')}"
                    for one in (hints[peak].trap, hints[peak].notch)
                ]
            rows.append((name, say(peak.frequency_hz, "Hz"), f"{peak.height_db:+z.1f} dB",
                         f"{peak.q:.1f}", *cells))  # fmt: skip
            name = ""
    return rows


def timing_rows(timing: Timing) -> list[tuple[str, ...]]:
    """State delay, interval, level and polarity of every driver."""
    rows: list[tuple[str, ...]] = []
    for name, delay in timing.delays_s.items():
        low, high = timing.interval_s.get(name, (0.0, 0.0))
        rows.append((
            name, f"{delay * 1e6:+z.1f} us",
            f"{low * 1e6:+z.1f} to {high * 1e6:+z.1f} us" if high > low else "-",
            f"{timing.levels_db[name]:+z.2f} dB",
            "normal" if timing.polarity[name] > 0 else "reversed",
        ))  # fmt: skip
    return rows


def driver_rows(drivers: Sequence[DriverSurvey]) -> list[tuple[str, list[str]]]:
    """State every figure of the drivers, one row each."""
    z = [d.impedance for d in drivers]

    def each(figures: Sequence[float | None], unit: str) -> list[str]:
        return [say(figure, unit) for figure in figures]

    equalisers = [x.equalisers[-1] if x is not None and x.equalisers else None for x in z]
    return [
        ("measured", [say_range(d.measured_hz) for d in drivers]),
        ("directions", [str(d.directions) for d in drivers]),
        ("usable, within 6 dB", [say_range(d.usable_hz) for d in drivers]),
        ("level, as the file states it", [f"{d.sensitivity_db:.1f} dB" for d in drivers]),
        ("near field joined at", [
            f"{say(d.splice.at_hz, 'Hz')}, moved by {d.splice.shift_db:+z.1f} dB"
            if d.splice else "-" for d in drivers]),
        ("  below it known within", [
            f"{d.splice.least_known[1]:.1f} dB (at {say(d.splice.least_known[0], 'Hz')})"
            if d.splice and d.splice.least_known else "-" for d in drivers]),
        ("falls off below", [say_rolloff(d.shape.low) for d in drivers]),
        ("falls off above", [say_rolloff(d.shape.high) for d in drivers]),
        ("break-up to stay clear of", each(
            [d.break_up.frequency_hz if d.break_up else None for d in drivers], "Hz")),
        ("6 dB down off axis", [
            f"{say(d.beaming.frequency_hz, 'Hz')} at {d.beaming.angle_deg:g} deg, "
            f"{d.beaming.source}" if d.beaming else "-" for d in drivers]),
        ("resonance", each([x.resonance_hz if x else None for x in z], "Hz")),
        ("  box", [(x.box or "-") if x else "-" for x in z]),
        ("  port tuned to", each([x.tuning_hz if x else None for x in z], "Hz")),
        ("Qms, Qes, Qts", [
            f"{x.qms:.2f}, {x.qes:.2f}, {x.qts:.2f}"
            if x and x.qms is not None and x.qes is not None and x.qts is not None else "-"
            for x in z]),
        ("voice coil Re", [say_resistance(x) if x else "-" for x in z]),
        ("lowest impedance", [
            f"{say(x.minimum_ohm, 'ohm')} at {say(x.minimum_hz, 'Hz')}" if x else "-"
            for x in z]),
        ("inductance at 1 kHz", each([x.inductance_1k_h if x else None for x in z], "H")),
        ("inductance at 10 kHz", each([x.inductance_10k_h if x else None for x in z], "H")),
        ("impedance at 10 kHz over Re", [
            f"{x.rise:.1f}" if x and x.rise is not None else "-" for x in z]),
        ("equaliser against the rise", [
            f"{say(e.r_ohm, 'ohm')} + {say(e.c_farad, 'F')}" if e else "-"
            for e in equalisers]),
        ("lowest safe crossover", each([d.lowest_hz for d in drivers], "Hz")),
    ]  # fmt: skip


def say(value: float | None, unit: str) -> str:
    """Write a figure, or a dash where it is not determined."""
    return "-" if value is None else format_quantity(value, unit)


def say_resistance(z: ImpedanceSurvey) -> str:
    """Write the resistance of a voice coil, and between what it lies where that is worth saying."""
    if z.re_range_ohm is None or not z.range_is_wide:
        return say(z.re_ohm, "ohm")
    low, high = z.re_range_ohm
    return f"{say(z.re_ohm, 'ohm')} ({low:.2f} to {high:.2f})"


def say_range(band: tuple[float, float]) -> str:
    """Write a band."""
    return f"{say(band[0], 'Hz')} to {say(band[1], 'Hz')}"


def say_rolloff(rolloff: Rolloff) -> str:
    """Write how a driver falls off at one end."""
    if rolloff.slope_db_per_octave is None and rolloff.order is None:
        return "not in the data" if "end before" in rolloff.reason else "not determined"
    slope = "" if rolloff.slope_db_per_octave is None else (
        f"{rolloff.slope_db_per_octave:.0f} dB/oct")  # fmt: skip
    order = f"order {rolloff.order}" if rolloff.order is not None else "order open"
    corner = f", 3 dB at {say(rolloff.corner_hz, 'Hz')}" if rolloff.corner_hz else ""
    return f"{slope} ({order}){corner}"


def say_orders(orders: Sequence[int]) -> str:
    """Write orders as "2, 3 or 4"."""
    words = [str(order) for order in orders]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} or {words[-1]}"


def say_slot(slot: SlotHint) -> str:
    """Write the starting values of a slot."""
    units = {
        "inductance_h": "H",
        "capacitance_f": "F",
        "resistance_ohm": "ohm",
        "series_ohm": "ohm",
        "shunt_ohm": "ohm",
    }
    return ", ".join(say(value, units[key]) for key, value in slot.values.items())
