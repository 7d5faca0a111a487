"""A driver that is not quite the one measured: how impedance and sound move with what may differ.

The measured impedance is parted into the resistance of the coil, the motional branch of the
equivalent circuit that the survey fits, and the coil's impedance, which is everything else. Sound
goes with the velocity of the cone: with the voltage across the motional branch over Bl.

    Z = Re + Zcoil + 1 / (1/Res + jwC + 1/(jwL) + port),    p ~ Zmot / (Z Bl)

Force factor scales Zmot by Bl squared, mechanical resistance scales 1/Res, stiffness (f0 squared)
scales 1/(jwL). Source of the analogy: Small, JAES 20(5), 1972 (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from optimizer.arrays import Complex, Index, Real
from optimizer.measure.curve import MeasuredCurve
from optimizer.measure.driver import Driver
from optimizer.measure.survey.impedance import survey_impedance
from optimizer.measure.survey.motional import model_impedance

DriverQuantity = Literal["re", "f0", "rms", "bl", "le"]
"""Resistance of the coil, resonance, mechanical resistance, force factor, impedance of the coil."""

DRIVER_QUANTITIES: tuple[DriverQuantity, ...] = ("re", "f0", "rms", "bl", "le")

_COIL_FROM = 3.0  # resonances: above, all that is not motional is the coil's


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverModel:
    """A driver in the parts that may differ; all arrays have shape (F,).

    Parameters
    ----------
    impedance : ndarray
        As measured.
    re_ohm : float
        Resistance of the coil.
    coil : ndarray
        Impedance of the coil without its resistance, in ohm.
    stiffness, damping, others : ndarray
        Admittances of the motional branch: of suspension and box, of losses, of mass and port.
    """

    impedance: Complex
    re_ohm: float
    coil: Complex
    stiffness: Complex
    damping: Complex
    others: Complex

    @property
    def moves(self) -> bool:
        """Whether the impedance shows a resonance at all."""
        return bool(np.any(self.damping))

    def at(self, index: Index) -> DriverModel:
        """Return the same at some of the frequencies."""
        curves = ("impedance", "coil", "stiffness", "damping", "others")
        return replace(self, **{name: getattr(self, name)[index] for name in curves})

    def differ(self, shift: Mapping[DriverQuantity, Real]) -> tuple[Complex, Complex]:
        """Impedance and sound of drivers that differ.

        Parameters
        ----------
        shift : mapping of str to ndarray, shape (P, 1)
            Logarithms by which each quantity is off.

        Returns
        -------
        impedance : ndarray, shape (P, F)
        factor : ndarray, shape (P, F)
            Pressure for the same volts, over that of the driver as measured.
        """
        change = self.re_ohm * np.expm1(shift["re"]) + self.coil * np.expm1(shift["le"])
        if not self.moves:
            z = self.impedance + change
            return z, np.asarray(self.impedance / z * np.exp(shift["bl"]))
        before = 1.0 / (self.stiffness + self.damping + self.others)
        after = np.exp(2.0 * shift["bl"]) / (
            np.exp(2.0 * shift["f0"]) * self.stiffness
            + np.exp(shift["rms"]) * self.damping
            + self.others
        )
        z = self.impedance + change + after - before
        return z, np.asarray(after / before * self.impedance / z * np.exp(-shift["bl"]))


def model_driver(driver: Driver) -> DriverModel:
    """Part the impedance of a driver; without a resonance in it nothing motional is said."""
    f, z = driver.frequency_hz, driver.impedance
    none: Complex = np.zeros(len(f), dtype=np.complex128)
    if np.all(z == z[0]):  # nothing there, or a short: nothing to differ
        return DriverModel(
            impedance=z, re_ohm=0.0, coil=none, stiffness=none, damping=none, others=none
        )
    survey = survey_impedance(MeasuredCurve(frequency_hz=f, value=z, quantity="impedance"))
    if survey.fit is None:
        re_ohm = survey.re_ohm or 0.9 * float(np.abs(z).min())
        return DriverModel(
            impedance=z, re_ohm=re_ohm, coil=z - re_ohm, stiffness=none, damping=none, others=none
        )
    values = survey.fit.values
    jw = 2j * np.pi * f
    coil = values.k * jw**values.n
    motional = 1.0 / (model_impedance(f, values) - values.re_ohm - coil)
    damping = np.full(len(f), values.qes / (values.qms * values.re_ohm), dtype=np.complex128)
    stiffness: Complex = np.asarray(
        2.0 * np.pi * values.resonance_hz * values.qes / values.re_ohm / jw
    )
    rest = z - values.re_ohm - 1.0 / motional
    return DriverModel(
        impedance=z,
        re_ohm=values.re_ohm,
        coil=np.where(f > _COIL_FROM * values.resonance_hz, rest, coil),
        stiffness=stiffness,
        damping=damping,
        others=motional - damping - stiffness,
    )
