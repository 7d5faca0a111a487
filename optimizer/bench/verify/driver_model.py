"""A driver that is not quite the one measured: how impedance and sound move with what may differ.

The measured impedance is parted into the resistance of the coil, the motional branch of the
equivalent circuit that the survey fits, and the coil's impedance, which is everything else. Sound
goes with the velocity of the cone: with the voltage across the motional branch over Bl.

    Z = Re + Zcoil + 1 / (1/Res + jwC + 1/(jwL) + port),    p ~ Zmot / (Z Bl)

Force factor scales Zmot by Bl squared, mechanical resistance scales 1/Res, stiffness (f0 squared)
scales 1/(jwL). Source of the analogy: Small, JAES 20(5), 1972 (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
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


@dataclass(frozen=True, kw_only=True)
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

    @cached_property
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
        stiffness, damping, others = self._motional(shift)
        after = np.exp(2.0 * shift["bl"]) / (stiffness + damping + others)
        z = self.impedance + change + after - self.before
        return z, np.asarray(after * (self.impedance / self.before) / z * np.exp(-shift["bl"]))

    def slopes(
        self, shift: Mapping[DriverQuantity, Real], impedance: Complex
    ) -> Iterator[tuple[DriverQuantity, Complex, Complex]]:
        """Slopes of what `differ` says.

        Parameters
        ----------
        shift : mapping of str to ndarray, shape (P, 1)
            Logarithms by which each quantity is off.
        impedance : ndarray, shape (P, F)
            Of these drivers.

        Yields
        ------
        quantity : str
        impedance, factor : ndarray, shape (P, F)
            Slopes of the logarithms of both.
        """
        nothing: Complex = np.zeros_like(impedance)
        moved: dict[DriverQuantity, Complex] = {
            "re": self.re_ohm * np.exp(shift["re"]) / impedance,
            "le": self.coil * np.exp(shift["le"]) / impedance,
        }
        for what, z in moved.items():
            yield what, z, -z
        if not self.moves:
            yield from (("f0", nothing, nothing), ("rms", nothing, nothing))
            yield "bl", nothing, nothing + 1.0
            return
        stiffness, damping, others = self._motional(shift)
        whole = stiffness + damping + others
        share = np.exp(2.0 * shift["bl"]) / whole / impedance
        for what, own in (("f0", -2.0 * stiffness / whole), ("rms", -damping / whole)):
            yield what, share * own, own - share * own
        yield "bl", 2.0 * share, 1.0 - 2.0 * share

    @cached_property
    def before(self) -> Complex:
        """Impedance of the motional branch as measured."""
        return np.asarray(1.0 / (self.stiffness + self.damping + self.others))

    def _motional(self, shift: Mapping[DriverQuantity, Real]) -> tuple[Complex, Complex, Complex]:
        """Admittances of the motional branch, those of suspension, losses and all else."""
        return (
            np.asarray(np.exp(2.0 * shift["f0"]) * self.stiffness),
            np.asarray(np.exp(shift["rms"]) * self.damping),
            self.others,
        )


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
