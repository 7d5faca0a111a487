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
    from optimizer.errors import InputError as InputError
    from optimizer.errors import LaddersmithError as LaddersmithError
    from optimizer.measure.driver import Driver as Driver
    from optimizer.measure.response import Direction as Direction
    from optimizer.measure.response import Response as Response
    from optimizer.measure.text import read_impedance as read_impedance
    from optimizer.measure.text import read_response as read_response
    from optimizer.network.ladder import Network as Network
    from optimizer.network.ladder import Topology as Topology
    from optimizer.network.solve import solve_network as solve_network
    from optimizer.parts import Part as Part
    from optimizer.project import build_problem as build_problem
    from optimizer.project import load_design as load_design
    from optimizer.search.candidates import Candidate as Candidate
    from optimizer.search.candidates import SearchResult as SearchResult
    from optimizer.search.problem import Problem as Problem
    from optimizer.search.run import search as search
    from optimizer.stock.stock import Stock as Stock

_HOME = {
    "Candidate": "optimizer.search.candidates",
    "Direction": "optimizer.measure.response",
    "Driver": "optimizer.measure.driver",
    "InputError": "optimizer.errors",
    "LaddersmithError": "optimizer.errors",
    "Network": "optimizer.network.ladder",
    "Part": "optimizer.parts",
    "Problem": "optimizer.search.problem",
    "Response": "optimizer.measure.response",
    "SearchResult": "optimizer.search.candidates",
    "Stock": "optimizer.stock.stock",
    "Topology": "optimizer.network.ladder",
    "build_problem": "optimizer.project",
    "load_design": "optimizer.project",
    "read_impedance": "optimizer.measure.text",
    "read_response": "optimizer.measure.text",
    "search": "optimizer.search.run",
    "solve_network": "optimizer.network.solve",
}

__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(_HOME[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return __all__
