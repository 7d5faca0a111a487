"""A survey as a document: the same words as on the screen, with drawn curves."""

from __future__ import annotations

from optimizer.measure.survey.nouns import PairSurvey, Survey
from optimizer.measure.timing.timing import Timing
from optimizer.report.document import Charts, Document, Listing, Note, Part, Section, Table
from optimizer.report.survey_charts import collect_curves
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


def document_survey(survey: Survey, title: str) -> Document:
    """Lay out a survey as a document.

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
    drivers = survey.drivers
    numbers, charts = collect_curves(survey)
    planes = tuple(one for one in charts if one.key in numbers["planes"])
    curves = tuple(one for one in charts if one not in planes)
    rows = [
        (name.strip(), *cells)
        for name, cells in driver_rows(drivers)
        if any(cell != "-" for cell in cells)
    ]
    sections = [
        Section(title="Findings", parts=_list_findings(survey)),
        Section(title="Curves", parts=(Charts(items=curves),) if curves else ()),
        Section(title="Drivers", parts=(
            Table(heads=("", *(d.name for d in drivers)), rows=tuple(rows),
                  align="l" * (len(drivers) + 1)),)),
        Section(title="Peaks and dips", parts=(
            Table(heads=PEAK_HEADS, rows=tuple(peak_rows(drivers)), align="lrrrll"),)),
        *(Section(title=f"{p.lower} to {p.upper}", parts=_describe_pair(p)) for p in survey.pairs),
    ]  # fmt: skip
    if planes:
        sections.append(Section(title="By angle", parts=(Charts(items=planes),)))
    if survey.timing is not None:
        sections.append(Section(title="Timing", parts=_describe_timing(survey.timing)))
    files = tuple(
        (
            reading.path, reading.role, reading.driver or "-",
            str(reading.direction) if reading.direction is not None else "-",
            "; ".join(reading.because),
        )
        for reading in sorted(survey.folder.files, key=lambda r: r.role == "ignored")
    )  # fmt: skip
    heads = ("file", "taken as", "driver", "direction", "because")
    sections.append(Section(title="Files", parts=(Table(heads=heads, rows=files, align="lllll"),)))
    return Document(
        title=f"Survey of {title}",
        subtitle="What the measured drivers allow, and what to avoid.",
        sections=tuple(section for section in sections if section.parts),
        numbers=numbers if charts else None,
    )


def _list_findings(survey: Survey) -> tuple[Part, ...]:
    if not survey.findings:
        return (Note(text="Nothing looks wrong."),)
    items = [f"{f.where} {f.what}" + (f"; {f.remedy}" if f.remedy else "") for f in survey.findings]
    return (Listing(items=tuple(items), topics=tuple(f.severity for f in survey.findings)),)


def _describe_pair(pair: PairSurvey) -> tuple[Part, ...]:
    text = (
        f"Cross over from {say_range(pair.crossover_hz)}, start at {say(pair.centre_hz, 'Hz')}"
        f"{'' if pair.clean else ' (a compromise)'}. Orders to try: "
        f"{say_orders(pair.low_pass_orders)} for {pair.lower}, "
        f"{say_orders(pair.high_pass_orders)} for {pair.upper}."
    )
    parts: list[Part] = [
        Note(text=text, warns=not pair.clean or pair.overlap_hz is None),
        Listing(items=pair.reasons),
    ]
    if pair.slots:
        parts.append(
            Listing(
                items=tuple(f"{say_slot(s)} ({s.reason})" for s in pair.slots),
                topics=tuple(f"{s.driver}, {s.form}" for s in pair.slots),
            )
        )
    return tuple(parts)


def _describe_timing(timing: Timing) -> tuple[Part, ...]:
    said = timing.method.capitalize()
    if timing.residual_db is not None:
        said += f": the predicted sum meets the measured one within {timing.residual_db:.2f} dB rms"
    if timing.refused:
        said = f"Not determined: {timing.refused}"
    parts: list[Part] = [
        Note(text=f"{said}.", warns=bool(timing.refused)),
        Table(heads=TIMING_HEADS, rows=tuple(timing_rows(timing)), align="lrrrl"),
    ]
    if timing.notes:
        parts.append(Listing(items=timing.notes))
    return tuple(parts)
