"""What geometry decides before anything is measured: angles, paths, beaming, the baffle.

Shapes as everywhere, frequency last; SI units, e^{+jwt}.
"""

from __future__ import annotations

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.measure.curve import Direction

SOUND_SPEED_M_S = 343.2
"""Speed of sound in dry air at 20 deg C."""


def piston_directivity(x: Real) -> Real:
    """Compute the directivity 2 J1(x) / x of a rigid round piston in an infinite baffle.

    Parameters
    ----------
    x : ndarray
        k a sin(angle), with k the wave number and a the radius.

    Returns
    -------
    ndarray
        Pressure relative to the axis, real; 1 at x = 0, negative between its first two nulls.

    References
    ----------
    T. E. Vigran, "Building Acoustics", eq. 3.51; J. Eargle, loudspeaker handbook (argument
    pi d / wavelength sin angle); zeros at 3.8317, 7.0156, 10.1735.
    """
    from scipy.special import j1

    x = np.asarray(x, dtype=np.float64)
    small = np.abs(x) < 1e-2
    safe = np.where(small, 1.0, x)
    # Below 0.01 two terms of the series are exact to rounding and free of 0/0.
    return np.asarray(np.where(small, 1.0 - x**2 / 8.0 + x**4 / 192.0, 2.0 * j1(safe) / safe))


def direction_angle_rad(direction: Direction) -> float:
    """Return the angle between a direction and the reference axis, 0 to pi."""
    horizontal = np.radians(direction.horizontal_deg)
    vertical = np.radians(direction.vertical_deg)
    return float(np.arccos(np.clip(np.cos(horizontal) * np.cos(vertical), -1.0, 1.0)))


def path_excess_m(direction: Direction, place_m: tuple[float, float, float]) -> float:
    """Return how much longer the way from a driver is than from the reference point.

    Parameters
    ----------
    direction : Direction
        Where the listener is, far away: paths are parallel.
    place_m : tuple of float
        (up, right, back) of the driver from the reference point in m.

    Returns
    -------
    float
        Excess path in m, negative when the driver is nearer.
    """
    up, right, back = place_m
    horizontal = np.radians(direction.horizontal_deg)
    vertical = np.radians(direction.vertical_deg)
    to_front = np.cos(horizontal) * np.cos(vertical)
    to_right = np.sin(horizontal) * np.cos(vertical)
    return float(back * to_front - right * to_right - up * np.sin(vertical))


def travel_factor(frequency_hz: Real, path_m: float) -> Complex:
    """Return the phase factor exp(-j w path / c) of a path in m, shape (F,)."""
    omega = 2.0 * np.pi * np.asarray(frequency_hz, dtype=np.float64)
    return np.asarray(np.exp(-1j * omega * path_m / SOUND_SPEED_M_S), dtype=np.complex128)


def baffle_shelf(
    frequency_hz: Real, width_m: float, angle_rad: float, rear_floor: float
) -> Complex:
    """Compute how a finite baffle changes the pressure against an infinite one.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz.
    width_m : float
        Width of the baffle in m.
    angle_rad : float
        Angle from the axis, 0 to pi.
    rear_floor : float
        Smallest high-frequency factor behind the cabinet.

    Returns
    -------
    ndarray, shape (F,), complex
        Factor: 1/2 (-6 dB, full space) at low frequency in every direction; at high frequency
        (1 + cos angle) / 2, which is 1 in front, 1/2 at the side, `rear_floor` behind.

    Notes
    -----
    First order and smooth, so minimum phase: our simplification. Its middle, -3 dB in front,
    lies at 115 / width, a rule of thumb of the trade and not physics; real edges add ripple.
    """
    middle = 115.0 / width_m
    pole = middle * np.sqrt(2.0)
    front = max(0.5 * (1.0 + np.cos(angle_rad)), rear_floor)
    s = 1j * np.asarray(frequency_hz, dtype=np.float64) / pole
    shelf: Complex = (0.5 + front * s) / (1.0 + s)
    return shelf
