"""Goals that keep drivers whole: drive below their range, programme power, excursion.

Estimates for a design, not a promise: a driver's own data sheet and a first listening at low level
come before any number here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from optimizer.acoustics.channels import drive_db, drive_db_slope, drive_square_slope
from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.arrays import Complex, Index, Real
from optimizer.goals.base import BandGoal, join_terms
from optimizer.text.units import format_quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class LowDriveGoal(BandGoal):
    """Voltage at a driver's terminals below its range, as far as it is not `down_db` down.

    Parameters
    ----------
    tops : tuple of (int, float)
        Way and the frequency in Hz, up to which it is protected.
    down_db : float
        How far below the amplifier's voltage the driver's must be.
    ways : tuple of str
        Names, for reports.
    """

    tops: tuple[tuple[int, float], ...]
    down_db: float
    ways: tuple[str, ...]

    def _below(self, top_hz: float) -> slice:
        stop = int(np.searchsorted(self.frequency_hz, top_hz * (1.0 + 1e-9)))
        return slice(self.span.start, self.span.start + stop)

    def _excess(self, curves: Curves, way: int, top_hz: float) -> Real:
        return np.asarray(drive_db(curves, way)[..., self._below(top_hz)] + self.down_db)

    def residuals(self, curves: Curves) -> Real:
        """See `Goal.residuals`."""
        return (
            join_terms([np.maximum(self._excess(curves, *t), 0.0) for t in self.tops]) * self.scale
        )

    def tangents(self, curves: Curves, tangents: CurveTangents) -> Real:
        """See `Goal.tangents`."""
        return (
            join_terms(
                [
                    drive_db_slope(tangents, way)[..., self._below(top)]
                    * (self._excess(curves, way, top) > 0.0)[:, None]
                    for way, top in self.tops
                ]
            )
            * self.scale
        )

    def describe(self, curves: Curves) -> str:
        """See `Goal.describe`."""
        parts = [self._excess(curves, *t) for t in self.tops]
        worst = int(np.argmax([p.max() for p in parts]))
        at = int(np.argmax(parts[worst]))
        return (
            f"{self.ways[self.tops[worst][0]]} is driven "
            f"{parts[worst][at] - self.down_db:+.1f} dB at "
            f"{format_quantity(self.frequency_hz[at], 'Hz')}, limit {-self.down_db:g} dB"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class StressGoal(BandGoal):
    """A mean square over programme noise against what a driver stands, in dB over the limit.

    Parameters
    ----------
    wayside : tuple of int
        Ways that are watched.
    stress : ndarray, shape (number of watched ways, N)
        Stress over limit that each grid point adds for a drive of 1 (voltage ratio), all positive:
        watt over rated watt, or mean-square excursion over the square of the allowed rms.
    words : tuple of str
        For each watched way, a text with one field for the stress over the limit.
    """

    wayside: tuple[int, ...]
    stress: Real
    words: tuple[tuple[str, float, float], ...]

    def thinned(self, index: Index, *, bound: bool) -> StressGoal:
        """See `Goal.thinned`: a part of a sum of positive terms is a bound as it is."""
        chosen = np.isin(self.index, index)
        kept = int(np.count_nonzero(chosen))
        # Without a bound the points left stand for their neighbours too.
        factor = 1.0 if bound else len(self.index) / max(1, kept)
        return replace(
            self,
            index=np.searchsorted(index, self.index[chosen]),
            frequency_hz=self.frequency_hz[chosen],
            stress=np.ascontiguousarray(self.stress[:, chosen]) * factor,
        )

    def _ratios(self, curves: Curves) -> list[Real]:
        out = []
        for way, stress in zip(self.wayside, self.stress, strict=True):
            h = curves.transfer[way][..., self.span]
            out.append(np.asarray((h.real**2 + h.imag**2) @ stress[:, None]))
        return out

    def residuals(self, curves: Curves) -> Real:
        """See `Goal.residuals`."""
        return (
            join_terms([10.0 * np.log10(np.maximum(r, 1.0)) for r in self._ratios(curves)])
            * self.scale
        )

    def tangents(self, curves: Curves, tangents: CurveTangents) -> Real:
        """See `Goal.tangents`."""
        terms = []
        for way, stress, ratio in zip(self.wayside, self.stress, self._ratios(curves), strict=True):
            slope = drive_square_slope(tangents, way)[..., self.span] @ stress[:, None]
            lever = np.where(ratio > 1.0, 10.0 / np.log(10.0) / np.maximum(ratio, 1.0), 0.0)
            terms.append(slope * lever[:, None])
        return join_terms(terms) * self.scale

    def describe(self, curves: Curves) -> str:
        """See `Goal.describe`."""
        said = []
        for (text, limit, power), ratio in zip(self.words, self._ratios(curves), strict=True):
            said.append(text.format(limit * float(ratio[0]) ** power))
        return "; ".join(said)


def excursion_per_volt(
    frequency_hz: Real, impedance: Complex, resistance_ohm: float, force_factor_tm: float
) -> Real:
    """Estimate the excursion of a voice coil for one volt at the terminals.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz.
    impedance : ndarray, shape (F,), complex
        Measured impedance of the driver in its box, in ohm.
    resistance_ohm : float
        Resistance of the voice coil at direct current.
    force_factor_tm : float
        Force factor Bl in T m.

    Returns
    -------
    ndarray, shape (F,)
        Same kind of amplitude (peak, rms) as the volt, in m.

    Notes
    -----
    The coil's motion is what makes the impedance differ from its resistance: the back voltage is
    E (1 - Re/Z), the velocity that over Bl. The box is thereby in the measurement. The coil's
    inductance is left out, which counts from some times the resonance on, where excursion is small
    and then overestimated.
    """
    omega = 2.0 * np.pi * np.asarray(frequency_hz, dtype=np.float64)
    return np.asarray(np.abs(1.0 - resistance_ohm / impedance) / (force_factor_tm * omega))


def find_resonance_hz(frequency_hz: Real, impedance: Complex) -> float:
    """Find the resonance of a driver: the highest peak of its impedance below 3 kHz.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz.
    impedance : ndarray, shape (F,), complex
        Impedance in ohm.

    Returns
    -------
    float
        In Hz. The rise of the coil's inductance is no peak: only points higher than both
        neighbours count, else the lowest frequency is returned.
    """
    modulus = np.abs(impedance)
    inner = (modulus[1:-1] > modulus[:-2]) & (modulus[1:-1] >= modulus[2:])
    inner &= frequency_hz[1:-1] < 3000.0
    if not inner.any():
        return float(frequency_hz[0])
    peaks = np.flatnonzero(inner) + 1
    return float(frequency_hz[peaks[np.argmax(modulus[peaks])]])
