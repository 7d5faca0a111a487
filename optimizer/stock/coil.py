"""Air-core coils: resistance, turns, size and copper mass from the wire that winds them.

All relations are for the Brooks coil: a winding of square section c x c on an inner radius c.
No other shape gives noticeably more inductance from the same wire, so its resistance is the
least an air-core coil of that wire can have.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from optimizer.arrays import Real
from optimizer.errors import InputError

BROOKS_H_PER_M = 2.5491e-6
"""L = BROOKS_H_PER_M * c * N^2 (c in m), from filament integration with Maxwell's formula for
coaxial loops; agrees with Grover's 0.016994 a N^2 uH (a = 1.5 c in cm; quoted from memory)."""

COPPER_OHM_M = 1.7241e-8
"""Resistivity of copper at 20 deg C, 100 % IACS."""

COPPER_PER_K = 0.00393
"""Temperature coefficient of copper at 20 deg C, international annealed copper standard."""

COPPER_KG_PER_M3 = 8960.0
"""Density of copper; handbooks give 8890 to 8960, from memory."""

DEFAULT_WIRE_M = 1.0e-3
"""Bare diameter of the wire assumed when nothing is said; common practice, no source."""

Packing = Literal["square", "hexagonal"]
_AREA_FACTOR: dict[Packing, float] = {"square": 1.0, "hexagonal": float(np.sqrt(3.0) / 2.0)}

AWG_SIZES: tuple[int, ...] = tuple(range(10, 25))


@dataclass(frozen=True, slots=True, kw_only=True)
class BrooksCoil:
    """A Brooks coil, or many at once.

    Parameters
    ----------
    side_m : ndarray
        Side of the square winding section; also the inner radius.
    turns : ndarray
        Number of turns.
    wire_length_m : ndarray
        Length of wire.
    dcr_ohm : ndarray
        Resistance at direct current.
    copper_kg : ndarray
        Mass of the copper.
    """

    side_m: Real
    turns: Real
    wire_length_m: Real
    dcr_ohm: Real
    copper_kg: Real


@dataclass(frozen=True, slots=True, kw_only=True)
class WireGauge:
    """One line of the wire table: bare copper at 20 deg C."""

    awg: int
    diameter_m: float
    area_m2: float
    ohm_per_m: float
    kg_per_m: float


def overall_diameter_m(wire_m: ArrayLike) -> Real:
    """Return the usual diameter over the enamel of a wire of bare diameter `wire_m`.

    Notes
    -----
    Enamel adds about 62 um to 1 mm wire and grows slowly with diameter; the exponent is a fit
    to 0.71/0.77, 1.0/1.062 and 1.4/1.47 mm, within 5 um of each. Valid 0.4 to 3 mm.
    """
    bare = np.asarray(wire_m, dtype=np.float64)
    return np.asarray(bare + 62e-6 * (bare / 1e-3) ** 0.3)


def wind_air_coil(
    inductance_h: ArrayLike,
    wire_m: ArrayLike = DEFAULT_WIRE_M,
    *,
    overall_m: ArrayLike | None = None,
    packing: Packing = "square",
    temperature_c: float = 20.0,
) -> BrooksCoil:
    """Size a Brooks coil for an inductance and a wire.

    Parameters
    ----------
    inductance_h : array_like
        Wanted inductance in H, positive.
    wire_m : array_like
        Bare wire diameter in m; broadcasts against `inductance_h`.
    overall_m : array_like, optional
        Diameter over the insulation; `overall_diameter_m` of the wire when left out.
    packing : {"square", "hexagonal"}
        How the turns lie; hexagonal is the densest and gives the lowest resistance.
    temperature_c : float
        Temperature of the copper.

    Returns
    -------
    BrooksCoil
        Arrays of the broadcast shape.

    Raises
    ------
    InputError
        If an inductance or diameter is not positive, or the insulation is thinner than none.

    Notes
    -----
    N = c^2 / A with A the area one turn takes, so L = k c^5 / A^2; the wire is 3 pi c N long.
    Low frequencies: skin and proximity effect are left out (skin depth in copper is 0.66 mm
    at 10 kHz).

    References
    ----------
    Brooks' proportions; constant by Maxwell's mutual-inductance formula, see `BROOKS_H_PER_M`.
    """
    inductance = np.asarray(inductance_h, dtype=np.float64)
    bare = np.asarray(wire_m, dtype=np.float64)
    overall = (
        overall_diameter_m(bare) if overall_m is None else np.asarray(overall_m, dtype=np.float64)
    )
    if not (np.all(inductance > 0) and np.all(bare > 0)):
        raise InputError(
            "inductance and wire diameter of a coil must be positive",
            value=f"{inductance} H, {bare} m",
        )
    if np.any(overall < bare):
        raise InputError(
            "insulated wire cannot be thinner than the bare wire",
            value=f"{overall} m over {bare} m",
        )
    turn_area = _AREA_FACTOR[packing] * overall**2
    side = (inductance * turn_area**2 / BROOKS_H_PER_M) ** 0.2
    turns = side**2 / turn_area
    length = 3.0 * np.pi * side * turns
    section = 0.25 * np.pi * bare**2
    resistivity = COPPER_OHM_M * (1.0 + COPPER_PER_K * (temperature_c - 20.0))
    return BrooksCoil(
        side_m=np.asarray(side),
        turns=np.asarray(turns),
        wire_length_m=np.asarray(length),
        dcr_ohm=np.asarray(resistivity * length / section),
        copper_kg=np.asarray(COPPER_KG_PER_M3 * length * section),
    )


def air_coil_dcr(
    inductance_h: ArrayLike,
    wire_m: ArrayLike = DEFAULT_WIRE_M,
    *,
    overall_m: ArrayLike | None = None,
    packing: Packing = "square",
    temperature_c: float = 20.0,
) -> Real:
    """Return the resistance in ohm of air-core coils, see `wind_air_coil`."""
    return wind_air_coil(
        inductance_h, wire_m, overall_m=overall_m, packing=packing, temperature_c=temperature_c
    ).dcr_ohm


def awg_diameter_m(awg: int) -> float:
    """Return the bare diameter of an AWG size.

    References
    ----------
    ASTM B 258: d = 0.127 mm * 92^((36 - n) / 39).
    """
    return float(0.127e-3 * 92.0 ** ((36 - awg) / 39.0))


def list_wire_gauges(sizes: tuple[int, ...] = AWG_SIZES) -> tuple[WireGauge, ...]:
    """Return the table of wire gauges: diameter, section, resistance and mass per metre."""
    table = []
    for awg in sizes:
        diameter = awg_diameter_m(awg)
        area = 0.25 * np.pi * diameter**2
        table.append(
            WireGauge(
                awg=awg,
                diameter_m=diameter,
                area_m2=float(area),
                ohm_per_m=float(COPPER_OHM_M / area),
                kg_per_m=float(COPPER_KG_PER_M3 * area),
            )
        )
    return tuple(table)
