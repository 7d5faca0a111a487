"""A rigid body in a plane wave by boundary elements: the whole surface, no symmetry, no extrapolation.

Written before the project's own solver and apart from it. Direct formulation (Helmholtz and Kirchhoff):
p/2 = p_wave + Integral p dG/dn dS at the middle of every element, one pressure each.
"""

from __future__ import annotations

import numpy as np
from numpy.polynomial.legendre import leggauss
from numpy.typing import NDArray
from scipy.interpolate import CloughTocher2DInterpolator

Real = NDArray[np.float64]

SPEED = 343.2


def lay_box(half: Real, size: float, edge: float) -> Real:
    """Corners of quads (E, 4, 3) over a box, finer to its edges, which may be round."""

    def cut(length: float) -> Real:
        count = max(4, int(np.ceil(2.0 * length / size)))
        graded = np.sin(0.4 * np.pi * np.linspace(-1.0, 1.0, count + 1)) / np.sin(0.4 * np.pi)
        return np.asarray(length * graded)

    quads = []
    for axis in range(3):
        u, v = (axis + 1) % 3, (axis + 2) % 3
        across, along = cut(half[u]), cut(half[v])
        for side in (-1.0, 1.0):
            for i in range(len(across) - 1):
                for j in range(len(along) - 1):
                    quad = np.zeros((4, 3))
                    quad[:, axis] = side * half[axis]
                    turn = [(i, j), (i + 1, j), (i + 1, j + 1), (i, j + 1)]
                    for k, (a, b) in enumerate(turn if side > 0.0 else turn[::-1]):
                        quad[k, u], quad[k, v] = across[a], along[b]
                    quads.append(quad)
    laid = np.array(quads)
    if edge > 0.0:
        core = np.clip(laid, -(half - edge), half - edge)
        away = laid - core
        far = np.linalg.norm(away, axis=-1, keepdims=True)
        laid = core + edge * away / np.where(far > 0.0, far, 1.0)
    return laid


def _gauss(quads: Real, count: int) -> tuple[Real, Real]:
    at, weight = leggauss(count)
    s, t = (one.ravel() for one in np.meshgrid(at, at, indexing="ij"))
    shape = np.stack([(1 - s) * (1 - t), (1 + s) * (1 - t), (1 + s) * (1 + t), (1 - s) * (1 + t)])
    along = np.stack([-(1 - t), (1 - t), (1 + t), -(1 + t)])
    across = np.stack([-(1 - s), -(1 + s), (1 + s), (1 - s)])
    normal = np.cross(
        np.einsum("kg,ekc->egc", along, quads) / 4.0, np.einsum("kg,ekc->egc", across, quads) / 4.0
    )
    area = np.outer(weight, weight).ravel()[:, None]
    return np.einsum("kg,ekc->egc", shape, quads) / 4.0, normal * area


def solve(quads: Real, frequency_hz: Real, place: tuple[float, float], cone: float) -> Real:
    """Step in dB of a cone of this diameter: half of the mean pressure on it, by reciprocity."""
    middle, normal = (one[:, 0] for one in _gauss(quads, 1))
    coarse, fine = _gauss(quads, 2), _gauss(quads, 8)
    size = np.sqrt(np.linalg.norm(normal, axis=1))
    gap = np.linalg.norm(middle[:, None] - middle, axis=2)
    front = np.flatnonzero(middle[:, 2] > 0.8 * middle[:, 2].max())
    number = np.arange(37)
    reach, turn = np.sqrt((number + 0.5) / 37.0) * cone / 2.0, 2.39996 * number
    spots = np.array(place) + np.stack([reach * np.cos(turn), reach * np.sin(turn)], axis=1)
    count = len(quads)
    out = []
    for k in 2.0 * np.pi * frequency_hz / SPEED:

        def kernel(away: Real, normals: Real, k: float = k) -> NDArray[np.complex128]:
            r = np.linalg.norm(away, axis=-1)
            along = (away * normals).sum(axis=-1)
            return np.asarray(
                np.exp(-1j * k * r) * (-1j * k * r - 1.0) * along / (4.0 * np.pi * r**3)
            )

        system = np.zeros((count, count), dtype=np.complex128)
        for g in range(4):
            system += kernel(coarse[0][None, :, g] - middle[:, None], coarse[1][:, g])
        for e in range(count):
            close = np.flatnonzero(gap[:, e] < 3.0 * size[e])
            away = fine[0][e][None] - middle[close][:, None]
            system[close, e] = kernel(away, fine[1][e]).sum(axis=1)
        system[np.arange(count), np.arange(count)] = 0.0
        pressure = np.linalg.solve(0.5 * np.eye(count) - system, np.exp(1j * k * middle[:, 2]))
        heard = CloughTocher2DInterpolator(middle[front, :2], pressure[front])(spots)
        out.append(20.0 * np.log10(abs(np.nanmean(heard)) / 2.0))
    return np.array(out)
