"""Reading measured curves from text files, and refusing what is not one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from optimizer.errors import InputError
from optimizer.measure.curve import MeasuredCurve
from optimizer.measure.files import open_curve

FREQUENCY = [20.5, 200.25, 2000.5]
LEVEL = [80.1, 81.25, 79.0]
PHASE = [-30.5, 10.0, 120.75]


@pytest.fixture
def read(tmp_path: Path):
    """Write bytes or text to a file and read it."""

    def call(content: str | bytes, quantity: str = "pressure") -> MeasuredCurve:
        path = tmp_path / "curve.txt"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return open_curve(path, quantity)

    return call


@pytest.fixture
def refuse(read):
    """Read and return the error, which must name the file and a remedy."""

    def call(content: str | bytes, quantity: str = "pressure") -> InputError:
        with pytest.raises(InputError) as caught:
            read(content, quantity)
        assert caught.value.file.endswith("curve.txt")
        assert caught.value.remedy
        return caught.value

    return call


def expect(response: MeasuredCurve, phase: list[float] | None = PHASE) -> None:
    np.testing.assert_allclose(response.frequency_hz, FREQUENCY, rtol=1e-15)
    np.testing.assert_allclose(response.level_db, LEVEL, rtol=1e-13)
    assert response.has_phase is (phase is not None)
    if phase is not None:
        np.testing.assert_allclose(np.rad2deg(np.angle(response.value)), phase, rtol=1e-13)
    else:
        assert np.array_equal(response.value, np.abs(response.value))


COMMENTS = ("*", "#", ";", '"', "//", "%", "!")
PLAIN = "20.5 80.1 -30.5\n200.25 81.25 10\n2000.5 79 120.75\n"

DIALECTS = {
    "blanks": PLAIN,
    "several blanks": PLAIN.replace(" ", "   "),
    "leading and trailing blanks": "  " + PLAIN.replace("\n", " \t \n  "),
    "tabs": PLAIN.replace(" ", "\t"),
    "tab at the end": PLAIN.replace(" ", "\t").replace("\n", "\t\n"),
    "commas": PLAIN.replace(" ", ","),
    "comma and blank": PLAIN.replace(" ", ", "),
    "semicolons": PLAIN.replace(" ", ";"),
    "semicolon at the end": PLAIN.replace(" ", "; ").replace("\n", ";\n"),
    "decimal comma, semicolons": PLAIN.replace(".", ",").replace(" ", ";"),
    "decimal comma, tabs": PLAIN.replace(".", ",").replace(" ", "\t"),
    "decimal comma, blanks": PLAIN.replace(".", ","),
    "decimal comma, quoted": '"20,5","80,1","-30,5"\n"200,25","81,25","10"\n"2000,5","79","120,75"',
    "thousands comma, tabs": PLAIN.replace(" ", "\t").replace("2000.5", "2,000.5"),
    "thousands comma, quoted": PLAIN.replace(" ", "\t").replace("2000.5", '"2,000.5"'),
    "thousands comma in comma separated": PLAIN.replace(" ", ",").replace("2000.5", '"2,000.5"'),
    "thousands point, tabs": PLAIN.replace(".", ",").replace(" ", "\t").replace("2000,", "2.000,"),
    "carriage returns": PLAIN.replace("\n", "\r"),
    "both line ends": PLAIN.replace("\n", "\r\n"),
    "no line end": PLAIN.strip(),
    "empty lines": "\n\n" + PLAIN.replace("\n", "\n\n"),
    "end-of-file mark": PLAIN + "\x1a",
    "exponents": PLAIN.replace("2000.5", "2.0005e3").replace("79", "790E-1"),
    "plus signs": PLAIN.replace("10\n", "+10\n"),
    "typographic minus": PLAIN.replace("-", "\u2212"),
    "no digit before the point": PLAIN.replace("79 ", "79. "),
    "no-break blanks": PLAIN.replace(" ", "\u00a0"),
    "falling frequency": "2000.5 79 120.75\n200.25 81.25 10\n20.5 80.1 -30.5\n",
    "headings": "My speaker, 2.83 V\nFreq Level Phase\n" + PLAIN,
    "heading of numbers and text": "48000 Hz, 24 bit, 1 m\n" + PLAIN,
    "comments of every kind": "".join(f"{c} note 1 2 3\n" for c in COMMENTS) + PLAIN,
    "comments below": PLAIN + "* end\n# 1 2 3\n; 1 2 3\n",
    "commented row": PLAIN.replace("200.25", "; 100 80 70\n200.25"),
    "quoted heading": '"Frequency [Hz]"\t"Level [dB]"\t"Phase"\n' + PLAIN.replace(" ", "\t"),
}


@pytest.mark.parametrize("name", DIALECTS)
def test_dialect_gives_the_same_curve(read, name):
    """Every accepted way to write a table gives the same curve."""
    expect(read(DIALECTS[name]))


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "utf-32"]
)
def test_encoding_gives_the_same_curve(read, encoding):
    """Every accepted encoding gives the same curve, with a degree sign in the heading."""
    expect(read(("Hz dB °\n" + PLAIN).encode(encoding)))


@pytest.mark.parametrize(
    ("mark", "encoding"), [(b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be")]
)
def test_utf16_mark_decides_the_byte_order(read, mark, encoding):
    """A byte-order mark is obeyed."""
    expect(read(mark + PLAIN.encode(encoding)))


@pytest.mark.parametrize(
    "text",
    [
        "20.5 80.1\n200.25 81.25\n2000.5 79\n",
        "20.5,80.1\n200.25,81.25\n2000.5,79\n",
        "20,5;80,1\n200,25;81,25\n2000,5;79\n",
        "20,5\t80,1\t\n200,25\t81,25\t\n2000,5\t79\t\n",
    ],
)
def test_missing_phase_is_said_not_invented(read, text):
    """Two columns give a real positive value, has_phase False and a note."""
    response = read(text)
    expect(response, phase=None)
    assert "no phase in the file" in response.notes


def test_modulus_of_pressure_is_re_20_micropascal(read):
    """A level of 94 dB is a modulus of 10^(94/20)."""
    assert abs(read("10 94 0\n20 94 90\n30 0 0").value[0]) == pytest.approx(10**4.7, rel=1e-14)


def test_impedance_is_modulus_and_angle(read):
    """8 ohm at 60 degrees is 4 + 6.93j ohm."""
    response = read("10 8 60\n20 8 -60\n30 4 0", "impedance")
    np.testing.assert_allclose(response.value, [4 + 4j * 3**0.5, 4 - 4j * 3**0.5, 4])
    assert response.quantity == "impedance"


def test_open_curve_sets_the_quantity(tmp_path):
    """What is said to be an impedance is one."""
    path = tmp_path / "z.txt"
    path.write_text("10 8 60\n20 8 -60\n30 4 0")
    assert open_curve(path, "impedance").quantity == "impedance"


def test_further_columns_are_ignored_with_a_note(read):
    """A fourth column, even of text, changes nothing but the notes."""
    response = read(PLAIN.replace(" ", "\t").replace("\n", "\tgood\n"))
    expect(response)
    assert any("after the third are ignored (4 found)" in note for note in response.notes)


def test_pairs_of_columns_are_not_taken_for_phase(read):
    """Frequency and level pairs side by side: the second frequency is no phase."""
    rows = zip(FREQUENCY, LEVEL, strict=True)
    response = read("\n".join(f"{f}\t{v}\t{f}\t{v - 3}" for f, v in rows))
    expect(response, phase=None)
    assert any("pairs" in note for note in response.notes)


def test_repeated_frequencies_are_averaged_as_complex_numbers(read):
    """1 at 0 degrees and 1 at 90 degrees average to (1 + j)/2, 3.01 dB down."""
    response = read("10 0 0\n20 0 0\n20 0 90\n30 0 0")
    np.testing.assert_allclose(response.value[1], 0.5 + 0.5j, rtol=1e-14)
    assert "1 repeated frequencies averaged" in response.notes


def test_repeated_frequencies_without_phase_average_the_modulus(read):
    """Moduli of 1 and 10 average to 5.5."""
    assert read("10 0\n20 0\n20 20\n30 0").value[1] == pytest.approx(5.5, rel=1e-14)


def test_falling_order_is_reversed_with_a_note(read):
    """A file from high to low is turned round, and says so."""
    response = read(DIALECTS["falling frequency"])
    assert any("reversed" in note for note in response.notes)
    assert not read(PLAIN).notes


def test_arrays_are_read_only(read):
    """The curve cannot be changed by accident."""
    response = read(PLAIN)
    assert not response.frequency_hz.flags.writeable
    assert not response.value.flags.writeable


DAMAGE = {
    # name: (text, line, part of the rule)
    "letter in a number": (PLAIN.replace("81.25", "81.2x"), 2, "level must be a number"),
    "letter in a frequency": (PLAIN.replace("200.25", "2oo.25"), 2, "frequency must be a number"),
    "letter in the first row": (PLAIN.replace("80.1", "80.1x"), 1, "level must be a number"),
    "letter in the first row, below a heading": (
        "Hz dB deg\n" + PLAIN.replace("20.5", "20.5q"),
        2,
        "frequency must be a number",
    ),
    "two points in a number": (PLAIN.replace("81.25", "81.2.5"), 2, "level must be a number"),
    "text in the middle": (PLAIN.replace("200.25", "second take\n200.25"), 2, "must be a number"),
    "phase missing in one row": (PLAIN.replace(" 10\n", "\n"), 2, "3 columns"),
    "level missing between tabs": (
        PLAIN.replace(" ", "\t").replace("81.25", ""),
        2,
        "level must be a number",
    ),
    "level missing between semicolons": (
        PLAIN.replace(" ", ";").replace("81.25", ""),
        2,
        "level must be a number",
    ),
    "frequency missing before a semicolon": (
        PLAIN.replace(" ", ";").replace("200.25", ""),
        2,
        "frequency must be a number",
    ),
    "phase only in later rows": ("10 80\n20 80 5\n30 80 5\n40 80 5", 2, "2 columns"),
    "row of one number": (PLAIN + "3000\n", 4, "a row must have at least two numbers"),
    "not a number": (PLAIN.replace("81.25", "NaN"), 2, "level must be finite"),
    "not a number in the second of four": (
        "10 80 0\n" + PLAIN.replace("80.1", "nan") + "3000 80 0\n",
        2,
        "level must be finite",
    ),
    "infinite": (PLAIN.replace("81.25", "-inf"), 2, "level must be finite"),
    "too large to hold": (PLAIN.replace("81.25", "1e999"), 2, "level must be finite"),
    "printed infinity": (PLAIN.replace("10\n", "1.#INF\n"), 2, "phase must be finite"),
    "zero frequency inside": (PLAIN.replace("200.25", "0"), 2, "frequency must be above 0 Hz"),
    "negative frequency": (PLAIN.replace("200.25", "-200.25"), 2, "frequency must be above 0 Hz"),
    "level too high": (PLAIN.replace("81.25", "251"), 2, "-200 to 250 dB"),
    "level too low": (PLAIN.replace("81.25", "-201"), 2, "-200 to 250 dB"),
    "one row out of order": (PLAIN + "1999 80 0\n3000 80 0\n", 4, "frequency must rise"),
    "falling, one row out of order": (
        "400 80 0\n300 80 0\n350 80 0\n200 80 0\n100 80 0",
        3,
        "frequency must fall",
    ),
}


@pytest.mark.parametrize("name", DAMAGE)
def test_damaged_row_is_named(refuse, name):
    """A damaged row is refused with its line and the rule it breaks."""
    text, line, rule = DAMAGE[name]
    error = refuse(text)
    assert error.line == line
    assert rule in error.rule


def test_message_tells_value_and_neighbour(refuse):
    """The message reads file:line: rule, got value; remedy."""
    message = str(refuse("# x\n99 80 0\n100 80 0\n98.1 80 0\n101 80 0\n"))
    assert message.endswith(
        "curve.txt:4: frequency must rise from row to row, got 98.1 Hz after 100 Hz; "
        "sort the file or remove the row"
    )


def test_line_numbers_count_every_kind_of_line_end(refuse):
    """Carriage returns count as lines, comments and empty lines too."""
    assert refuse("* a\r\n\r\n10 80\r20 80\n30 x\r\n").line == 5


@pytest.mark.parametrize("ohm", ["0", "-4"])
def test_impedance_must_be_positive(refuse, ohm):
    """A modulus of zero or less is refused with its line."""
    error = refuse(f"10 8 0\n20 {ohm} 0\n30 8 0", "impedance")
    assert error.line == 2
    assert "above 0 ohm" in error.rule


@pytest.mark.parametrize("text", ["", " \n\t\r\n", "\ufeff"])
def test_empty_file(refuse, text):
    """A file of blanks is empty."""
    assert "must not be empty" in refuse(text).rule


@pytest.mark.parametrize("text", ["hello\nworld\n", "* 1 2 3\n", "1\n2\n3\n", "<html></html>"])
def test_no_numbers(refuse, text):
    """Text without a row of numbers says what is needed."""
    assert "no row of numbers" in refuse(text).rule


@pytest.mark.parametrize("text", ["10 80 0\n20 80 0", "10 80\n10 81\n10 80\n20 80\n"])
def test_too_few_frequencies(refuse, text):
    """Two different frequencies are no curve."""
    assert "at least 3 different frequencies" in refuse(text).rule


def test_repeats_that_cancel(refuse):
    """Two rows in opposite phase have no mean."""
    assert "cancel" in refuse("10 80 0\n20 80 0\n20 80 180\n30 80 0").rule


@pytest.mark.parametrize(
    "text",
    [
        "20,5, 80,1, -30\n200,25, 81,2, 10\n2000,5, 79,0, 120\n",  # comma: both mark and separator
        "1,000\t80\t-30\n2,000\t81\t10\n3,000\t79\t120\n",  # 1 kHz or 1 Hz
    ],
)
def test_ambiguous_commas_are_refused(refuse, text):
    """If two readings both make sense the file is refused, not guessed at."""
    error = refuse(text)
    assert "more than one way" in error.rule
    assert error.line == 1


def test_order_settles_a_thousands_comma(read):
    """Behind 20 Hz, 1,000 can only be a thousand."""
    response = read("20\t80\t-30\n1,000\t81\t10\n2,000\t79\t120\n")
    assert response.frequency_hz.tolist() == [20.0, 1000.0, 2000.0]


def test_three_decimals_everywhere_are_decimals(read):
    """A comma and three digits in every number is a decimal comma."""
    response = read("1,029\t3,837\n1,059\t3,837\n1,091\t3,837\n", "impedance")
    assert response.frequency_hz.tolist() == [1.029, 1.059, 1.091]


def test_whole_numbers_at_the_end_do_not_hide_the_start(read):
    """Whole numbers among decimal commas are not taken for the whole file."""
    text = "998,5\t80,5\t1\n999,5\t80,5\t1\n1000\t80\t1\n1001\t80\t1\n1002\t80\t1\n"
    assert len(read(text).frequency_hz) == 5


def test_damage_among_decimal_commas_is_not_skipped_as_heading(refuse):
    """A slip near the top is reported even where whole numbers follow."""
    text = "997,5\t80,5\t1\n998,5\t80,5\t1\n999,5\tx80\t1\n1000\t80\t1\n1001\t80\t1\n1002\t80\t1\n"
    assert refuse(text).line == 3
