"""Drivers with responses and impedances of textbook filters."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from optimizer.arrays import Real
from optimizer.measure.curve import ON_AXIS, Direction
from optimizer.measure.curves.grid import log_grid
from optimizer.measure.driver import Driver, Limits

GRID_HZ = log_grid(50.0, 20_000.0, 12.0)
GRID_HZ.setflags(write=False)


def ideal_driver(
    name: str = "driver",
    *,
    band_hz: tuple[float | None, float | None] = (None, None),
    level_db: float = 90.0,
    ohm: float = 8.0,
    coil_h: float = 0.0,
    resonance_hz: float | None = None,
    delay_s: float = 0.0,
    diaphragm_m: float | None = None,
    directions: Sequence[Direction] = (ON_AXIS,),
    grid_hz: Real = GRID_HZ,
    limits: Limits | None = None,
) -> Driver:
    """Make a driver that is flat between two second-order Butterworth roll-offs.

    Parameters
    ----------
    name : str
        Its name.
    band_hz : tuple of float or None
        Frequencies where it is 3 dB down; None leaves an end flat.
    level_db : float
        Its level in between, dB SPL at 1 m for 2.83 V.
    ohm, coil_h : float
        Resistance and inductance of its voice coil.
    resonance_hz : float, optional
        Adds a resonance to the impedance, five times the resistance high, with a Q of 3.
    delay_s : float
        How much later than the others it arrives.
    diaphragm_m : float, optional
        Effective diameter; with it the level falls off the axis as that of a piston with
        (ka/2)^2 sin^2, the first term of its series.
    directions : sequence of Direction
        Reference axis first.
    grid_hz : ndarray, shape (F,)
        Frequencies in Hz.
    limits : Limits, optional
        What it stands.

    Returns
    -------
    Driver

    Notes
    -----
    Butterworth: H = 1 / (1 + sqrt(2) p + p^2) with p = s/w0, or w0/s for the lower end.

    Examples
    --------
    >>> woofer = ideal_driver("woofer", band_hz=(None, 3000.0))
    >>> at_corner = int(np.argmin(np.abs(woofer.frequency_hz - 3000.0)))
    >>> round(float(20.0 * np.log10(abs(woofer.pressure[0, at_corner]))), 1)
    87.0
    """
    s = 1j * np.asarray(grid_hz, dtype=np.float64)
    low, high = band_hz
    shape = np.ones(len(s), dtype=np.complex128)
    for p in ([] if low is None else [low / s]) + ([] if high is None else [s / high]):
        shape = shape / (1.0 + np.sqrt(2.0) * p + p * p)
    shape = shape * 10.0 ** (level_db / 20.0) * np.exp(-2.0 * np.pi * delay_s * s)
    impedance = ohm + 2.0 * np.pi * coil_h * s
    if resonance_hz is not None:
        x = s / resonance_hz
        impedance = impedance + 5.0 * ohm * (x / 3.0) / (1.0 + x / 3.0 + x * x)
    return Driver(
        name=name,
        frequency_hz=np.asarray(grid_hz, dtype=np.float64),
        directions=tuple(directions),
        pressure=np.stack([shape * _fall(d, grid_hz, diaphragm_m) for d in directions]),
        impedance=np.asarray(impedance, dtype=np.complex128),
        diaphragm_m=diaphragm_m,
        limits=limits or Limits(),
    )


def resistive_driver(name: str = "driver", ohm: float = 8.0, grid_hz: Real = GRID_HZ) -> Driver:
    """Make a driver that is a resistor and sounds flat: what filter handbooks assume."""
    return ideal_driver(name, ohm=ohm, grid_hz=grid_hz)


def _fall(direction: Direction, grid_hz: Real, diaphragm_m: float | None) -> Real:
    """Pressure in a direction over that on the axis."""
    if diaphragm_m is None:
        return np.ones(len(grid_hz))
    angle = np.deg2rad(max(abs(direction.horizontal_deg), abs(direction.vertical_deg)))
    ka = 2.0 * np.pi * grid_hz / 343.0 * diaphragm_m / 2.0
    return np.asarray(1.0 / (1.0 + (ka * np.sin(min(angle, np.pi / 2.0))) ** 2 / 8.0))
