"""The one door for measured files: a path -> a `MeasuredCurve`.

A text table or an impulse response, a sound pressure or an impedance: whoever wants a measured
file, a survey, a design or a test of the finished speaker, asks `open_curve` and gets the same
answer.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from optimizer.errors import InputError
from optimizer.measure.curve import Direction, FileHeading, MeasuredCurve, Quantity
from optimizer.measure.files.columns import parse_columns
from optimizer.measure.files.containers import find_container, open_container
from optimizer.measure.files.dialects import translate
from optimizer.measure.files.headings import read_heading, refuse_other_files
from optimizer.measure.files.impulse import is_recording, read_recording
from optimizer.measure.files.tables import TextTable, WantedCurve, build_curve, read_tables
from optimizer.measure.files.text import decode_curve, read_bytes

CALLED: dict[Quantity, str] = {"pressure": "response", "impedance": "impedance"}
"""What the trade calls a measured curve of each quantity."""


def open_curve(
    path: str | Path,
    quantity: Quantity | None = None,
    *,
    expected: Quantity | None = None,
    direction: Direction | None = None,
    gate_s: float | None = None,
    columns: str = "",
) -> MeasuredCurve:
    """Open a measured file.

    Parameters
    ----------
    path : path-like
        A text file of columns of numbers, or an impulse response as WAV. Headings say what its
        columns are; without them it is frequency in Hz, level in dB (or modulus in ohm) and phase
        in degrees, which may be missing. Impulse responses as WAV or FLAC; touchstone one-ports,
        MATLAB, HDF5 and SOFA files, by libraries of the extra "formats".
    quantity : {"pressure", "impedance"}, optional
        What the file is said to hold. Without that its heading decides, then `expected`, last its
        values.
    expected : {"pressure", "impedance"}, optional
        What the name of the file suggests.
    direction : Direction, optional
        Where a response was taken; of a file with several directions, which one is read.
    gate_s : float, optional
        Gate of an impulse response; found from its first reflection by default.
    columns : str
        What its columns are ("frequency kHz, level, phase rad"), which goes before its headings.

    Returns
    -------
    MeasuredCurve
        Increasing frequencies. `because` says what decided about its quantity; `notes` says what
        was ignored, averaged or turned round, and where the heading speaks against `quantity`;
        `columns` what each column was taken for, `doubts` what of that may be wrong.

    Raises
    ------
    InputError
        The file cannot be read, holds no rows of numbers, has a damaged row, a value out of range
        or frequencies out of order; or its numbers could be two things, and nothing says which.
        Nothing else is raised.

    Notes
    -----
    The separator (tab, semicolon, comma, blanks) and the decimal mark are decided once for the
    whole file: every reading under which all rows are numbers in range and in order is kept, and
    if two of them disagree the file is refused instead of guessed at. Thousands marks
    ("1,000.5", or "1.000,5" beside decimal commas) are understood. Lines that start with
    ``* # ; " // % !`` are comments. Anything before the first row of numbers is a header; from
    there on every line must be a row, a comment or empty. The rows may run up or down. Rows that
    repeat a frequency are averaged as complex numbers. One or two rows at either end that are at
    0 Hz or lack a number are left out. Without headings, columns after the third are ignored; when
    the third repeats the frequencies, the file holds pairs of columns: only the first pair is
    read if the file was said to be a measurement, else it is refused.
    """
    source = str(path)
    try:
        if quantity is None:
            refuse_other_files(Path(path))
        raw = read_bytes(path)
        wanted = WantedCurve(
            quantity=quantity,
            expected=expected,
            direction=direction,
            columns=parse_columns(columns) if columns else (),
        )
        text, translated = translate(Path(path), raw)
        kind = "" if translated else find_container(Path(path), raw)
        if translated:
            curve = _open_text(text, wanted)
            curve = replace(curve, notes=(*curve.notes, f"read by the plug-in {translated}"))
        elif kind:
            curve = _open_container(kind, Path(path), raw, wanted, gate_s)
        elif is_recording(source, raw):
            curve = _open_recording(raw, quantity, gate_s)
        else:
            curve = _open_text(decode_curve(raw), wanted)
    except InputError as error:
        raise _name_file(error, Path(path)).located(file=source) from None
    if expected == "impedance" and curve.quantity == "pressure" and curve.heading.quantity:
        curve = replace(curve, because=(*curve.because, "although the name says impedance"))
    return replace(
        curve, source=source, direction=direction if curve.quantity == "pressure" else None
    )


def _open_container(
    kind: str, path: Path, raw: bytes, wanted: WantedCurve, gate_s: float | None
) -> MeasuredCurve:
    curve = open_container(kind, path, raw, wanted, gate_s)
    return replace(curve, because=("as told",)) if wanted.quantity is not None else curve


def _open_recording(raw: bytes, quantity: Quantity | None, gate_s: float | None) -> MeasuredCurve:
    if quantity == "impedance":
        raise InputError(
            "an impulse response is a response, not an impedance",
            remedy="export the impedance as text: frequency, ohm, phase",
        )
    curve = read_recording(raw, gate_s=gate_s)
    return replace(curve, because=_say_why(quantity, curve.heading))


def _name_file(error: InputError, path: Path) -> InputError:
    """Complete the words that would settle the columns with the name of their file."""
    return error.stated_for(
        lambda one: (
            replace(one, name=f"{path.name}={one.name}")
            if (one.noun, one.part) == ("file", "columns") and "=" not in one.name
            else one
        )
    )


# A command reads a file more than once: for its survey, its design, a check.
@lru_cache(maxsize=512)
def _open_text(text: str, wanted: WantedCurve) -> MeasuredCurve:
    quantity = wanted.quantity
    heading, tables = read_heading(text), read_tables(text, wanted)
    said = _quantity_of_columns(tables)
    if said is not None and heading.quantity is None:
        heading = replace(heading, quantity=said, line=_line_of(tables))
    because = _say_why(quantity, heading)
    chosen = quantity or said or heading.quantity
    if chosen is None:
        chosen, reason = _choose_by_values(tables, wanted.expected)
        because = (reason,)
    against = quantity is not None and heading.quantity not in (None, quantity)
    try:
        curve = build_curve(tables, chosen)
    except InputError as error:
        if not against:
            raise
        raise InputError(
            f"the file cannot be read as a measured {CALLED[chosen]} ({error.rule}), and says "
            "itself that it is none",
            line=error.line,
            value=heading.line,
            remedy="correct its heading, or name another file",
        ) from None
    notes = curve.notes
    if against:
        notes = (*notes, f"read as {CALLED[chosen]} as told, although its heading says otherwise")
    if quantity is None and any(table.holds_pairs for table in tables):
        raise InputError("several curves side by side", remedy="export each to a file of its own")
    return replace(curve, heading=heading, gate_s=heading.gate_s, because=because, notes=notes)


def _quantity_of_columns(tables: list[TextTable]) -> Quantity | None:
    """Tell what the headings of the columns in use say."""
    return next((t.curve.quantity for t in tables if t.curve.quantity is not None), None)


def _line_of(tables: list[TextTable]) -> str:
    table = next(t for t in tables if t.curve.quantity is not None)
    return ", ".join(column.text for column in table.headings)[:60]


def _say_why(quantity: Quantity | None, heading: FileHeading) -> tuple[str, ...]:
    if quantity is not None:
        return ("as told",)
    if heading.quantity is None:
        return ()
    return (f"contents say {CALLED[heading.quantity]} ({heading.line})",)


def _choose_by_values(tables: list[TextTable], expected: Quantity | None) -> tuple[Quantity, str]:
    """Choose between level and ohm where the heading says nothing."""
    try:
        impedance = build_curve(tables, "impedance")
    except InputError:
        if expected == "impedance":
            raise
        return "pressure", "values are levels"
    why_not = _find_no_load(impedance)
    if expected != "impedance":
        looks = not why_not and _looks_like_load(impedance)
        return (
            ("impedance", "values are those of an impedance")
            if looks
            else ("pressure", "values are levels")
        )
    if why_not:
        raise InputError(
            f"name says impedance, but {why_not}", remedy="name or measure the file again"
        )
    return "impedance", "name says impedance"


def _find_no_load(impedance: MeasuredCurve) -> str:
    """Say what speaks against an impedance; nothing does where it is empty."""
    ohm = np.abs(impedance.value)
    if ohm.max() > 2000.0 or ohm.min() < 0.1:
        return f"values run from {ohm.min():.3g} to {ohm.max():.3g}"
    turn = float(np.abs(np.rad2deg(np.angle(impedance.value))).max())
    if turn > 95.0:
        return f"its phase reaches {turn:.0f} degrees, more than a load can have"
    return ""


def _looks_like_load(impedance: MeasuredCurve) -> bool:
    """Whether values suggest an impedance without any further hint."""
    ohm = np.abs(impedance.value)
    usual = 40.0 if impedance.has_phase else 25.0
    return bool(np.median(ohm) < usual and ohm.min() > 0.5 and ohm.max() < 500.0)
