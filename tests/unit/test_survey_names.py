"""What file names say."""

from __future__ import annotations

import pytest

from optimizer.measure.curve import Direction
from optimizer.measure.files.names import read_name

RIGHT_30 = Direction(horizontal_deg=30)
LEFT_30 = Direction(horizontal_deg=-30)


@pytest.mark.parametrize(
    ("name", "driver", "direction"),
    [
        ("hor_37.5", "", Direction(horizontal_deg=37.5)),
        ("woofer_h30", "woofer", RIGHT_30),
        ("woofer 30 right", "woofer", RIGHT_30),
        ("Woofer Right 30", "woofer", RIGHT_30),
        ("woofer -30deg", "woofer", LEFT_30),
        ("woofer-30deg", "woofer", RIGHT_30),
        ("tweeter_h_m30", "tweeter", LEFT_30),
        ("tweeter hor minus 30", "tweeter", LEFT_30),
        ("tweeter hor +30", "tweeter", RIGHT_30),
        ("t 30L", "tweeter", LEFT_30),
        ("tw_h_n30", "tweeter", LEFT_30),
        ("v-15", "", Direction(vertical_deg=-15)),
        ("15 up", "", Direction(vertical_deg=15)),
        ("mid vertical 10 down", "mid", Direction(vertical_deg=-10)),
        ("woofer/hor 30", "woofer", RIGHT_30),
        ("mid 2.83V 1m hor -30", "mid", LEFT_30),
        ("aurora25 horizontal 30°", "aurora25", RIGHT_30),
        ("tweeter on-axis 1m", "tweeter", Direction()),
        ("tweeter hor 180", "tweeter", Direction(horizontal_deg=180)),
        ("tweeter hor -180", "tweeter", Direction(horizontal_deg=180)),
        ("woofer 50cm", "woofer", None),
        ("woofer 2015-02-07", "woofer", None),
        ("Mid-Woofer", "midwoofer", None),
        ("midWoofer", "midwoofer", None),
        ("bass", "woofer", None),
        ("W", "woofer", None),
        ("dome front", "dome_front", None),
    ],
)
def test_driver_and_direction(name, driver, direction):
    """Driver and direction are read in any order, with or without units and signs."""
    read = read_name(name)
    assert (read.driver, read.direction) == (driver, direction)


@pytest.mark.parametrize(
    ("name", "kind", "driver"),
    [
        ("woofer_impedance", "impedance", "woofer"),
        ("TW_Z", "impedance", "tweeter"),
        ("z mid", "impedance", "mid"),
        ("impedance/tweeter", "impedance", "tweeter"),
        ("woofer+tweeter", "together", ""),
        ("w+t", "together", ""),
        ("wmt", "together", ""),
        ("both", "together", ""),
        ("all_drivers", "together", ""),
        ("Woofer nearfield", "near field", "woofer"),
        ("woofer port nf", "port", "woofer"),
        ("mic calibration", "ignore", ""),
    ],
)
def test_kind(name, kind, driver):
    """Impedance, all together, near field, port and calibration files are told apart."""
    read = read_name(name)
    assert read.kind == kind
    if kind != "ignore":
        assert read.driver == driver


def test_side_needs_no_number():
    """Left and right without a number are cabinets; with a number they are directions."""
    assert read_name("woofer left").side == "left"
    assert read_name("woofer left").direction is None
    assert read_name("woofer left 30").side == ""


def test_unsigned_angles_say_what_was_assumed():
    """An assumption about the sign is stated; a given sign needs none."""
    assert "to the right" in read_name("woofer h30").because[0]
    assert "up" in read_name("woofer v30").because[0]
    assert read_name("woofer 30 left").because == ()


def test_hyphen_after_axis_word_may_separate():
    """In "hor-15" the hyphen is a minus unless the folder says otherwise."""
    assert read_name("hor-15").direction == Direction(horizontal_deg=-15)
    assert read_name("hor-15").signed_by_hyphen
    plain = read_name("hor-15", hyphen_is_minus=False)
    assert plain.direction == Direction(horizontal_deg=15)


@pytest.mark.parametrize("name", ["", "   ", "---", "1e9999", "\x00", "🎸 30", "hor 999999"])
def test_odd_names_do_not_fail(name):
    """Any text can be read, if only as nothing."""
    assert read_name(name).kind == ""
