"""Further figures of curves, each with its derivative: drive, ways alone, phases, load.

Each pair of functions takes a `Curves` (any leading axes, which broadcast against each other) or a
`CurveTangents` (leading axes P and S) and returns arrays whose last axis is frequency. Derivatives
are with respect to the log value of each free gene, like all of `CurveTangents`.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import TypeVar, cast

import numpy as np

from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.arrays import Real
from optimizer.text.units import DB_PER_NEPER

DEGREES = 180.0 / np.pi
_FLOOR = 1e-30  # as in `curves`: far below any level that matters, keeps logarithms finite


Figure = TypeVar("Figure", bound=Callable[..., Real])


def _once(figure: Figure) -> Figure:
    """Compute a figure of some curves once, however many goals ask for it."""

    @wraps(figure)
    def kept(source: Curves | CurveTangents, *args: int) -> Real:
        key = (figure.__name__, *args)
        if key not in source.derived:
            source.derived[key] = figure(source, *args)
        return source.derived[key]

    return cast(Figure, kept)


@_once
def drive_db(curves: Curves, way: int) -> Real:
    """Voltage at a driver's terminals over the amplifier's, in dB, shape (..., F)."""
    h = curves.transfer[way]
    return np.asarray(10.0 * np.log10(np.maximum(h.real**2 + h.imag**2, _FLOOR)))


@_once
def drive_db_slope(tangents: CurveTangents, way: int) -> Real:
    """Return the derivative of `drive_db`, shape (P, S, F)."""
    # d(20 log10|H|) = (20/ln 10) Re(dH / H)
    ratio = tangents.transfer[way] / tangents.curves.transfer[way][:, None]
    return tangents.of_way(way, DB_PER_NEPER * ratio.real)


@_once
def way_level_db(curves: Curves, way: int) -> Real:
    """Level of one way alone on the axis, in dB, shape (..., F).

    Parameters
    ----------
    curves : Curves
        Its field must hold the curve "on_axis".
    way : int
        Index of the way.
    """
    own = curves.field.diagonal[curves.field.index["on_axis"], way]
    return np.asarray(drive_db(curves, way) + 10.0 * np.log10(np.maximum(own, _FLOOR)))


@_once
def way_phase_difference_rad(curves: Curves, first: int, second: int) -> Real:
    """Phase on the axis of one way against another, in rad, -pi to pi, shape (..., F).

    Parameters
    ----------
    curves : Curves
        Its field must hold the curve "on_axis"; with one direction in it, the form of a pair of
        ways is the product of one pressure and the conjugate of the other.
    first, second : int
        Indices of the ways; positive when the first leads.
    """
    form = curves.field.form[curves.field.index["on_axis"], first, second]
    product = curves.transfer[first] * curves.transfer[second].conj() * form
    return np.asarray(np.angle(product))


@_once
def way_phase_difference_slope(tangents: CurveTangents, first: int, second: int) -> Real:
    """Return the derivative of `way_phase_difference_rad`, shape (P, S, F)."""
    transfer = tangents.curves.transfer
    ahead = (tangents.transfer[first] / transfer[first][:, None]).imag
    behind = (tangents.transfer[second] / transfer[second][:, None]).imag
    return tangents.of_way(first, ahead) - tangents.of_way(second, behind)


@_once
def impedance_phase_rad(curves: Curves) -> Real:
    """Phase of the input impedance in rad, shape (..., F)."""
    return np.asarray(-np.angle(curves.admittance))


@_once
def impedance_phase_slope(tangents: CurveTangents) -> Real:
    """Return the derivative of `impedance_phase_rad`, shape (P, S, F)."""
    return tangents.of_load(-(tangents.admittance / tangents.curves.admittance[:, None]).imag)


@_once
def epdr_db(curves: Curves) -> Real:
    """20 log10 of the equivalent peak dissipation resistance in ohm, shape (..., F).

    References
    ----------
    E. Benjamin, J. Audio Eng. Soc. 42(9), 1994: |Z| / (8 sin^3(30 deg + |phi|/3)).
    """
    angle = np.pi / 6.0 + np.abs(impedance_phase_rad(curves)) / 3.0
    # 20 log10(8 sin^3) as 60 log10(2 sin): a general power takes most of the time otherwise.
    return np.asarray(curves.impedance_db - 60.0 * np.log10(2.0 * np.sin(angle)))


def epdr_db_slope(tangents: CurveTangents) -> Real:
    """Return the derivative of `epdr_db`, shape (P, S, F)."""
    phase = impedance_phase_rad(tangents.curves)
    angle = np.pi / 6.0 + np.abs(phase) / 3.0
    # d(-60 log10 sin u) = -(60/ln 10) cot(u) du with du = sign(phi) dphi / 3
    lever = -DB_PER_NEPER / np.tan(angle) * np.sign(phase)
    return np.asarray(tangents.impedance_db + lever[:, None] * impedance_phase_slope(tangents))


def drive_square_slope(tangents: CurveTangents, way: int) -> Real:
    """Return the derivative of the squared drive |H|^2 of a way, shape (P, S, F)."""
    h = tangents.curves.transfer[way][:, None]
    return tangents.of_way(way, 2.0 * (tangents.transfer[way] * h.conj()).real)
