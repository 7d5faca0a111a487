"""How strongly two air-core coils couple, from their size, distance and axes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Real
from optimizer.stock.coil import BROOKS_H_PER_M, air_coil_dcr, wind_air_coil

_MU0 = 4e-7 * np.pi
_SECTION = 0.5 + np.array([-0.5, 0.5]) / np.sqrt(3.0)  # two-point Gauss rule over a side
_POINTS = 32  # per turn; the sum converges exponentially for loops that do not touch

THINNEST_M, THICKEST_M = 0.3e-3, 3.0e-3
"""Wire a coil is taken to be wound with; more copper than that means a core."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilSize:
    """An air-core coil of Brooks' proportions.

    Parameters
    ----------
    side_m : float
        Side c of its square winding section: inner radius c, outer radius 2 c, length c.
    wire_m : float
        Bare diameter of the wire that gives the stated resistance.
    """

    side_m: float
    wire_m: float

    @property
    def outer_m(self) -> float:
        """Outer diameter."""
        return 4.0 * self.side_m


def size_coil(inductance_h: float, dcr_ohm: float) -> CoilSize | None:
    """Estimate the size of a coil from its inductance and resistance.

    Parameters
    ----------
    inductance_h : float
        In H.
    dcr_ohm : float
        Resistance at direct current.

    Returns
    -------
    CoilSize or None
        None when no wire up to `THICKEST_M` reaches so little resistance: such a coil has a core
        (or the resistance is not known).

    Notes
    -----
    Brooks' proportions give the most inductance for a length of wire; real coils are near them.
    """
    if dcr_ohm <= 0.0:
        return None
    wires = np.geomspace(THINNEST_M, THICKEST_M, 400)
    resistance = air_coil_dcr(np.full(400, inductance_h), wires)
    if dcr_ohm < resistance[-1]:
        return None
    wire = float(np.exp(np.interp(-np.log(dcr_ohm), -np.log(resistance), np.log(wires))))
    return CoilSize(side_m=float(wind_air_coil(inductance_h, wire).side_m), wire_m=wire)


def couple_coils(one: CoilSize, two: CoilSize, offset_m: Real, axis: Real) -> float:
    """Compute the coupling factor of two coils.

    Parameters
    ----------
    one, two : CoilSize
        The coils. The axis of `one` is z, its centre the origin.
    offset_m : ndarray, shape (3,)
        Centre of `two`.
    axis : ndarray, shape (3,)
        Direction of its axis, a unit vector.

    Returns
    -------
    float
        k = M / sqrt(L1 L2), with the sign for windings of one sense.

    Notes
    -----
    Neumann's formula M = mu0 / (4 pi) sum dl1 . dl2 / r over filaments that stand for both
    winding sections. Turns and wire drop out: k depends on geometry alone.

    References
    ----------
    F. Neumann, 1845, in any text on electromagnetism; section of a coil as filaments: Maxwell,
    Treatise, art. 700 ff. (from memory).
    """
    here, along = _loops(one, np.array([0.0, 0.0, 1.0]))
    there, across = _loops(two, np.asarray(axis, dtype=np.float64))
    from_, to = here.reshape(-1, 3), (there + offset_m).reshape(-1, 3)
    # |r1 - r2|^2 by the binomial rule: three matrix products instead of all differences.
    square = (from_**2).sum(axis=1)[:, None] + (to**2).sum(axis=1) - 2.0 * from_ @ to.T
    lines = along.reshape(-1, 3) @ across.reshape(-1, 3).T
    total = float(np.sum(lines / np.sqrt(square)))
    mutual = _MU0 / (4.0 * np.pi) * total / (len(here) * len(there))
    return mutual / (BROOKS_H_PER_M * float(np.sqrt(one.side_m * two.side_m)))


def _loops(coil: CoilSize, axis: Real) -> tuple[Real, Real]:
    """Points and steps of the filaments of a coil at the origin, both (loops, points, 3)."""
    helper = np.array([1.0, 0.0, 0.0]) if abs(axis[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    e1 = np.cross(axis, helper)
    e1 /= np.linalg.norm(e1)
    e2 = np.cross(axis, e1)
    angle = 2.0 * np.pi * np.arange(_POINTS) / _POINTS
    ring = np.cos(angle)[:, None] * e1 + np.sin(angle)[:, None] * e2
    step = (-np.sin(angle)[:, None] * e1 + np.cos(angle)[:, None] * e2) * (2 * np.pi / _POINTS)
    points, steps = [], []
    for radius in coil.side_m * (1.0 + _SECTION):
        for height in coil.side_m * (_SECTION - 0.5):
            points.append(radius * ring + height * axis)
            steps.append(radius * step)
    return np.array(points), np.array(steps)


def couple_flat(one: CoilSize, two: CoilSize, distance_m: float) -> float:
    """Couple two coils that lie flat side by side: axes parallel, centres in one plane."""
    return couple_coils(one, two, np.array([distance_m, 0.0, 0.0]), np.array([0.0, 0.0, 1.0]))


def couple_stacked(one: CoilSize, two: CoilSize, distance_m: float) -> float:
    """Couple two coils that stand one over the other on a common axis."""
    return couple_coils(one, two, np.array([0.0, 0.0, distance_m]), np.array([0.0, 0.0, 1.0]))


def find_distance(one: CoilSize, two: CoilSize, allowed: float) -> float:
    """Find how far apart two coils that lie flat side by side must be.

    Parameters
    ----------
    one, two : CoilSize
        The coils.
    allowed : float
        Largest allowed |k|.

    Returns
    -------
    float
        Distance of their centres in m; that at which they touch when this is far enough.
    """
    touching = 0.5 * (one.outer_m + two.outer_m)
    near = touching * 1.02
    if abs(couple_flat(one, two, near)) <= allowed:
        return touching
    far = near
    while abs(couple_flat(one, two, far)) > allowed:
        far *= 1.5
    for _ in range(12):
        middle = 0.5 * (near + far)
        if abs(couple_flat(one, two, middle)) > allowed:
            near = middle
        else:
            far = middle
    return far
