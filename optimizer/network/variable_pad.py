"""Variable pads of old fronts: one control, two resistances that follow from its position."""

from __future__ import annotations

import math
from collections.abc import Sequence

from optimizer.errors import InputError, Subject
from optimizer.network.topology import OneOf, Slot, ValueRange
from optimizer.parts import KEPT, Part

LOWEST_DB = -40.0
"""Lowest position: below it the resistance across the driver is that of the wiper."""


def pad_resistances(ohm: float, level_db: float) -> tuple[float, float]:
    """Resistances of a pad that keeps the load of the network the same at every position.

    Parameters
    ----------
    ohm : float
        Nominal resistance of the load.
    level_db : float
        Level at the load against that without the pad, below 0.

    Returns
    -------
    series_ohm, shunt_ohm : float
        In the line, and across the load.

    Notes
    -----
    With k = 10^(level/20), Rs = Z (1 - k) and Rp = Z k / (1 - k): Z in parallel with Rp is Z k, which
    makes Z together with Rs. The formula of the L pad in radio handbooks, from memory.
    """
    k = 10.0 ** (level_db / 20.0)
    return ohm * (1.0 - k), ohm * k / (1.0 - k)


def find_nominal(series_ohm: float, shunt_ohm: float) -> float:
    """Find the load that a pad of two resistances is made for, in ohm.

    Parameters
    ----------
    series_ohm, shunt_ohm : float
        As `pad_resistances` has them.

    Notes
    -----
    With that load Z it shows Z itself: Rs + Z Rp / (Z + Rp) = Z, so Z^2 - Rs Z - Rs Rp = 0.
    """
    return (series_ohm + math.sqrt(series_ohm**2 + 4.0 * series_ohm * shunt_ohm)) / 2.0


def variable_pad(name: str, ohm: float, positions_db: Sequence[float]) -> OneOf:
    """Make the positions of a variable pad that is on the board: alternatives of kept resistors.

    Parameters
    ----------
    name : str
        Of the control.
    ohm : float
        Nominal resistance, that of the driver behind it.
    positions_db : sequence of float
        Positions that may be chosen, from `LOWEST_DB` to 0; at 0 dB there is no resistor at all.

    Returns
    -------
    OneOf
        Each position has a slot of its own ("P1-6dB"), so no resistor is ever changed alone.

    Raises
    ------
    InputError
        For a position that a pad does not have, or one position of 0 dB alone.
    """
    for level in positions_db:
        if not LOWEST_DB <= level <= 0.0:
            raise InputError(
                f"a variable pad lowers the level, by {-LOWEST_DB:g} dB at most",
                subject=Subject("slot", name),
                value=f"{level:g} dB",
                remedy="write for instance -6 dB",
            )
    if not any(positions_db):
        raise InputError(
            "a variable pad that stands at 0 dB changes nothing",
            subject=Subject("slot", name),
            remedy="leave it out",
        )
    return OneOf({f"{p:g} dB": _position(name, ohm, p) if p else () for p in positions_db}, name)


def _position(name: str, ohm: float, level_db: float) -> tuple[Slot]:
    said = f"{level_db:g}"
    parts = tuple(
        Part(
            kind="resistor", value=value, origin=KEPT, pieces=(value,), note=f"{name} at {said} dB"
        )
        for value in pad_resistances(ohm, level_db)
    )
    return (
        Slot(
            name=f"{name}{said.replace('.', '_')}dB",
            place="series",
            form="pad",
            ranges=tuple(ValueRange(low=part.value, high=part.value) for part in parts),
            kept=parts,
        ),
    )
