"""Minimum phase by the log-frequency Bode integral, excess phase, delay."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from optimizer.arrays import Real
from optimizer.errors import InputError
from optimizer.measure.curve import MeasuredCurve
from optimizer.text.units import DB_PER_NEPER

MOST_KNOTS = 2000
_KNOTS_PER_OCTAVE = 96
_LARGEST_KERNEL = 4_000_000


def bode_kernel(x: ArrayLike) -> Real:
    """Integral of ln coth(|t|/2) from 0 to x: the odd function behind the phase of a slope.

    Parameters
    ----------
    x : array_like
        Distance in nepers of frequency, any sign.

    Returns
    -------
    ndarray
        Same shape; tends to +-pi^2/4.

    Notes
    -----
    ln coth(t/2) = 2 (e^-t + e^-3t/3 + e^-5t/5 ...), so for x >= 0 the integral is
    pi^2/4 - Li2(e^-x) + Li2(-e^-x), with Li2(z) = spence(1 - z). Exact to rounding.
    """
    from scipy.special import spence

    x = np.asarray(x, dtype=np.float64)
    size = np.abs(x)
    chi = spence(-np.expm1(-size)) - spence(1.0 + np.exp(-size))
    return np.asarray(np.sign(x) * (np.pi**2 / 4 - chi), dtype=np.float64)


@lru_cache(maxsize=8)
def _kernel_matrix(at: bytes, knots: bytes) -> Real:
    # All directions of a driver share one grid: the matrix is the costly part, so keep it.
    u, a = np.frombuffer(at), np.frombuffer(knots)
    return bode_kernel(a[np.newaxis, :] - u[:, np.newaxis])


def _weigh(at: Real, knots: Real, bends: Real) -> Real:
    """Sum the kernel over the changes of slope, shape (K,), in blocks that fit in memory."""
    if len(at) * len(knots) <= _LARGEST_KERNEL:
        return np.asarray(_kernel_matrix(at.tobytes(), knots.tobytes()) @ bends)
    rows = max(1, _LARGEST_KERNEL // len(knots))
    blocks = [at[start : start + rows] for start in range(0, len(at), rows)]
    return np.concatenate([bode_kernel(knots - block[:, np.newaxis]) @ bends for block in blocks])


def _thin(knots: Real, level_db: Real) -> tuple[Real, Real]:
    """Average a curve of very many points over 1/96 octave."""
    cell = np.floor((knots - knots[0]) / np.log(2.0) * _KNOTS_PER_OCTAVE).astype(np.intp)
    start = np.flatnonzero(np.diff(cell, prepend=-1))
    count = np.diff(start, append=len(cell))
    return np.add.reduceat(knots, start) / count, np.add.reduceat(level_db, start) / count


def edge_slopes(frequency_hz: Real, level_db: Real) -> tuple[float, float]:
    """Least-squares slopes of the first and the last octave, in dB per octave.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Increasing frequencies in Hz, at least 2.
    level_db : ndarray, shape (F,)
        Level in dB.

    Returns
    -------
    tuple of float
        (low, high): rise in dB for each octave upwards.

    Notes
    -----
    At least three points are used (two if there are no more), reaching beyond the octave when
    it holds fewer.
    """
    octave = np.log2(frequency_hz)
    few = min(3, len(octave))
    low = max(int(np.searchsorted(octave, octave[0] + 1.0, side="right")), few)
    high = min(int(np.searchsorted(octave, octave[-1] - 1.0, side="left")), len(octave) - few)
    return (_slope(octave[:low], level_db[:low]), _slope(octave[high:], level_db[high:]))


def _slope(x: Real, y: Real) -> float:
    x = x - x.mean()
    return float(x @ (y - y.mean()) / (x @ x))


def minimum_phase(
    frequency_hz: Real,
    level_db: Real,
    *,
    slope_low_db_per_octave: float | None = None,
    slope_high_db_per_octave: float | None = None,
    at_hz: Real | None = None,
) -> Real:
    """Phase of the minimum-phase system that has this level.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Increasing frequencies in Hz, any spacing, at least 2.
    level_db : ndarray, shape (F,)
        Level in dB; between the frequencies it is taken as linear over log frequency.
    slope_low_db_per_octave, slope_high_db_per_octave : float, optional
        How the level goes on below and above the data, for ever. Default: the least-squares
        slope of the nearest octave.
    at_hz : ndarray, shape (K,), optional
        Where the phase is wanted, inside or outside the data; default `frequency_hz`.

    Returns
    -------
    ndarray, shape (F,) or (K,)
        Phase in radians, e^{+jwt}: a level falling at 20 dB/decade for ever gives -pi/2.

    Raises
    ------
    InputError
        Frequencies not positive and increasing, or values that are not finite.

    Notes
    -----
    phase(w0) = (1/pi) Integral dln|H|/du ln coth(|u|/2) du, u = ln(w/w0), integrated exactly for
    a level piecewise linear over log frequency: the weight integrates to `bode_kernel`, and
    only the changes of slope remain. Against smooth filters the error is therefore that of
    linear interpolation, and that of the slopes at the ends: a second-order low-pass at 24
    points per octave from 20 Hz to 20 kHz comes out within 0.005 degrees. Curves of more than
    `MOST_KNOTS` points are averaged over 1/96 octave first, so the cost stays bounded.

    References
    ----------
    Bode, Network Analysis and Feedback Amplifier Design (1945), chapter 14 (from memory).
    """
    f, level = _checked(frequency_hz, level_db)
    low, high = edge_slopes(f, level)
    low = low if slope_low_db_per_octave is None else slope_low_db_per_octave
    high = high if slope_high_db_per_octave is None else slope_high_db_per_octave
    per_neper = 1.0 / (np.log(2.0) * DB_PER_NEPER)  # dB/octave -> neper of level per neper of f
    every = knots = np.log(f)
    if len(f) > MOST_KNOTS:
        knots, level = _thin(knots, level)
    inner = np.diff(level) / np.diff(knots) / DB_PER_NEPER
    slopes = np.concatenate([[low * per_neper], inner, [high * per_neper]])
    at = knots
    if at_hz is not None:
        wanted = np.asarray(at_hz, dtype=np.float64)
        if not (np.isfinite(wanted) & (wanted > 0)).all():
            raise InputError("phase can be had at frequencies above 0 Hz only")
        at = np.log(wanted)
    phase = (slopes[0] + slopes[-1]) * np.pi / 4 - _weigh(at, knots, np.diff(slopes)) / np.pi
    if at_hz is None and len(every) > len(knots):
        phase = np.interp(every, knots, phase)
    return np.asarray(phase, dtype=np.float64)


def _checked(frequency_hz: Real, level_db: Real) -> tuple[Real, Real]:
    f = np.asarray(frequency_hz, dtype=np.float64)
    level = np.asarray(level_db, dtype=np.float64)
    if f.ndim != 1 or len(f) < 2 or f.shape != level.shape:
        raise InputError(
            "frequency and level must be two equally long rows of at least 2 numbers",
            value=f"{f.shape} and {level.shape}",
        )
    if not (np.isfinite(f).all() and np.isfinite(level).all()):
        raise InputError("frequency and level must be finite")
    if f[0] <= 0 or (np.diff(f) <= 0).any():
        raise InputError("frequency must be positive and increase")
    return f, level


def excess_phase(response: MeasuredCurve) -> Real:
    """Measured phase minus minimum phase: delay and all-pass parts.

    Parameters
    ----------
    response : MeasuredCurve
        A curve with phase.

    Returns
    -------
    ndarray, shape (F,)
        Unwrapped, in radians; the first value lies within -pi to pi.

    Raises
    ------
    InputError
        The curve has no phase.
    """
    if not response.has_phase:
        raise InputError(
            "excess phase needs a measured phase",
            file=response.source or None,
            remedy="measure with phase, or use the minimum phase",
        )
    minimum = minimum_phase(response.frequency_hz, response.level_db)
    return np.unwrap(np.angle(response.value * np.exp(-1j * minimum)))


def fit_delay(
    frequency_hz: Real,
    phase_rad: Real,
    band_hz: tuple[float, float],
) -> float:
    """Delay that fits an unwrapped phase best within a band.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz.
    phase_rad : ndarray, shape (F,)
        Unwrapped phase in radians.
    band_hz : tuple of float
        (low, high) in Hz, both included.

    Returns
    -------
    float
        Delay in s, positive when later: phase = constant - 2 pi f delay in the least-squares
        sense, every point weighted alike.

    Raises
    ------
    InputError
        Fewer than two points in the band.
    """
    inside = (frequency_hz >= band_hz[0]) & (frequency_hz <= band_hz[1])
    if np.count_nonzero(inside) < 2:
        raise InputError(
            "a delay needs at least 2 frequencies in its band",
            value=f"{band_hz[0]:g} to {band_hz[1]:g} Hz",
        )
    return -_slope(frequency_hz[inside], phase_rad[inside]) / (2.0 * np.pi)
