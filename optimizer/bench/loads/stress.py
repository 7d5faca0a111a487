"""Voltage and current of every part: what a network does to the pieces it is made of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.network.ladder import FittedSlot, FittedWay, Network
from optimizer.network.names import name_parts
from optimizer.network.solve import sections_of, slot_impedances, walk, walk_steps
from optimizer.parts import Part


@dataclass(frozen=True, slots=True, kw_only=True)
class PartPhasors:
    """Voltage and current of one part for 1 V from the amplifier.

    Parameters
    ----------
    way, slot, name : str
        Way, slot and the part's own name ("L1", "N1.C").
    part : Part
        The part.
    voltage : ndarray, shape (F,), complex
        Across the part with its losses, in V.
    current : ndarray, shape (F,), complex
        Through the part, in A.
    """

    way: str
    slot: str
    name: str
    part: Part
    voltage: Complex
    current: Complex


@dataclass(frozen=True, slots=True, kw_only=True)
class WayPhasors:
    """Voltage and current of one way for 1 V from the amplifier.

    Parameters
    ----------
    way, driver : str
        Names.
    drive : ndarray, shape (F,), complex
        Voltage at the driver's terminals, polarity left out.
    driver_current : ndarray, shape (F,), complex
        Current through the driver, in A.
    current : ndarray, shape (F,), complex
        Current into the way, in A.
    parts : tuple of PartPhasors
        Source first.
    """

    way: str
    driver: str
    drive: Complex
    driver_current: Complex
    current: Complex
    parts: tuple[PartPhasors, ...]


def solve_parts(
    network: Network, frequency_hz: Real, load_ohm: Mapping[str, Complex]
) -> tuple[WayPhasors, ...]:
    """Solve a network for the voltage and current of every part.

    Parameters
    ----------
    network, frequency_hz, load_ohm
        As `optimizer.network.solve.solve_network` takes them.

    Returns
    -------
    tuple of WayPhasors
        In the order of the network.

    Notes
    -----
    The ladder is walked from the driver to the amplifier as `optimizer.network.solve` does, with
    the state kept at every step; everything is then scaled to 1 V at the amplifier.
    """
    omega: Real = 2.0 * np.pi * np.asarray(frequency_hz, dtype=np.float64)
    return tuple(_solve_way(way, omega, load_ohm[way.driver]) for way in network.ways)


def _solve_way(way: FittedWay, omega: Real, load_ohm: Complex) -> WayPhasors:
    voltage: Complex = np.ones(len(omega), dtype=np.complex128)
    current: Complex = np.asarray(1.0 / load_ohm, dtype=np.complex128)
    load_current = current
    found: list[tuple[FittedSlot, str, Part, Complex, Complex]] = []
    for slot in reversed(way.slots):
        names = [name for name, _, _ in name_parts(slot)]
        z = slot_impedances(slot, omega)
        for section, indices in reversed(sections_of(slot.form, slot.place)):
            immittance = section.immittance([z[i] for i in indices])
            # Parts in parallel with each other share the voltage, all others the current.
            if section.place == "series":
                through = current
                across = immittance * through
                voltage = voltage + across
            else:
                across = voltage
                through = immittance * across
                current = current + through
            for i in reversed(indices):
                if section.parallel:
                    found.append((slot, names[i], slot.parts[i], across, across / z[i]))
                else:
                    found.append((slot, names[i], slot.parts[i], through * z[i], through))
    scale = 1.0 / voltage
    parts = tuple(
        PartPhasors(
            way=way.name, slot=slot.name, name=name, part=part, voltage=v * scale, current=i * scale
        )
        for slot, name, part, v, i in reversed(found)
    )
    return WayPhasors(
        way=way.name,
        driver=way.driver,
        drive=scale,
        current=current * scale,
        driver_current=load_current * scale,
        parts=parts,
    )


def find_open_minimum(
    way: FittedWay, *, low_hz: float = 20.0, high_hz: float = 20_000.0
) -> tuple[float, float]:
    """Find how hard a load one way becomes when its driver is not connected.

    Parameters
    ----------
    way : FittedWay
        The way.
    low_hz, high_hz : float
        Range searched.

    Returns
    -------
    tuple of float
        Smallest modulus of the way's input impedance in ohm, and the frequency in Hz. Series
        coils and shunt capacitors that the driver no longer damps form a near short at their
        resonance.
    """
    f = np.geomspace(low_hz, high_hz, 6000)
    steps = walk_steps(way, 2.0 * np.pi * f)
    voltage, current = walk(steps, np.zeros(len(f), dtype=np.complex128))
    admittance = np.abs(current) / np.maximum(np.abs(voltage), 1e-300)
    worst = int(np.argmax(admittance))
    largest = float(admittance[worst])
    return (1.0 / largest if largest > 0.0 else float("inf")), float(f[worst])
