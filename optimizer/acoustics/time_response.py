"""What a response does in time: when it arrives, group delay, the answer to a step.

All of it follows from complex pressure on the frequencies at hand. A step holds every frequency, so
what lies beyond the data has to be assumed; `step_response` says what.
"""

from __future__ import annotations

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.measure.curves.phase import edge_slopes, minimum_phase

LONGEST_ARRIVAL_S = 12e-3
"""Four metres of path."""

STEP_HZ = 2.0
"""Spacing of the frequencies that a step is summed from: what rings for longer than its inverse,
half a second, comes round again."""

_DB_PER_OCTAVE = 20.0 * np.log10(2.0)
_TINY = 1e-30


def find_arrival_s(frequency_hz: Real, pressure: Complex) -> float:
    """Find when the treble of a response arrives: what its phase lags behind its minimum phase.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Increasing frequencies in Hz.
    pressure : ndarray, shape (F,), complex
        Pressure, time convention e^{+jwt}.

    Returns
    -------
    float
        Delay in s within `LONGEST_ARRIVAL_S` of zero.

    Notes
    -----
    Maximises ``|sum w exp(j (phi - phi_min + omega tau))|`` over ``tau`` in the two octaves below
    the highest half octave, which needs no unwrapping. ``w`` is the pressure, at most its median.
    There a crossover below has hardly any part in it.
    """
    size = np.maximum(np.abs(pressure), _TINY)
    least = minimum_phase(frequency_hz, 20.0 * np.log10(size))
    highest = min(float(frequency_hz[-1]), 20000.0) / np.sqrt(2.0)
    inside = (frequency_hz >= highest / 4.0) & (frequency_hz <= highest)
    if np.count_nonzero(inside) < 4:
        inside[:] = True
    omega = 2.0 * np.pi * frequency_hz[inside]
    weight = np.minimum(size[inside] / np.median(size[inside]), 1.0)
    excess = weight * (pressure / size * np.exp(-1j * least))[inside]
    raster = np.arange(-LONGEST_ARRIVAL_S, LONGEST_ARRIVAL_S, 0.1 / highest)
    delay = float(raster[np.argmax(np.abs(np.exp(1j * np.outer(raster, omega)) @ excess))])
    share = weight * (omega - (weight @ omega) / weight.sum())
    for _ in range(4):
        turned = excess * np.exp(1j * omega * delay)
        angle = np.angle(turned * np.conj(turned.sum()))
        delay -= float((share @ angle) / (share @ omega))
    return delay


def advance(frequency_hz: Real, pressure: Complex, by_s: float) -> Complex:
    """Take a delay out of a response, shape (..., F)."""
    return np.asarray(pressure * np.exp(2j * np.pi * frequency_hz * by_s))


def group_delay_s(frequency_hz: Real, pressure: Complex) -> Real:
    """Group delay, -d phase / d omega, from differences between neighbouring frequencies.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Increasing frequencies in Hz, at least 3.
    pressure : ndarray, shape (..., F), complex
        Pressure; a long common delay is taken out first (`advance`), so that the phase turns by less
        than half a circle from one frequency to the next.

    Returns
    -------
    ndarray, shape (..., F)
        In s.

    Notes
    -----
    Second-order differences: at 24 frequencies per octave within 1 % for a fourth-order sum.
    """
    phase = np.unwrap(np.angle(pressure), axis=-1)
    return np.asarray(-np.gradient(phase, 2.0 * np.pi * frequency_hz, axis=-1, edge_order=2))


def step_response(frequency_hz: Real, pressure: Complex, time_s: Real) -> Real:
    """Answer to a voltage that jumps by 1 at time 0.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Increasing frequencies in Hz.
    pressure : ndarray, shape (..., F), complex
        Pressure for 1 V (or any unit), its delay taken out with `advance`.
    time_s : ndarray, shape (T,)
        Times in s, shorter than half of 1 / `STEP_HZ` to either side.

    Returns
    -------
    ndarray, shape (..., T)
        In the unit of the pressure.

    Notes
    -----
    Between the frequencies pressure is a cubic spline over log frequency. Below them the level goes
    on with the slope of the lowest octave, rounded to whole orders and at least one, since no
    loudspeaker plays at 0 Hz, and the phase goes straight to what that order has there. Above, level
    and delay stay as they are over one octave in which the whole fades out: a rise shorter than
    half the period of the highest frequency cannot be seen, and a little of the answer comes before
    the step. A step summed at multiples of `STEP_HZ` has no mean; since nothing is left at the end
    of so long a time, its beginning is set to zero.
    """
    from scipy.fft import next_fast_len
    from scipy.interpolate import CubicSpline

    f = np.asarray(frequency_hz, dtype=np.float64)
    rows = pressure.reshape(-1, len(f))
    grid = np.arange(1, int(2.0 * f[-1] / STEP_HZ) + 1) * STEP_HZ
    low, high = grid < f[0], grid > f[-1]
    spectrum = np.empty((len(rows), len(grid)), dtype=np.complex128)
    inside = ~(low | high)
    spectrum[:, inside] = CubicSpline(np.log(f), rows, axis=-1)(np.log(grid[inside]))
    fade = 0.5 + 0.5 * np.cos(np.pi * (grid[high] / f[-1] - 1.0))
    for row, out in zip(rows, spectrum, strict=True):
        out[low] = _below(f, row, grid[low])
        turn = np.angle(row[-1] * np.conj(row[-2])) / (f[-1] - f[-2])
        out[high] = fade * row[-1] * np.exp(1j * turn * (grid[high] - f[-1]))
    spectrum /= 2j * np.pi * grid
    # s(t) = 2 Re sum_k H(k d) / (j 2 pi k d) e^{j 2 pi k d t} d, twice as dense as needed.
    count = next_fast_len(4 * len(grid), real=True)
    place = np.mod(np.asarray(time_s) * STEP_HZ, 1.0) * count
    before = place.astype(int) % count
    share, after = place - before, (before + 1) % count
    ahead = slice(count // 2 + 1, int(0.9 * count))
    found = np.empty((len(rows), len(place)))
    for held, answer in zip(spectrum, found, strict=True):  # one at a time stays in the cache
        step = np.fft.irfft(np.concatenate([[0.0], held]), count)
        answer[:] = (1.0 - share) * step[before] + share * step[after] - step[ahead].mean()
    return np.asarray(found * count * STEP_HZ).reshape(*pressure.shape[:-1], len(place))


def _below(frequency_hz: Real, pressure: Complex, grid_hz: Real) -> Complex:
    """Go on below the lowest frequency as a high-pass of whole order does."""
    size = np.maximum(np.abs(pressure), _TINY)
    rise, _ = edge_slopes(frequency_hz, 20.0 * np.log10(size))
    order = max(1, round(rise / _DB_PER_OCTAVE))
    here = float(np.angle(pressure[0]))
    slope = np.angle(pressure[1] * np.conj(pressure[0])) / (frequency_hz[1] - frequency_hz[0])
    # At 0 Hz the phase is that of (jw)^order, or that of its reverse: which one is nearer.
    start = here - slope * frequency_hz[0]
    at_zero = order * np.pi / 2.0
    at_zero += np.pi * np.round((start - at_zero) / np.pi)
    share = grid_hz / frequency_hz[0]
    return np.asarray(
        size[0] * share**order * np.exp(1j * (at_zero + (here - at_zero) * share)),
        dtype=np.complex128,
    )
