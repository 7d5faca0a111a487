"""Voltage and current of every part: what a network does to the pieces it is made of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.network.expression.forms import from_way
from optimizer.network.expression.single import phasors_of, transfers_of
from optimizer.network.ladder import FittedWay, Network
from optimizer.network.names import name_parts
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
    """
    return tuple(_solve_way(way, frequency_hz, load_ohm) for way in network.ways)


def _solve_way(way: FittedWay, frequency_hz: Real, load_ohm: Mapping[str, Complex]) -> WayPhasors:
    node = from_way(way)
    solved = phasors_of(node, frequency_hz, load_ohm)
    placed = [(slot.name, *named) for slot in way.slots for named in name_parts(slot)]
    parts = tuple(
        PartPhasors(way=way.name, slot=slot, name=name, part=part, voltage=v, current=i)
        for (slot, name, _, part), v, i in zip(
            placed, solved.part_voltage, solved.part_current, strict=True
        )
    )
    return WayPhasors(
        way=way.name,
        driver=way.driver,
        drive=solved.driver_voltage[0],
        current=solved.current,
        driver_current=solved.driver_current[0],
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
    with np.errstate(divide="ignore", invalid="ignore"):
        solved = transfers_of(from_way(way), f, {way.driver: np.full(len(f), np.inf + 0j)})
    # Parts without losses are a perfect short at their resonance.
    admittance = np.nan_to_num(np.abs(solved.admittance), nan=np.inf, posinf=np.inf)
    worst = int(np.argmax(admittance))
    largest = float(admittance[worst])
    return (1.0 / largest if largest > 0.0 else float("inf")), float(f[worst])
