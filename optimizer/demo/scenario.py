"""The numbers of the demo: three invented drivers in an invented old cabinet.

A tall oak cabinet from a village chapel has lost its drivers and its crossover. Three new
drivers sit in it, the woofer and the midrange in closed chambers of their own. The chapel is
large, so the microphone could stand far away; levels are referred to 1 m. No driver here is a
product: the numbers are chosen to be typical of their kind and to give a network something to
do, a woofer and a midrange with break-up peaks and a tweeter that is too loud.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.demo import equations as eq
from optimizer.measure.curve import ON_AXIS, Direction
from optimizer.measure.geometry import (
    baffle_shelf,
    direction_angle_rad,
    path_excess_m,
    travel_factor,
)

TITLE = "Chapel three-way"
BAFFLE_WIDTH_M = 0.34
_BAFFLE_REAR = 0.03  # smallest share of high frequencies behind the cabinet (-30 dB)

HORIZONTAL_DEG = (15, 30, 45, 60, 75, 90, 120, 150, 180)
VERTICAL_DEG = (15, -15, 30, -30, 45, -45, 60, -60)
DIRECTIONS: tuple[Direction, ...] = (
    ON_AXIS,
    *(Direction(horizontal_deg=float(angle)) for angle in HORIZONTAL_DEG),
    *(Direction(vertical_deg=float(angle)) for angle in VERTICAL_DEG),
)
"""Reference axis first; one side only, since the cabinet is the same left and right."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bump:
    """A peak or dip of the response: a break-up mode or the ripple of the cabinet's edges.

    Parameters
    ----------
    centre_hz, gain_db, q : float
        As seen on axis.
    """

    centre_hz: float
    gain_db: float
    q: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoDriver:
    """One driver of the demo and where it sits.

    Parameters
    ----------
    name : str
        Its name in files and design.
    coil : equations.MovingCoil
        Motor, moving part and box.
    place_m : tuple of float
        (up, right, back) from the reference axis in m.
    top_hz, top_q : float
        Second-order end of its range.
    bumps : tuple of Bump
        Break-up modes and edge ripple.
    watts, lowest_hz : float
        What it stands, for the design file.
    highest_hz : float or None
        Up to where it should play, for the design file.
    """

    name: str
    coil: eq.MovingCoil
    place_m: tuple[float, float, float]
    top_hz: float
    top_q: float
    bumps: tuple[Bump, ...]
    watts: float
    lowest_hz: float
    highest_hz: float | None = None


def _build_woofer() -> DemoDriver:
    resonance, mechanical, electrical = eq.mount_in_box(27.0, 4.0, 0.44, 0.075, 0.042)
    return DemoDriver(
        name="woofer",
        coil=eq.MovingCoil(
            resistance_ohm=5.6,
            resonance_hz=resonance,
            mechanical_q=mechanical,
            electrical_q=electrical,
            moving_mass_kg=eq.compute_mass(27.0, 0.075, 0.21),
            diaphragm_m=0.21,
            coil_k=0.0085,
            coil_n=0.70,
        ),
        place_m=(-0.42, 0.0, 0.03),
        top_hz=3200.0,
        top_q=0.9,
        bumps=(
            Bump(centre_hz=310.0, gain_db=-0.8, q=1.6),
            Bump(centre_hz=560.0, gain_db=1.0, q=1.8),
            Bump(centre_hz=1150.0, gain_db=-1.6, q=2.2),
            Bump(centre_hz=1850.0, gain_db=4.5, q=4.0),
            Bump(centre_hz=2750.0, gain_db=6.5, q=6.0),
        ),
        watts=80.0,
        lowest_hz=30.0,
        highest_hz=1700.0,
    )


def _build_midrange() -> DemoDriver:
    resonance, mechanical, electrical = eq.mount_in_box(55.0, 3.2, 0.38, 0.0090, 0.0030)
    return DemoDriver(
        name="midrange",
        coil=eq.MovingCoil(
            resistance_ohm=5.7,
            resonance_hz=resonance,
            mechanical_q=mechanical,
            electrical_q=electrical,
            moving_mass_kg=eq.compute_mass(55.0, 0.0090, 0.11),
            diaphragm_m=0.11,
            coil_k=0.0045,
            coil_n=0.68,
        ),
        place_m=(-0.14, 0.0, 0.015),
        top_hz=8500.0,
        top_q=0.9,
        bumps=(
            Bump(centre_hz=620.0, gain_db=0.9, q=1.5),
            Bump(centre_hz=1250.0, gain_db=-1.1, q=2.0),
            Bump(centre_hz=2300.0, gain_db=0.7, q=2.5),
            Bump(centre_hz=4800.0, gain_db=4.0, q=5.0),
            Bump(centre_hz=7000.0, gain_db=6.0, q=6.0),
        ),
        watts=50.0,
        lowest_hz=180.0,
        highest_hz=5000.0,
    )


def _build_tweeter() -> DemoDriver:
    return DemoDriver(
        name="tweeter",
        coil=eq.MovingCoil(
            resistance_ohm=5.1,
            resonance_hz=750.0,
            mechanical_q=1.7,
            electrical_q=0.75,
            moving_mass_kg=0.00021,
            diaphragm_m=0.027,
            coil_k=0.0011,
            coil_n=0.65,
        ),
        place_m=(0.0, 0.0, 0.0),
        top_hz=27000.0,
        top_q=1.1,
        bumps=(
            Bump(centre_hz=1500.0, gain_db=0.8, q=1.6),
            Bump(centre_hz=2600.0, gain_db=-1.0, q=2.2),
            Bump(centre_hz=5200.0, gain_db=0.6, q=2.0),
            Bump(centre_hz=11500.0, gain_db=-0.7, q=2.5),
        ),
        watts=15.0,
        lowest_hz=1800.0,
    )


DRIVERS: tuple[DemoDriver, ...] = (_build_woofer(), _build_midrange(), _build_tweeter())


def compute_raw_pressure(frequency_hz: Real, driver: DemoDriver, direction: Direction) -> Complex:
    """Compute one raw response of a demo driver in the cabinet.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz.
    driver : DemoDriver
        Which driver.
    direction : Direction
        Where the microphone stands, far away.

    Returns
    -------
    ndarray, shape (F,), complex
        Pressure in Pa at 2.83 V, referred to 1 m, on the clock all drivers share: the arrival
        from the reference point (tweeter, on axis) is time zero.

    Notes
    -----
    Peaks and ripple fade away from the axis and move up a little: our simplification, so that
    the directions are not scaled copies of each other.
    """
    angle = direction_angle_rad(direction)
    fade = 0.35 + 0.65 * (0.5 * (1.0 + np.cos(angle)))
    shift = 1.0 + 0.12 * np.sin(0.5 * angle) ** 2
    # The cabinet is longer below the drivers than above, so its edges act lower downwards.
    shift += 0.05 * np.sin(np.radians(direction.vertical_deg))
    pressure = eq.compute_pressure(frequency_hz, driver.coil)
    pressure = pressure * eq.compute_low_pass(frequency_hz, driver.top_hz, driver.top_q)
    pressure = pressure * baffle_shelf(frequency_hz, BAFFLE_WIDTH_M, angle, _BAFFLE_REAR)
    pressure = pressure * eq.compute_diaphragm_directivity(
        frequency_hz, driver.coil.diaphragm_m, angle
    )
    for bump in driver.bumps:
        pressure = pressure * eq.compute_bell(
            frequency_hz, bump.centre_hz * shift, bump.gain_db * fade, bump.q
        )
    return pressure * travel_factor(frequency_hz, path_excess_m(direction, driver.place_m))
