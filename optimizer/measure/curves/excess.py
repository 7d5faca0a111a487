"""Excess delay and polarity of a measured phase against its minimum phase."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.measure.curve import MeasuredCurve
from optimizer.measure.curves.phase import minimum_phase
from optimizer.measure.curves.thin import interpolate_log, thin_response

LONGEST_DELAY_S = 12e-3
"""Four metres of path."""
HIGHEST_HZ = 25000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ExcessDelay:
    """Delay and polarity that turn the minimum phase into the measured one.

    Parameters
    ----------
    delay_s : float
        Excess delay in s.
    polarity : {1, -1}
        Whether the measured phase is the minimum phase or its reverse.
    remainder_rad : float
        Root mean square of what is left, in rad.
    """

    delay_s: float
    polarity: int
    remainder_rad: float


def find_excess_delay(
    response: MeasuredCurve,
    *,
    band_hz: tuple[float, float] | None = None,
    slope_low_db_per_octave: float | None = None,
) -> ExcessDelay:
    """Fit measured minus minimum phase by a delay and a polarity where the driver is loud.

    Parameters
    ----------
    response : MeasuredCurve
        With phase.
    band_hz : tuple of float, optional
        Band of the fit; default the file's range without its outer half octaves.
    slope_low_db_per_octave : float, optional
        Slope below the file for the minimum phase; default that of its lowest octave.

    Returns
    -------
    ExcessDelay

    Notes
    -----
    Maximises ``|sum w exp(j (phi - phi_min + omega tau))|`` over ``tau``, which needs no
    unwrapping; the weight is the driver's pressure, at most that of its median level.
    """
    low, high = response.range_hz
    low, high = band_hz or (low * np.sqrt(2.0), high / np.sqrt(2.0))
    grid = np.geomspace(low, high, 300)
    # Only the level may be thinned: phase with a long delay must be unwrapped on all points.
    thin = thin_response(response)
    level = interpolate_log(thin.frequency_hz, thin.level_db, grid)
    weight = np.minimum(10.0 ** ((level - np.median(level)) / 20.0), 1.0)
    measured = unit_phasor(response, grid)
    least = minimum_phase(
        thin.frequency_hz,
        thin.level_db,
        slope_low_db_per_octave=slope_low_db_per_octave,
        at_hz=grid,
    )
    excess = weight * measured * np.exp(-1j * least)
    omega = 2.0 * np.pi * grid
    # All delays of a fine raster as sums of a coarse and a fine one: two short tables of phasors.
    step = 0.1 / min(high, HIGHEST_HZ)
    fine = step * np.arange(int(np.ceil(np.sqrt(2.0 * LONGEST_DELAY_S / step))))
    coarse = np.arange(-LONGEST_DELAY_S, LONGEST_DELAY_S, step * len(fine))
    turn = 1j * omega
    match = (np.exp(coarse[:, None] * turn) * excess) @ np.exp(fine[:, None] * turn).T
    best = np.unravel_index(int(np.argmax(np.abs(match))), match.shape)
    delay = float(coarse[best[0]] + fine[best[1]])
    for _ in range(4):
        turned = excess * np.exp(1j * omega * delay)
        mean = turned.sum()
        turned = turned * (np.conj(mean) / np.abs(mean))
        angle, share = np.angle(turned), weight * omega
        share = share - weight * (share.sum() / weight.sum())
        delay -= float((share * angle).sum() / (share * omega).sum())
    turned = excess * np.exp(1j * omega * delay)
    polarity = 1 if turned.sum().real >= 0.0 else -1
    angle = np.angle(polarity * turned)
    remainder = float(np.sqrt((weight * angle**2).sum() / weight.sum()))
    return ExcessDelay(delay_s=delay, polarity=polarity, remainder_rad=remainder)


def unit_phasor(response: MeasuredCurve, grid_hz: Real) -> Complex:
    """Interpolate the measured phase, unwrapped, as a phasor.

    Parameters
    ----------
    response : MeasuredCurve
        With phase.
    grid_hz : ndarray, shape (K,)
        Where it is wanted.

    Returns
    -------
    ndarray, shape (K,), complex
        Of modulus 1.
    """
    phase = interpolate_log(response.frequency_hz, response.phase_rad, grid_hz)
    return np.asarray(np.exp(1j * phase))
