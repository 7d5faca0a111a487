"""Text -> rows of numbers -> a curve, under each way its separators and commas can be read."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from optimizer.arrays import Complex, Flags, Index, Real
from optimizer.errors import InputError, Subject
from optimizer.measure.curve import Direction, MeasuredCurve, Quantity
from optimizer.measure.files.columns import (
    CurveColumns,
    FileColumn,
    choose_curve,
    factor_of,
    pair_columns,
    plain_columns,
    usual_unit,
)
from optimizer.measure.files.headings import HeadingLines
from optimizer.measure.files.plausible import judge_columns

FEWEST_FREQUENCIES = 3
MOST_DROPPED = 2
"""Rows that may be left out at each end."""
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
_EMPTY = {"", "-", "--", "n/a", "na", "#n/a", "null", "none"}
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


@dataclass(frozen=True, slots=True, kw_only=True)
class WantedCurve:
    """What is wanted of a table.

    Parameters
    ----------
    quantity : {"pressure", "impedance"} or None
        What it is said to hold.
    expected : {"pressure", "impedance"} or None
        What its name suggests, which counts where it holds both.
    direction : Direction or None
        Which of several.
    columns : tuple of FileColumn
        What the user says that its columns are; empty where nothing is said.
    """

    quantity: Quantity | None = None
    expected: Quantity | None = None
    direction: Direction | None = None
    columns: tuple[FileColumn, ...] = ()


_ANYTHING = WantedCurve()


@dataclass(frozen=True, slots=True)
class _Row:
    """One line that is neither empty nor a comment, and its used columns as numbers."""

    line: int
    parts: list[str]
    used: tuple[int, ...]
    values: list[float | None]

    @property
    def is_whole(self) -> bool:
        return len(self.parts) >= 2 and None not in self.values

    @property
    def has_gaps(self) -> bool:
        """Whether all that is missing are empty cells, beside at least one number."""
        missing = [i for i, value in zip(self.used, self.values, strict=True) if value is None]
        cells = [self.parts[i] if i < len(self.parts) else "" for i in missing]
        return len(missing) < len(self.used) and all(cell in _EMPTY for cell in cells)


@dataclass(slots=True, kw_only=True)
class TextTable:
    """The rows found under one dialect, up to the first failure.

    Parameters
    ----------
    dialect : Dialect
        How the lines were read.
    curve : CurveColumns
        Which columns were read, and what they hold.
    rows : list of list of float
        Frequency, modulus or real part, and perhaps phase or imaginary part.
    lines : list of int
        Line of each row, from 1.
    columns : int
        Columns of the first row, also those that are not used.
    headings : tuple of FileColumn
        Of all columns, where they have headings.
    unknown : str
        What of its headings is not known, as a sentence.
    marks : set of str
        Kinds of number seen, see `Dialect.mark`.
    failure : InputError or None
        The first damaged row, or why no curve can be chosen.
    notes : list of str
        What was left out.
    """

    dialect: Dialect
    curve: CurveColumns = field(default_factory=lambda: plain_columns(3))
    rows: list[list[float]] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    columns: int = 0
    headings: tuple[FileColumn, ...] = ()
    unknown: str = ""
    marks: set[str] = field(default_factory=set)
    failure: InputError | None = None
    notes: list[str] = field(default_factory=list)

    @property
    def holds_pairs(self) -> bool:
        """Whether several curves stand side by side: the third column is the first again."""
        if self.curve.stated:
            return False
        return self.columns > 3 and all(row[2:] == row[:1] for row in self.rows)

    def add(self, row: _Row) -> None:
        """Take a whole row."""
        self.columns = self.columns or len(row.parts)
        self.marks.update(self.dialect.mark(row.parts[i]) for i in row.used)
        self.rows.append([value for value in row.values if value is not None])
        self.lines.append(row.line)

    @property
    def curves(self) -> list[CurveColumns]:
        """All curves that the headings name."""
        return pair_columns(self.headings)


def read_tables(text: str, wanted: WantedCurve = _ANYTHING) -> list[TextTable]:
    """Read a text under every dialect that it allows.

    Parameters
    ----------
    text : str
        The whole file.
    wanted : WantedCurve
        Which curve, where it holds several, and what is said of its columns.

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
    tables = _try(lines, separators, text, wanted)
    # Any blank parts columns only if nothing else does: "100<tab><tab>-30" lacks its level.
    if all(table.failure is not None for table in tables):
        tables += _try(lines, [" "], text, wanted)
    first = min((table.lines[0] for table in tables if len(table.rows) > 1), default=None)
    if first is not None:
        tables = [table for table in tables if table.lines[0] <= first]
    if not tables:
        raise InputError(
            "no row of numbers found",
            remedy="give frequency, level and phase as columns of numbers",
        )
    return tables


def _try(
    lines: list[str], separators: list[str], text: str, wanted: WantedCurve
) -> list[TextTable]:
    tables: list[TextTable] = []
    latest = len(lines)  # line after which a reading that begins is left out
    for separator in separators:
        for decimal_comma in (False, True) if "," in text else (False,):
            if separator == ", " and not decimal_comma:
                continue  # the same as ","
            dialect = Dialect(separator=separator, decimal_comma=decimal_comma)
            table = _read_table(lines, dialect, wanted, latest)
            # A decimal comma must be seen to be believed, and a thousands mark only beside
            # numbers that do without: "20,000 80,125" on every row is not twenty thousand.
            seen = table.marks
            believed = "decimal" in seen if decimal_comma else seen != {"thousands"}
            if table.rows and believed:
                tables.append(table)
                if table.failure is None and len(table.rows) > 1:
                    latest = min(latest, table.lines[0])
    return tables


def _read_table(lines: list[str], dialect: Dialect, wanted: WantedCurve, latest: int) -> TextTable:
    """Read lines under one dialect; nothing, where no row has begun by the latest line."""
    reader = _TableReader(dialect, wanted)
    for number, line in enumerate(lines, start=1):
        if number > latest and not reader.table.rows:
            break
        if not reader.take(number, line):
            break
    _drop_last(reader.table, reader.gaps)
    return reader.table


class _TableReader:
    """Reads the lines of a text one by one under one dialect: what stands above, then the rows."""

    def __init__(self, dialect: Dialect, wanted: WantedCurve) -> None:
        self.table = TextTable(dialect=dialect)
        self.gaps: list[_Row] = []  # rows with empty cells since the last whole one
        self._dialect = dialect
        self._wanted = wanted
        self._heading = HeadingLines(dialect.split, by_blanks=dialect.separator == " ")
        self._above: _Row | None = None  # the last line before the rows
        self._used = _used_by(self._heading, wanted, None)

    def take(self, number: int, line: str) -> bool:
        """Read the next line; whether more are wanted."""
        if not self.table.rows:
            return self._look_for_first(number, line)
        row = _read_row(number, line, self._dialect, self.table.columns, self._used)
        if row is None:
            return True
        if row.has_gaps and not row.is_whole and self._dialect.separator != " ":
            self.gaps.append(row)
            return True
        damage = _bad_row(self.gaps[0], self._dialect) if self.gaps else None
        self.table.failure = damage or _find_damage(row, self.table)
        if self.table.failure is not None:
            return False
        self.table.add(row)
        return True

    def _look_for_first(self, number: int, line: str) -> bool:
        if self._dialect.separator.strip(" ") not in line:
            self._above = None  # one column at most: neither a row nor a damaged one
            self._take_heading(line)
            return True
        row = _read_row(number, line, self._dialect, 0, self._used)
        if row is None or not row.is_whole:
            self._above = row
            self._take_heading(line)
            return True
        self._used, first = _begin(self.table, self._heading, self._wanted, row, self._used)
        if first is None or self.table.failure is not None:
            return False
        self.table.add(first)
        return self._judge_above()

    def _take_heading(self, line: str) -> None:
        if not line.strip():
            return
        before = self._heading.columns
        self._heading.take(line)
        if self._heading.columns is not before:
            self._used = _used_by(self._heading, self._wanted, self._used)

    def _judge_above(self) -> bool:
        """Tell a first row with empty cells or a slip in it from a heading."""
        above, table = self._above, self.table
        if above is None or not _is_damaged_row(above, table):
            return True
        if above.has_gaps:
            table.notes.append(f"line {above.line}, above the first row, left out: empty cells")
            return True
        table.failure = _bad_row(above, self._dialect)
        return False


def _used_by(
    heading: HeadingLines, wanted: WantedCurve, before: tuple[int, ...] | None
) -> tuple[int, ...] | None:
    """Places of the columns that count, where something is said of them."""
    columns = wanted.columns or heading.columns
    if not columns:
        return before
    curves = pair_columns(columns)
    try:
        curve = choose_curve(curves, wanted)
    except InputError:
        return before
    if curve is None and len(curves) == 1:
        curve = curves[0]
    return curve.at if curve is not None else before


def _begin(
    table: TextTable,
    heading: HeadingLines,
    wanted: WantedCurve,
    row: _Row,
    used: tuple[int, ...] | None,
) -> tuple[tuple[int, ...] | None, _Row | None]:
    """Settle at the first row what the columns are; no row where that cannot be."""
    count = len(row.parts)
    columns = wanted.columns or heading.fit(count)
    unknown = "" if wanted.columns else heading.names_unknown(count)
    if unknown:
        table.unknown = f"has headings that are not known ({unknown}): read in the usual order"
    if columns and not wanted.columns and not pair_columns(columns) and _lacks_all(columns):
        columns, table.unknown = None, "has headings that do not fit its columns: not used"
    if not columns:
        table.curve = _with_units(plain_columns(count), heading.units())
        return table.curve.at, row
    table.headings = columns if wanted.columns else tuple(columns)
    table.columns, table.lines = count, [row.line]
    curves = pair_columns(columns)
    try:
        curve = choose_curve(curves, wanted)
        if curve is None and len(curves) == 1:
            curve = _against_heading(curves[0], wanted.quantity or "pressure")
        if curve is None:
            raise InputError(
                "the headings name no column of the kind that is wanted",
                value=", ".join(column.text or column.meaning for column in columns)[:60],
                remedy="name another file, or say what its columns are",
                by_stating=(Subject("file", part="columns"),),
            )
    except InputError as error:
        table.failure = error.located(line=row.line)
        table.rows = [[]]
        return used, None
    table.lines = []
    if max(curve.at) >= count:
        curve = plain_columns(count)
    if curve.at == (0, 1) and len(columns) == 2 < count and not wanted.columns:
        third = replace(plain_columns(3), stated=True)
        curve = replace(third, columns=(*curve.columns, third.columns[2]))
        table.unknown = "has no heading over its third column: taken as phase"
    table.curve = _with_units(curve, heading.units())
    again = [table.dialect.number(row.parts[i]) for i in curve.at]
    return curve.at, _Row(row.line, row.parts, curve.at, again)


def _lacks_all(columns: tuple[FileColumn, ...]) -> bool:
    """Whether headings name nothing but frequencies: they were cut in the wrong places."""
    return all(column.meaning in ("frequency", "ignored") for column in columns)


def _against_heading(curve: CurveColumns, quantity: Quantity) -> CurveColumns:
    """Give the one curve of a file that is said to be of the other quantity."""
    usual = usual_unit(curve.columns[1].meaning, quantity)
    head = replace(curve.columns[1], unit=usual, quantity=None)
    return replace(curve, columns=(curve.columns[0], head, *curve.columns[2:]))


def _with_units(curve: CurveColumns, units: Mapping[str, str]) -> CurveColumns:
    """Give columns without a unit the one that a comment states."""
    columns = tuple(
        column if column.unit else replace(column, unit=units.get(column.meaning, ""))
        for column in curve.columns
    )
    return replace(curve, columns=columns)


def _drop_last(table: TextTable, gaps: list[_Row]) -> None:
    """Leave out rows with empty cells at the end."""
    if not gaps or table.failure is not None:
        return
    if len(gaps) > MOST_DROPPED:
        table.failure = _bad_row(gaps[0], table.dialect)
        return
    table.notes.append(f"last row{'s' if len(gaps) > 1 else ''} left out: empty cells")


def _read_row(
    number: int, line: str, dialect: Dialect, columns: int, used: tuple[int, ...] | None
) -> _Row | None:
    """Cut one line into numbers; None for a comment or an empty line."""
    stripped = line.strip()
    if not stripped or stripped.startswith(_COMMENTS):
        return None
    parts = dialect.split(line)
    places = (0, 1, 2) if used is None else used
    if not columns:  # the first row decides how many there are
        places = tuple(place for place in places if place < len(parts))
    values = [dialect.number(parts[i]) if i < len(parts) else None for i in places]
    row = _Row(number, parts, places, values)
    if stripped.startswith(_PERHAPS_COMMENTS) and not row.is_whole:
        # An empty first column before a semicolon is damage, not a comment.
        gap = dialect.separator == ";" and parts[:1] == [""] and len(parts) == columns
        if not gap or None in row.values[1:]:
            return None
    return row


def _find_damage(row: _Row, table: TextTable) -> InputError | None:
    """Say what is wrong with a row below the first one."""
    here = [v for i, v in zip(row.used, row.values, strict=True) if i < len(row.parts)]
    short = len(here) < len(row.used) and len(row.parts) > 1
    if not row.is_whole and (None in here or not short):
        return _bad_row(row, table.dialect)
    # A blank cannot show an empty column, so there the count must be met exactly.
    if short or (table.dialect.separator == " " and len(row.parts) != table.columns):
        return InputError(
            f"every row must have {table.columns} columns like the first",
            line=row.line,
            value=len(row.parts),
            remedy="repair or remove the row",
        )
    return None


def _is_damaged_row(above: _Row, table: TextTable) -> bool:
    """Tell whether the line above the first row is a row with a slip in it, not a heading."""
    used = above.parts[:3]
    good = sum(value is not None for value in above.values)
    like_a_row = all(not part or part[0] in "+-.,0123456789" for part in used)
    return len(above.parts) == table.columns and good > 0 and like_a_row


def _bad_row(row: _Row, dialect: Dialect) -> InputError:
    for name, place in zip(_NAMES, row.used, strict=False):
        part = row.parts[place] if place < len(row.parts) else ""
        if len(row.parts) >= 2 and dialect.number(part) is None:
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
    notes = list(table.notes)
    rows, lines = _trim(rows, lines, notes)
    curve = table.curve
    if table.holds_pairs:
        rows, curve = rows[:, :2], replace(curve, at=curve.at[:2], columns=curve.columns[:2])
        notes.append("columns are frequency and level pairs: only the first curve is read")
    if not curve.stated and table.columns > 12 and table.columns > 4 * len(rows):
        raise InputError(
            "each row is one frequency; here rows and columns seem exchanged",
            line=int(lines[0]),
            value=f"{len(rows)} rows of {table.columns} columns",
            remedy="exchange rows and columns",
        )
    names = _name_columns(curve, quantity)
    for column, name in enumerate(names):
        _require(np.isfinite(rows[:, column]), rows[:, column], lines, f"{name} must be finite")
    _require(rows[:, 0] > 0, rows[:, 0], lines, "frequency must be above 0 Hz")
    _check_range(rows, lines, curve, quantity)
    notes += _name_unused(table, curve)
    rows, turned = _in_order(rows, lines)
    if turned:
        notes.append("rows ran from high to low frequency and were reversed")
    curve, doubts = judge_columns(rows, curve, quantity, unknown=table.unknown)
    frequency, value = _merge(
        rows[:, 0] * factor_of(curve.columns[0], quantity), _combine(rows, curve, quantity), notes
    )
    if len(frequency) < FEWEST_FREQUENCIES:
        raise InputError(
            f"at least {FEWEST_FREQUENCIES} different frequencies are needed",
            value=len(frequency),
            remedy="export the whole curve",
        )
    has_phase = len(curve.at) > 2
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
        columns=curve.describe(quantity) + ("" if curve.stated else ", in the usual order"),
        doubts=tuple(doubts),
        beside=_name_all(table.curves, quantity),
        notes=tuple(notes),
    )


def _name_all(
    curves: Sequence[CurveColumns], quantity: Quantity
) -> tuple[tuple[Quantity, Direction | None], ...]:
    """Name the curves of a file by quantity and direction, where these tell them apart."""
    split = any(curve.quantity != curves[0].quantity for curve in curves)
    usual: Quantity = "pressure" if split else quantity
    named = [(curve.quantity or usual, curve.direction) for curve in curves]
    return tuple(named) if len(set(named)) == len(named) > 1 else ()


def _name_columns(curve: CurveColumns, quantity: Quantity) -> tuple[str, ...]:
    modulus = "level" if quantity == "pressure" else "impedance"
    return tuple(modulus if c.meaning == "modulus" else c.meaning for c in curve.columns)


def _check_range(rows: Real, lines: Index, curve: CurveColumns, quantity: Quantity) -> None:
    """Refuse a modulus that no measurement has."""
    if curve.cartesian:
        zero = (rows[:, 1] != 0) | (rows[:, 2] != 0)
        _require(zero, rows[:, 1], lines, "real and imaginary part must not both be 0")
        return
    unit = curve.columns[1].unit or usual_unit("modulus", quantity)
    if unit == "dB":
        low, high = LEVEL_RANGE_DB
        rule = f"level must lie within {low:g} to {high:g} dB"
    elif quantity == "impedance":
        low, high = IMPEDANCE_RANGE_OHM
        rule = f"impedance must be above 0 ohm, within {low:g} to {high:g}"
    else:
        low, high = 1e-12, 1e12
        rule = "a pressure or ratio must be above 0"
    _require((rows[:, 1] >= low) & (rows[:, 1] <= high), rows[:, 1], lines, rule)


def _combine(rows: Real, curve: CurveColumns, quantity: Quantity) -> Complex:
    """Complex values of the rows."""
    numbers = rows[:, 1]
    scale = factor_of(curve.columns[1], quantity)
    if curve.cartesian:
        other = rows[:, 2] * factor_of(curve.columns[2], quantity)
        return np.asarray(numbers * scale + 1j * other, dtype=np.complex128)
    unit = curve.columns[1].unit or usual_unit("modulus", quantity)
    modulus = 10.0 ** (numbers / 20.0) if unit == "dB" else numbers * scale
    phase = np.zeros(len(rows))
    if len(curve.columns) > 2:
        phase = rows[:, 2] * factor_of(curve.columns[2], quantity)
    return np.asarray(modulus * np.exp(1j * phase), dtype=np.complex128)


def _trim(rows: Real, lines: Index, notes: list[str]) -> tuple[Real, Index]:
    """Leave out a first or last row at 0 Hz, or without a number where one belongs."""
    bad = ~np.isfinite(rows).all(axis=1) | (rows[:, 0] == 0.0)
    start, stop = 0, len(rows)
    while start < min(MOST_DROPPED, stop) and bad[start]:
        start += 1
    while len(rows) - stop < MOST_DROPPED and stop > start and bad[stop - 1]:
        stop -= 1
    for which, dropped in (("first", range(start)), ("last", range(stop, len(rows)))):
        if dropped and not bad[start:stop].any() and stop - start >= FEWEST_FREQUENCIES:
            why = "0 Hz" if rows[dropped[0], 0] == 0.0 else "no number"
            notes.append(f"{which} row{'s' if len(dropped) > 1 else ''} left out: {why}")
    if bad[start:stop].any() or stop - start < FEWEST_FREQUENCIES:
        return rows, lines
    return rows[start:stop], lines[start:stop]


def _name_unused(table: TextTable, curve: CurveColumns) -> list[str]:
    """Say which columns were not read."""
    if not curve.stated:
        if table.columns > 3 and not table.holds_pairs:
            return [f"columns after the third are ignored ({table.columns} found)"]
        return []
    elsewhere = {place for one in table.curves for place in one.at}
    taken = elsewhere if _name_all(table.curves, "pressure") else set(curve.at)
    rest = [
        column.text or column.meaning
        for place, column in enumerate(table.headings)
        if place not in taken and place < table.columns and column.text != "empty"
    ]
    rest += ["a column without heading"] * (table.columns - max(len(table.headings), 0))
    return [f"columns not read: {', '.join(rest)[:120]}"] if rest else []


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
