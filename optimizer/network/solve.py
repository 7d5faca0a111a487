"""One network as built, solved."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.network.expression.bank import Bank
from optimizer.network.expression.ladders import from_network
from optimizer.network.expression.plan import NetworkPlan, Population
from optimizer.network.network import Network
from optimizer.parts import KINDS, Kind, Part


@dataclass(frozen=True, slots=True, kw_only=True)
class SolvedNetwork:
    """Electrical answer of one network.

    Parameters
    ----------
    transfer : ndarray, shape (W, F), complex
        Voltage at each driver's terminals over the source's, polarity included.
    admittance : ndarray, shape (F,), complex
        Of the load that the amplifier sees: cable and network, in siemens.
    """

    transfer: Complex
    admittance: Complex

    @property
    def input_impedance(self) -> Complex:
        """Impedance that the amplifier sees, in ohm, shape (F,)."""
        return np.asarray(1.0 / self.admittance)


def solve_network(
    network: Network, frequency_hz: Real, load_ohm: Mapping[str, Complex]
) -> SolvedNetwork:
    """Solve one network as built.

    Parameters
    ----------
    network : Network
        Every way and group with its parts.
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz.
    load_ohm : mapping of str to ndarray (F,)
        Complex impedance of each driver, by driver name.

    Returns
    -------
    SolvedNetwork
    """
    bank = Bank(_plan_of(_shape_of(network)), frequency_hz, load_ohm, network.source)
    parts = network.parts
    solved = bank.solve(
        Population(
            values=np.array([part.value for part in parts], dtype=np.float64),
            loss_ohm=np.array([part.loss_ohm for part in parts], dtype=np.float64),
            present=np.ones(len(bank.plan.places), dtype=bool),
            polarity=np.array([float(way.polarity) for way in network.ways]),
        )
    )
    return SolvedNetwork(transfer=np.array(solved.transfer), admittance=solved.admittance)


_ANY: dict[Kind, Part] = {kind: Part(kind=kind, value=1.0) for kind in KINDS}


def _shape_of(network: Network) -> Network:
    """Return the network with parts that tell their kind alone."""
    return network.map_slots(
        lambda ladder: tuple(
            replace(slot, parts=tuple(_ANY[part.kind] for part in slot.parts))
            for slot in ladder.slots
        )
    )


@lru_cache(maxsize=256)
def _plan_of(shape: Network) -> NetworkPlan:
    """Compile a shape once: that takes several times as long as solving it."""
    return NetworkPlan(from_network(shape), [way.name for way in shape.ways])
