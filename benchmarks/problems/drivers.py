"""Invented drivers for the benchmark problems, from the published equations of the demo.

No driver here is a product. Numbers are typical of their kind: a large woofer, a woofer for
two-ways, a cone and a dome midrange, a wide-range driver.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from optimizer.arrays import Real
from optimizer.demo import equations as eq
from optimizer.demo.scenario import DRIVERS, Bump, DemoDriver, compute_raw_pressure
from optimizer.measure.curve import Direction
from optimizer.measure.driver import Driver

WOOFER, MIDRANGE, TWEETER = DRIVERS


def _driver(
    name: str,
    *,
    resistance_ohm: float,
    free_air: tuple[float, float, float, float],
    box_m3: float,
    diaphragm_m: float,
    coil: tuple[float, float],
    up_m: float,
    back_m: float,
    top_hz: float,
    bumps: tuple[tuple[float, float, float], ...],
) -> DemoDriver:
    """Build a driver from free-air resonance in Hz, Qm, Qe and suspension volume in m3."""
    resonance, mechanical, electrical, volume = free_air
    boxed = eq.mount_in_box(resonance, mechanical, electrical, volume, box_m3)
    return DemoDriver(
        name=name,
        coil=eq.MovingCoil(
            resistance_ohm=resistance_ohm,
            resonance_hz=boxed[0],
            mechanical_q=boxed[1],
            electrical_q=boxed[2],
            moving_mass_kg=eq.compute_mass(resonance, volume, diaphragm_m),
            diaphragm_m=diaphragm_m,
            coil_k=coil[0],
            coil_n=coil[1],
        ),
        place_m=(up_m, 0.0, back_m),
        top_hz=top_hz,
        top_q=0.9,
        bumps=tuple(Bump(centre_hz=f, gain_db=g, q=q) for f, g, q in bumps),
        watts=50.0,
        lowest_hz=resonance,
    )


SMALL_WOOFER = _driver(
    "woofer",
    resistance_ohm=5.8,
    free_air=(42.0, 3.6, 0.42, 0.022),
    box_m3=0.011,
    diaphragm_m=0.13,
    coil=(0.0052, 0.69),
    up_m=-0.15,
    back_m=0.018,
    top_hz=6200.0,
    bumps=(
        (420.0, -0.7, 1.6),
        (900.0, 0.9, 1.9),
        (1700.0, -1.0, 2.4),
        (3600.0, 4.2, 4.5),
        (5300.0, 6.0, 6.0),
    ),
)
"""A woofer of a usual two-way, with a break-up peak within the reach of a crossover."""

LOW_WOOFER = replace(SMALL_WOOFER, name="bass", place_m=(-0.33, 0.0, 0.018))
"""A second woofer of the same kind, lower in the cabinet: the half way of a 2.5-way."""

LARGE_WOOFER = _driver(
    "bass",
    resistance_ohm=5.5,
    free_air=(23.0, 4.5, 0.40, 0.160),
    box_m3=0.080,
    diaphragm_m=0.26,
    coil=(0.0120, 0.71),
    up_m=-0.62,
    back_m=0.035,
    top_hz=1900.0,
    bumps=((230.0, -0.8, 1.5), (430.0, 1.0, 1.8), (800.0, -1.5, 2.4), (1250.0, 5.0, 4.5)),
)
"""The bass of a four-way."""

CONE_MIDRANGE = _driver(
    "lower",
    resistance_ohm=5.6,
    free_air=(48.0, 3.3, 0.36, 0.016),
    box_m3=0.006,
    diaphragm_m=0.14,
    coil=(0.0055, 0.68),
    up_m=-0.28,
    back_m=0.02,
    top_hz=5200.0,
    bumps=((380.0, 0.8, 1.5), (820.0, -1.0, 2.0), (1500.0, 0.8, 2.4), (3300.0, 4.5, 5.0)),
)
"""The lower midrange of a four-way."""

DOME_MIDRANGE = _driver(
    "upper",
    resistance_ohm=5.9,
    free_air=(310.0, 1.9, 0.85, 0.00030),
    box_m3=0.0020,
    diaphragm_m=0.055,
    coil=(0.0019, 0.66),
    up_m=-0.09,
    back_m=0.004,
    top_hz=11000.0,
    bumps=((900.0, -0.8, 1.6), (2100.0, 0.8, 2.0), (5200.0, 3.0, 4.0), (9000.0, 4.0, 5.0)),
)
"""The upper midrange of a four-way."""

WIDE_RANGE = _driver(
    "driver",
    resistance_ohm=6.1,
    free_air=(70.0, 3.0, 0.50, 0.0060),
    box_m3=0.0050,
    diaphragm_m=0.085,
    coil=(0.0016, 0.66),
    up_m=0.0,
    back_m=0.0,
    top_hz=17000.0,
    bumps=((900.0, 0.9, 1.4), (2600.0, 3.2, 1.2), (6500.0, 5.0, 2.0), (11000.0, -2.0, 3.0)),
)
"""One driver for everything: needs a trap and the baffle's step corrected."""


def frequency_grid(points: int, low_hz: float = 20.0, high_hz: float = 20_000.0) -> Real:
    """Frequencies spread evenly over the logarithm."""
    return np.geomspace(low_hz, high_hz, points)


def make_driver(
    source: DemoDriver, frequency_hz: Real, directions: tuple[Direction, ...]
) -> Driver:
    """Compute a driver on a grid: exact, without the ripple that the demo's files carry."""
    pressure = np.stack([compute_raw_pressure(frequency_hz, source, d) for d in directions])
    return Driver(
        name=source.name,
        frequency_hz=frequency_hz,
        directions=directions,
        pressure=pressure / eq.REFERENCE_PRESSURE_PA,
        impedance=eq.compute_impedance(frequency_hz, source.coil),
        place_m=source.place_m,
        diaphragm_m=source.coil.diaphragm_m,
    )
