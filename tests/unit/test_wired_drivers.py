"""Drivers wired together: by circuit theory, written out here."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.design.build import build_problem, load_design
from optimizer.errors import InputError
from optimizer.measure.curve import ON_AXIS
from optimizer.measure.driver import Driver, Limits
from optimizer.measure.wired import wire_drivers

GRID_HZ = np.geomspace(20.0, 20e3, 60)


def make(name: str, ohm: float, level: float, turn_deg: float = 0.0) -> Driver:
    """A driver with an inductive load, and a pressure turned by a fixed angle."""
    return Driver(
        name=name,
        frequency_hz=GRID_HZ,
        directions=(ON_AXIS,),
        pressure=np.full((1, 60), level * np.exp(1j * np.deg2rad(turn_deg))),
        impedance=ohm + 2j * np.pi * GRID_HZ * 0.4e-3,
        limits=Limits(watts=40.0, lowest_hz=30.0 * ohm, resistance_ohm=ohm),
    )


def test_two_alike():
    """In parallel half the load and +6.02 dB, in series twice the load and no more sound."""
    one = make("low", 6.0, 1.0)
    for wired, load, level in (("parallel", 0.5, 2.0), ("series", 2.0, 1.0)):
        both = wire_drivers("both", [one, one], wired)
        np.testing.assert_allclose(both.impedance, load * one.impedance)
        np.testing.assert_allclose(both.pressure, level * one.pressure)
        assert both.limits.watts == 80.0
        assert both.limits.resistance_ohm == pytest.approx(load * 6.0)


def test_unlike_ones_share_the_voltage_as_their_impedances_are():
    """A voltage divider of the two loads; pressures add with their phases."""
    a, b = make("a", 4.0, 1.0), make("b", 8.0, 0.5, 90.0)
    both = wire_drivers("both", [a, b], "series")
    share = a.impedance / (a.impedance + b.impedance)
    expected = share * a.pressure[0] + (1.0 - share) * b.pressure[0]
    np.testing.assert_allclose(both.pressure[0], expected)
    assert both.limits.lowest_hz == 240.0
    side = wire_drivers("both", [a, b], "parallel")
    np.testing.assert_allclose(1.0 / side.impedance, 1.0 / a.impedance + 1.0 / b.impedance)
    np.testing.assert_allclose(np.abs(side.pressure[0]), np.hypot(1.0, 0.5))


def test_one_alone_is_refused():
    with pytest.raises(InputError, match="at least two"):
        wire_drivers("both", [make("a", 4.0, 1.0)], "series")


SERIES = (
    "  woofer:\n    ladder",
    "  woofer:\n    drivers: [woofer, woofer]\n    wired: series\n    ladder",
)


def test_in_a_design(copy_demo, tmp_path):
    """A way of two drivers in series sees twice the impedance of its driver."""
    plain = build_problem(load_design(copy_demo(tmp_path / "plain", coarse=True)))
    pair = build_problem(load_design(copy_demo(tmp_path / "pair", SERIES, coarse=True)))
    assert [way.driver for way in pair.topology.ways] == ["woofer+woofer", "midrange", "tweeter"]
    single = next(d for d in plain.drivers if d.name == "woofer")
    double = next(d for d in pair.drivers if d.name == "woofer+woofer")
    np.testing.assert_allclose(double.impedance, 2.0 * single.impedance)


@pytest.mark.parametrize(
    ("written", "rule"),
    [
        ("drivers: [woofer]", "at least two drivers"),
        ("drivers: [woofer, wofer]", 'did you mean "woofer"'),
        ("drivers: [woofer, woofer]\n    driver: woofer", "one driver or several"),
        ("drivers: woofer", "a list is expected"),
        ("wired: series", "only several drivers"),
        ("drivers: [woofer, woofer]\n    wired: crossed", "crossed"),
    ],
)
def test_what_is_wrong_is_said_with_its_line(copy_demo, tmp_path, written, rule):
    change = ("  woofer:\n    ladder", f"  woofer:\n    {written}\n    ladder")
    with pytest.raises(InputError) as caught:
        load_design(copy_demo(tmp_path, change))
    assert rule in str(caught.value)
    assert "design.yaml:" in str(caught.value)
    assert "ways.woofer" in str(caught.value)


def test_the_sheet_says_how_they_are_wired(copy_demo, tmp_path, laddersmith):
    """Two in series: what is soldered between them stands below the polarity of the drivers."""
    design = copy_demo(tmp_path, SERIES, coarse=True)
    results = tmp_path / "r.json"
    quick = ("--seconds", "0.5", "--top", "1", "--workers", "1", "--quiet")
    assert laddersmith("fit", design, *quick, "--json", results).returncode in (0, 3)
    done = laddersmith("sheet", design, f"{results}#1")
    assert "(-) of woofer no. 1 to (+) of woofer no. 2" in " ".join(done.stdout.split())
