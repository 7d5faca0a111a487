"""Measured curves from text files: frequency, level or ohm, phase."""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from optimizer.errors import InputError
from optimizer.measure.response import Response

Quantity = Literal["pressure", "impedance"]

LARGEST_BYTES = 50_000_000
FEWEST_FREQUENCIES = 3
LEVEL_RANGE_DB = (-200.0, 250.0)

_COMMENTS = ("*", "#", ";", '"', "//", "%", "!")
_NUMBER = re.compile(
    r"[+-]?(?=[0-9.])(?:[0-9]{1,3}(?:,[0-9]{3})+|[0-9]*)(?:\.[0-9]*)?(?:[eE][+-]?[0-9]+)?"
)
_NOT_FINITE = re.compile(r"[+-]?(?:nan|inf|infinity|1\.#\w+)(?:\(\w*\))?", re.IGNORECASE)
_SWAP = str.maketrans(",.", ".,")
_SIGNATURES = {
    b"%PDF": "a PDF document",
    b"\x89PNG": "an image",
    b"\xff\xd8\xff": "an image",
    b"GIF8": "an image",
    b"PK\x03\x04": "a spreadsheet or an archive",
    b"\xd0\xcf\x11\xe0": "a spreadsheet",
    b"\x1f\x8b": "an archive",
    b"RIFF": "a sound recording",
}


def read_response(path: str | Path, quantity: Quantity = "pressure") -> Response:
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
    Response
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
    there on every line must be a row, a comment or empty. Rows that repeat a frequency are
    averaged as complex numbers.
    """
    source = str(path)
    try:
        text = _decode(_read_bytes(path))
        return _read_text(text, quantity, source)
    except InputError as error:
        raise error.located(file=source) from None


def read_impedance(path: str | Path) -> Response:
    """Read an impedance: frequency in Hz, modulus in ohm, phase in degrees.

    Parameters
    ----------
    path : path-like
        The file.

    Returns
    -------
    Response
        With `quantity` "impedance"; see `read_response`.

    Raises
    ------
    InputError
        As `read_response`; a modulus must be above 0.
    """
    return read_response(path, "impedance")


def _read_bytes(path: str | Path) -> bytes:
    try:
        file = Path(path)
        if not file.exists():
            raise InputError("the file must exist", remedy="check the name and the folder")
        if file.is_dir():
            raise InputError("a file is needed, this is a folder", remedy="name a file inside it")
        if not file.is_file():
            raise InputError("a regular file is needed", remedy="export the curve to a text file")
        size = file.stat().st_size
        if size > LARGEST_BYTES:
            raise InputError(
                f"a measurement must not exceed {LARGEST_BYTES // 1_000_000} MB",
                value=f"{size / 1e6:.0f} MB",
                remedy="export fewer points, 1/48 octave is plenty",
            )
        return file.read_bytes()
    except (OSError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(
            f"the file cannot be read ({reason})", remedy="check its name and permissions"
        ) from None


def _decode(raw: bytes) -> str:
    """Text of a file in UTF-8, UTF-16 (marked or not), UTF-32 (marked) or Latin-1."""
    for signature, what in _SIGNATURES.items():
        if raw.startswith(signature):
            raise _not_text(f"this is {what}")
    encoding = "utf-8"
    if raw.startswith((b"\xff\xfe\x00\x00", b"\x00\x00\xfe\xff")):
        encoding = "utf-32"
    elif raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        encoding = "utf-16"
    elif raw.startswith(b"\xef\xbb\xbf"):
        encoding = "utf-8-sig"
    elif b"\x00" in raw:
        # Without a mark, UTF-16 shows by NUL bytes in every other place and nowhere else.
        low, high = raw[0::2].count(0), raw[1::2].count(0)
        if min(low, high) or 3 * max(low, high) < len(raw):
            raise _not_text("it holds NUL bytes")
        encoding = "utf-16-be" if low else "utf-16-le"
    try:
        text = raw.decode(encoding)
    except UnicodeDecodeError:
        if encoding.startswith(("utf-16", "utf-32")):
            raise _not_text(f"its {encoding.upper()} text is damaged") from None
        text = raw.decode("latin-1")
    text = text.removesuffix("\x1a")  # end-of-file mark of old systems
    if re.search(r"[\x00-\x08\x0e-\x1f]", text):
        raise _not_text("it holds control characters")
    if not text.strip():
        raise InputError("the file must not be empty", remedy="export the measurement again")
    return text


def _not_text(reason: str) -> InputError:
    return InputError(
        f"a text file is needed, {reason}",
        remedy="export the curve as text: frequency, level, phase",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Dialect:
    """One way to read the numbers of a file."""

    separator: str  # "\t", ";", ",", ", " (comma and blank) or " " (any blanks)
    comma: bool  # True: the comma is the decimal mark

    def split(self, line: str) -> list[str]:
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
        text = text.replace("\u2212", "-")
        if self.comma:
            text = text.translate(_SWAP)
        if _NUMBER.fullmatch(text) and text.strip("+-.,"):
            try:
                return float(text.replace(",", ""))
            except ValueError:
                return None
        return math.nan if _NOT_FINITE.fullmatch(text) else None


@dataclass(slots=True, kw_only=True)
class _Table:
    """Rows found under one dialect, up to the first failure."""

    rows: list[list[float]] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    columns: int = 0  # in the first row
    marks: set[str] = field(default_factory=set)  # kinds of number seen
    failure: InputError | None = None


def _read_text(text: str, quantity: Quantity, source: str) -> Response:
    lines = re.split(r"\r\n|\n|\r", text)
    separators = [mark for mark in ("\t", ";", ",") if mark in text]
    if re.search(r",[ \t]", text):
        separators.append(", ")
    tables = _try(lines, separators, "," in text)
    answers = _answers(tables, quantity, source)
    if not any(isinstance(answer, Response) for answer in answers):
        tables += _try(lines, [" "], "," in text)
        answers = _answers(tables, quantity, source)
    good = [answer for answer in answers if isinstance(answer, Response)]
    if not good:
        best = max(tables, key=lambda table: len(table.rows), default=_Table())
        if not best.rows:
            raise InputError(
                "no row of numbers found",
                remedy="give frequency, level and phase as columns of numbers",
            )
        failed = answers[tables.index(best)]
        assert isinstance(failed, InputError)
        raise failed
    if any(not _same(good[0], other) for other in good[1:]):
        raise InputError(
            "the commas can be read as decimal marks or as separators",
            line=min(table.lines[0] for table in tables if table.rows),
            remedy="write decimal points, or separate the columns by semicolons",
        )
    return good[0]


def _same(one: Response, other: Response) -> bool:
    return (
        one.has_phase == other.has_phase
        and np.array_equal(one.frequency_hz, other.frequency_hz)
        and np.array_equal(one.value, other.value)
    )


def _try(lines: list[str], separators: list[str], commas: bool) -> list[_Table]:
    tables = []
    for separator in separators:
        for comma in (False, True) if commas else (False,):
            if separator == ", " and not comma:
                continue
            table = _read_table(lines, _Dialect(separator=separator, comma=comma))
            # A decimal comma must be seen to be believed, and a thousands mark only beside
            # numbers that do without: "20,000 80,125" on every row is not twenty thousand.
            seen = table.marks
            if (comma and "decimal" not in seen) or (not comma and seen == {"thousands"}):
                continue
            tables.append(table)
    return tables


def _answers(
    tables: list[_Table], quantity: Quantity, source: str
) -> list[Response | InputError]:
    """Turn each table into a response, or into the reason why not."""
    # A reading that takes for a header what another reads as rows would lose data silently.
    starts = [table.lines[0] for table in tables if len(table.lines) > 1]
    answers: list[Response | InputError] = []
    for table in tables:
        if table.failure is not None:
            answers.append(table.failure)
        elif not table.rows or table.lines[0] > min(starts, default=table.lines[0]):
            answers.append(InputError("no row of numbers found"))
        else:
            try:
                answers.append(_build(table, quantity, source))
            except InputError as error:
                answers.append(error)
    return answers


def _read_table(lines: list[str], dialect: _Dialect) -> _Table:
    table = _Table()
    above: tuple[int, list[str]] | None = None  # last header line
    used = 0
    for number, line in enumerate(lines, start=1):
        stripped = line.strip()
        if not stripped or (stripped.startswith(_COMMENTS) and not stripped.startswith(('"', ";"))):
            continue
        parts = dialect.split(line)
        values = [dialect.number(part) for part in parts[:3]]
        whole = len(parts) >= 2 and None not in values
        if stripped.startswith(('"', ";")) and not whole:
            # A missing first number before a semicolon is damage, not a comment.
            gap = dialect.separator == ";" and parts[:1] == [""] and len(parts) == table.columns
            if not gap or None in values[1:]:
                continue
        if not table.rows:
            if not whole:
                above = (number, parts)
                continue
            table.columns, used = len(parts), min(len(parts), 3)
            if above and _damaged(above[1], dialect, table.columns):
                table.failure = _bad_row(above[0], above[1], dialect)
        elif not whole:
            table.failure = _bad_row(number, parts, dialect)
            break
        elif min(len(parts), 3) != used or (
            dialect.separator == " " and len(parts) != table.columns
        ):
            table.failure = InputError(
                f"every row must have the {table.columns} columns of the first",
                line=number,
                value=len(parts),
                remedy="repair or remove the row",
            )
            break
        for part in parts[:used]:
            table.marks.add(_mark(part, dialect.comma))
        table.rows.append([value for value in values if value is not None])
        table.lines.append(number)
        if table.failure is not None:
            break
    return table


def _mark(part: str, comma: bool) -> str:
    decimal, thousands = (",", ".") if comma else (".", ",")
    if decimal in part:
        return "decimal"
    return "thousands" if thousands in part else "plain"


def _damaged(parts: list[str], dialect: _Dialect, columns: int) -> bool:
    """Whether the line above the first row is a row with a slip in it, not a heading."""
    if len(parts) != columns:
        return False
    good = sum(dialect.number(part) is not None for part in parts[:3])
    return good > 0 and all(not part or part[0] in "+-.,0123456789" for part in parts[:3])


def _bad_row(line: int, parts: list[str], dialect: _Dialect) -> InputError:
    names = ("frequency", "level", "phase")
    for name, part in zip(names, parts, strict=False):
        if dialect.number(part) is None:
            return InputError(
                f"{name} must be a number",
                line=line,
                value=repr(part[:40]) if part else "nothing",
                remedy="repair or remove the row, or start it with * if it is a comment",
            )
    return InputError(
        "a row must have at least two numbers",
        line=line,
        value=repr(" ".join(parts)[:40]),
        remedy="repair or remove the row, or start it with * if it is a comment",
    )


def _build(table: _Table, quantity: Quantity, source: str) -> Response:
    rows = np.array(table.rows, dtype=np.float64)
    lines = np.array(table.lines)
    notes: list[str] = []
    names = ("frequency", "level" if quantity == "pressure" else "impedance", "phase")
    for column, name in enumerate(names[: rows.shape[1]]):
        _require(np.isfinite(rows[:, column]), rows[:, column], lines, f"{name} must be finite")
    _require(rows[:, 0] > 0, rows[:, 0], lines, "frequency must be above 0 Hz")
    if quantity == "impedance":
        _require(rows[:, 1] > 0, rows[:, 1], lines, "impedance must be above 0 ohm")
    else:
        low, high = LEVEL_RANGE_DB
        inside = (rows[:, 1] >= low) & (rows[:, 1] <= high)
        _require(inside, rows[:, 1], lines, f"level must lie within {low:g} to {high:g} dB")
    has_phase = rows.shape[1] == 3
    if has_phase and table.columns > 3 and np.array_equal(rows[:, 0], rows[:, 2]):
        has_phase = False
        notes.append("columns are frequency and level pairs: only the first curve is read")
    elif table.columns > 3:
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
    return Response(
        frequency_hz=frequency,
        value=value,
        quantity=quantity,
        source=source,
        has_phase=has_phase,
        notes=tuple(notes),
    )


def _require(
    good: NDArray[np.bool_], values: NDArray[np.float64], lines: NDArray[np.int_], rule: str
) -> None:
    if not good.all():
        first = int(np.argmin(good))
        raise InputError(
            rule,
            line=int(lines[first]),
            value=f"{values[first]:g}",
            remedy="repair or remove the row",
        )


def _in_order(
    rows: NDArray[np.float64], lines: NDArray[np.int_]
) -> tuple[NDArray[np.float64], bool]:
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


def _merge(
    frequency: NDArray[np.float64], value: NDArray[np.complex128], notes: list[str]
) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
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
