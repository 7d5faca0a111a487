"""Unit strings: what is read, what is refused, and that writing and reading agree."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.errors import InputError
from optimizer.text.units import (
    db_to_ratio,
    format_exact,
    format_quantity,
    parse_quantity,
    parse_range,
    plausible_range,
    ratio_to_db,
)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("4.7 uF", "F", 4.7e-6),
        ("4.7uF", "F", 4.7e-6),
        ("4,7 µF", "F", 4.7e-6),
        ("4.7 μF", "F", 4.7e-6),
        ("4.7u", "F", 4.7e-6),
        ("4u7", "F", 4.7e-6),
        ("2n2", "F", 2.2e-9),
        ("4u7F", "F", 4.7e-6),
        ("4.7e-6 F", "F", 4.7e-6),
        ("8 mfd", "F", 8e-6),
        ("0.33 mH", "H", 0.33e-3),
        ("1m5", "H", 1.5e-3),
        ("330 uH", "H", 330e-6),
        ("2k7", "ohm", 2700.0),
        ("2.7 k", "ohm", 2700.0),
        ("4R7", "ohm", 4.7),
        ("R47", "ohm", 0.47),
        ("4.7R", "ohm", 4.7),
        ("4 ohm", "ohm", 4.0),
        ("4 Ω", "ohm", 4.0),
        ("4 \u2126", "ohm", 4.0),
        ("4", "ohm", 4.0),
        (4, "ohm", 4.0),
        ("60", "Hz", 60.0),
        ("18k", "Hz", 18000.0),
        ("2.5 kHz", "Hz", 2500.0),
        ("2k5", "Hz", 2500.0),
        ("1e3", "Hz", 1000.0),
        ("-3 dB", "dB", -3.0),
        ("\u22123 dB", "dB", -3.0),
        ("+3dB", "dB", 3.0),
        ("-0.5 dB/oct", "dB/oct", -0.5),
        ("-1 dB/octave", "dB/oct", -1.0),
        ("17 mm", "m", 0.017),
        ("21 cm", "m", 0.21),
        ("0.21", "m", 0.21),
        ("5 m", "m", 5.0),
        ("80 W", "W", 80.0),
        ("5 %", "%", 0.05),
        ("0.05 ms", "s", 0.05e-3),
        ("0", "s", 0.0),
    ],
)
def test_reads_what_the_trade_writes(text: str, unit: str, value: float) -> None:
    """Every usual spelling of a quantity gives its SI value."""
    assert parse_quantity(text, unit) == pytest.approx(value, rel=1e-12)


def test_decimal_values_stay_exact() -> None:
    """A printed value gives the float that its decimals stand for, without rounding noise."""
    assert parse_quantity("15 uF", "F") == 1.5e-5
    assert parse_quantity("3.3 uF", "F") == 3.3e-6
    assert parse_range("3.3 .. 15 uF", "F") == (3.3e-6, 1.5e-5)


@pytest.mark.parametrize("text", ["4.7", "0.33", 4.7])
@pytest.mark.parametrize("unit", ["F", "H", "s", "%"])
def test_number_alone_is_refused_where_it_is_unclear(text: str | float, unit: str) -> None:
    """A capacitance, inductance, time or share without unit is an error that shows one."""
    with pytest.raises(InputError, match="needs its unit") as caught:
        parse_quantity(text, unit)
    assert caught.value.remedy is not None
    assert unit in caught.value.remedy


@pytest.mark.parametrize(
    ("text", "unit", "written"),
    [("4.7 uF", "H", "F"), ("1 mH", "ohm", "H"), ("4 ohm", "Hz", "ohm"), ("3 dB", "dB/oct", "dB"),
     ("17 mm", "s", "m"), ("1 mH", "F", "H")],
)  # fmt: skip
def test_wrong_unit_names_both(text: str, unit: str, written: str) -> None:
    """The message of a wrong unit names the unit expected and the unit found."""
    with pytest.raises(InputError) as caught:
        parse_quantity(text, unit)
    assert f"in {unit} is expected" in str(caught.value)
    assert f" in {written}" in str(caught.value)


@pytest.mark.parametrize(
    ("text", "unit"),
    [("", "ohm"), ("four", "ohm"), ("nan", "Hz"), ("inf ohm", "ohm"), (math.inf, "Hz"),
     (math.nan, "dB"), ("1e999", "Hz"), ("4 apples", "ohm"), ("4.7 MF", "F"), ("2k7", "F"),
     ("4R7", "F"), ("1,000", "Hz"), ("12,500 Hz", "Hz"), ("4..7", "ohm"), ("--4", "ohm"),
     (True, "ohm"), ("1_000", "Hz")],
)  # fmt: skip
def test_what_cannot_be_read_is_an_input_error(text: str | float, unit: str) -> None:
    """Text that is no clear quantity ends in an input error, never in another exception."""
    with pytest.raises(InputError):
        parse_quantity(text, unit)


def test_decimal_comma_is_read() -> None:
    """A decimal comma is a decimal mark where it cannot be a thousands mark."""
    assert parse_quantity("0,330 mH", "H") == pytest.approx(0.33e-3)
    assert parse_quantity("4,75 ohm", "ohm") == pytest.approx(4.75)


@pytest.mark.parametrize(
    ("text", "unit", "low", "high"),
    [
        ("60..18k", "Hz", 60.0, 18e3),
        ("20..20k", "Hz", 20.0, 20e3),
        ("60 .. 18 kHz", "Hz", 60.0, 18e3),
        ("2..5 kHz", "Hz", 2e3, 5e3),
        ("2k..5k", "Hz", 2e3, 5e3),
        ("0.1 mH .. 2 mH", "H", 0.1e-3, 2e-3),
        ("330 uH..2 mH", "H", 330e-6, 2e-3),
        ("1 .. 6 mH", "H", 1e-3, 6e-3),
        ("0.5 .. 10 ohm", "ohm", 0.5, 10.0),
        (".5...7 ohm", "ohm", 0.5, 0.7),
        ("84..90 dB", "dB", 84.0, 90.0),
        ("-3..-1 dB", "dB", -3.0, -1.0),
        ("100..1k", "ohm", 100.0, 1000.0),
    ],
)
def test_reads_ranges(text: str, unit: str, low: float, high: float) -> None:
    """A range gives its two ends; a unit at the end counts for both."""
    assert parse_range(text, unit) == pytest.approx((low, high), rel=1e-12)


@pytest.mark.parametrize(
    ("text", "unit", "rule"),
    [
        ("6 mH .. 1 mH", "H", "must rise"),
        ("4 .. 4 ohm", "ohm", "must rise"),
        ("1 .. 6", "H", "needs its unit"),
        ("1 mH", "H", "two dots"),
        ("1 uF .. 6 mH", "H", "is expected"),
        ("2..5k", "Hz", "two ways"),
        ("..5k", "Hz", "is a number"),
        ("5k..", "Hz", "is a number"),
    ],
)
def test_bad_ranges_say_which_rule_they_break(text: str, unit: str, rule: str) -> None:
    """A range that falls, lacks an end or can be read in two ways is refused."""
    with pytest.raises(InputError, match=rule):
        parse_range(text, unit)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (4.7e-6, "F", "4.7 uF"),
        (0.1e-6, "F", "0.1 uF"),
        (47e-9, "F", "47 nF"),
        (1500e-6, "F", "1500 uF"),
        (0.33e-3, "H", "0.33 mH"),
        (47e-6, "H", "47 uH"),
        (4.7, "ohm", "4.7 ohm"),
        (2700.0, "ohm", "2.7 kohm"),
        (60.0, "Hz", "60 Hz"),
        (999.6, "Hz", "1 kHz"),
        (2500.0, "Hz", "2.5 kHz"),
        (-0.5, "dB/oct", "-0.5 dB/oct"),
        (0.017, "m", "17 mm"),
        (5e-5, "s", "50 us"),
        (0.05, "%", "5 %"),
        (0.0, "ohm", "0 ohm"),
    ],
)
def test_writes_as_the_trade_writes(value: float, unit: str, text: str) -> None:
    """Values are written with the prefix the trade uses and without trailing zeros."""
    assert format_quantity(value, unit) == text


def within(share: float, unit: str) -> float:
    """A value between the smallest and the largest plausible one, by its share of the decades."""
    least, most = plausible_range(unit)
    return min(max(least * (most / least) ** share, 1.001 * least), 0.999 * most)


@pytest.mark.parametrize(
    ("text", "unit"),
    [("1e9 dB/oct", "dB/oct"), ("-101 dB/oct", "dB/oct"), ("4.7 F", "F"), ("1e-14 F", "F"),
     ("1e30 Hz", "Hz"), ("1e-300 ohm", "ohm"), ("1e9 dB", "dB")],
)  # fmt: skip
def test_what_cannot_be_meant_is_refused(text: str, unit: str) -> None:
    """Sizes that no speaker has are slips of the hand; 0 is none, nor is the largest."""
    with pytest.raises(InputError, match="surely a slip"):
        parse_quantity(text, unit)
    assert parse_quantity("0", unit) == 0.0
    most = plausible_range(unit)[1]
    assert parse_quantity(format_exact(most, unit), unit) == most


@given(
    st.floats(0.0, 1.0),
    st.sampled_from(["F", "H", "ohm", "Hz", "dB", "dB/oct", "m", "s", "W", "%"]),
    st.integers(2, 9),
)
def test_writing_and_reading_agree(share: float, unit: str, digits: int) -> None:
    """What is written is read back to half a unit of the last digit written."""
    value = within(share, unit)
    again = parse_quantity(format_quantity(value, unit, digits), unit)
    assert again == pytest.approx(value, rel=0.5000001 * 10.0 ** (1 - digits))


@given(st.text(max_size=12), st.sampled_from(["F", "ohm", "Hz", "dB", "%"]))
def test_any_text_is_read_or_refused(text: str, unit: str) -> None:
    """Whatever is written, the answer is a finite number or an input error."""
    try:
        value = parse_quantity(text, unit)
    except InputError:
        return
    assert math.isfinite(value)


@given(st.floats(-300.0, 300.0))
def test_decibels_and_ratios_are_inverse(level_db: float) -> None:
    """Converting to a ratio and back changes nothing."""
    assert ratio_to_db(db_to_ratio(level_db)) == pytest.approx(level_db, abs=1e-9)


def test_decibel_definition() -> None:
    """20 dB are a factor of 10 (ISO 80000-3, level of a root-power quantity; from memory)."""
    assert db_to_ratio(20.0) == pytest.approx(10.0)
    assert ratio_to_db(2.0) == pytest.approx(6.0206, abs=5e-5)


@given(
    st.floats(0.0, 1.0) | st.none(),
    st.sampled_from(["F", "H", "ohm", "Hz", "dB", "dB/oct", "m", "s", "W", "V", "A", "%"]),
)
def test_exact_text_gives_the_float_back(share: float | None, unit: str) -> None:
    """What `format_exact` writes is read back bit for bit, in every unit, with either sign."""
    value = 0.0 if share is None else within(share, unit)
    assert parse_quantity(format_exact(value, unit), unit) == value
    assert parse_quantity(format_exact(-value, unit), unit) == -value


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.0033, "H", "3.3 mH"),
        (0.33e-3, "H", "0.33 mH"),
        (9.83e-6, "F", "9.83 uF"),
        (0.05, "%", "5 %"),
        (4700.0, "ohm", "4.7 kohm"),
        (0.0, "ohm", "0 ohm"),
        (0.04292862365805233, "%", "4.292862365805233 %"),
    ],
)
def test_exact_text_is_short(value: float, unit: str, text: str) -> None:
    """No digit is written that is not needed."""
    assert format_exact(value, unit) == text


@pytest.mark.parametrize("text", ["1e-9999999999999999999 ohm", "0e99999999999999999999 ohm"])
def test_exponents_beyond_any_float_are_nothing(text: str) -> None:
    """An absurd exponent is a number like any other, no crash."""
    assert parse_quantity(text, "ohm") == 0.0
