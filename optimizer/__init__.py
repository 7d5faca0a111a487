"""From measured drivers to ranked, buildable passive loudspeaker crossovers.

The verbs of the command line are functions on values, and every noun can be made without a file:

>>> import optimizer
>>> topology = optimizer.Topology.of(
...     woofer=[optimizer.series_inductor("L1", "0.68 mH", "2.2 mH")],
...     tweeter=[optimizer.series_capacitor("C1", "3.3 uF", "10 uF")],
...     free_polarity=["tweeter"],
... )
>>> problem = optimizer.testing.small_problem(topology=topology, goals={"on_axis": 1.0})
>>> result = optimizer.fit(problem, exact=True)
>>> result.best
<Candidate 1: cost ..., 2 parts, woofer: L1 ... mH; tweeter inverted: C1 ... uF>
>>> optimizer.sheet(problem, result.best).title
'small two-way'

All names below are loaded when first used, so importing the package costs next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from optimizer import testing as testing
    from optimizer.bench.build.sheet import BuildSheet as BuildSheet
    from optimizer.bench.check import CheckReport as CheckReport
    from optimizer.bench.diary.file import read_diary as read_diary
    from optimizer.bench.networks.file import write_network as write_network
    from optimizer.bench.verify.verifying import VerifyResult as VerifyResult
    from optimizer.bench.voice.voicing import VoiceResult as VoiceResult
    from optimizer.design.build import build_problem as build_problem
    from optimizer.design.build import load_design as load_design
    from optimizer.design.nouns import Design as Design
    from optimizer.errors import InputError as InputError
    from optimizer.errors import LaddersmithError as LaddersmithError
    from optimizer.goals.target import TargetCurve as TargetCurve
    from optimizer.measure.curve import Direction as Direction
    from optimizer.measure.curve import MeasuredCurve as MeasuredCurve
    from optimizer.measure.driver import Driver as Driver
    from optimizer.measure.driver import Limits as Limits
    from optimizer.measure.files.open import open_curve as open_curve
    from optimizer.measure.survey.nouns import Survey as Survey
    from optimizer.network.network import Network as Network
    from optimizer.network.slots import autotransformer as autotransformer
    from optimizer.network.slots import equaliser as equaliser
    from optimizer.network.slots import keep as keep
    from optimizer.network.slots import notch as notch
    from optimizer.network.slots import pad as pad
    from optimizer.network.slots import series_capacitor as series_capacitor
    from optimizer.network.slots import series_inductor as series_inductor
    from optimizer.network.slots import series_resistor as series_resistor
    from optimizer.network.slots import shunt_capacitor as shunt_capacitor
    from optimizer.network.slots import shunt_inductor as shunt_inductor
    from optimizer.network.slots import shunt_resistor as shunt_resistor
    from optimizer.network.slots import trap as trap
    from optimizer.network.solve import solve_network as solve_network
    from optimizer.network.topology import OneOf as OneOf
    from optimizer.network.topology import Slot as Slot
    from optimizer.network.topology import Topology as Topology
    from optimizer.network.topology import Way as Way
    from optimizer.network.variable_pad import variable_pad as variable_pad
    from optimizer.parts import Part as Part
    from optimizer.parts import Terms as Terms
    from optimizer.problem.candidate import Candidate as Candidate
    from optimizer.problem.candidate import SearchResult as SearchResult
    from optimizer.problem.limits import NetworkLimits as NetworkLimits
    from optimizer.problem.problem import Problem as Problem
    from optimizer.problem.verdict import Verdict as Verdict
    from optimizer.search.runner import Runner as Runner
    from optimizer.search.trade.result import TradeResult as TradeResult
    from optimizer.stock.shelf import read_parts_list as read_parts_list
    from optimizer.stock.stock import Stock as Stock
    from optimizer.verbs import Started as Started
    from optimizer.verbs import check as check
    from optimizer.verbs import fit as fit
    from optimizer.verbs import hear as hear
    from optimizer.verbs import load as load
    from optimizer.verbs import netlist as netlist
    from optimizer.verbs import open_network as open_network
    from optimizer.verbs import preset as preset
    from optimizer.verbs import sheet as sheet
    from optimizer.verbs import start as start
    from optimizer.verbs import survey as survey
    from optimizer.verbs import trade as trade
    from optimizer.verbs import verify as verify
    from optimizer.verbs import voice as voice

_HOME = {
    "BuildSheet": "optimizer.bench.build.sheet",
    "Candidate": "optimizer.problem.candidate",
    "CheckReport": "optimizer.bench.check",
    "Design": "optimizer.design.nouns",
    "Direction": "optimizer.measure.curve",
    "Driver": "optimizer.measure.driver",
    "InputError": "optimizer.errors",
    "LaddersmithError": "optimizer.errors",
    "Limits": "optimizer.measure.driver",
    "Network": "optimizer.network.network",
    "NetworkLimits": "optimizer.problem.limits",
    "OneOf": "optimizer.network.topology",
    "Part": "optimizer.parts",
    "Problem": "optimizer.problem.problem",
    "MeasuredCurve": "optimizer.measure.curve",
    "Runner": "optimizer.search.runner",
    "SearchResult": "optimizer.problem.candidate",
    "Slot": "optimizer.network.topology",
    "Started": "optimizer.verbs",
    "Stock": "optimizer.stock.stock",
    "Survey": "optimizer.measure.survey.nouns",
    "TargetCurve": "optimizer.goals.target",
    "Terms": "optimizer.parts",
    "Topology": "optimizer.network.topology",
    "TradeResult": "optimizer.search.trade.result",
    "Verdict": "optimizer.problem.verdict",
    "VerifyResult": "optimizer.bench.verify.verifying",
    "VoiceResult": "optimizer.bench.voice.voicing",
    "Way": "optimizer.network.topology",
    "autotransformer": "optimizer.network.slots",
    "build_problem": "optimizer.design.build",
    "check": "optimizer.verbs",
    "equaliser": "optimizer.network.slots",
    "fit": "optimizer.verbs",
    "hear": "optimizer.verbs",
    "keep": "optimizer.network.slots",
    "load": "optimizer.verbs",
    "load_design": "optimizer.design.build",
    "netlist": "optimizer.verbs",
    "notch": "optimizer.network.slots",
    "open_curve": "optimizer.measure.files.open",
    "open_network": "optimizer.verbs",
    "pad": "optimizer.network.slots",
    "preset": "optimizer.verbs",
    "read_diary": "optimizer.bench.diary.file",
    "read_parts_list": "optimizer.stock.shelf",
    "series_capacitor": "optimizer.network.slots",
    "series_inductor": "optimizer.network.slots",
    "series_resistor": "optimizer.network.slots",
    "sheet": "optimizer.verbs",
    "shunt_capacitor": "optimizer.network.slots",
    "shunt_inductor": "optimizer.network.slots",
    "shunt_resistor": "optimizer.network.slots",
    "solve_network": "optimizer.network.solve",
    "start": "optimizer.verbs",
    "survey": "optimizer.verbs",
    "trade": "optimizer.verbs",
    "trap": "optimizer.network.slots",
    "variable_pad": "optimizer.network.variable_pad",
    "verify": "optimizer.verbs",
    "voice": "optimizer.verbs",
    "write_network": "optimizer.bench.networks.file",
}

__all__ = sorted([*_HOME, "testing"])


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(_HOME[name]), name)
    if name == "testing":
        return import_module("optimizer.testing")
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return __all__
