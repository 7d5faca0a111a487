"""Goals on what the amplifier sees."""

from __future__ import annotations

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
from optimizer.goals.goal import BandGoal, Prepared
from optimizer.goals.options import band_option, hard_option, option, weight_option
from optimizer.text.units import say_hz

IMPEDANCE_SHARE = 0.8
"""Lowest impedance over the rated one: IEC 60268-5 lets it fall to 80 % (rule seen in quotation, the
standard itself not at hand)."""

EPDR_SHARE = 0.5
"""Lowest EPDR over the rated impedance: what a load of that size has whose phase is 27 degrees
(common practice, no source)."""


class Load(BandGoal, family="load"):
    """A goal on the input impedance."""

    band_hz: tuple[float, float] = band_option(20.0, 20000.0)
    hard: bool = hard_option()


class Impedance(
    Load,
    name="impedance",
    unit="dB rms below",
    sells="below the impedance floor",
    buys="closer to the impedance floor",
):
    """Input impedance below a floor: what the amplifier is rated for."""

    floor_ohm: float = option(
        "floor", "smallest allowed impedance", default=3.2, unit="ohm", above=0.0
    )
    hard: bool = hard_option(True, "floor")

    def residuals(self, on: Prepared, curves: Curves) -> Real:
        """See `PreparedGoal.residuals`."""
        floor = 20.0 * np.log10(self.floor_ohm)
        shortfall: Real = floor - curves.impedance_db[..., on.span]
        np.maximum(shortfall, 0.0, out=shortfall)
        shortfall *= on.scale
        return shortfall

    def tangents(self, on: Prepared, curves: Curves, tangents: CurveTangents) -> Real:
        """See `PreparedGoal.tangents`."""
        below = curves.impedance_db[..., on.span] < 20.0 * np.log10(self.floor_ohm)
        slope: Real = tangents.impedance_db[..., on.span]
        return np.asarray(-slope * below[:, None, :] * on.scale)

    def describe(self, on: Prepared, curves: Curves) -> str:
        """See `PreparedGoal.describe`."""
        ohm = 10.0 ** (curves.impedance_db[..., on.span] / 20.0)
        at = int(np.argmin(ohm))
        return (
            f"lowest {ohm[at]:.2f} ohm at {say_hz(on.frequency_hz[at])}, "
            f"floor {self.floor_ohm:g} ohm"
        )


class ImpedancePhase(
    Load,
    name="impedance_phase",
    unit="deg rms over",
    sells="of phase of the impedance",
    buys="less phase of the impedance",
):
    """Phase of the input impedance beyond a limit."""

    limit_deg: float = option(
        "limit", "largest phase in degrees, to either side", default=45.0, least=0.0
    )
    weight: float = weight_option(0.02)

    def residuals(self, on: Prepared, curves: Curves) -> Real:
        """See `PreparedGoal.residuals`."""
        phase = DEGREES * impedance_phase_rad(curves)[..., on.span]
        return np.asarray(np.maximum(np.abs(phase) - self.limit_deg, 0.0) * on.scale)

    def tangents(self, on: Prepared, curves: Curves, tangents: CurveTangents) -> Real:
        """See `PreparedGoal.tangents`."""
        phase = DEGREES * impedance_phase_rad(curves)[..., on.span]
        sign = np.sign(phase) * (np.abs(phase) > self.limit_deg)
        slope = DEGREES * impedance_phase_slope(tangents)[..., on.span]
        return np.asarray(slope * sign[:, None] * on.scale)

    def describe(self, on: Prepared, curves: Curves) -> str:
        """See `PreparedGoal.describe`."""
        phase = DEGREES * impedance_phase_rad(curves)[..., on.span]
        at = int(np.argmax(np.abs(phase)))
        return (
            f"largest {phase[at]:+z.0f} degrees at "
            f"{say_hz(on.frequency_hz[at])}, limit {self.limit_deg:g}"
        )


class Epdr(
    Load,
    name="epdr",
    unit="dB rms below",
    sells="below the EPDR floor",
    buys="closer to the EPDR floor",
):
    """Equivalent peak dissipation resistance below a floor.

    It is the resistor that would heat a class B or AB output stage as much. Not meaningful for
    class A, doubtful for class D.
    """

    floor_ohm: float = option("floor", "smallest allowed EPDR", default=2.0, unit="ohm", above=0.0)

    def residuals(self, on: Prepared, curves: Curves) -> Real:
        """See `PreparedGoal.residuals`."""
        short = 20.0 * np.log10(self.floor_ohm) - epdr_db(curves)[..., on.span]
        return np.asarray(np.maximum(short, 0.0) * on.scale)

    def tangents(self, on: Prepared, curves: Curves, tangents: CurveTangents) -> Real:
        """See `PreparedGoal.tangents`."""
        below = epdr_db(curves)[..., on.span] < 20.0 * np.log10(self.floor_ohm)
        return np.asarray(-epdr_db_slope(tangents)[..., on.span] * below[:, None] * on.scale)

    def describe(self, on: Prepared, curves: Curves) -> str:
        """See `PreparedGoal.describe`."""
        ohm = 10.0 ** (epdr_db(curves)[..., on.span] / 20.0)
        at = int(np.argmin(ohm))
        return (
            f"lowest EPDR {ohm[at]:.2f} ohm at {say_hz(on.frequency_hz[at])}, "
            f"floor {self.floor_ohm:g} ohm"
        )
