"""Text -> rows of numbers, under each way its separators and commas can be read."""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass, field

from optimizer.errors import InputError

USED_COLUMNS = 3

_COMMENTS = ("*", "#", "//", "%", "!")
_PERHAPS_COMMENTS = ('"', ";")  # also a quoted number, or an empty first column
_NUMBER = re.compile(
    r"[+-]?(?=[0-9.])(?:[0-9]{1,3}(?:,[0-9]{3})+|[0-9]*)(?:\.[0-9]*)?(?:[eE][+-]?[0-9]+)?"
)
_NOT_FINITE = re.compile(r"[+-]?(?:nan|inf|infinity|1\.#\w+)(?:\(\w*\))?", re.IGNORECASE)
_SWAP = str.maketrans(",.", ".,")
_NAMES = ("frequency", "level", "phase")
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


@dataclass(slots=True, kw_only=True)
class Table:
    """The rows found under one dialect, up to the first failure.

    Parameters
    ----------
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

    rows: list[list[float]] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    columns: int = 0
    marks: set[str] = field(default_factory=set)
    failure: InputError | None = None


def read_tables(text: str) -> list[Table]:
    """Read a text under every dialect that it allows.

    Parameters
    ----------
    text : str
        The whole file.

    Returns
    -------
    list of Table
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


def _try(lines: list[str], separators: list[str], text: str) -> list[Table]:
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


def _read_table(lines: list[str], dialect: Dialect) -> Table:
    table = Table()
    above: tuple[int, list[str]] | None = None  # the last line before the rows
    used = 0
    for number, line in enumerate(lines, start=1):
        stripped = line.strip()
        if not stripped or stripped.startswith(_COMMENTS):
            continue
        parts = dialect.split(line)
        values = [dialect.number(part) for part in parts[:USED_COLUMNS]]
        whole = len(parts) >= 2 and None not in values
        if stripped.startswith(_PERHAPS_COMMENTS) and not whole:
            # An empty first column before a semicolon is damage, not a comment.
            gap = dialect.separator == ";" and parts[:1] == [""] and len(parts) == table.columns
            if not gap or None in values[1:]:
                continue
        if not table.rows:
            if not whole:
                above = (number, parts)
                continue
            table.columns, used = len(parts), len(values)
            if above and _damaged(above[1], dialect, table.columns):
                table.failure = _bad_row(above[0], above[1], dialect)
        elif not whole:
            table.failure = _bad_row(number, parts, dialect)
        elif len(values) != used or (dialect.separator == " " and len(parts) != table.columns):
            # A blank cannot show an empty column, so there the count must be met exactly.
            table.failure = InputError(
                f"every row must have {table.columns} columns like the first",
                line=number,
                value=len(parts),
                remedy="repair or remove the row",
            )
        if table.failure is not None and table.rows:
            break
        table.marks.update(dialect.mark(part) for part in parts[:used])
        table.rows.append([value for value in values if value is not None])
        table.lines.append(number)
        if table.failure is not None:
            break
    return table


def _damaged(parts: list[str], dialect: Dialect, columns: int) -> bool:
    """Tell whether the line above the first row is a row with a slip in it, not a heading."""
    used = parts[:USED_COLUMNS]
    good = sum(dialect.number(part) is not None for part in used)
    like_a_row = all(not part or part[0] in "+-.,0123456789" for part in used)
    return len(parts) == columns and good > 0 and like_a_row


def _bad_row(line: int, parts: list[str], dialect: Dialect) -> InputError:
    for name, part in zip(_NAMES, parts, strict=False):
        if dialect.number(part) is None:
            return InputError(
                f"{name} must be a number",
                line=line,
                value=repr(part[:40]) if part else "nothing",
                remedy=_REMEDY,
            )
    return InputError(
        "a row must have at least two numbers",
        line=line,
        value=repr(" ".join(parts)[:40]),
        remedy=_REMEDY,
    )
