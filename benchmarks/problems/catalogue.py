"""The benchmark problems: what each one holds and why it is there."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np

from benchmarks.problems import drivers as d
from benchmarks.problems.ladders import keep, slot, way
from optimizer.demo import write_demo
from optimizer.demo.scenario import DIRECTIONS, DemoDriver
from optimizer.design.build import build_problem, load_design
from optimizer.goals import Directivity, Goal, Impedance, InRoom, OnAxis, Parts
from optimizer.network.topology import Slot, Topology, Way
from optimizer.parts import Kind, Part
from optimizer.problem.problem import Problem
from optimizer.stock.lots import SHELF, Lot
from optimizer.stock.series import series_values
from optimizer.stock.stock import Stock, assemble_stock, series_stock

POINTS = 201


def _goals(
    floor_ohm: float, band_hz: tuple[float, float] = (80.0, 16_000.0), *, room: bool = True
) -> dict[str, Goal]:
    goals: dict[str, Goal] = {"on_axis": OnAxis(tilt_db_per_octave=-0.3, band_hz=band_hz)}
    if room:
        goals["in_room"] = InRoom(tilt_db_per_octave=-1.0, band_hz=band_hz)
        goals["directivity"] = Directivity(band_hz=(300.0, 10_000.0), weight=0.5)
    goals["impedance"] = Impedance(floor_ohm=floor_ohm)
    goals["parts"] = Parts(weight=0.03)
    return goals


def _problem(
    title: str,
    sources: tuple[DemoDriver, ...],
    ways: tuple[Way, ...],
    goals: Mapping[str, Goal],
    stock: Stock | None = None,
    points: int = POINTS,
) -> Problem:
    frequency = d.frequency_grid(points)
    return Problem(
        title=title,
        drivers=[d.make_driver(s, frequency, DIRECTIONS) for s in sources],
        topology=Topology(ways=ways),
        stock=stock or series_stock("E12"),
        goals=goals,
        mirror=True,
    )


def one_way_trap() -> Problem:
    """One wide-range driver with a trap and an R-C across it: enumerable."""
    return _problem(
        "one way with a trap",
        (d.WIDE_RANGE,),
        (
            way(
                "driver",
                slot("T1", "trap", "0.15 .. 1.8 mH", "1 .. 10 uF", "2.2 .. 15 ohm", optional=True),
                slot("Z1", "equaliser", "4.7 .. 15 ohm", "1 .. 6.8 uF", optional=True),
            ),
        ),
        _goals(3.2),
        points=101,
    )


def two_way_minimal() -> Problem:
    """Two ways, second order at most, one resistor: enumerable."""
    return _problem(
        "two-way, minimal",
        (d.SMALL_WOOFER, d.TWEETER),
        (
            way(
                "woofer",
                slot("L1", "series inductor", "0.47 .. 2.2 mH"),
                slot("C1", "shunt capacitor", "3.3 .. 22 uF", optional=True),
            ),
            way(
                "tweeter",
                slot("C1", "series capacitor", "2.2 .. 12 uF"),
                slot("L1", "shunt inductor", "0.15 .. 0.82 mH", optional=True),
                slot("R1", "series resistor", "1 .. 5.6 ohm", optional=True),
                free=True,
            ),
        ),
        _goals(3.2),
        points=101,
    )


def three_way_small() -> Problem:
    """Three ways of one or two parts each, coarse series: enumerable."""
    return _problem(
        "three-way, small",
        (d.WOOFER, d.MIDRANGE, d.TWEETER),
        (
            way(
                "woofer",
                slot("L1", "series inductor", "1.5 .. 6.8 mH"),
                slot("C1", "shunt capacitor", "22 .. 100 uF", optional=True),
            ),
            way(
                "midrange",
                slot("C1", "series capacitor", "33 .. 150 uF"),
                slot("L1", "series inductor", "0.22 .. 1 mH"),
                slot("R1", "series resistor", "1 .. 4.7 ohm", optional=True),
                free=True,
            ),
            way(
                "tweeter",
                slot("C1", "series capacitor", "2.2 .. 6.8 uF"),
                slot("R1", "series resistor", "2.2 .. 10 ohm"),
                free=True,
            ),
        ),
        _goals(3.0),
        stock=series_stock("E6"),
        points=101,
    )


def two_way_notch_pad() -> Problem:
    """Two ways with a notch on the break-up peak and a pad: 12 values."""
    return _problem(
        "two-way with notch and pad",
        (d.SMALL_WOOFER, d.TWEETER),
        (
            way(
                "woofer",
                slot("L1", "series inductor", "0.33 .. 2.7 mH"),
                slot("C1", "shunt capacitor", "2.2 .. 33 uF", optional=True),
                slot("N1", "notch", "0.1 .. 1 mH", "1 .. 10 uF", "1 .. 10 ohm", optional=True),
                slot("Z1", "equaliser", "3.3 .. 15 ohm", "4.7 .. 33 uF", optional=True),
            ),
            way(
                "tweeter",
                slot("C1", "series capacitor", "2.2 .. 15 uF"),
                slot("L1", "shunt inductor", "0.1 .. 1 mH", optional=True),
                slot("C2", "series capacitor", "3.3 .. 33 uF", optional=True),
                slot("P1", "pad", "0.5 .. 10 ohm", "2.2 .. 47 ohm", optional=True),
                free=True,
            ),
        ),
        _goals(3.2),
    )


def two_and_half_way() -> Problem:
    """A second woofer that fades out early: 14 values."""
    return _problem(
        "2.5-way",
        (d.LOW_WOOFER, d.SMALL_WOOFER, d.TWEETER),
        (
            way(
                "bass",
                slot("L1", "series inductor", "1.5 .. 8.2 mH"),
                slot("R1", "shunt resistor", "4.7 .. 33 ohm", optional=True),
                slot("Z1", "equaliser", "3.3 .. 15 ohm", "4.7 .. 47 uF", optional=True),
            ),
            way(
                "woofer",
                slot("L1", "series inductor", "0.33 .. 2.7 mH"),
                slot("C1", "shunt capacitor", "2.2 .. 33 uF", optional=True),
                slot("Z1", "equaliser", "3.3 .. 15 ohm", "4.7 .. 33 uF", optional=True),
            ),
            way(
                "tweeter",
                slot("C1", "series capacitor", "2.2 .. 15 uF"),
                slot("L1", "shunt inductor", "0.1 .. 1 mH", optional=True),
                slot("C2", "series capacitor", "3.3 .. 33 uF", optional=True),
                slot("P1", "pad", "0.5 .. 10 ohm", "2.2 .. 47 ohm", optional=True),
                free=True,
            ),
        ),
        _goals(2.6),
    )


def three_way_17() -> Problem:
    """The demo as a user gets it: three ways, 17 values, E12."""
    with tempfile.TemporaryDirectory() as folder:
        return build_problem(load_design(write_demo(Path(folder) / "demo")))


def _three_way_25_ways() -> tuple[Way, ...]:
    return (
        way(
            "woofer",
            slot("L1", "series inductor", "1.8 .. 8.2 mH"),
            slot("C1", "shunt capacitor", "22 .. 180 uF", optional=True),
            slot("N1", "notch", "0.1 .. 1 mH", "3.3 .. 33 uF", "1 .. 10 ohm", optional=True),
            slot("Z1", "equaliser", "3.3 .. 15 ohm", "10 .. 82 uF", optional=True),
        ),
        way(
            "midrange",
            slot("C1", "series capacitor", "33 .. 150 uF"),
            slot("L1", "shunt inductor", "1.5 .. 12 mH", optional=True),
            slot("L2", "series inductor", "0.15 .. 2.2 mH"),
            slot("C2", "shunt capacitor", "2.2 .. 22 uF", optional=True),
            slot("T1", "trap", "0.047 .. 0.47 mH", "1 .. 10 uF", "10 .. 47 ohm", optional=True),
            slot("P1", "pad", "0.5 .. 6.8 ohm", "4.7 .. 47 ohm", optional=True),
        ),
        way(
            "tweeter",
            slot("C1", "series capacitor", "2.2 .. 15 uF"),
            slot("L1", "shunt inductor", "0.1 .. 0.82 mH"),
            slot("C2", "series capacitor", "3.3 .. 33 uF", optional=True),
            slot("L2", "shunt inductor", "0.22 .. 2.2 mH", optional=True),
            slot("P1", "pad", "0.5 .. 10 ohm", "2.2 .. 47 ohm", optional=True),
            slot("N1", "notch", "1 .. 4.7 mH", "10 .. 47 uF", "2.2 .. 10 ohm", optional=True),
            free=True,
        ),
    )


def three_way_25() -> Problem:
    """Three ways with a trap and two notches: 25 values."""
    woofer, midrange, tweeter = _three_way_25_ways()
    return _problem(
        "three-way with compounds",
        (d.WOOFER, d.MIDRANGE, d.TWEETER),
        (
            woofer,
            Way(name="midrange", driver="midrange", slots=midrange.slots, polarity="free"),
            tweeter,
        ),
        _goals(3.2),
    )


def four_way_32() -> Problem:
    """Four ways, 32 values."""
    return _problem(
        "four-way",
        (d.LARGE_WOOFER, d.CONE_MIDRANGE, d.DOME_MIDRANGE, d.TWEETER),
        (
            way(
                "bass",
                slot("L1", "series inductor", "2.2 .. 12 mH"),
                slot("C1", "shunt capacitor", "33 .. 330 uF", optional=True),
                slot("L2", "series inductor", "1 .. 6.8 mH", optional=True),
                slot("C2", "shunt capacitor", "15 .. 150 uF", optional=True),
                slot("Z1", "equaliser", "3.3 .. 15 ohm", "15 .. 150 uF", optional=True),
            ),
            way(
                "lower",
                slot("C1", "series capacitor", "47 .. 330 uF"),
                slot("L1", "shunt inductor", "2.2 .. 18 mH", optional=True),
                slot("L2", "series inductor", "0.33 .. 3.3 mH"),
                slot("C2", "shunt capacitor", "4.7 .. 47 uF", optional=True),
                slot("P1", "pad", "0.5 .. 6.8 ohm", "4.7 .. 47 ohm", optional=True),
                slot("Z1", "equaliser", "3.3 .. 15 ohm", "4.7 .. 47 uF", optional=True),
                free=True,
            ),
            way(
                "upper",
                slot("C1", "series capacitor", "10 .. 68 uF"),
                slot("L1", "shunt inductor", "0.33 .. 3.3 mH", optional=True),
                slot("L2", "series inductor", "0.1 .. 1 mH"),
                slot("C2", "shunt capacitor", "1 .. 10 uF", optional=True),
                slot("N1", "notch", "3.3 .. 15 mH", "15 .. 82 uF", "2.2 .. 10 ohm", optional=True),
                slot("P1", "pad", "0.5 .. 8.2 ohm", "3.3 .. 47 ohm", optional=True),
                free=True,
            ),
            way(
                "tweeter",
                slot("C1", "series capacitor", "1.5 .. 10 uF"),
                slot("L1", "shunt inductor", "0.068 .. 0.68 mH"),
                slot("C2", "series capacitor", "2.2 .. 22 uF", optional=True),
                slot("L2", "shunt inductor", "0.15 .. 1.5 mH", optional=True),
                slot("P1", "pad", "0.5 .. 10 ohm", "2.2 .. 47 ohm", optional=True),
                slot("N1", "notch", "1 .. 4.7 mH", "10 .. 47 uF", "2.2 .. 10 ohm", optional=True),
                free=True,
            ),
        ),
        _goals(3.0, (60.0, 16_000.0)),
    )


def _shelf() -> Stock:
    """An invented shelf: odd values, odd losses, one piece or two of each."""
    rng = np.random.default_rng(1_000)  # one draw, never repeated: the shelf is what it is
    spans: dict[Kind, tuple[float, float, float]] = {
        "inductor": (1.2e-4, 9e-3, 0.45),
        "capacitor": (1.8e-6, 2e-4, 0.04),
        "resistor": (0.68, 39.0, 0.0),
    }
    lots = []
    for kind, (low, high, loss) in spans.items():
        values = [float(v) for v in series_values("E24", low, high)]
        for value in values:
            if rng.random() < 0.45:
                measured = float(f"{value * rng.normal(1.0, 0.02):.3g}")
                lots.append(
                    Lot(
                        part=Part(
                            kind=kind,
                            value=measured,
                            origin=SHELF,
                            pieces=(measured,),
                            loss_ohm=float(round(loss * rng.uniform(0.6, 1.8), 3)),
                        ),
                        count=int(rng.integers(1, 3)),
                        nominal=value,
                    )
                )
    return assemble_stock(lots=lots)


def shelf_only() -> Problem:
    """The three-way of 17 values from what lies on an invented shelf."""
    demo = three_way_17()
    return Problem(
        title="three-way from the shelf",
        drivers=demo.drivers,
        topology=demo.topology,
        stock=_shelf(),
        goals=demo.goals,
        mirror=True,
    )


def demo_shelf() -> Problem:
    """The demo from its own shelf alone: sixty rows, a pair, up to two pieces joined."""
    with tempfile.TemporaryDirectory() as folder:
        path = write_demo(Path(folder) / "demo")
        plain = path.read_text(encoding="utf-8")
        shelf = plain.replace(
            "\nstock: {series: E12}\n", "\nstock: {shelf: shelf.csv, pair: yes, join: 2}\n"
        )
        if shelf == plain:
            raise AssertionError("the demo's design file no longer names its stock this way")
        path.write_text(shelf, encoding="utf-8")
        return build_problem(load_design(path))


def kept_parts() -> Problem:
    """The three-way of 25 values with six parts already on the board."""
    woofer, midrange, tweeter = _three_way_25_ways()
    kept: dict[tuple[str, str], Slot] = {
        ("woofer", "L1"): keep("L1", "series inductor", ("3.9 mH", 0.55)),
        ("midrange", "C1"): keep("C1", "series capacitor", ("68 uF", 0.02)),
        ("midrange", "P1"): keep("P1", "pad", ("2.2 ohm", 0.0), ("15 ohm", 0.0)),
        ("tweeter", "C1"): keep("C1", "series capacitor", ("5.6 uF", 0.01)),
        ("tweeter", "L1"): keep("L1", "shunt inductor", ("0.27 mH", 0.25)),
    }
    ways = tuple(
        Way(
            name=w.name,
            driver=w.driver,
            polarity="normal" if w is woofer else "free",
            slots=tuple(kept.get((w.name, s.name), s) for s in w.slots),
        )
        for w in (woofer, midrange, tweeter)
    )
    return _problem(
        "three-way with kept parts", (d.WOOFER, d.MIDRANGE, d.TWEETER), ways, _goals(3.2)
    )


BUILDERS: dict[str, Callable[[], Problem]] = {
    build.__name__: build
    for build in (
        one_way_trap,
        two_way_minimal,
        three_way_small,
        two_way_notch_pad,
        two_and_half_way,
        three_way_17,
        shelf_only,
        demo_shelf,
        kept_parts,
        three_way_25,
        four_way_32,
    )
}
"""By name, small ones first."""

ENUMERABLE = ("one_way_trap", "two_way_minimal", "three_way_small")
"""Small enough for every network to be computed."""
