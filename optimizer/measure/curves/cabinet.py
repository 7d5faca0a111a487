"""What a closed cabinet does to the response of a driver on its front, solved by boundary elements."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.polynomial.legendre import leggauss

from optimizer.arrays import Complex, Real
from optimizer.errors import InputError
from optimizer.measure.geometry import SOUND_SPEED_M_S

if TYPE_CHECKING:
    from scipy.interpolate import CubicSpline

DEPTHS = (0.6, 1.0, 1.7)
"""Where the depth is not stated it lies among these multiples of the width (common practice, no
source)."""
ROUND = 0.1
"""Edges are solved as sharp, and as round with this share of the front's smaller side for radius
(common practice, no source)."""

THINNEST = 0.1
"""Least depth that is solved, by the front's smaller side: closer surfaces want finer elements."""

_ELEMENTS, _MOST_ELEMENTS = 130, 240  # of a quarter
_COARSER = 0.4  # share of the elements of the mesh that is solved besides
_TO_A_WAVE = 5.0  # elements in the shortest wave length
_NEAR = 3.0  # elements closer than this multiple of their size are integrated finely
_FINE, _COARSE = 6, 2  # points of Gauss along a side
_FREQUENCIES = 10
_GRADED = 1.25  # rad: elements get smaller towards the edges as a sine does
_MIRRORS = np.array([[1.0, 1.0, 1.0], [-1.0, 1.0, 1.0], [1.0, -1.0, 1.0], [-1.0, -1.0, 1.0]])
_INSIDE = np.array([[0.1, 0.2, 0.3], [0.4, 0.3, -0.2], [0.3, 0.5, 0.6], [0.6, 0.1, -0.5]])
"""Points within a quarter where nothing may be heard, in halves of its sides."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cabinet:
    """A closed box and a driver on its front.

    Parameters
    ----------
    width_m, height_m : float
        Outer size of the front.
    depth_m : float or None
        Outer depth; None where nobody stated it.
    right_m, up_m : float
        Place of the driver's centre from the middle of the front.

    Raises
    ------
    InputError
        Without a size, with the driver's centre outside the front, or as thin as a panel.
    """

    width_m: float
    height_m: float
    depth_m: float | None = None
    right_m: float = 0.0
    up_m: float = 0.0

    def __post_init__(self) -> None:
        side = min(self.width_m, self.height_m)
        size = f"{1000.0 * self.width_m:.0f} x {1000.0 * self.height_m:.0f} mm"
        if not side > 0.0:
            raise InputError("a front must have a size above 0", value=size)
        if 2.0 * abs(self.right_m) >= self.width_m or 2.0 * abs(self.up_m) >= self.height_m:
            raise InputError(
                "the driver's centre must lie inside the front",
                value=f"{1000.0 * self.right_m:.0f} mm to the right and {1000.0 * self.up_m:.0f} mm up "
                f"on {size}",
            )
        if self.depth_m is not None and not self.depth_m >= THINNEST * side:
            raise InputError(
                f"a box with a front of {size} is at least {1000.0 * THINNEST * side:.0f} mm deep: a "
                "thin panel is another thing",
                value=f"{1000.0 * self.depth_m:.0f} mm",
                remedy="state the outer depth, or leave it out",
            )


def solve_step(
    frequency_hz: Real, cabinet: Cabinet, diaphragm_m: float, top_hz: float
) -> tuple[Complex, Real]:
    """Solve what a cabinet does, heard from afar on the driver's axis, against an endless front.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        In Hz.
    cabinet : Cabinet
        Box and driver. It is solved with each depth that is possible, and with round edges.
    diaphragm_m : float
        Effective diameter of the driver.
    top_hz : float
        The step is needed up to here; above, its value there is returned.

    Returns
    -------
    step : ndarray, shape (F,), complex
        The mean of what was solved, of level in dB and of phase: 1/2 (-6 dB) at 0 Hz, about 1 where
        the front is large against the wave.
    solved_db : ndarray, shape (S, F)
        Level of each.
    """
    half = np.array([cabinet.width_m, cabinet.height_m]) / 2.0
    place = np.array([cabinet.right_m, cabinet.up_m])
    spots = _spread(place, min(diaphragm_m / 2.0, 0.99 * float((half - abs(place)).min())))
    # Round edges end where the diaphragm begins.
    radius = min(2.0 * ROUND * float(half.min()), float((half - np.abs(spots)).min()))
    known = cabinet.depth_m
    depths = [ratio * cabinet.width_m for ratio in DEPTHS] if known is None else [known]

    there = tuple(map(tuple, spots))

    def solve(depth_m: float, edge_m: float) -> Real:
        by_frequency = _interpolate(tuple(half), depth_m / 2.0, edge_m, there, top_hz)
        return np.asarray(by_frequency(np.minimum(frequency_hz, top_hz)))

    sharp = np.array([solve(depth, 0.0) for depth in depths])
    middle = len(depths) // 2
    # What round edges do hardly depends on the depth.
    rounded = sharp + (solve(depths[middle], radius) - sharp[middle])
    solved = np.concatenate([sharp, rounded])
    level, phase = solved[..., 0], solved[..., 1]
    return 10.0 ** (level.mean(axis=0) / 20.0) * np.exp(1j * phase.mean(axis=0)), level


@cache
def _interpolate(
    half: tuple[float, float], deep: float, edge_m: float, spots: tuple[tuple[float, float], ...],
    top_hz: float,
) -> CubicSpline:  # fmt: skip
    """Solve one cabinet at a few frequencies; level in dB and phase in rad by frequency."""
    from scipy.interpolate import CubicSpline

    size, there = np.array([*half, deep]), np.array(spots)
    wanted = _area(size) * (_TO_A_WAVE * top_hz / SOUND_SPEED_M_S) ** 2
    f = top_hz * (np.arange(1, _FREQUENCIES + 1) / _FREQUENCIES) ** 1.5  # closer where it is slow
    shapes, counts = [], []
    for share in (_COARSER, 1.0):
        body = Body(size, edge_m, round(share * float(np.clip(wanted, _ELEMENTS, _MOST_ELEMENTS))))
        step = np.array([body.listen(hz, there).mean() for hz in f])
        shapes.append(np.c_[20.0 * np.log10(np.abs(step)), np.unwrap(np.angle(step))])
        counts.append(body.elements)
    # What elements of finite size do wrong falls as their number grows: two meshes tell how much.
    few, many = counts
    shape = (many * shapes[1] - few * shapes[0]) / (many - few)
    at_rest = [[20.0 * np.log10(0.5), 0.0]]
    return CubicSpline(np.r_[0.0, f], np.concatenate([at_rest, shape]))


class Body:
    """A rigid box on which a plane wave falls from the front, in quarters that are alike.

    By reciprocity a driver on the body is heard from afar as the wave is where the driver sits. On
    the surface p/2 = p_wave + Integral p dG/dn dS with G = exp(-j k r)/(4 pi r) (the direct
    formulation of Helmholtz and Kirchhoff; collocation at the middles of elements of one pressure
    each), overdetermined by points inside, where nothing is heard, so that no resonance of the
    inside disturbs (Schenck, JASA 44(1), 1968, from memory).

    Parameters
    ----------
    half_m : ndarray, shape (3,)
        Half of width, height and depth.
    edge_m : float
        Radius of the edges. Half of the side of a cube makes a sphere of it.
    elements : int
        About how many a quarter gets.
    """

    def __init__(self, half_m: Real, edge_m: float, elements: int) -> None:
        quads, front = _lay_quads(half_m, elements)
        self.lines = front
        if edge_m > 0.0:
            core = np.clip(quads, -(half_m - edge_m), half_m - edge_m)
            away = quads - core
            far = np.linalg.norm(away, axis=2, keepdims=True)
            quads = core + edge_m * away / np.where(far > 0.0, far, 1.0)
        self.front_m = float(half_m[2])
        middle, normal = (one[:, 0] for one in _lay_points(quads, 1))
        size = np.sqrt(np.linalg.norm(normal, axis=1))
        self.on = np.concatenate([middle, _INSIDE * half_m])
        self.elements = len(quads)
        coarse, fine = _lay_points(quads, _COARSE), _lay_points(quads, _FINE)
        self.pieces = []
        for mirror in _MIRRORS:
            gap = np.linalg.norm(self.on[:, None] - mirror * middle, axis=2)
            close = gap < _NEAR * size
            for which, (points, normals) in ((~close, coarse), (close, fine)):
                i, e = np.nonzero(which)
                weighed = _relate(self.on[i], mirror * points[e], mirror * normals[e])
                self.pieces.append((i, e, *weighed))

    def listen(self, hz: float, spots_m: Real) -> Complex:
        """Return the step at places of the front.

        Parameters
        ----------
        hz : float
        spots_m : ndarray, shape (N, 2)
            To the right and up of the middle.

        Returns
        -------
        ndarray, shape (N,), complex
            Half of the pressure there, by that of the wave on the front.
        """
        from scipy.interpolate import RectBivariateSpline

        k = 2.0 * np.pi * hz / SOUND_SPEED_M_S
        system = np.zeros((len(self.on), self.elements), dtype=np.complex128)
        for i, e, r, weight in self.pieces:
            kr = 1j * k * r
            system[i, e] += (np.exp(-kr) * (kr + 1.0) * weight).sum(axis=1)
        at = np.arange(self.elements)
        system[at, at] += 0.5
        wave = np.exp(1j * k * (self.on[:, 2] - self.front_m))
        turned = system.conj().T
        pressure = np.linalg.solve(turned @ system, turned @ wave)
        x, y = self.lines
        part = pressure[: len(x) * len(y)].reshape(len(x), len(y))
        whole = np.concatenate([part[::-1], part])
        whole = np.concatenate([whole[:, ::-1], whole], axis=1)
        across, up = np.r_[-x[::-1], x], np.r_[-y[::-1], y]
        real, imaginary = (
            RectBivariateSpline(across, up, one).ev(spots_m[:, 0], spots_m[:, 1])
            for one in (whole.real, whole.imag)
        )
        return np.asarray(0.5 * (real + 1j * imaginary))


def _relate(on: Real, points: Real, normals: Real) -> tuple[Real, Real]:
    """Distance from collocation points to points of Gauss, and what both weigh apart from k."""
    away = points - on[:, None]
    r = np.linalg.norm(away, axis=2)
    return r, np.einsum("ngc,ngc->ng", away, normals) / (4.0 * np.pi * r**3)


def _area(half_m: Real) -> float:
    """Surface of a quarter."""
    a, b, c = half_m
    return float(2.0 * (a * b + a * c + b * c))


def _lay_quads(half_m: Real, elements: int) -> tuple[Real, tuple[Real, Real]]:
    """Corners of the quads of a quarter, those of the front first, and the middles of these."""
    a, b, c = half_m
    size = np.sqrt(_area(half_m) / elements)

    def cut(length: float) -> Real:
        count = max(3, int(np.ceil(length / size)))
        return np.asarray(length * np.sin(_GRADED * np.linspace(0, 1, count + 1)) / np.sin(_GRADED))

    x, y, deep = cut(a), cut(b), cut(c)
    z = np.r_[-deep[:0:-1], deep]
    quads = [
        _tile(x, y, lambda u, v: (u, v, c)),
        _tile(y, x, lambda v, u: (u, v, -c)),
        _tile(y, z, lambda v, w: (a, v, w)),
        _tile(z, x, lambda w, u: (u, b, w)),
    ]
    return np.concatenate(quads), ((x[1:] + x[:-1]) / 2.0, (y[1:] + y[:-1]) / 2.0)


def _tile(u: Real, v: Real, place: Callable[[Real, Real], tuple[Real | float, ...]]) -> Real:
    """Corners of the quads between two sets of lines, first the first; outward by the right hand."""
    corners = []
    for du, dv in ((0, 0), (1, 0), (1, 1), (0, 1)):
        s, t = np.meshgrid(u[du : len(u) - 1 + du], v[dv : len(v) - 1 + dv], indexing="ij")
        corners.append(np.stack(np.broadcast_arrays(*place(s, t)), axis=2).reshape(-1, 3))
    return np.stack(corners, axis=1)


def _lay_points(quads: Real, count: int) -> tuple[Real, Real]:
    """Lay points of Gauss on quads: places (E, G, 3), and normals as long as their share of area."""
    at, weight = leggauss(count)
    s, t = (one.ravel() for one in np.meshgrid(at, at, indexing="ij"))
    low, high = np.stack([1 - s, 1 + s]) / 2.0, np.stack([1 - t, 1 + t]) / 2.0
    shape = np.stack([low[0] * high[0], low[1] * high[0], low[1] * high[1], low[0] * high[1]])
    along = np.stack([-high[0], high[0], high[1], -high[1]]) / 2.0
    across = np.stack([-low[0], -low[1], low[1], low[0]]) / 2.0
    normal = np.cross(
        np.einsum("kg,ekc->egc", along, quads), np.einsum("kg,ekc->egc", across, quads)
    )
    return (
        np.einsum("kg,ekc->egc", shape, quads),
        normal * np.outer(weight, weight).ravel()[:, None],
    )


def _spread(place: Real, radius: float) -> Real:
    """Points of equal area on a disc: its middle, and a ring."""
    turn = np.arange(6) * np.pi / 3.0
    ring = radius * np.sqrt(7.0 / 12.0) * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    return np.asarray(place + np.concatenate([np.zeros((1, 2)), ring]))
