"""Text -> rows of numbers -> a curve, under each way its separators and commas can be read."""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass, field

import numpy as np

from optimizer.arrays import Complex, Flags, Index, Real
from optimizer.errors import InputError
from optimizer.measure.curve import MeasuredCurve, Quantity

USED_COLUMNS = 3
FEWEST_FREQUENCIES = 3
LEVEL_RANGE_DB = (-200.0, 250.0)
IMPEDANCE_RANGE_OHM = (1e-6, 1e9)
NO_PHASE = "no phase in the file"
"""Note on a curve that was not exported with its phase."""

_COMMENTS = ("*", "#", "//", "%", "!")
_PERHAPS_COMMENTS = ('"', ";")  # also a quoted number, or an empty first column
_NUMBER = re.compile(
    r"[+-]?(?=[0-9.])(?:[0-9]{1,3}(?:,[0-9]{3})+|[0-9]*)(?:\.[0-9]*)?(?:[eE][+-]?[0-9]+)?"
)
_NOT_FINITE = re.compile(r"[+-]?(?:nan|inf|infinity|1\.#\w+)(?:\(\w*\))?", re.IGNORECASE)
_SWAP = str.maketrans(",.", ".,")
_NAMES = ("frequency", "level", "phase")
_PARTED_BY = {
    "\t": "tabs", ";": "semicolons", ",": "commas", ", ": "commas and blanks", " ": "blanks",
}  # fmt: skip
_REMEDY = "repair or remove the row, or start it with * if it is a comment"


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    r"""One way to read the numbers of a file.

    Parameters
    ----------
    separator : {"\\t", ";", ",", ", ", " "}
        What parts the columns; ", " is a comma followed by blanks, " " any blanks or tabs.
    decimal_comma : bool
        Whether the comma is the decimal mark, and the point the thousands mark.
    """

    separator: str
    decimal_comma: bool

    def __str__(self) -> str:
        mark = "commas" if self.decimal_comma else "points"
        return f"columns parted by {_PARTED_BY[self.separator]}, decimal {mark}"

    def split(self, line: str) -> list[str]:
        """Cut a line into columns, without quotes, blanks and empty columns at its end."""
        line = line.strip(" \xa0\r")
        if self.separator == " ":
            return [part.strip('"') for part in line.split()]
        if self.separator == ", ":
            parts = re.split(r",\s+", line)
        elif '"' in line:
            try:
                parts = next(csv.reader([line], delimiter=self.separator, skipinitialspace=True))
            except csv.Error:
                return []
        else:
            parts = line.split(self.separator)
        parts = [part.strip().strip('"') for part in parts]
        while parts and not parts[-1]:
            parts.pop()
        return parts

    def number(self, text: str) -> float | None:
        """Read one number: NaN where it says so, None where it is none."""
        text = text.replace("\u2212", "-")
        if self.decimal_comma:
            text = text.translate(_SWAP)
        if _NUMBER.fullmatch(text) and text[-1] not in "+-" and text.strip("+-.,"):
            try:
                return float(text.replace(",", ""))
            except ValueError:
                return None
        return math.nan if _NOT_FINITE.fullmatch(text) else None

    def mark(self, text: str) -> str:
        """Tell whether a number has a decimal mark, else a thousands mark, else none."""
        decimal, thousands = (",", ".") if self.decimal_comma else (".", ",")
        if decimal in text:
            return "decimal"
        return "thousands" if thousands in text else "plain"


@dataclass(frozen=True, slots=True)
class _Row:
    """One line that is neither empty nor a comment, and its used columns as numbers."""

    line: int
    parts: list[str]
    values: list[float | None]

    @property
    def is_whole(self) -> bool:
        return len(self.parts) >= 2 and None not in self.values


@dataclass(slots=True, kw_only=True)
class TextTable:
    """The rows found under one dialect, up to the first failure.

    Parameters
    ----------
    dialect : Dialect
        How the lines were read.
    rows : list of list of float
        Two or three numbers each.
    lines : list of int
        Line of each row, from 1.
    columns : int
        Columns of the first row, also those that are not used.
    marks : set of str
        Kinds of number seen, see `Dialect.mark`.
    failure : InputError or None
        The first damaged row.
    """

    dialect: Dialect
    rows: list[list[float]] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    columns: int = 0
    marks: set[str] = field(default_factory=set)
    failure: InputError | None = None

    @property
    def holds_pairs(self) -> bool:
        """Whether several curves stand side by side: the third column is the first again."""
        return self.columns > USED_COLUMNS and all(row[2:] == row[:1] for row in self.rows)

    def add(self, row: _Row) -> None:
        """Take a whole row."""
        self.columns = self.columns or len(row.parts)
        self.marks.update(self.dialect.mark(part) for part in row.parts[: len(row.values)])
        self.rows.append([value for value in row.values if value is not None])
        self.lines.append(row.line)


def read_tables(text: str) -> list[TextTable]:
    """Read a text under every dialect that it allows.

    Parameters
    ----------
    text : str
        The whole file.

    Returns
    -------
    list of TextTable
        The readings with at least one row, the likelier first. A reading that takes for a
        header what another one reads as two or more rows is left out: it would lose data
        without a word.

    Raises
    ------
    InputError
        There is no row of numbers.
    """
    lines = re.split(r"\r\n|\n|\r", text)
    separators = [mark for mark in ("\t", ";", ",") if mark in text]
    if re.search(r",[ \t]", text):
        separators.append(", ")
    tables = _try(lines, separators, text)
    # Any blank parts columns only if nothing else does: "100<tab><tab>-30" lacks its level.
    if all(table.failure is not None for table in tables):
        tables += _try(lines, [" "], text)
    first = min((table.lines[0] for table in tables if len(table.rows) > 1), default=None)
    if first is not None:
        tables = [table for table in tables if table.lines[0] <= first]
    if not tables:
        raise InputError(
            "no row of numbers found",
            remedy="give frequency, level and phase as columns of numbers",
        )
    return tables


def _try(lines: list[str], separators: list[str], text: str) -> list[TextTable]:
    tables = []
    for separator in separators:
        for decimal_comma in (False, True) if "," in text else (False,):
            if separator == ", " and not decimal_comma:
                continue  # the same as ","
            table = _read_table(lines, Dialect(separator=separator, decimal_comma=decimal_comma))
            # A decimal comma must be seen to be believed, and a thousands mark only beside
            # numbers that do without: "20,000 80,125" on every row is not twenty thousand.
            seen = table.marks
            believed = "decimal" in seen if decimal_comma else seen != {"thousands"}
            if table.rows and believed:
                tables.append(table)
    return tables


def _read_table(lines: list[str], dialect: Dialect) -> TextTable:
    table = TextTable(dialect=dialect)
    above: _Row | None = None  # the last line before the rows
    for number, line in enumerate(lines, start=1):
        if not table.rows and dialect.separator.strip(" ") not in line:
            above = None  # one column at most: neither a row nor a damaged one
            continue
        row = _read_row(number, line, dialect, table.columns)
        if row is None:
            continue
        if table.rows:
            table.failure = _find_damage(row, table)
            if table.failure is not None:
                break
        elif not row.is_whole:
            above = row
            continue
        table.add(row)
        if above is not None and _is_damaged_row(above, table):
            table.failure = _bad_row(above, dialect)
            break
        above = None
    return table


def _read_row(number: int, line: str, dialect: Dialect, columns: int) -> _Row | None:
    """Cut one line into numbers; None for a comment or an empty line."""
    stripped = line.strip()
    if not stripped or stripped.startswith(_COMMENTS):
        return None
    parts = dialect.split(line)
    row = _Row(number, parts, [dialect.number(part) for part in parts[:USED_COLUMNS]])
    if stripped.startswith(_PERHAPS_COMMENTS) and not row.is_whole:
        # An empty first column before a semicolon is damage, not a comment.
        gap = dialect.separator == ";" and parts[:1] == [""] and len(parts) == columns
        if not gap or None in row.values[1:]:
            return None
    return row


def _find_damage(row: _Row, table: TextTable) -> InputError | None:
    """Say what is wrong with a row below the first one."""
    if not row.is_whole:
        return _bad_row(row, table.dialect)
    # A blank cannot show an empty column, so there the count must be met exactly.
    strict = table.dialect.separator == " " and len(row.parts) != table.columns
    if strict or len(row.values) != len(table.rows[0]):
        return InputError(
            f"every row must have {table.columns} columns like the first",
            line=row.line,
            value=len(row.parts),
            remedy="repair or remove the row",
        )
    return None


def _is_damaged_row(above: _Row, table: TextTable) -> bool:
    """Tell whether the line above the first row is a row with a slip in it, not a heading."""
    used = above.parts[:USED_COLUMNS]
    good = sum(value is not None for value in above.values)
    like_a_row = all(not part or part[0] in "+-.,0123456789" for part in used)
    return len(above.parts) == table.columns and good > 0 and like_a_row


def _bad_row(row: _Row, dialect: Dialect) -> InputError:
    for name, part in zip(_NAMES, row.parts, strict=False):
        if dialect.number(part) is None:
            return InputError(
                f"{name} must be a number",
                line=row.line,
                value=repr(part[:40]) if part else "nothing",
                remedy=_REMEDY,
            )
    return InputError(
        "a row must have at least two numbers",
        line=row.line,
        value=repr(" ".join(row.parts)[:40]),
        remedy=_REMEDY,
    )


def build_curve(tables: list[TextTable], quantity: Quantity) -> MeasuredCurve:
    """Make the one curve on which all readings of a text agree.

    Parameters
    ----------
    tables : list of TextTable
        As `read_tables` found them.
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
        A damaged row, a value out of range, frequencies out of order, or readings that differ.
    """
    good: list[MeasuredCurve] = []
    bad: list[InputError] = []
    for table in sorted(tables, key=lambda table: -len(table.rows)):
        try:
            if table.failure is not None:
                raise table.failure
            good.append(_build(table, quantity))
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


def _build(table: TextTable, quantity: Quantity) -> MeasuredCurve:
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
    if table.holds_pairs:
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
        notes.append(NO_PHASE)
    for array in (frequency, value):
        array.setflags(write=False)
    return MeasuredCurve(
        frequency_hz=frequency,
        value=value,
        quantity=quantity,
        has_phase=has_phase,
        layout=str(table.dialect),
        notes=tuple(notes),
    )


def _require(good: Flags, values: Real, lines: Index, rule: str) -> None:
    if not good.all():
        first = int(np.argmin(good))
        raise InputError(
            rule,
            line=int(lines[first]),
            value=f"{values[first]:g}",
            remedy="repair or remove the row",
        )


def _in_order(rows: Real, lines: Index) -> tuple[Real, bool]:
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
