"""Radiation of a driver in a cabinet: directivity, baffle and path differences.

Same conventions as `equations`: e^{+jwt}, SI units, one frequency axis of shape (F,).
"""

from __future__ import annotations

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.demo.equations import SOUND_SPEED_M_S
from optimizer.measure.curve import Direction


def compute_piston(x: Real) -> Real:
    """Compute the directivity 2 J1(x) / x of a rigid round piston in an infinite baffle.

    Parameters
    ----------
    x : ndarray
        k a sin(angle), with k the wave number and a the radius.

    Returns
    -------
    ndarray
        Pressure relative to the axis, real; exactly 1 at x = 0.

    References
    ----------
    J. Eargle, loudspeaker handbook (argument pi d / wavelength sin angle);
    T. E. Vigran, "Building Acoustics", eq. 3.51.
    """
    from scipy.special import j1

    x = np.asarray(x, dtype=np.float64)
    small = np.abs(x) < 1e-2
    safe = np.where(small, 1.0, x)
    # Below 0.01 the series is exact to rounding and free of 0/0.
    directivity: Real = np.where(small, 1.0 - x**2 / 8.0 + x**4 / 192.0, 2.0 * j1(safe) / safe)
    return directivity


def compute_diaphragm_directivity(
    frequency_hz: Real, diaphragm_m: float, angle_rad: float, stiff_limit: float = 3.4
) -> Real:
    """Compute the directivity of a diaphragm that stops moving as one at high frequency.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz.
    diaphragm_m : float
        Effective diameter in m.
    angle_rad : float
        Angle from the axis, 0 to pi.
    stiff_limit : float
        Largest k a that the part moving as one reaches.

    Returns
    -------
    ndarray, shape (F,)
        Pressure relative to the axis.

    Notes
    -----
    `compute_piston` with a radius a / sqrt(1 + (ka / limit)^2): our simplification. A real
    cone decouples at its edge, so the deep nulls of the rigid piston do not appear; with a
    limit below 3.83, the first zero of J1, none is left. Beyond 90 degrees the value at 90
    degrees is held: our simplification too, the baffle shelf takes over there.
    """
    ka = np.pi * np.asarray(frequency_hz, dtype=np.float64) * diaphragm_m / SOUND_SPEED_M_S
    sine = np.sin(min(angle_rad, np.pi / 2.0))
    return compute_piston(ka / np.sqrt(1.0 + (ka / stiff_limit) ** 2) * sine)


def compute_baffle_shelf(
    frequency_hz: Real, width_m: float, angle_rad: float, rear_floor: float = 0.03
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
    lies at 115 / width, a rule of thumb and not physics; real edges add ripple.
    """
    middle = 115.0 / width_m
    pole = middle * np.sqrt(2.0)
    front = max(0.5 * (1.0 + np.cos(angle_rad)), rear_floor)
    s = 1j * np.asarray(frequency_hz, dtype=np.float64) / pole
    shelf: Complex = (0.5 + front * s) / (1.0 + s)
    return shelf


def compute_angle(direction: Direction) -> float:
    """Compute the angle between a direction and the reference axis, in rad, 0 to pi."""
    horizontal = np.radians(direction.horizontal_deg)
    vertical = np.radians(direction.vertical_deg)
    return float(np.arccos(np.clip(np.cos(horizontal) * np.cos(vertical), -1.0, 1.0)))


def compute_path_excess(direction: Direction, place_m: tuple[float, float, float]) -> float:
    """Compute how much longer the path from a driver is than from the reference point.

    Parameters
    ----------
    direction : Direction
        Where the sound goes, far away.
    place_m : tuple of float
        (up, right, back) of the driver from the reference point, in m.

    Returns
    -------
    float
        Excess path in m, negative when the driver is nearer.

    Notes
    -----
    Parallel paths (plane waves): the listener is far against the size of the cabinet.
    """
    up, right, back = place_m
    horizontal = np.radians(direction.horizontal_deg)
    vertical = np.radians(direction.vertical_deg)
    toward_right = np.sin(horizontal) * np.cos(vertical)
    toward_front = np.cos(horizontal) * np.cos(vertical)
    return float(back * toward_front - right * toward_right - up * np.sin(vertical))


def compute_delay(frequency_hz: Real, path_m: float) -> Complex:
    """Compute the phase factor exp(-j w path / c) of a path in m, shape (F,)."""
    omega = 2.0 * np.pi * np.asarray(frequency_hz, dtype=np.float64)
    return np.asarray(np.exp(-1j * omega * path_m / SOUND_SPEED_M_S), dtype=np.complex128)
