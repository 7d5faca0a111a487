"""Every direction estimated from geometry, where the axis alone was measured.

Where there are others, `optimizer.acoustics.completion` completes them. What is estimated is what
geometry decides: how a diaphragm beams, how far each driver is from the listener, how a cabinet
shades what lies behind it. Cone break-up, edges and shelves of a real cabinet are not in it, so
everything that comes from here is labelled "estimated".
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from optimizer.acoustics.completion import STANDARD_DIRECTIONS
from optimizer.arrays import Complex, Real
from optimizer.errors import InputError, Subject
from optimizer.measure.curve import ON_AXIS, Direction
from optimizer.measure.driver import Driver
from optimizer.measure.geometry import (
    SOUND_SPEED_M_S,
    baffle_shelf,
    direction_angle_rad,
    path_excess_m,
    piston_directivity,
    travel_factor,
)

BAFFLE_TO_DIAPHRAGM = 1.3
"""Width of a baffle over the largest diaphragm on it, when it is not stated; common practice, no
source."""

REAR_FLOOR = 0.1
"""Smallest high-frequency share of pressure behind a cabinet (-20 dB); common practice, no
source."""


def cabinet_shade(frequency_hz: Real, baffle_m: float, angle_rad: float) -> Complex:
    """Compute what the cabinet takes away in a direction, relative to the axis.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz.
    baffle_m : float
        Width of the baffle in m.
    angle_rad : float
        Angle from the axis, 0 to pi.

    Returns
    -------
    ndarray, shape (F,), complex
        1 at low frequency in every direction; at high frequency (1 + cos angle) / 2, that is 1
        in front and 1/2 at the side, but not less than `REAR_FLOOR`.

    Notes
    -----
    The baffle's shelf in that direction over the one in front, see
    `optimizer.measure.geometry.baffle_shelf`: the response on the axis is measured and holds its
    own baffle step.
    """
    here = baffle_shelf(frequency_hz, baffle_m, angle_rad, REAR_FLOOR)
    return np.asarray(here / baffle_shelf(frequency_hz, baffle_m, 0.0, REAR_FLOOR))


def estimate_pressure(driver: Driver, direction: Direction, baffle_m: float) -> Complex:
    """Estimate a driver's response in a direction from its response on the axis.

    Parameters
    ----------
    driver : Driver
        With its diaphragm; the response on the axis is the first row.
    direction : Direction
        Where the listener is.
    baffle_m : float
        Width of the baffle in m.

    Returns
    -------
    ndarray, shape (F,), complex
        Response on the axis times piston directivity, shade of the cabinet and delay of the
        path. Beyond 90 degrees the piston keeps its value at 90 degrees.

    Raises
    ------
    InputError
        When the diaphragm is not known.
    """
    if driver.diaphragm_m is None:
        raise InputError(
            "estimating directions needs the effective diameter of every diaphragm",
            subject=(subject := Subject("driver", driver.name, "diaphragm")),
            value="none",
            remedy="state its diameter",
            by_stating=(subject,),
        )
    k = 2.0 * np.pi * driver.frequency_hz / SOUND_SPEED_M_S
    angle = direction_angle_rad(direction)
    piston = piston_directivity(k * (0.5 * driver.diaphragm_m) * np.sin(min(angle, 0.5 * np.pi)))
    excess = path_excess_m(direction, driver.place_m) - path_excess_m(ON_AXIS, driver.place_m)
    return np.asarray(
        driver.pressure[0]
        * piston
        * travel_factor(driver.frequency_hz, excess)
        * cabinet_shade(driver.frequency_hz, baffle_m, angle)
    )


def estimate_directions(
    drivers: Sequence[Driver], *, baffle_m: float | None = None
) -> tuple[tuple[Driver, ...], tuple[str, ...]]:
    """Add the standard directions, estimated from geometry, to drivers measured on the axis alone.

    Parameters
    ----------
    drivers : sequence of Driver
        With the same directions, the axis first, each with its diaphragm and place.
    baffle_m : float, optional
        Width of the baffle; `BAFFLE_TO_DIAPHRAGM` times the largest diaphragm when not given.

    Returns
    -------
    drivers : tuple of Driver
        The same with more directions; `Driver.estimated` lists the new ones.
    notes : tuple of str
        What was assumed, in plain sentences; with directions off the axis, that these serve.

    Raises
    ------
    InputError
        When a diaphragm is not known.
    """
    if len(drivers[0].directions) > 1:
        return tuple(drivers), (
            "nothing is estimated from geometry: what is missing is completed from the "
            "directions that were measured off the axis",
        )
    added = STANDARD_DIRECTIONS[1:]
    widest = max((d.diaphragm_m or 0.0) for d in drivers)
    width = BAFFLE_TO_DIAPHRAGM * widest if baffle_m is None else baffle_m
    out = []
    for driver in drivers:
        rows = np.array([estimate_pressure(driver, d, width) for d in added])
        pressure = np.concatenate([driver.pressure, rows])
        pressure.setflags(write=False)
        out.append(
            replace(
                driver,
                directions=(*driver.directions, *added),
                pressure=pressure,
                estimated=(*driver.estimated, *added),
            )
        )
    notes = [
        "estimated, not measured: all directions off the axis, from the diaphragms (rigid "
        "pistons), the places on the baffle (path differences) and the shade of a cabinet "
        f"{100 * width:.0f} cm wide"
        + (
            ""
            if baffle_m is not None
            else f" ({BAFFLE_TO_DIAPHRAGM:g} times the largest diaphragm, since no width is stated)"
        ),
        "estimated: behind the cabinet high frequencies fall to half the pressure at 90 degrees "
        "and a tenth at 180, low ones not at all; break-up and cabinet edges are not in it",
    ]
    places = [d.place_m for d in drivers]
    if len(set(places)) < len(places):
        notes.append(
            "estimated: drivers stated at one place give no path differences between "
            "them; say where each is under at"
        )
    return tuple(out), tuple(notes)
