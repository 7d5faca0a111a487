"""Goals on what the amplifier sees."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.goals.base import Goal

Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class ImpedanceFloorGoal:
    """Shortfall of the input impedance below a floor, in dB rms over the band.

    Parameters
    ----------
    name : str
        Name of the goal.
    index : ndarray of int, shape (N,)
        Grid points of the band.
    frequency_hz : ndarray, shape (N,)
        Their frequencies.
    floor_ohm : float
        The floor.
    weight : float
        Cost of one dB rms when the floor is soft.
    hard : bool
        Whether the floor must be met.
    scale : float
        1/sqrt(number of points that the mean runs over).
    """

    name: str
    index: NDArray[np.intp]
    frequency_hz: Real
    floor_ohm: float
    weight: float
    hard: bool
    scale: float
    unit: str = "dB rms below"
    curve_names: tuple[str, ...] = ()

    def residuals(self, curves: Curves) -> Real:
        """See `Goal.residuals`."""
        floor = 20.0 * np.log10(self.floor_ohm)
        shortfall: Real = np.maximum(floor - curves.impedance_db[..., self.index], 0.0)
        return shortfall * self.scale

    def tangents(self, curves: Curves, tangents: CurveTangents) -> Real:
        """See `Goal.tangents`."""
        below = curves.impedance_db[..., self.index] < 20.0 * np.log10(self.floor_ohm)
        slope: Real = tangents.impedance_db[..., self.index]
        return -slope * below[:, None, :] * self.scale

    def thinned(self, index: NDArray[np.intp], *, bound: bool) -> Goal:
        """See `Goal.thinned`."""
        chosen = np.isin(self.index, index)
        kept = int(np.count_nonzero(chosen))
        return replace(
            self, index=np.searchsorted(index, self.index[chosen]),
            frequency_hz=self.frequency_hz[chosen],
            scale=self.scale if bound else 1.0 / np.sqrt(max(1, kept)))

    def describe(self, curves: Curves) -> str:
        """See `Goal.describe`."""
        ohm = 10.0 ** (curves.impedance_db[..., self.index] / 20.0)
        at = int(np.argmin(ohm))
        return (f"lowest {ohm[at]:.2f} ohm at {self.frequency_hz[at]:.0f} Hz, "
                f"floor {self.floor_ohm:g} ohm")
