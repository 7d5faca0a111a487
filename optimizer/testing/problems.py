"""Problems that are searched to the end in well under a second."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from optimizer.goals.goal import Wanted
from optimizer.measure.driver import Driver, Limits
from optimizer.network.slots import (
    pad,
    series_capacitor,
    series_inductor,
    shunt_capacitor,
    shunt_inductor,
)
from optimizer.network.topology import Topology
from optimizer.problem.problem import Problem
from optimizer.stock.stock import Stock
from optimizer.testing.drivers import ideal_driver


def small_topology() -> Topology:
    """Make a second-order two-way with a pad for its tweeter: two optional slots, 7 values."""
    return Topology.of(
        woofer=[
            series_inductor("L1", "0.68 mH", "2.2 mH"),
            shunt_capacitor("C1", "6.8 uF", "22 uF", optional=True),
        ],
        tweeter=[
            series_capacitor("C1", "3.3 uF", "10 uF"),
            shunt_inductor("L1", "0.33 mH", "1 mH"),
            pad(
                "P1",
                series_resistor="1 .. 3.3 ohm",
                shunt_resistor="6.8 .. 22 ohm",
                optional=True,
            ),
        ],
        free_polarity=["tweeter"],
    )


def small_problem(
    *,
    goals: Mapping[str, Wanted] | None = None,
    topology: Topology | None = None,
    stock: Stock | None = None,
    drivers: Sequence[Driver] | None = None,
) -> Problem:
    """Make a two-way of ideal drivers with a few thousand networks.

    Parameters
    ----------
    goals, topology, stock, drivers
        Instead of those that come along: on axis, impedance and parts; `small_topology`; the
        series E6; a woofer and a tweeter that is 3 dB louder.

    Returns
    -------
    Problem

    Examples
    --------
    >>> small_problem()
    <Problem small two-way: 2 drivers, 6 parts, about 10^4.0 networks, goals on_axis, ...>
    """
    return Problem(
        title="small two-way",
        drivers=drivers
        or [
            ideal_driver(
                "woofer",
                band_hz=(60.0, 4000.0),
                ohm=6.0,
                coil_h=0.3e-3,
                limits=Limits(watts=80.0),
            ),
            ideal_driver(
                "tweeter",
                band_hz=(900.0, None),
                level_db=93.0,
                ohm=6.0,
                resonance_hz=900.0,
                limits=Limits(watts=20.0, lowest_hz=1500.0),
            ),
        ],
        topology=topology or small_topology(),
        stock=stock or Stock.of("E6"),
        goals=goals
        or {
            "on_axis": {"tilt": "0 dB/oct", "band": "150 .. 15k"},
            "impedance": {"floor": "4 ohm", "hard": True},
            "parts": {"each": 0.03},
        },
    )
