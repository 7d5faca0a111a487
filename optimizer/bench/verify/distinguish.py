"""Tests at the bench that tell two suspected mistakes apart, in words with the values expected."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from optimizer.bench.verify.faults import Fault, apply_fault, list_connected, list_parts
from optimizer.measure.curve import MeasuredCurve
from optimizer.measure.driver import Driver
from optimizer.measure.survey.impedance import survey_impedance
from optimizer.measure.wired import OPEN_OHM, SHORT_OHM, join_resistances
from optimizer.network.expression.ladders import from_network
from optimizer.network.expression.nodes import DriverLeaf, Node, PartLeaf, change
from optimizer.network.expression.single import resistance_of, transfers_of
from optimizer.network.network import Network
from optimizer.network.solve import solve_network
from optimizer.parts import UNIT_OF_KIND, Part
from optimizer.problem.problem import Problem
from optimizer.text.brief import brief
from optimizer.text.units import format_quantity

SAFETY = (
    "Amplifier off and unhooked for every ohmmeter test. A capacitor can hold a charge: "
    "bridge it with a resistor first. Never put a battery on a tweeter."
)
"""Said above every list of tests."""

CLEAR = 1.3
"""Two readings must differ by this factor to be told apart with a simple meter."""

_OPEN_ABOVE_OHM = 1e5
_BAND_HZ = (50.0, 15000.0)
_HEARD_DB = 0.5
_LEAST_OHM = 0.1  # that a simple meter shows
_SEEN = 1.05
"""Two impedances of a whole speaker must differ by this factor to be told apart by a sweep."""

_OF_WAYS: dict[str, tuple[str, str]] = {
    "level": (
        "response",
        "Play {where} alone, the other drivers off, and measure it again as in its own measurement: "
        "the level differs only if {case}.",
    ),
    "lead": (
        "resistance",
        "Take the leads of {where} off the network and measure the resistance of the driver through "
        "them, then at its terminals: it is not that of its own impedance curve if {case}.",
    ),
    "resonance": (
        "impedance",
        "Take {where} off the network and measure its impedance in the cabinet: the peak has moved "
        "if {case}.",
    ),
    "voice coil": (
        "impedance",
        "Take {where} off the network and measure its impedance: it is another one above the "
        "resonance if {case}.",
    ),
    "another driver": (
        "impedance",
        "Take {where} off the network and measure its impedance: it is not that of the design if "
        "{case}.",
    ),
    "path": (
        "response",
        "Measure the distance from the microphone to {where} and to the other drivers, and measure "
        "again from the place of the design: the response stays as it is only if {case}.",
    ),
    "microphone": (
        "response",
        "Set the microphone to the height of the reference axis and measure again: the response "
        "changes only if {case}.",
    ),
    "saturated": (
        "response",
        "Measure the response again 10 dB softer: it differs from the loud one only if {case}.",
    ),
    "coupled": (
        "look",
        "Move {where} apart, or turn one so that their axes cross at right angles, and measure "
        "again: the curves change only if {case}.",
    ),
    "source": (
        "resistance",
        "Measure the resistance from the amplifier's end of the cable to the input of the network, "
        "both wires, the amplifier unhooked: it is not near nothing if {case}.",
    ),
}
"""What tells causes apart that no part of the network shows, with the method."""

_BY_EYE = ("swapped drivers", "driver turned")


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchTest:
    """One test with what to expect.

    Parameters
    ----------
    says : str
        What to do, and what it reads in either case.
    method : str
        "resistance", "impedance", "part", "response" or "look".
    """

    says: str
    method: str

    __repr__ = brief


def tell_apart(problem: Problem, network: Network, one: Fault, two: Fault) -> BenchTest:
    """Find the simplest test that tells two cases apart.

    Parameters
    ----------
    problem, network
        The design.
    one, two : Fault
        The cases; either may be the healthy one.

    Returns
    -------
    BenchTest
        A resistance of one branch where a meter suffices, else an impedance of one branch, else a
        look at the wires, a part by itself, or the response.
    """
    for fault in (one, two):
        if fault.what in _OF_WAYS:
            method, says = _OF_WAYS[fault.what]
            return BenchTest(says=says.format(where=fault.where, case=fault.says), method=method)
    first, second = apply_fault(network, one), apply_fault(network, two)
    resistance = _driver_resistance(problem)
    best: tuple[float, str] | None = None
    for branch in network.branches:
        x, y = (branch_resistance(n, branch.name, resistance) for n in (first, second))
        ratio = max(x, y) / max(min(x, y), 0.1)
        if ratio >= CLEAR and abs(x - y) > 0.4 and (best is None or ratio > best[0]):
            best = (
                ratio,
                f"Lift one wire of the {branch.name} branch where it leaves the input and "
                f"measure its DC resistance: {_ohm(x)} if {_case(one)}, {_ohm(y)} if "
                f"{_case(two)}.",
            )
    if best is not None:
        return BenchTest(says=best[1], method="resistance")
    crossed = [f.drivers for f in (one, two) if f.what in _BY_EYE]
    if one.turned != two.turned or crossed:
        return _look(problem, first, second, one, two)
    return (
        _branch_impedance(problem, first, second, one, two)
        or _single_part(network, one, two)
        or _look(problem, first, second, one, two)
    )


def tell_by_impedance(
    problem: Problem, network: Network, one: Fault, two: Fault
) -> BenchTest | None:
    """Tell two cases apart by the impedance of the whole speaker; None where it does not."""
    f = problem.frequency_hz
    loads = {name: d.impedance for name, d in list_connected(problem.drivers).items()}
    z = [
        np.abs(solve_network(apply_fault(network, fault), f, loads).input_impedance)
        for fault in (one, two)
    ]
    inside = (f >= _BAND_HZ[0]) & (f <= _BAND_HZ[1])
    ratio = np.abs(np.log(z[0] / z[1])) * inside
    at = int(np.argmax(ratio))
    if ratio[at] < np.log(_SEEN):
        return None
    return BenchTest(
        says="Measure the impedance of the whole speaker, and give it to verify too: at "
        f"{format_quantity(float(f[at]), 'Hz', 2)} it is {_ohm(float(z[0][at]))} if {_case(one)}, "
        f"{_ohm(float(z[1][at]))} if {_case(two)}.",
        method="impedance",
    )


def branch_resistance(network: Network, branch: str, driver_ohm: Mapping[str, float]) -> float:
    """DC resistance of one branch with its drivers, capacitors open.

    Parameters
    ----------
    network : Network
        The network.
    branch : str
        Name of one of `Network.branches`.
    driver_ohm : mapping of str to float
        Resistance of each driver's coil.

    Returns
    -------
    float
        In ohm; `OPEN_OHM` when the branch is open.
    """
    made = change(from_network(network, branch), _bridged)
    assert made is not None
    return min(resistance_of(made, lambda leaf: driver_ohm[leaf.driver]), OPEN_OHM)


def _bridged(leaf: PartLeaf | DriverLeaf) -> Node:
    """Put a wire where a capacitor is bridged: that is a huge capacitor to `apply_fault`."""
    if not isinstance(leaf, PartLeaf) or leaf.kind != "capacitor":
        return leaf
    if leaf.part is None or leaf.part.value < 1.0:
        return leaf
    wire = Part(kind="resistor", value=SHORT_OHM, loss_ohm=leaf.part.loss_ohm)
    return replace(leaf, kind="resistor", part=wire)


def _driver_resistance(problem: Problem) -> dict[str, float]:
    """Resistance at the terminals of every driver by name, however it is connected."""
    coils = {
        one.name: _coil_ohm(one)
        for driver in problem.drivers
        for one in driver.members or (driver,)
    }
    out = {}
    for name, driver in list_connected(problem.drivers).items():
        # A single driver that is connected wrongly has another name than its coil.
        own = coils if driver.members else {name: coils.get(name, 1.0)}
        out[name] = join_resistances(driver, own)
    return out


def _coil_ohm(driver: Driver) -> float:
    found = driver.limits.resistance_ohm
    if found is None:
        survey = survey_impedance(
            MeasuredCurve(
                frequency_hz=driver.frequency_hz, value=driver.impedance, quantity="impedance"
            )
        )
        found = survey.re_ohm
    return found or 0.9 * float(np.abs(driver.impedance).min())


def _branch_impedance(
    problem: Problem, first: Network, second: Network, one: Fault, two: Fault
) -> BenchTest | None:
    f = problem.frequency_hz
    loads = {name: d.impedance for name, d in list_connected(problem.drivers).items()}
    z = [
        np.abs(
            [1.0 / transfers_of(from_network(n, b.name), f, loads).admittance for b in n.branches]
        )
        for n in (first, second)
    ]
    inside = (f >= _BAND_HZ[0]) & (f <= _BAND_HZ[1])
    ratio = np.abs(np.log(z[0] / z[1])) * inside
    w, at = np.unravel_index(int(np.argmax(ratio)), ratio.shape)
    if ratio[w, at] < np.log(CLEAR):
        return None
    return BenchTest(
        says=f"Lift one wire of the {first.branches[w].name} branch at the input and measure its "
        f"impedance at {format_quantity(float(f[at]), 'Hz', 2)}: {_ohm(float(z[0][w, at]))} if "
        f"{_case(one)}, {_ohm(float(z[1][w, at]))} if {_case(two)}.",
        method="impedance",
    )


def _single_part(network: Network, one: Fault, two: Fault) -> BenchTest | None:
    """Find the part that differs most between two cases."""
    parts = list_parts(network)
    best: tuple[float, str, Part, Part] | None = None
    for key in dict.fromkeys((*one.parts, *two.parts)):
        label, designed = parts[key]
        a, b = one.parts.get(key, designed), two.parts.get(key, designed)
        apart = _difference(a, b)
        if apart > 0.0 and (best is None or apart > best[0]):
            best = (apart, label, a, b)
    if best is None:
        return None
    _, label, a, b = best
    return BenchTest(
        says=f"Free one end of {label} from its neighbours and measure across its place, joints "
        f"included: {_reading(a)} if {_case(one)}, {_reading(b)} if {_case(two)}.",
        method="part",
    )


def _difference(a: Part, b: Part) -> float:
    """How far two parts are from each other: the larger ratio of their values and their losses."""
    if a.kind != b.kind:
        return np.inf
    ratios = ((a.value, b.value), (a.loss_ohm + _LEAST_OHM, b.loss_ohm + _LEAST_OHM))
    return float(max(abs(np.log(x / y)) for x, y in ratios))


def _reading(part: Part) -> str:
    if part.loss_ohm >= OPEN_OHM:
        return "open"
    if part.kind == "capacitor" and part.value >= 1.0:
        return "a short"
    if part.kind != "capacitor" and part.value <= 1e-5 and part.loss_ohm < 1e-3:
        return "a short"
    value = format_quantity(part.value, UNIT_OF_KIND[part.kind], 3)
    if part.kind == "inductor" and part.loss_ohm > 0.0:
        return f"{_ohm(part.loss_ohm)} (a coil of {value})"
    if part.kind == "resistor":
        return value
    return f"a {'coil' if part.kind == 'inductor' else part.kind} of {value}"


def _look(problem: Problem, first: Network, second: Network, one: Fault, two: Fault) -> BenchTest:
    turned_leads = [f for f in (one, two) if f.what == "driver turned"]
    if turned_leads:
        return BenchTest(
            says="Compare the leads of each driver of the way with its + mark: those of one are "
            f"exchanged if {_case(turned_leads[0])}.",
            method="look",
        )
    drivers = dict((*one.drivers, *two.drivers))
    if one.drivers != two.drivers and drivers:
        crossed = " and ".join(drivers)
        return BenchTest(
            says="Follow the wires from the network to the drivers of "
            f"{crossed}: they are not where they belong if {_case(one if one.drivers else two)}.",
            method="look",
        )
    ways = sorted(set(one.turned) ^ set(two.turned))
    f = problem.frequency_hz
    levels = [_level(problem, n) for n in (first, second)]
    inside = (f >= _BAND_HZ[0]) & (f <= _BAND_HZ[1])
    difference = np.where(inside, levels[0] - levels[1], 0.0)
    at = int(np.argmax(np.abs(difference)))
    hz = format_quantity(float(f[at]), "Hz", 2)
    if not ways and abs(difference[at]) < _HEARD_DB:
        return BenchTest(
            says=f"{_case(one)} and {_case(two)} measure the same: compare every part of the "
            "board with the list.",
            method="look",
        )
    if not ways:
        return BenchTest(
            says=f"Measure the response on axis again around {hz}: it lies "
            f"{difference[at]:+z.1f} dB if {_case(one)}, compared with {_case(two)}.",
            method="response",
        )
    if abs(difference[at]) < _HEARD_DB:
        return BenchTest(
            says=f"{_case(one)} and {_case(two)} measure the same, and turning either round puts "
            "it right; only the + marks of the drivers tell which it was.",
            method="look",
        )
    turned = one if set(one.turned) & set(ways) else two
    change = difference[at] if turned is two else -difference[at]
    return BenchTest(
        says=f"Compare the wires of {ways[0]} with its + mark; or turn its two wires on purpose "
        f"and measure again: around {hz} the response moves by {change:+z.0f} dB if "
        f"{_case(turned)}, by {-change:+z.0f} dB if it was right.",
        method="look",
    )


def _level(problem: Problem, network: Network) -> np.ndarray:
    loads = {name: d.impedance for name, d in list_connected(problem.drivers).items()}
    pressure = {name: d.pressure[0] for name, d in list_connected(problem.drivers).items()}
    solved = solve_network(network, problem.frequency_hz, loads)
    total = sum(h * pressure[w.driver] for h, w in zip(solved.transfer, network.ways, strict=True))
    return np.asarray(20.0 * np.log10(np.maximum(np.abs(total), 1e-12)))


def _case(fault: Fault) -> str:
    return fault.says if fault.what != "none" else "all is well"


def _ohm(value: float) -> str:
    return "open" if value > _OPEN_ABOVE_OHM else f"about {format_quantity(value, 'ohm', 2)}"
