"""Voltage and current of every part: what a network does to the pieces it is made of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.network.expression.ladders import from_network
from optimizer.network.expression.nodes import driver_leaves
from optimizer.network.expression.plan import NetworkPlan
from optimizer.network.expression.single import phasors_of, transfers_of
from optimizer.network.network import Network
from optimizer.parts import Part

_OPEN_OHM = 1e15
"""Stands for a driver that is not connected: a series of drivers has no answer without any."""

_NOTHING = 100.0
"""Drivers that are not connected, side by side, up to which a branch counts as open."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PartPhasors:
    """Voltage and current of one part for 1 V from the amplifier.

    Parameters
    ----------
    way, slot, name : str
        Way (or group, whose ladder several ways share), slot and the part's own name ("L1", "N1.C").
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
class DriverPhasors:
    """Voltage and current of one driver for 1 V from the amplifier.

    Parameters
    ----------
    way, driver : str
        Names.
    voltage : ndarray, shape (F,), complex
        At the driver's terminals, polarity left out, in V.
    current : ndarray, shape (F,), complex
        Through the driver, in A.
    """

    way: str
    driver: str
    voltage: Complex
    current: Complex


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkPhasors:
    """What every part and driver of a network carries.

    Parameters
    ----------
    parts : tuple of PartPhasors
        In the order of `Network.places`.
    drivers : tuple of DriverPhasors
        In the order of the ways.
    """

    parts: tuple[PartPhasors, ...]
    drivers: tuple[DriverPhasors, ...]


def solve_parts(
    network: Network, frequency_hz: Real, load_ohm: Mapping[str, Complex]
) -> NetworkPhasors:
    """Solve a network for the voltage and current of every part.

    Parameters
    ----------
    network, frequency_hz, load_ohm
        As `optimizer.network.solve.solve_network` takes them.

    Returns
    -------
    NetworkPhasors
    """
    plan = NetworkPlan(from_network(network), [way.name for way in network.ways])
    solved = phasors_of(plan, frequency_hz, load_ohm, network.source)
    placed = [
        (ladder.name, slot.name, *named)
        for ladder in network.ladders
        for slot in ladder.slots
        for named in slot.named_parts
    ]
    return NetworkPhasors(
        parts=tuple(
            PartPhasors(way=ladder, slot=slot, name=name, part=part, voltage=v, current=i)
            for (ladder, slot, name, _, part), v, i in zip(
                placed, solved.part_voltage, solved.part_current, strict=True
            )
        ),
        drivers=tuple(
            DriverPhasors(way=way.name, driver=way.driver, voltage=v, current=i)
            for way, v, i in zip(
                network.ways, solved.driver_voltage, solved.driver_current, strict=True
            )
        ),
    )


def find_open_minimum(
    network: Network, branch: str, *, low_hz: float = 20.0, high_hz: float = 20_000.0
) -> tuple[float, float]:
    """Find how hard a load one branch becomes when its drivers are not connected.

    Parameters
    ----------
    network : Network
        The network.
    branch : str
        Name of one of `Network.branches`.
    low_hz, high_hz : float
        Range searched.

    Returns
    -------
    tuple of float
        Smallest modulus of the branch's input impedance in ohm, and the frequency in Hz. Series
        coils and shunt capacitors that the driver no longer damps form a near short at their
        resonance.
    """
    f = np.geomspace(low_hz, high_hz, 6000)
    node = from_network(network, branch)
    opened = {leaf.driver: np.full(len(f), _OPEN_OHM + 0j) for leaf in driver_leaves(node)}
    with np.errstate(divide="ignore", invalid="ignore"):
        solved = transfers_of(node, f, opened)
    # Parts without losses are a perfect short at their resonance.
    admittance = np.nan_to_num(np.abs(solved.admittance), nan=np.inf, posinf=np.inf)
    worst = int(np.argmax(admittance))
    largest = float(admittance[worst])
    ohm = 1.0 / largest if largest * _OPEN_OHM > _NOTHING else float("inf")
    return ohm, float(f[worst])
