"""Goals on what the amplifier sees."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.acoustics.channels import (
    DEGREES,
    epdr_db,
    epdr_db_slope,
    impedance_phase_rad,
    impedance_phase_slope,
)
from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.arrays import Real
from optimizer.goals.base import BandGoal
from optimizer.text.units import format_quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class ImpedanceFloorGoal(BandGoal):
    """Shortfall of the input impedance below a floor, in dB rms over the band.

    Parameters
    ----------
    floor_ohm : float
        The floor.
    """

    floor_ohm: float

    def residuals(self, curves: Curves) -> Real:
        """See `Goal.residuals`."""
        floor = 20.0 * np.log10(self.floor_ohm)
        shortfall: Real = floor - curves.impedance_db[..., self.span]
        np.maximum(shortfall, 0.0, out=shortfall)
        shortfall *= self.scale
        return shortfall

    def tangents(self, curves: Curves, tangents: CurveTangents) -> Real:
        """See `Goal.tangents`."""
        below = curves.impedance_db[..., self.span] < 20.0 * np.log10(self.floor_ohm)
        slope: Real = tangents.impedance_db[..., self.span]
        return np.asarray(-slope * below[:, None, :] * self.scale)

    def describe(self, curves: Curves) -> str:
        """See `Goal.describe`."""
        ohm = 10.0 ** (curves.impedance_db[..., self.span] / 20.0)
        at = int(np.argmin(ohm))
        return (
            f"lowest {ohm[at]:.2f} ohm at {self.frequency_hz[at]:.0f} Hz, "
            f"floor {self.floor_ohm:g} ohm"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ImpedancePhaseGoal(BandGoal):
    """Phase of the input impedance beyond a limit, in degrees rms over the band.

    Parameters
    ----------
    limit_deg : float
        Largest phase, to either side, that does not count.
    """

    limit_deg: float

    def residuals(self, curves: Curves) -> Real:
        """See `Goal.residuals`."""
        phase = DEGREES * impedance_phase_rad(curves)[..., self.span]
        return np.asarray(np.maximum(np.abs(phase) - self.limit_deg, 0.0) * self.scale)

    def tangents(self, curves: Curves, tangents: CurveTangents) -> Real:
        """See `Goal.tangents`."""
        phase = DEGREES * impedance_phase_rad(curves)[..., self.span]
        sign = np.sign(phase) * (np.abs(phase) > self.limit_deg)
        slope = DEGREES * impedance_phase_slope(tangents)[..., self.span]
        return np.asarray(slope * sign[:, None] * self.scale)

    def describe(self, curves: Curves) -> str:
        """See `Goal.describe`."""
        phase = DEGREES * impedance_phase_rad(curves)[..., self.span]
        at = int(np.argmax(np.abs(phase)))
        return (
            f"largest {phase[at]:+.0f} degrees at "
            f"{format_quantity(self.frequency_hz[at], 'Hz')}, limit {self.limit_deg:g}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class EpdrFloorGoal(BandGoal):
    """Shortfall of the equivalent peak dissipation resistance below a floor, dB rms.

    Parameters
    ----------
    floor_ohm : float
        The floor.
    """

    floor_ohm: float

    def residuals(self, curves: Curves) -> Real:
        """See `Goal.residuals`."""
        short = 20.0 * np.log10(self.floor_ohm) - epdr_db(curves)[..., self.span]
        return np.asarray(np.maximum(short, 0.0) * self.scale)

    def tangents(self, curves: Curves, tangents: CurveTangents) -> Real:
        """See `Goal.tangents`."""
        below = epdr_db(curves)[..., self.span] < 20.0 * np.log10(self.floor_ohm)
        return np.asarray(-epdr_db_slope(tangents)[..., self.span] * below[:, None] * self.scale)

    def describe(self, curves: Curves) -> str:
        """See `Goal.describe`."""
        ohm = 10.0 ** (epdr_db(curves)[..., self.span] / 20.0)
        at = int(np.argmin(ohm))
        return (
            f"lowest {ohm[at]:.2f} ohm at {format_quantity(self.frequency_hz[at], 'Hz')}, "
            f"floor {self.floor_ohm:g} ohm"
        )
