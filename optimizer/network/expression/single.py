"""One network as it is built: transfers, what every part carries, and what an ohm-meter shows."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.errors import InputError, Subject
from optimizer.network.expression.bank import Bank, Phasors, Solution
from optimizer.network.expression.nodes import (
    IDEAL,
    DriverLeaf,
    Node,
    PartLeaf,
    Series,
    SourceResistance,
    Tap,
)
from optimizer.network.expression.plan import NetworkPlan, Population
from optimizer.parts import Part


def transfers_of(
    network: Node,
    frequency_hz: Real,
    load_ohm: Mapping[str, Complex],
    source: SourceResistance = IDEAL,
) -> Solution:
    """Solve one network as built.

    Parameters
    ----------
    network : Node
        Every place filled and every polarity settled.
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz, above 0.
    load_ohm : mapping of str to ndarray (F,)
        Complex impedance of each driver, by name of the driver.
    source : SourceResistance
        Amplifier and cable.

    Returns
    -------
    Solution
        Drivers in the order in which they are written; arrays of shape (F,).
    """
    bank = Bank(network, frequency_hz, load_ohm, source)
    return bank.solve(population_of(bank.plan))


def phasors_of(
    network: Node | NetworkPlan,
    frequency_hz: Real,
    load_ohm: Mapping[str, Complex],
    source: SourceResistance = IDEAL,
) -> Phasors:
    """Voltage and current of every part and driver of one network as built.

    Parameters
    ----------
    network, frequency_hz, load_ohm, source
        As in `transfers_of`.

    Returns
    -------
    Phasors
        For 1 V of the source, arrays of shape (G, F) and (W, F); parts in the order of
        `part_leaves`.
    """
    bank = Bank(network, frequency_hz, load_ohm, source)
    return bank.phasors(population_of(bank.plan))


def population_of(plan: NetworkPlan) -> Population:
    """Arrays of the one network whose parts sit in their places.

    Parameters
    ----------
    plan : NetworkPlan
        Of a network with every place filled.

    Returns
    -------
    Population
        No leading axis.

    Raises
    ------
    InputError
        When a place is empty.
    """
    parts = [_part(leaf) for leaf in plan.leaves]
    return Population(
        values=np.array([part.value for part in parts], dtype=np.float64),
        loss_ohm=np.array([part.loss_ohm for part in parts], dtype=np.float64),
        present=np.ones(len(plan.places), dtype=bool),
        polarity=np.array([float(leaf.sign) for leaf in plan.drivers]),
    )


def resistance_of(network: Node, driver_ohm: Callable[[DriverLeaf], float] | None = None) -> float:
    """Resistance for direct current between the ends of a network.

    Parameters
    ----------
    network : Node
        Every place filled.
    driver_ohm : callable, optional
        Resistance of the voice coil at each driver leaf in ohm; infinite for one that is not
        connected. All are when left out.

    Returns
    -------
    float
        In ohm; infinite when capacitors block. A tap counts as a wire across the line: direct
        current sees nothing of an autotransformer but the wire of its winding, whose resistance is
        taken as 0.
    """
    if isinstance(network, DriverLeaf):
        return math.inf if driver_ohm is None else driver_ohm(network)
    if isinstance(network, PartLeaf):
        part = _part(network)
        if part.kind == "capacitor":
            return math.inf
        return part.loss_ohm + (part.value if part.kind == "resistor" else 0.0)
    if isinstance(network, Tap):
        return 0.0
    ohms = [resistance_of(item, driver_ohm) for item in network.items]
    if isinstance(network, Series):
        return math.fsum(ohms) if all(map(math.isfinite, ohms)) else math.inf
    if 0.0 in ohms:
        return 0.0
    siemens = math.fsum(1.0 / ohm for ohm in ohms)
    return 1.0 / siemens if siemens > 0.0 else math.inf


def _part(leaf: PartLeaf) -> Part:
    if leaf.part is None:
        raise InputError(
            "every place of a built network is filled", subject=Subject("place", leaf.name)
        )
    return leaf.part
