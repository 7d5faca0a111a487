"""A driver's impedance as a small passive circuit that any circuit simulator runs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from optimizer.arrays import Complex, Index, Real
from optimizer.errors import InputError

MOST_BRANCHES = 10
"""Branches a fit may use besides the wire resistance and the plain inductance."""

GOOD_ENOUGH = 0.0005
"""Worst relative error at which a fit stops adding branches."""

_FEWEST_POINTS = 8
_MOST_POINTS = 300
_MOST_STEPS = 60
_PATIENCE = 2
_RESONANCE_Q = (0.35, 0.7, 1.4, 2.8, 5.6, 11.0, 22.0)
_LOG_TINY = -36.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LossySection:
    """Resistor and inductor in parallel: one step of a semi-inductance.

    Parameters
    ----------
    r_ohm, l_h : float
        Values in ohm and henry; positive.
    """

    r_ohm: float
    l_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Resonance:
    """Resistor, inductor and capacitor in parallel: one motional resonance.

    Parameters
    ----------
    r_ohm, l_h, c_f : float
        Values in ohm, henry and farad; positive.
    """

    r_ohm: float
    l_h: float
    c_f: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverEquivalent:
    """Everything in series: wire resistance, inductance, lossy sections, resonances.

    Parameters
    ----------
    re_ohm : float
        Wire resistance in ohm; positive.
    le_h : float
        Plain inductance in henry; 0 leaves it out.
    sections : tuple of LossySection
        Inductance with losses in the iron.
    resonances : tuple of Resonance
        Motional branches: one for a closed box, two for a vented one, more for the cabinet.

    Notes
    -----
    The motional branch of a driver in free air is R = Re Qms/Qes, C = Qes/(ws Re),
    L = Re/(ws Qes) (after Thiele and Small). Every value is positive, so the circuit is passive.
    """

    re_ohm: float
    le_h: float = 0.0
    sections: tuple[LossySection, ...] = ()
    resonances: tuple[Resonance, ...] = ()

    def impedance(self, frequency_hz: ArrayLike) -> Complex:
        """Return its impedance.

        Parameters
        ----------
        frequency_hz : array_like, shape (F,)
            Frequencies in Hz; positive.

        Returns
        -------
        ndarray, shape (F,), complex
            Impedance in ohm.
        """
        s = 2j * np.pi * np.asarray(frequency_hz, dtype=np.float64)
        total = self.re_ohm + s * self.le_h
        for section in self.sections:
            total = total + 1.0 / (1.0 / section.r_ohm + 1.0 / (s * section.l_h))
        for branch in self.resonances:
            total = total + 1.0 / (1.0 / branch.r_ohm + 1.0 / (s * branch.l_h) + s * branch.c_f)
        return np.asarray(total, dtype=np.complex128)


class _Model(NamedTuple):
    """Logarithms of the free values; `sections` (n, 2) r and corner, `peaks` (m, 3) r, f0, Q."""

    base: Real
    sections: Real
    peaks: Real


class _Dictionary(NamedTuple):
    """Branches to choose from: their logarithms as in `_Model`, and their columns (2F, B)."""

    sections: Real
    peaks: Real
    columns: Real


def fit_driver_equivalent(
    frequency_hz: ArrayLike, impedance: ArrayLike, *, most_branches: int = MOST_BRANCHES
) -> tuple[DriverEquivalent, float]:
    """Find a small passive circuit with a measured impedance.

    Parameters
    ----------
    frequency_hz : array_like, shape (F,)
        Frequencies in Hz; positive, at least eight.
    impedance : array_like, shape (F,), complex
        Measured impedance in ohm.
    most_branches : int
        Most lossy sections and resonances together.

    Returns
    -------
    DriverEquivalent
        The circuit.
    float
        Largest ``abs(fit - measured) / abs(measured)`` over the given points.

    Raises
    ------
    InputError
        When there are too few points, or they are not finite, or an impedance is zero.

    Notes
    -----
    Branches are added one at a time: the one of a fixed dictionary that explains most of what is
    left (orthogonal least squares), then all values are refined together in logarithms, with
    the error relative to the modulus. It stops at `GOOD_ENOUGH`, when what is left at neighbouring
    points has nothing to do with each other and so is noise, or when a branch no longer helps. The
    fit holds inside the measured range only.
    """
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    measured = np.asarray(impedance, dtype=np.complex128)
    _check(frequency, measured)
    return _fit(frequency.tobytes(), measured.tobytes(), most_branches)


@lru_cache(maxsize=64)  # sheet, meter readings and netlist ask for the same drivers
def _fit(
    frequency_hz: bytes, impedance: bytes, most_branches: int
) -> tuple[DriverEquivalent, float]:
    """Fit a circuit to arrays given as bytes."""
    frequency = np.frombuffer(frequency_hz, dtype=np.float64)
    measured = np.frombuffer(impedance, dtype=np.complex128)
    keep = _thin(frequency)
    f, z = frequency[keep], measured[keep]
    model = best = _refine(_start(f, z), f, z)
    error = best_error = _residual(model, f, z)
    dictionary = _make_dictionary(f, z)
    idle = 0
    for _ in range(most_branches):
        if idle == _PATIENCE or _is_done(error):
            break
        model = _refine(_with_best_branch(model, dictionary, f, z), f, z)
        error = _residual(model, f, z)
        if error @ error < 0.95 * (best_error @ best_error):
            best, best_error, idle = model, error, 0
        else:
            idle += 1
    circuit = _circuit(best)
    fit = circuit.impedance(frequency)
    return circuit, float(np.max(np.abs(fit - measured) / np.abs(measured)))


def _is_done(error: Real) -> bool:
    """Whether an error, as `_stack` orders it by frequency, is small or noise.

    The correlation of neighbouring values of white noise has a standard error of one over the root
    of their number (Bartlett 1946, from memory); less than that is taken for none.
    """
    real, imaginary = np.split(error, 2)
    if np.max(np.hypot(real, imaginary)) <= GOOD_ENOUGH:
        return True
    neighbours = float(real[:-1] @ real[1:] + imaginary[:-1] @ imaginary[1:])
    return neighbours < float(error @ error) / math.sqrt(len(error))


def _check(frequency: Real, measured: Complex) -> None:
    if frequency.ndim != 1 or frequency.shape != measured.shape:
        raise InputError("an impedance needs one value for each frequency")
    if frequency.size < _FEWEST_POINTS:
        raise InputError(
            f"a circuit can be fitted to at least {_FEWEST_POINTS} impedance points",
            value=frequency.size,
            remedy="measure the impedance with more points",
        )
    if not (np.all(np.isfinite(frequency)) and np.all(frequency > 0.0)):
        raise InputError("frequencies of an impedance must be finite and positive")
    if not (np.all(np.isfinite(measured)) and np.all(np.abs(measured) > 0.0)):
        raise InputError("an impedance must be finite and not zero")


def _thin(frequency: Real) -> Index:
    """Pick points evenly in log frequency, so that a linear grid does not weigh the treble."""
    order = np.argsort(frequency, kind="stable")
    if frequency.size <= _MOST_POINTS:
        return order
    log_f = np.log(frequency[order])
    wanted = np.linspace(log_f[0], log_f[-1], _MOST_POINTS)
    nearest = np.clip(np.searchsorted(log_f, wanted), 1, log_f.size - 1)
    nearest -= wanted - log_f[nearest - 1] < log_f[nearest] - wanted
    return order[np.unique(nearest)]


def _start(f: Real, z: Complex) -> _Model:
    re = max(float(np.min(z.real)), 0.02 * float(np.min(np.abs(z))))
    le = max(float(z.imag[-1]) / (2.0 * np.pi * f[-1]), 1e-9)
    return _Model(np.log([re, le]), np.empty((0, 2)), np.empty((0, 3)))


def _atoms(model: _Model, f: Real) -> Complex:
    """Return the impedance of every branch, shape (B, F): Re, Le, sections, resonances."""
    rows = [np.full(f.shape, np.exp(model.base[0]) + 0j), 2j * np.pi * f * np.exp(model.base[1])]
    r, corner = np.exp(model.sections).T[..., None]
    x = 1j * f / corner
    resistance, f0, q = np.exp(model.peaks).T[..., None]
    return np.concatenate(
        [rows, r * x / (1.0 + x), resistance / (1.0 + 1j * q * (f / f0 - f0 / f))]
    )


def _stack(values: Complex, z: Complex) -> Real:
    """Relative to the modulus, real parts then imaginary parts."""
    scaled = values / np.abs(z)
    return np.concatenate([scaled.real, scaled.imag], axis=-1)


def _residual(model: _Model, f: Real, z: Complex) -> Real:
    return _stack(_atoms(model, f).sum(axis=0) - z, z)


def _slopes(model: _Model, f: Real, z: Complex) -> Real:
    """Return the derivative of `_residual` by every logarithm, shape (2F, N)."""
    rows = _atoms(model, f)
    cut = 2 + len(model.sections)
    section, peak = rows[2:cut], rows[cut:]
    corner = np.exp(model.sections[:, 1, None])
    r, f0, q = np.exp(model.peaks).T[..., None]
    bend = 1j * q * peak * peak / r
    by_section = np.stack([section, -section / (1.0 + 1j * f / corner)], axis=1)
    by_peak = np.stack([peak, bend * (f / f0 + f0 / f), -bend * (f / f0 - f0 / f)], axis=1)
    columns = [rows[:2], by_section.reshape(-1, f.size), by_peak.reshape(-1, f.size)]
    return _stack(np.concatenate(columns), z).T


def _flatten(model: _Model) -> Real:
    return np.concatenate([part.ravel() for part in model])


def _unflatten(vector: Real, like: _Model) -> _Model:
    cut = 2 + like.sections.size
    return _Model(vector[:2], vector[2:cut].reshape(-1, 2), vector[cut:].reshape(-1, 3))


def _refine(model: _Model, f: Real, z: Complex) -> _Model:
    """Move all values together: Levenberg-Marquardt in logarithms, clipped to a box."""
    big = np.log(1e3 * float(np.max(np.abs(z))))
    low_f, high_f = np.log(f[0] / 4.0), np.log(f[-1] * 8.0)
    # A wide resonance could stand in for the wire, and the circuit would lose its DC resistance.
    low = [float(_start(f, z).base[0]) - 0.5, _LOG_TINY]
    low += [_LOG_TINY, low_f] * len(model.sections)
    low += [_LOG_TINY, low_f, np.log(0.05)] * len(model.peaks)
    high = [big, big]
    high += [big, high_f] * len(model.sections)
    high += [big, high_f, np.log(200.0)] * len(model.peaks)
    x = np.clip(_flatten(model), low, high)
    error = _residual(_unflatten(x, model), f, z)
    damping = 1e-3
    for _ in range(_MOST_STEPS):
        slopes = _slopes(_unflatten(x, model), f, z)
        normal, pull = slopes.T @ slopes, slopes.T @ error
        before = float(error @ error)
        while damping < 1e8:
            scale = np.diag(normal) + 1e-12 * float(np.trace(normal))
            step = np.linalg.solve(normal + damping * np.diag(scale), pull)
            trial = np.clip(x - np.clip(step, -1.0, 1.0), low, high)
            trial_error = _residual(_unflatten(trial, model), f, z)
            if trial_error @ trial_error < before:
                break
            damping *= 5.0
        else:
            break
        x, error, damping = trial, trial_error, max(damping * 0.2, 1e-9)
        if before - error @ error < 1e-5 * before:
            break
    return _unflatten(x, model)


def _make_dictionary(f: Real, z: Complex) -> _Dictionary:
    corners = np.log(np.geomspace(f[0], 8.0 * f[-1], 48))
    octaves = np.log2(f[-1] / f[0]) + 1.0
    centres = np.log(np.geomspace(f[0] / 1.4, 1.4 * f[-1], max(24, int(9 * octaves))))
    sections = np.column_stack([np.zeros_like(corners), corners])
    peaks = np.array([(0.0, c, np.log(q)) for c in centres for q in _RESONANCE_Q])
    branches = _Model(np.zeros(2), sections, peaks)
    return _Dictionary(sections, peaks, _stack(_atoms(branches, f)[2:], z).T)


def _with_best_branch(model: _Model, dictionary: _Dictionary, f: Real, z: Complex) -> _Model:
    """Add the dictionary branch that lowers the squared error most."""
    basis, _ = np.linalg.qr(_slopes(model, f, z))
    columns = dictionary.columns
    left_over = -_residual(model, f, z)
    left_over -= basis @ (basis.T @ left_over)
    # Only what the present values cannot already follow counts: |d - Q Q'd|^2 = |d|^2 - |Q'd|^2.
    size = np.sum(columns * columns, axis=0) - np.sum((basis.T @ columns) ** 2, axis=0)
    size = np.maximum(size, 1e-9)
    projection = left_over @ columns
    best = int(np.argmax(np.where(projection > 0.0, projection**2 / size, 0.0)))
    log_r = np.log(max(projection[best] / size[best], 1e-6))
    n = len(dictionary.sections)
    if best < n:
        row = np.array([[log_r, dictionary.sections[best, 1]]])
        return model._replace(sections=np.concatenate([model.sections, row]))
    row = np.array([[log_r, *dictionary.peaks[best - n, 1:]]])
    return model._replace(peaks=np.concatenate([model.peaks, row]))


def _circuit(model: _Model) -> DriverEquivalent:
    sections = []
    for log_r, log_corner in model.sections:
        r = float(np.exp(log_r))
        sections.append(LossySection(r_ohm=r, l_h=r / (2.0 * np.pi * float(np.exp(log_corner)))))
    resonances = []
    for log_r, log_f0, log_q in model.peaks:
        r, w0, q = float(np.exp(log_r)), 2.0 * np.pi * float(np.exp(log_f0)), float(np.exp(log_q))
        resonances.append(Resonance(r_ohm=r, l_h=r / (w0 * q), c_f=q / (w0 * r)))
    re, le = np.exp(model.base)
    # A vanishing inductance is the fit's way of saying there is none.
    return DriverEquivalent(
        re_ohm=float(re),
        le_h=float(le) if le > 1e-12 else 0.0,
        sections=tuple(sections),
        resonances=tuple(resonances),
    )
