"""What an ohm-meter and an impedance sweep should show before the first power-up."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from optimizer.errors import InputError
from optimizer.measure.driver import Driver
from optimizer.network.equivalent import fit_driver_equivalent
from optimizer.network.expression.ladders import from_network
from optimizer.network.expression.single import resistance_of
from optimizer.network.network import Network


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilResistance:
    """Resistance of a driver's voice coil at direct current.

    Parameters
    ----------
    driver : str
        Its name.
    ohm : float
        In ohm.
    stated : bool
        Whether the design file states it; else it is estimated from the impedance.
    """

    driver: str
    ohm: float
    stated: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterReading:
    """Direct-current resistance at the input of one branch by itself.

    Parameters
    ----------
    way : str
        Its name.
    connected_ohm, open_ohm : float
        With its driver connected, and without; infinite when a capacitor blocks. A transformer
        counts as a wire across the line.
    """

    way: str
    connected_ohm: float
    open_ohm: float


def find_coil_resistances(drivers: Sequence[Driver]) -> tuple[CoilResistance, ...]:
    """Take each driver's resistance from the design, or estimate it.

    Parameters
    ----------
    drivers : sequence of Driver
        With their impedances.

    Returns
    -------
    tuple of CoilResistance
        In their order.

    Notes
    -----
    Estimated as the resistance of the circuit that `fit_driver_equivalent` finds, or, where the
    data are too few for that, as the smallest real part of the impedance, which is a little high.
    """
    found = []
    for driver in drivers:
        stated = driver.limits.resistance_ohm
        if stated is not None:
            found.append(CoilResistance(driver=driver.name, ohm=stated, stated=True))
            continue
        try:
            circuit, _ = fit_driver_equivalent(driver.frequency_hz, driver.impedance)
            ohm = circuit.re_ohm
        except InputError:
            ohm = float(driver.impedance.real.min())
        found.append(CoilResistance(driver=driver.name, ohm=ohm, stated=False))
    return tuple(found)


def read_meter(network: Network, resistances: Mapping[str, float]) -> tuple[MeterReading, ...]:
    """Compute what an ohm-meter shows at the input of each branch.

    Parameters
    ----------
    network : Network
        What was built.
    resistances : mapping of str to float
        Resistance of each driver's voice coil in ohm, by driver name.

    Returns
    -------
    tuple of MeterReading
        In the order of `Network.branches`.
    """
    return tuple(
        MeterReading(
            way=branch.name,
            connected_ohm=resistance_of(
                from_network(network, branch.name), lambda leaf: resistances[leaf.driver]
            ),
            open_ohm=resistance_of(from_network(network, branch.name)),
        )
        for branch in network.branches
    )


def join_readings(readings: Sequence[MeterReading]) -> float:
    """Resistance of all branches in parallel, drivers connected; infinite when every one blocks."""
    if any(r.connected_ohm == 0.0 for r in readings):
        return 0.0
    total = sum(1.0 / r.connected_ohm for r in readings)
    return 1.0 / total if total > 0.0 else math.inf
