"""Loads that can be worked out by hand, margins, verdicts and warnings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.acoustics.programme import CREST
from optimizer.bench.loads.ratings import (
    list_warnings,
    rate_network,
    share_pieces,
    state_amplifier,
)
from optimizer.bench.loads.stress import find_open_minimum
from optimizer.goals import Excursion, Parts, Power
from optimizer.measure.curve import ON_AXIS
from optimizer.measure.driver import Driver, Limits
from optimizer.network.amplifier import Amplifier
from optimizer.network.network import FittedSlot, FittedWay, Network
from optimizer.parts import Part

F = np.geomspace(17.0, 24_000.0, 800)


def resistive_driver(ohm: float, watts: float | None = None) -> Driver:
    return Driver(
        name="d",
        frequency_hz=F,
        directions=(ON_AXIS,),
        pressure=np.ones((1, len(F)), dtype=complex),
        impedance=np.full(len(F), ohm, dtype=complex),
        limits=Limits(watts=watts),
    )


def single(name: str, place: str, part: Part) -> FittedSlot:
    return FittedSlot(name=name, place=place, form=part.kind, parts=(part,))


def one_way(*slots: FittedSlot) -> Network:
    return Network(ways=(FittedWay(name="w", driver="d", polarity=1, slots=slots),))


def resistor(ohm: float, **more) -> Part:
    return Part(kind="resistor", value=ohm, **more)


def test_divider_shares_the_amplifiers_power():
    """8 ohm in series with an 8 ohm load: a quarter of 50 W each, on noise and on a sine."""
    rated = rate_network(one_way(single("R1", "series", resistor(8.0))), [resistive_driver(8.0)])
    one = rated.parts[0]
    assert one.programme == pytest.approx(12.5, rel=1e-6)
    assert one.heat_w == one.programme
    assert one.sine == pytest.approx(12.5, rel=1e-12)
    assert rated.drivers[0].watts == pytest.approx(12.5, rel=1e-6)
    assert rated.programme_share == pytest.approx(1.0, rel=1e-9)


def test_capacitor_across_the_amplifier_sees_its_voltage():
    """Across the amplifier a capacitor sees 20 V rms of 50 W into 8 ohm, 40 V at noise peaks."""
    cap = Part(kind="capacitor", value=1e-6, rating=50.0)
    one = rate_network(one_way(single("C1", "shunt", cap)), [resistive_driver(8.0)]).parts[0]
    assert one.programme == pytest.approx(20.0, rel=1e-6)
    assert one.sine == pytest.approx(20.0, rel=1e-12)
    assert one.peak == pytest.approx(CREST * 20.0, rel=1e-6)
    assert one.needed == pytest.approx(50.0, rel=1e-6)
    assert (one.verdict, one.unit, one.margin) == ("fits", "V", pytest.approx(1.25, rel=1e-6))


def test_small_coil_carries_the_load_current():
    """A coil far too small to matter carries 20 V / 4 ohm; its DCR makes I squared R of heat."""
    coil = Part(kind="inductor", value=1e-9, loss_ohm=0.001)
    one = rate_network(one_way(single("L1", "series", coil)), [resistive_driver(3.999)]).parts[0]
    assert one.programme == pytest.approx(5.0, rel=1e-3)
    assert one.heat_w == pytest.approx(25.0 * 0.001, rel=1e-3)
    assert one.verdict == "not stated"
    assert one.margin is None


def test_power_grows_with_the_amplifier():
    """Four times the power is four times the watts and twice the volts and amperes."""
    net = one_way(
        single("R1", "series", resistor(3.0)),
        single("C1", "shunt", Part(kind="capacitor", value=1e-5)),
        single("L1", "shunt", Part(kind="inductor", value=1e-3, loss_ohm=0.3)),
    )
    small, large = (
        rate_network(net, [resistive_driver(6.0)], Amplifier(watts=w, ohm=4.0))
        for w in (25.0, 100.0)
    )
    for a, b, power in zip(small.parts, large.parts, (4.0, 2.0, 2.0), strict=True):
        assert b.programme == pytest.approx(power * a.programme)
        assert b.needed == pytest.approx(power * a.needed)
        assert b.heat_w == pytest.approx(4.0 * a.heat_w)


@pytest.mark.parametrize(
    ("rating", "verdict"),
    [(None, "not stated"), (25.0, "fits"), (24.9, "too small"), (1e3, "fits")],
)
def test_verdict_at_the_margin(rating, verdict):
    """A resistor with 12.5 W on programme asks for 25 W, exactly 25 W is enough."""
    net = one_way(single("R1", "series", resistor(8.0, rating=rating)))
    rated = rate_network(net, [resistive_driver(8.0)])
    assert rated.parts[0].verdict == verdict
    said = list_warnings(rated)
    assert bool(said) == (verdict == "too small")
    assert all("30 W" in line and "24.9" in line for line in said)


def test_tone_that_programme_does_not_show_is_warned_of():
    """A resistor behind a small series capacitor is cool on programme and hot on a 20 kHz tone."""
    net = one_way(
        single("C1", "series", Part(kind="capacitor", value=0.5e-6)),
        single("R1", "shunt", resistor(16.0, rating=5.0)),
    )
    rated = rate_network(net, [resistive_driver(16.0)])
    one = rated.parts[1]
    assert one.programme < 1.0
    assert one.sine > 5.0
    assert one.verdict == "fits"
    assert any("tone" in line for line in list_warnings(rated))


def test_driver_beyond_its_limit_is_warned_of():
    """A driver that takes 50 W and stands 30 W is named."""
    coil = single("L1", "series", Part(kind="inductor", value=1e-9))
    rated = rate_network(one_way(coil), [resistive_driver(8.0, watts=30.0)])
    assert any("stands 30 W" in line for line in list_warnings(rated))
    rated = rate_network(one_way(coil), [resistive_driver(8.0, watts=60.0)])
    assert not list_warnings(rated)


def test_narrow_grid_says_what_share_it_holds():
    """A grid from 200 Hz up leaves out the programme below (31 to 32 % up to 200 Hz)."""
    low = np.geomspace(200.0, 20_000.0, 400)
    driver = replace(
        resistive_driver(8.0),
        frequency_hz=low,
        impedance=np.full(400, 8.0 + 0j),
        pressure=np.ones((1, 400), dtype=complex),
    )
    rated = rate_network(one_way(single("R1", "series", resistor(1.0))), [driver])
    # 0.3075 below 200 Hz: the table of IEC 60268-1 summed up to the band edge.
    assert rated.programme_share == pytest.approx(1.0 - 0.3075, abs=0.003)


def test_amplifier_comes_from_the_goals_or_is_a_default():
    """The strongest amplifier that a goal names counts; with none the default says it is one."""
    assert not state_amplifier({"parts": Parts()}).stated
    found = state_amplifier(
        {
            "power": Power(amplifier_w=20.0),
            "excursion": Excursion(amplifier_w=60.0, rated_ohm=4.0),
        }
    )
    assert found == Amplifier(watts=60.0, ohm=4.0, stated=True)
    assert found.volts == pytest.approx(np.sqrt(240.0))


@pytest.mark.parametrize(
    ("part", "shares"),
    [
        (resistor(4.0, pieces=(6.0, 12.0), joined="parallel"), (2 / 3, 1 / 3)),
        (resistor(4.0, pieces=(1.0, 3.0), joined="series"), (0.25, 0.75)),
        (Part(kind="capacitor", value=3e-6, pieces=(1e-6, 2e-6), joined="parallel"), (1.0, 1.0)),
        (Part(kind="capacitor", value=2e-6, pieces=(3e-6, 6e-6), joined="series"), (2 / 3, 1 / 3)),
        (Part(kind="inductor", value=3e-3, pieces=(1e-3, 2e-3), joined="series"), (1.0, 1.0)),
        (resistor(4.0), (1.0,)),
    ],
)
def test_pieces_share_the_load(part, shares):
    """Joined pieces share watts, volts or amperes by the law of their join."""
    assert share_pieces(part) == pytest.approx(shares)


def test_open_driver_leaves_a_near_short():
    """Series L 1 mH with 0.3 ohm and shunt C 10 uF with 0.05 ohm: 0.35 ohm at 1592 Hz."""
    way = FittedWay(
        name="w",
        driver="d",
        polarity=1,
        slots=(
            single("L1", "series", Part(kind="inductor", value=1e-3, loss_ohm=0.3)),
            single("C1", "shunt", Part(kind="capacitor", value=10e-6, loss_ohm=0.05)),
        ),
    )
    ohm, hz = find_open_minimum(Network(ways=(way,)), "w")
    assert ohm == pytest.approx(0.35, abs=0.02)
    assert hz == pytest.approx(1591.5, rel=2e-3)
    alone = FittedWay(name="w", driver="d", polarity=1, slots=way.slots[:1])
    assert find_open_minimum(Network(ways=(alone,)), "w")[0] == np.inf


@pytest.mark.parametrize("hz", [20.0, 20_000.0])
def test_open_driver_leaves_a_perfect_short_without_losses(hz):
    """L in series and C across, both 1 ohm at a frequency of the grid: nothing limits the current."""
    w = 2.0 * np.pi * hz
    coil, capacitor = (Part(kind=k, value=1.0 / w) for k in ("inductor", "capacitor"))
    slots = single("L1", "series", coil), single("C1", "shunt", capacitor)
    ohm, found = find_open_minimum(
        Network(ways=(FittedWay(name="w", driver="d", polarity=1, slots=slots),)), "w"
    )
    assert ohm < 1e-12
    assert found == pytest.approx(hz)
