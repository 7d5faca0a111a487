"""Whatever dialect a table is written in, the same curve comes back; junk only ever is refused."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from optimizer.errors import InputError
from optimizer.measure.files import open_curve
from tests.conftest import examples

HEADINGS = (
    "Freq(Hz) SPL(dB) Phase(degrees)",
    "* Smoothing: 1/24 octave",
    "# 1 2 3",
    "; 4;5;6",
    "// 20,5 80,1",
    '"Frequency [Hz]"\t"Level [dB]"',
    "48000",
    "Level: -12,5 dB",
    "20..20000 Hz",
    "% ohm, °",
    "! 1,5;2,5;3,5",
    "",
    "   ",
)


@dataclass(frozen=True)
class Dialect:
    separator: str
    decimal: str
    thousands: str
    digits: int
    line_end: str
    encoding: str
    tail: str
    falling: bool


@st.composite
def dialects(draw: st.DrawFn) -> Dialect:
    separator = draw(st.sampled_from(["\t", ";", ",", " ", "   ", "; ", ", "]))
    decimal = "." if "," in separator else draw(st.sampled_from(".,"))
    # A thousands mark that is also the separator cannot be read; with a decimal comma and no
    # decimals in sight, "1.000" is one.
    marks = [""] if "," in separator else ["", "," if decimal == "." else "."]
    thousands = draw(st.sampled_from(marks))
    return Dialect(
        separator=separator,
        decimal=decimal,
        thousands=thousands,
        digits=draw(st.integers(1 if thousands or decimal == "," else 0, 6)),
        line_end=draw(st.sampled_from(["\n", "\r\n", "\r"])),
        encoding=draw(
            st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1"])
        ),
        tail=draw(st.sampled_from(["", " ", "  \t"])),
        falling=draw(st.booleans()),
    )


@st.composite
def tables(draw: st.DrawFn) -> tuple[Dialect, np.ndarray, bytes]:
    how = draw(dialects())
    size = draw(st.integers(3, 12))
    columns = draw(st.integers(2, 3))
    smallest = 10 ** (how.digits + 4)
    # Whole numbers of the last digit: what is written is then exactly what must come back.
    whole = draw(st.lists(st.integers(1, 3 * smallest), min_size=size, max_size=size, unique=True))
    unit = 10.0**how.digits
    frequency = np.array(sorted(whole, reverse=how.falling)) / unit
    level = np.array(draw(_numbers(size, -40, 130, how.digits)))
    phase = np.array(draw(_numbers(size, -180, 180, how.digits)))
    rows = np.column_stack([frequency, level, phase])[:, :columns]
    heading = draw(st.lists(st.sampled_from(HEADINGS), max_size=5))
    lines = [
        *heading,
        *(how.separator.join(_write(v, how) for v in row) + how.tail for row in rows),
    ]
    lines += draw(st.lists(st.sampled_from(["", "* end", "# 1 2 3"]), max_size=2))
    return how, rows, how.line_end.join(lines).encode(how.encoding)


def _numbers(size: int, low: int, high: int, digits: int) -> st.SearchStrategy[list[float]]:
    unit = 10**digits
    one = st.integers(low * unit, high * unit).map(lambda whole: whole / unit)
    return st.lists(one, min_size=size, max_size=size)


def _write(value: float, how: Dialect) -> str:
    text = f"{value:{',' if how.thousands else ''}.{how.digits}f}"
    return text if how.decimal == "." else text.translate(str.maketrans(",.", ".,"))


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("dialects") / "curve.txt"


@examples(300)
@given(table=tables())
def test_any_dialect_gives_the_written_curve(path, table):
    """A table in any accepted dialect comes back number for number."""
    how, rows, raw = table
    path.write_bytes(raw)
    response = open_curve(path, "pressure")
    rows = rows[::-1] if how.falling else rows
    assert np.array_equal(response.frequency_hz, rows[:, 0])
    assert response.has_phase is (rows.shape[1] == 3)
    phase = np.deg2rad(rows[:, 2]) if response.has_phase else np.zeros(len(rows))
    wanted = 10.0 ** (rows[:, 1] / 20.0) * np.exp(1j * phase)
    np.testing.assert_allclose(response.value, wanted, rtol=1e-12)


NEARLY_NUMBERS = st.text(
    alphabet='0123456789.,;\t -+\n\r"eE*#%!/naif\u2212\ufeff\u0085x', max_size=200
)
ROWS = st.lists(st.lists(st.text(alphabet="0123456789.,-e", max_size=6), max_size=4), max_size=12)


def _read_or_refuse(path: Path, raw: bytes, quantity: str) -> None:
    path.write_bytes(raw)
    message = ""
    try:
        response = open_curve(path, quantity)
    except InputError as error:
        response, message = None, str(error)
    if response is None:
        assert str(path) in message
        return
    assert (np.diff(response.frequency_hz) > 0).all()
    assert response.frequency_hz[0] > 0
    assert np.isfinite(response.value).all()
    assert (np.abs(response.value) > 0).all()


@examples(300)
@given(raw=st.binary(max_size=300), quantity=st.sampled_from(["pressure", "impedance"]))
@example(raw=b"\xff\xfe\x00", quantity="pressure")
@example(raw=b"\xff\xfe\x00\x00\x01", quantity="pressure")
def test_random_bytes_are_refused_or_a_curve(path, raw, quantity):
    """Random bytes raise InputError or nothing."""
    _read_or_refuse(path, raw, quantity)


@examples(300)
@given(
    text=NEARLY_NUMBERS,
    encoding=st.sampled_from(["utf-8", "utf-16", "utf-16-le"]),
    quantity=st.sampled_from(["pressure", "impedance"]),
)
@example(text=",\x85\ufeff", encoding="utf-8", quantity="pressure")
def test_random_marks_are_refused_or_a_curve(path, text, encoding, quantity):
    """Random text of digits and marks raises InputError or nothing."""
    _read_or_refuse(path, text.encode(encoding), quantity)


@examples(300)
@given(rows=ROWS, separator=st.sampled_from(["\t", ";", ",", " ", ", "]))
def test_random_rows_are_refused_or_a_curve(path, rows, separator):
    """Random rows of nearly numbers raise InputError or nothing."""
    _read_or_refuse(path, "\n".join(separator.join(row) for row in rows).encode(), "pressure")
