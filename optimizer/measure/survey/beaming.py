"""From which frequency a driver beams, from measured directions or from its diameter."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Real
from optimizer.measure.curve import ON_AXIS, Direction, MeasuredCurve
from optimizer.measure.curves.band import smooth_energy
from optimizer.measure.curves.thin import interpolate_log, thin_response
from optimizer.measure.geometry import SOUND_SPEED_M_S

BEAMING_DB = 6.0
WANTED_DEG = 60.0
PISTON_6_DB = 2.211785
"""ka sin(angle) at which a piston is 6 dB down (references: Eargle; calculated)."""
_PER_OCTAVE = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Beaming:
    """Where a driver is 6 dB down off axis.

    Parameters
    ----------
    frequency_hz : float
        Lowest frequency from which it stays so for half an octave.
    angle_deg : float
        The angle looked at.
    source : {"measured", "diameter"}
        What it comes from.
    """

    frequency_hz: float
    angle_deg: float
    source: str


def beaming_of_piston(diaphragm_m: float, angle_deg: float = WANTED_DEG) -> Beaming:
    """Compute the beaming frequency of a flat piston in a large baffle.

    Parameters
    ----------
    diaphragm_m : float
        Effective diameter in m.
    angle_deg : float
        Angle from the axis.

    Returns
    -------
    Beaming
        Real cones beam less above their break-up.
    """
    x = PISTON_6_DB / np.sin(np.deg2rad(angle_deg))
    return Beaming(
        frequency_hz=float(x * SOUND_SPEED_M_S / (np.pi * diaphragm_m)),
        angle_deg=angle_deg,
        source="diameter",
    )


def find_beaming(responses: Mapping[Direction, MeasuredCurve]) -> Beaming | None:
    """Find the beaming frequency in measured directions.

    Parameters
    ----------
    responses : mapping of Direction to MeasuredCurve
        Must hold the reference axis.

    Returns
    -------
    Beaming or None
        None without a horizontal direction from 30 to 60 degrees, or when the driver does not
        beam within the data.

    Notes
    -----
    Of the horizontal directions the one nearest 60 degrees, not beyond, is compared with the
    reference axis after averaging over 1/3 octave.
    """
    on_axis = responses.get(ON_AXIS)
    usable = [
        d
        for d in responses
        if d.vertical_deg == 0.0 and 30.0 <= abs(d.horizontal_deg) <= WANTED_DEG
    ]
    if on_axis is None or not usable:
        return None
    direction = max(usable, key=lambda d: (abs(d.horizontal_deg), d.horizontal_deg))
    off = responses[direction]
    low = max(on_axis.range_hz[0], off.range_hz[0])
    high = min(on_axis.range_hz[1], off.range_hz[1])
    if high < 2.0 * low:
        return None
    grid = np.geomspace(low, high, int(np.log2(high / low) * _PER_OCTAVE))
    drop = _smooth_on(on_axis, grid) - _smooth_on(off, grid)
    down = drop >= BEAMING_DB
    need = _PER_OCTAVE // 2
    for index in np.flatnonzero(down):
        piece = down[index : index + need]
        if len(piece) > 4 and float(np.mean(piece)) > 0.8:
            return Beaming(
                frequency_hz=float(grid[index]),
                angle_deg=abs(direction.horizontal_deg),
                source="measured",
            )
    return None


def _smooth_on(response: MeasuredCurve, grid: Real) -> Real:
    thin = thin_response(response)
    level = interpolate_log(thin.frequency_hz, thin.level_db, grid)
    return smooth_energy(level, _PER_OCTAVE / 3.0)
