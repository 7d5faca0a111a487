"""From measured drivers to ranked, buildable passive loudspeaker crossovers.

The names below are loaded when first used, so importing the package costs next to nothing.

>>> import optimizer
>>> problem = optimizer.build_problem(optimizer.load_design("design.yaml"))  # doctest: +SKIP
>>> result = optimizer.search(problem, seconds=5, seed=1)  # doctest: +SKIP
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from optimizer.design.build import build_problem as build_problem
    from optimizer.design.build import load_design as load_design
    from optimizer.errors import InputError as InputError
    from optimizer.errors import LaddersmithError as LaddersmithError
    from optimizer.measure.curve import Direction as Direction
    from optimizer.measure.curve import MeasuredCurve as MeasuredCurve
    from optimizer.measure.driver import Driver as Driver
    from optimizer.measure.files.text import read_impedance as read_impedance
    from optimizer.measure.files.text import read_response as read_response
    from optimizer.network.ladder import Network as Network
    from optimizer.network.ladder import Topology as Topology
    from optimizer.network.solve import solve_network as solve_network
    from optimizer.parts import Part as Part
    from optimizer.problem.candidate import Candidate as Candidate
    from optimizer.problem.candidate import SearchResult as SearchResult
    from optimizer.problem.problem import Problem as Problem
    from optimizer.search.fit import search as search
    from optimizer.stock.stock import Stock as Stock

_HOME = {
    "Candidate": "optimizer.problem.candidate",
    "Direction": "optimizer.measure.curve",
    "Driver": "optimizer.measure.driver",
    "InputError": "optimizer.errors",
    "LaddersmithError": "optimizer.errors",
    "Network": "optimizer.network.ladder",
    "Part": "optimizer.parts",
    "Problem": "optimizer.problem.problem",
    "MeasuredCurve": "optimizer.measure.curve",
    "SearchResult": "optimizer.problem.candidate",
    "Stock": "optimizer.stock.stock",
    "Topology": "optimizer.network.ladder",
    "build_problem": "optimizer.design.build",
    "load_design": "optimizer.design.build",
    "read_impedance": "optimizer.measure.files.text",
    "read_response": "optimizer.measure.files.text",
    "search": "optimizer.search.fit",
    "solve_network": "optimizer.network.solve",
}

__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(_HOME[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return __all__
