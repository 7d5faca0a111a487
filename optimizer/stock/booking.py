"""Counts of a list of parts changed in place: every other byte of the file stays as it is."""

from __future__ import annotations

import codecs
import io
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from optimizer.errors import InputError
from optimizer.stock.columns import read_headings
from optimizer.stock.shelf import find_separator
from optimizer.text.quoting import make_printable

_BREAK = re.compile(r"\r\n|\r|\n")
_DIGITS = re.compile(r"\d{1,6}")

Span = tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class CountedRow:
    """Where a row of a list has its count.

    Parameters
    ----------
    line : int
        Line in the file.
    text : str
        The row without its count, by which it is found again.
    span : tuple of int
        Bytes of the number; empty where none is written, which counts as one piece.
    count : int
        Pieces.
    """

    line: int
    text: str
    span: Span
    count: int


class CountedList:
    """A list of parts as bytes, with the places of its counts.

    Parameters
    ----------
    raw : bytes
        The file: UTF-8 or an encoding of one byte for each character.
    file : str
        Its name, for messages.

    Raises
    ------
    InputError
        It has no column of counts.
    """

    def __init__(self, raw: bytes, file: str) -> None:
        self.raw = raw
        # One character for each byte: separators, quotes and digits are the same in all of these.
        text = raw.decode("latin-1")
        start = len(codecs.BOM_UTF8) if raw.startswith(codecs.BOM_UTF8) else 0
        separator = find_separator(list(io.StringIO(text[start:], newline="")))
        rows = _split_cells(text, start, separator)
        line, spans = next(rows, (1, []))
        headings = [_read_cell(text, span) for span in spans]
        column = next((c for c in read_headings(headings)[0] if c.name == "count"), None)
        if column is None:
            raise InputError(
                "a list has a column of counts to be kept up to date",
                file=file,
                line=line,
                remedy='add a column "count", or keep the list by hand',
            )
        found = (self._read_row(text, line, cells, column.index) for line, cells in rows)
        self.rows: dict[int, CountedRow] = {row.line: row for row in found if row is not None}

    def _read_row(self, text: str, line: int, cells: list[Span], at: int) -> CountedRow | None:
        if at >= len(cells):
            return None
        first, last = cells[at]
        number = _DIGITS.search(text, first, last)
        if number is None and text[first:last].strip():
            return None
        others = [_read_cell(self._decoded(span), None) for k, span in enumerate(cells) if k != at]
        return CountedRow(
            line=line,
            text=make_printable(" | ".join(others)),
            span=number.span() if number else (first, first),
            count=int(number[0]) if number else 1,
        )

    def _decoded(self, span: Span) -> str:
        cell = self.raw[slice(*span)]
        try:
            return cell.decode("utf-8")
        except UnicodeDecodeError:
            return cell.decode("cp1252", errors="replace")

    def book(self, taken: Mapping[int, int]) -> bytes:
        """Return the file with pieces taken off its rows.

        Parameters
        ----------
        taken : mapping of int to int
            Pieces by line; given back where below 0.

        Returns
        -------
        bytes
            Nothing but the digits of these counts differs.
        """
        parts, end = [], 0
        for row in sorted((self.rows[line] for line in taken), key=lambda row: row.span):
            parts += [self.raw[end : row.span[0]], str(row.count - taken[row.line]).encode()]
            end = row.span[1]
        return b"".join([*parts, self.raw[end:]])


def _read_cell(text: str, span: Span | None) -> str:
    cell = (text if span is None else text[slice(*span)]).strip()
    if len(cell) > 1 and cell[0] == cell[-1] == '"':
        cell = cell[1:-1].replace('""', '"')
    return " ".join(cell.split())


def _split_cells(text: str, start: int, separator: str) -> Iterator[tuple[int, list[Span]]]:
    """Yield line and cells of each row that is neither empty nor a comment, as a CSV reader does."""
    at, line = start, 1
    while at < len(text):
        first, cells = line, []
        while True:
            begin = at
            at = _end_cell(text, at, separator)
            cells.append((begin, at))
            line += len(_BREAK.findall(text, begin, at))
            if text[at : at + 1] != separator:
                break
            at += 1
        found = _BREAK.match(text, at)
        at = found.end() if found else len(text)
        line += 1
        lead = text[slice(*cells[0])]
        plain = any(text[slice(*span)].strip() for span in cells)
        if plain and not lead.lstrip(" ").startswith(("#", "sep=")):
            yield first, cells


def _end_cell(text: str, at: int, separator: str) -> int:
    """Find where a cell ends that begins at a place: a quoted one holds separators and lines."""
    while text[at : at + 1] == " ":
        at += 1
    if text[at : at + 1] == '"':
        at += 1
        while at < len(text):
            if text[at] == '"':
                if text[at + 1 : at + 2] != '"':
                    break
                at += 1
            at += 1
        at += 1
    while at < len(text) and text[at] not in (separator, "\r", "\n"):
        at += 1
    return min(at, len(text))
