"""Measured curves from text files: frequency, level or ohm, phase."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from optimizer.arrays import Complex, Flags, Real
from optimizer.errors import InputError
from optimizer.measure.curve import MeasuredCurve
from optimizer.measure.files.decode import read_text
from optimizer.measure.files.dialect import USED_COLUMNS, Table, read_tables

Quantity = Literal["pressure", "impedance"]

FEWEST_FREQUENCIES = 3
LEVEL_RANGE_DB = (-200.0, 250.0)
IMPEDANCE_RANGE_OHM = (1e-6, 1e9)


def read_response(path: str | Path, quantity: Quantity = "pressure") -> MeasuredCurve:
    """Read a curve from a text file of frequency, level (or ohm) and phase.

    Parameters
    ----------
    path : path-like
        The file: frequency in Hz, level in dB (or modulus in ohm), phase in degrees; the phase
        column may be missing.
    quantity : {"pressure", "impedance"}
        What the second column is: dB, or ohm.

    Returns
    -------
    MeasuredCurve
        Increasing frequencies; `has_phase` is False, and `value` real and positive, when the
        file gives no phase. `notes` says what was ignored, averaged or turned round.

    Raises
    ------
    InputError
        The file cannot be read, is not text, holds no rows of numbers, has a damaged row, a
        value out of range or frequencies out of order. Nothing else is raised.

    Notes
    -----
    The separator (tab, semicolon, comma, blanks) and the decimal mark are decided once for the
    whole file: every reading under which all rows are numbers in range and in order is kept, and
    if two of them disagree the file is refused instead of guessed at. Thousands marks
    ("1,000.5", or "1.000,5" beside decimal commas) are understood. Lines that start with
    ``* # ; " // % !`` are comments. Anything before the first row of numbers is a header; from
    there on every line must be a row, a comment or empty. The rows may run up or down. Rows that
    repeat a frequency are averaged as complex numbers. Columns after the third are ignored; when
    the third repeats the frequencies, the file holds pairs of columns and only the first pair is
    read.
    """
    source = str(path)
    try:
        return _choose(read_tables(read_text(path)), quantity, source)
    except InputError as error:
        raise error.located(file=source) from None


def read_impedance(path: str | Path) -> MeasuredCurve:
    """Read an impedance: frequency in Hz, modulus in ohm, phase in degrees.

    Parameters
    ----------
    path : path-like
        The file.

    Returns
    -------
    MeasuredCurve
        With `quantity` "impedance"; see `read_response`.

    Raises
    ------
    InputError
        As `read_response`; a modulus must be above 0.
    """
    return read_response(path, "impedance")


def _choose(tables: list[Table], quantity: Quantity, source: str) -> MeasuredCurve:
    """Return the one response the readings agree on, or raise why there is none."""
    good: list[MeasuredCurve] = []
    bad: list[InputError] = []
    for table in sorted(tables, key=lambda table: -len(table.rows)):
        try:
            if table.failure is not None:
                raise table.failure
            good.append(_build(table, quantity, source))
        except InputError as error:
            bad.append(error)
    if not good:
        raise bad[0]  # the reading that got furthest
    if any(not _same(good[0], other) for other in good[1:]):
        raise InputError(
            "the commas can be read in more than one way",
            line=min(table.lines[0] for table in tables),
            remedy="write decimal points, and separate the columns by tabs or semicolons",
        )
    return good[0]


def _same(one: MeasuredCurve, other: MeasuredCurve) -> bool:
    return (
        one.has_phase == other.has_phase
        and np.array_equal(one.frequency_hz, other.frequency_hz)
        and np.array_equal(one.value, other.value)
    )


def _build(table: Table, quantity: Quantity, source: str) -> MeasuredCurve:
    rows = np.array(table.rows, dtype=np.float64)
    lines = np.array(table.lines)
    notes: list[str] = []
    names = ("frequency", "level" if quantity == "pressure" else "impedance", "phase")
    for column, name in enumerate(names[: rows.shape[1]]):
        _require(np.isfinite(rows[:, column]), rows[:, column], lines, f"{name} must be finite")
    _require(rows[:, 0] > 0, rows[:, 0], lines, "frequency must be above 0 Hz")
    if quantity == "impedance":
        low, high = IMPEDANCE_RANGE_OHM
        rule = f"impedance must be above 0 ohm, within {low:g} to {high:g}"
    else:
        low, high = LEVEL_RANGE_DB
        rule = f"level must lie within {low:g} to {high:g} dB"
    _require((rows[:, 1] >= low) & (rows[:, 1] <= high), rows[:, 1], lines, rule)
    has_phase = rows.shape[1] == USED_COLUMNS
    if has_phase and table.columns > USED_COLUMNS and np.array_equal(rows[:, 0], rows[:, 2]):
        has_phase = False
        notes.append("columns are frequency and level pairs: only the first curve is read")
    elif table.columns > USED_COLUMNS:
        notes.append(f"columns after the third are ignored ({table.columns} found)")
    rows, turned = _in_order(rows, lines)
    if turned:
        notes.append("rows ran from high to low frequency and were reversed")
    modulus = rows[:, 1] if quantity == "impedance" else 10.0 ** (rows[:, 1] / 20.0)
    phase = np.deg2rad(rows[:, 2]) if has_phase else np.zeros(len(rows))
    complex_value = np.asarray(modulus * np.exp(1j * phase), dtype=np.complex128)
    frequency, value = _merge(rows[:, 0], complex_value, notes)
    if len(frequency) < FEWEST_FREQUENCIES:
        raise InputError(
            f"at least {FEWEST_FREQUENCIES} different frequencies are needed",
            value=len(frequency),
            remedy="export the whole curve",
        )
    if not has_phase:
        notes.append("no phase in the file")
    for array in (frequency, value):
        array.setflags(write=False)
    return MeasuredCurve(
        frequency_hz=frequency,
        value=value,
        quantity=quantity,
        source=source,
        has_phase=has_phase,
        notes=tuple(notes),
    )


def _require(good: Flags, values: Real, lines: NDArray[np.int_], rule: str) -> None:
    if not good.all():
        first = int(np.argmin(good))
        raise InputError(
            rule,
            line=int(lines[first]),
            value=f"{values[first]:g}",
            remedy="repair or remove the row",
        )


def _in_order(rows: Real, lines: NDArray[np.int_]) -> tuple[Real, bool]:
    step = np.diff(rows[:, 0])
    falling = np.count_nonzero(step < 0) > np.count_nonzero(step > 0)
    wrong = step > 0 if falling else step < 0
    if wrong.any():
        at = int(np.argmax(wrong))
        raise InputError(
            f"frequency must {'fall' if falling else 'rise'} from row to row",
            line=int(lines[at + 1]),
            value=f"{rows[at + 1, 0]:g} Hz after {rows[at, 0]:g} Hz",
            remedy="sort the file or remove the row",
        )
    return (rows[::-1] if falling else rows), bool(falling)


def _merge(frequency: Real, value: Complex, notes: list[str]) -> tuple[Real, Complex]:
    unique, start, count = np.unique(frequency, return_index=True, return_counts=True)
    if len(unique) == len(frequency):
        return frequency.copy(), value
    mean = np.asarray(np.add.reduceat(value, start) / count, dtype=np.complex128)
    usual = np.add.reduceat(np.abs(value), start) / count
    if (np.abs(mean) < 1e-3 * usual).any():
        at = float(unique[np.argmin(np.abs(mean) / usual)])
        raise InputError(
            "rows of the same frequency cancel each other",
            value=f"{at:g} Hz",
            remedy="keep one of them",
        )
    repeated = int(np.count_nonzero(count > 1))
    notes.append(f"{repeated} repeated frequencies averaged")
    return unique, mean
