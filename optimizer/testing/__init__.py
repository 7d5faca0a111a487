"""Ready-made drivers, parts, networks and problems, for tests and for trying things out.

Everything here is ideal or invented, computed from textbook formulas in a few milliseconds.
"""

from __future__ import annotations

from optimizer.testing.drivers import GRID_HZ, ideal_driver, resistive_driver
from optimizer.testing.files import FILE_HZ, write_curve, write_driver
from optimizer.testing.networks import (
    across,
    capacitor,
    coil,
    fitted,
    in_line,
    network,
    part,
    resistor,
)
from optimizer.testing.problems import small_problem, small_topology

__all__ = [
    "FILE_HZ",
    "GRID_HZ",
    "across",
    "capacitor",
    "coil",
    "fitted",
    "ideal_driver",
    "in_line",
    "network",
    "part",
    "resistive_driver",
    "resistor",
    "small_problem",
    "small_topology",
    "write_curve",
    "write_driver",
]
