"""Reading what a circuit simulator computed from an exported netlist."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from optimizer.arrays import Complex
from optimizer.network.deck import GROUND
from optimizer.network.expression.circuit import DriverNodes


def read_voltage(plot: Mapping[str, Complex], node: str) -> Complex:
    """Voltage of a node in a plot of ngspice, whose names are lower case; 0 for ground."""
    if node == GROUND:
        return np.zeros(1, dtype=np.complex128)
    return plot[f"v({node.lower()})"]


def read_drive(plot: Mapping[str, Complex], nodes: DriverNodes) -> Complex:
    """Voltage at a driver's terminals, plus against minus."""
    return read_voltage(plot, nodes.plus) - read_voltage(plot, nodes.minus)
