"""The hot loop: transfer and input admittance of ladders, whole population at once.

The walk starts at the driver with V = 1, I = Y_driver and goes to the source: a series slot adds
``z I`` to V, a shunt slot adds ``y V`` to I. At the source, H = 1/V and Y = I/V. Nothing is divided
on the way, so a whole population costs a few complex operations per slot and frequency.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.network.expression.immittance import part_impedance as part_impedance
from optimizer.network.ladder import FittedSlot, FittedWay, Form, Network, Place
from optimizer.parts import Kind


@dataclass(frozen=True, slots=True, kw_only=True)
class LadderSection:
    """One step of a ladder walk: a series impedance or a shunt admittance.

    Parameters
    ----------
    place : {"series", "shunt"}
        Which of V and I it changes.
    kinds : tuple of Kind
        Kinds of its parts.
    parallel : bool
        Whether the parts are in parallel with each other (trap) rather than in series.
    """

    place: Place
    kinds: tuple[Kind, ...]
    parallel: bool = False

    def immittance(self, impedances: list[Complex]) -> Complex:
        """Series impedance or shunt admittance from the impedances of the parts.

        Parameters
        ----------
        impedances : list of ndarray, each broadcastable to (..., F)
            One per part.

        Returns
        -------
        ndarray, shape (..., F), complex
            ohm for a series section, siemens for a shunt section.
        """
        if len(impedances) == 1:
            total = impedances[0]
            return total if self.place == "series" else 1.0 / total
        if self.parallel:
            admittance = 1.0 / impedances[0]
            for z in impedances[1:]:
                admittance = admittance + 1.0 / z
            return 1.0 / admittance if self.place == "series" else admittance
        total = impedances[0]
        for z in impedances[1:]:
            total = total + z
        return total if self.place == "series" else 1.0 / total


SECTIONS_OF_FORM: dict[Form, tuple[tuple[LadderSection, tuple[int, ...]], ...]] = {
    "notch": (
        (LadderSection(place="shunt", kinds=("inductor", "capacitor", "resistor")), (0, 1, 2)),
    ),
    "trap": (
        (
            LadderSection(
                place="series", kinds=("inductor", "capacitor", "resistor"), parallel=True
            ),
            (0, 1, 2),
        ),
    ),
    "equaliser": ((LadderSection(place="shunt", kinds=("resistor", "capacitor")), (0, 1)),),
    "pad": (
        (LadderSection(place="series", kinds=("resistor",)), (0,)),
        (LadderSection(place="shunt", kinds=("resistor",)), (1,)),
    ),
}
"""Sections of each compound, source first, with the indices of the parts each one uses."""


def sections_of(form: Form, place: Place) -> tuple[tuple[LadderSection, tuple[int, ...]], ...]:
    """Sections that a slot contributes to a ladder, source first.

    Parameters
    ----------
    form, place
        As in `optimizer.network.ladder.Slot`.

    Returns
    -------
    tuple of (LadderSection, tuple of int)
        The section and the indices of the slot's parts it is made of.
    """
    if form in SECTIONS_OF_FORM:
        return SECTIONS_OF_FORM[form]
    return ((LadderSection(place=place, kinds=(form,)), (0,)),)  # type: ignore[arg-type]


def walk(
    sections: list[tuple[Place, Complex]], load_admittance: Complex
) -> tuple[Complex, Complex]:
    """Walk a ladder from the driver to the source.

    Parameters
    ----------
    sections : list of (place, immittance)
        Source first; immittances broadcast to (..., F).
    load_admittance : ndarray, shape (F,)
        Admittance of the driver in siemens.

    Returns
    -------
    voltage, current : ndarray, shape (..., F), complex
        At the source, for 1 V at the driver's terminals.
    """
    voltage: Complex = np.ones_like(load_admittance)
    current: Complex = load_admittance
    for place, immittance in reversed(sections):
        if place == "series":
            voltage = voltage + immittance * current
        else:
            current = current + immittance * voltage
    return voltage, current


def slot_impedances(slot: FittedSlot, omega: Real) -> list[Complex]:
    """Impedance of each part of a slot, at angular frequencies of shape (F,)."""
    return [
        part_impedance(p.kind, np.asarray(p.value), np.asarray(p.loss_ohm), omega)
        for p in slot.parts
    ]


def walk_steps(way: FittedWay, omega: Real) -> list[tuple[Place, Complex]]:
    """Immittances of a way as built, source first, as `walk` takes them."""
    steps: list[tuple[Place, Complex]] = []
    for slot in way.slots:
        z = slot_impedances(slot, omega)
        for section, indices in sections_of(slot.form, slot.place):
            steps.append((section.place, section.immittance([z[i] for i in indices])))
    return steps


@dataclass(frozen=True, slots=True, kw_only=True)
class SolvedNetwork:
    """Electrical answer of one network.

    Parameters
    ----------
    transfer : ndarray, shape (W, F), complex
        Voltage at each driver's terminals over the amplifier's, polarity included.
    admittance : ndarray, shape (W, F), complex
        Input admittance of each way in siemens.
    """

    transfer: Complex
    admittance: Complex

    @property
    def input_impedance(self) -> Complex:
        """Impedance of all ways in parallel, in ohm, shape (F,)."""
        return np.asarray(1.0 / np.sum(self.admittance, axis=0))


def solve_network(
    network: Network, frequency_hz: Real, load_ohm: Mapping[str, Complex]
) -> SolvedNetwork:
    """Solve one network as built.

    Parameters
    ----------
    network : Network
        Every way with its parts.
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz.
    load_ohm : mapping of str to ndarray (F,)
        Complex impedance of each driver, by driver name.

    Returns
    -------
    SolvedNetwork
    """
    omega: Real = 2.0 * np.pi * np.asarray(frequency_hz, dtype=np.float64)
    transfer, admittance = [], []
    for way in network.ways:
        load = np.asarray(1.0 / load_ohm[way.driver], dtype=np.complex128)
        voltage, current = walk(walk_steps(way, omega), load)
        transfer.append(way.polarity / voltage)
        admittance.append(current / voltage)
    return SolvedNetwork(transfer=np.array(transfer), admittance=np.array(admittance))
