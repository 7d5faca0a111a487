"""Drivers wired together of which one is connected wrongly: predicted as a nodal solve has it.

The circuit is laid out here, lead by lead: a node for each point, every driver an admittance
between two of them, and its sound in proportion to the voltage from its plus to its minus.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.arrays import Complex, Real
from optimizer.bench.verify.diagnosis import diagnose
from optimizer.bench.verify.distinguish import tell_apart
from optimizer.bench.verify.faults import HEALTHY, Fault, apply_fault, list_connected, list_faults
from optimizer.bench.verify.hypotheses import Cause, fault_of, may_be_both
from optimizer.bench.verify.prediction import FaultBank, Observation
from optimizer.measure.driver import Driver, Wired
from optimizer.measure.wired import wire_drivers
from optimizer.network.network import Network
from optimizer.network.slots import series_capacitor, series_inductor, shunt_capacitor
from optimizer.network.solve import solve_network
from optimizer.network.topology import Topology
from optimizer.problem.problem import Problem
from optimizer.testing.drivers import ideal_driver
from optimizer.testing.networks import across, capacitor, coil, in_line, network
from optimizer.testing.problems import small_problem

COIL_H, COIL_OHM, SHUNT_F, FIRST_F = 1.2e-3, 0.4, 8.2e-6, 6.8e-6
OPEN, SHORT = 1e-9, 1e6
"""Admittances of a lead that is off and of one that is bridged."""

Leads = dict[str, str]


def driver(name: str, ohm: float, level: float, delay_s: float) -> Driver:
    """A driver with a coil of its own inductance, heard later than the others."""
    one = ideal_driver(name)
    f = one.frequency_hz
    shift = level * np.exp(-2j * np.pi * f * delay_s)
    load = ohm + 2j * np.pi * f * 0.3e-3 / (1.0 + f / 9e3)
    return replace(one, impedance=load, pressure=one.pressure * shift)


UPPER, LOWER = driver("upper", 5.6, 1.0, 0.0), driver("lower", 6.8, 0.8, 1.1e-4)
TWEETER = driver("tweeter", 5.0, 1.2, 0.3e-4)


def speaker(wired: Wired, *, alike: bool = False) -> tuple[Problem, Network]:
    """Two woofers on one filter of second order and a tweeter behind a capacitor."""
    both = wire_drivers("both", [UPPER, UPPER if alike else LOWER], wired)
    topology = Topology.of(
        low=[series_inductor("L1", "1 mH", "2 mH"), shunt_capacitor("C1", "4.7 uF", "22 uF")],
        tweeter=[series_capacitor("C1", "3.3 uF", "10 uF")],
    )
    ways = tuple(replace(w, driver="both") if w.name == "low" else w for w in topology.ways)
    built = network(
        {
            "low": [in_line("L1", coil(COIL_H, COIL_OHM)), across("C1", capacitor(SHUNT_F))],
            "tweeter": [in_line("C1", capacitor(FIRST_F))],
        }
    )
    built = Network(
        ways=tuple(replace(w, driver="both") if w.name == "low" else w for w in built.ways)
    )
    problem = small_problem(drivers=[both, TWEETER], topology=replace(topology, ways=ways))
    return problem, built


def solve(problem: Problem, wired: Wired, leads: Leads) -> tuple[Complex, Complex]:
    """Pressure on axis and impedance by the admittance matrix of all points.

    Points: 0 the amplifier (driven), 1 behind the coil, 2 between woofers in series, 3 the tweeter.
    """
    f = problem.frequency_hz
    w = 2.0 * np.pi * f
    spots = {"upper": (1, 2), "lower": (2, -1)} if wired == "series" else {}
    spots = {"upper": (1, -1), "lower": (1, -1), **spots, "tweeter": (3, -1)}
    ways: list[tuple[int, int, Complex | Real]] = [
        (0, 1, 1.0 / (COIL_OHM + 1j * w * COIL_H)),
        (1, -1, 1j * w * SHUNT_F),
        (0, 3, 1j * w * FIRST_F),
    ]
    drivers = {d.name: d for d in (UPPER, LOWER, TWEETER)}
    for name, (a, b) in spots.items():
        y = {"open": OPEN, "shorted": SHORT}.get(leads.get(name, ""), 1.0 / drivers[name].impedance)
        ways.append((a, b, y * np.ones(len(f))))
    matrix = np.zeros((len(f), 4, 4), dtype=complex)
    for a, b, y in ways:
        for i, j, sign in ((a, a, 1), (b, b, 1), (a, b, -1), (b, a, -1)):
            if i >= 0 and j >= 0:
                matrix[:, i, j] += sign * y
    used = [1, 3] if wired == "parallel" else [1, 2, 3]
    volts = np.zeros((len(f), 5), dtype=complex)  # the last is earth
    volts[:, 0] = 1.0
    inner = matrix[:, used][:, :, used]
    volts[:, used] = np.linalg.solve(inner, -matrix[:, used, 0][..., None])[..., 0]
    current = np.einsum("fi,fi->f", matrix[:, 0], volts[:, :4])
    sign = {"turned": -1.0, "open": 0.0, "shorted": 0.0}
    pressure = sum(
        sign.get(leads.get(name, ""), 1.0) * (volts[:, a] - volts[:, b]) * drivers[name].pressure[0]
        for name, (a, b) in spots.items()
    )
    return np.asarray(pressure), 1.0 / current


CASES: list[tuple[Wired, str, str, Leads]] = [
    ("parallel", "driver turned", "low.upper", {"upper": "turned"}),
    ("parallel", "driver turned", "low.lower", {"lower": "turned"}),
    ("parallel", "driver open", "low.upper", {"upper": "open"}),
    ("parallel", "driver open", "low.lower", {"lower": "open"}),
    ("parallel", "driver open", "low", {"upper": "open", "lower": "open"}),
    ("parallel", "driver shorted", "low", {"upper": "shorted"}),
    ("parallel", "driver open", "tweeter", {"tweeter": "open"}),
    ("parallel", "driver shorted", "tweeter", {"tweeter": "shorted"}),
    ("series", "driver turned", "low.upper", {"upper": "turned"}),
    ("series", "driver turned", "low.lower", {"lower": "turned"}),
    ("series", "driver shorted", "low.upper", {"upper": "shorted"}),
    ("series", "driver shorted", "low.lower", {"lower": "shorted"}),
    ("series", "driver open", "low", {"lower": "open"}),
    ("series", "driver shorted", "low", {"upper": "shorted", "lower": "shorted"}),
]


def pick(problem: Problem, built: Network, what: str, where: str) -> Fault:
    faults = list_faults(built, drivers=problem.drivers)
    (fault,) = (f for f in faults if (f.what, f.where) == (what, where))
    return fault


def blank(problem: Problem) -> list[Observation]:
    index = np.arange(len(problem.frequency_hz))
    kinds = (("level", 0), ("modulus", -1), ("angle", -1))
    return [
        Observation(kind=k, row=row, index=index, value=np.zeros(len(index)), noise=1.0)  # type: ignore[arg-type]
        for k, row in kinds
    ]


@pytest.mark.parametrize(("wired", "what", "where", "leads"), CASES)
def test_prediction_is_that_of_the_circuit(
    wired: Wired, what: str, where: str, leads: Leads
) -> None:
    """Sound and impedance of every fault of leads, within a thousandth of a decibel and degree."""
    problem, built = speaker(wired)
    fault = pick(problem, built, what, where)
    pressure, z = solve(problem, wired, leads)
    solved = solve_network(
        apply_fault(built, fault),
        problem.frequency_hz,
        {name: d.impedance for name, d in list_connected(problem.drivers).items()},
    )
    np.testing.assert_allclose(solved.input_impedance, z, rtol=1e-5)
    bank = FaultBank(problem, built, [fault], blank(problem))
    level, modulus, angle = np.split(bank.predict(np.zeros((1, bank.count)))[0][0], 3)
    np.testing.assert_allclose(level, 20 * np.log10(np.abs(pressure)), atol=1e-3)
    np.testing.assert_allclose(modulus, 20 * np.log10(np.abs(z)), atol=1e-4)
    np.testing.assert_allclose(angle, np.degrees(np.angle(z)), atol=1e-3)


def test_every_fault_of_leads_is_judged_above() -> None:
    """The list has no fault of leads that the circuit was not asked about."""
    for wired in ("parallel", "series"):
        problem, built = speaker(wired)  # type: ignore[arg-type]
        listed = {
            (f.what, f.where)
            for f in list_faults(built, drivers=problem.drivers)
            if f.what.startswith("driver ") and "tweeter" not in f.where
        }
        assert listed == {(what, where) for w, what, where, _ in CASES if w == wired} - {
            ("driver open", "tweeter"),
            ("driver shorted", "tweeter"),
        }


@pytest.mark.parametrize("branch", ["low", "tweeter"])
@pytest.mark.parametrize("wired", ["parallel", "series"])
def test_exchanged_drivers_one_of_them_open(wired: Wired, branch: str) -> None:
    """Two mistakes at one place: the branch that is open is so whichever driver hangs on it.

    Judge: the speaker designed with exchanged drivers, with that branch open.
    """
    problem, built = speaker(wired)
    swap = pick(problem, built, "swapped drivers", "low and tweeter")
    loose = pick(problem, built, "driver open", branch)
    two = [Cause(what=f.what, where=f.where, fault=f) for f in (loose, swap)]
    assert may_be_both(*two)
    crossed = apply_fault(built, swap)
    dead = pick(problem, crossed, "driver open", branch)
    names = {way.name: way.driver for way in apply_fault(built, fault_of((two[0], two[1]))).ways}
    assert names == {way.name: way.driver for way in apply_fault(crossed, dead).ways}
    assert set(names.values()) <= set(list_connected(problem.drivers))


@pytest.mark.parametrize(("wired", "what", "where", "leads"), CASES[:5] + CASES[8:12])
def test_fault_of_leads_is_named(wired: Wired, what: str, where: str, leads: Leads) -> None:
    """Measured by the circuit with an error of 0.2 dB, it comes first."""
    problem, built = speaker(wired)
    pressure, z = solve(problem, wired, leads)
    rng = np.random.default_rng(7)
    curves = (20 * np.log10(np.abs(pressure)), 20 * np.log10(np.abs(z)), np.degrees(np.angle(z)))
    noise = (0.2, 0.2, 1.3)
    seen = [
        replace(o, value=curve + rng.normal(0.0, n, len(curve)), noise=n)
        for o, curve, n in zip(blank(problem), curves, noise, strict=True)
    ]
    first = diagnose(problem, built, seen).leading
    assert (what, where) in {(f.what, f.where) for f in (*first.faults, *first.same_as)}


@pytest.mark.parametrize("wired", ["parallel", "series"])
def test_which_of_two_alike_is_not_guessed(wired: Wired) -> None:
    """Of two that measure alike there is one fault, which says that nobody can tell which."""
    problem, built = speaker(wired, alike=True)
    turned = pick(problem, built, "driver turned", "low.upper")
    assert "one upper of 2" in turned.says
    assert "tells which" in turned.says or "tell which" in turned.says
    assert "+ mark" in tell_apart(problem, built, turned, HEALTHY).says
    what = "driver open" if wired == "parallel" else "driver shorted"
    half = pick(problem, built, what, "low.upper")
    test = tell_apart(problem, built, half, HEALTHY)
    # 0.4 ohm of the coil and 2.8 of both, or 5.6 of one; 11.2 of both, or 5.6 of one
    assert test.method == "resistance"
    good, bad = ("3.2", "6") if wired == "parallel" else ("12", "6")
    assert f"about {bad} ohm if low: one upper" in test.says
    assert f"about {good} ohm if all is well" in test.says
