"""Predictions of faulty speakers with shared parts and a source of some ohms, against solving each."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.arrays import Complex, Real
from optimizer.bench.verify.faults import HEALTHY, apply_fault, list_faults
from optimizer.bench.verify.prediction import FaultBank, Observation
from optimizer.errors import InputError
from optimizer.network.expression.forms import form_of_tap
from optimizer.network.expression.nodes import SourceResistance
from optimizer.network.ladder import Joint
from optimizer.network.network import FittedGroup, Network
from optimizer.network.solve import solve_network
from optimizer.problem.problem import Problem
from optimizer.testing.networks import (
    across,
    capacitor,
    coil,
    fitted,
    in_line,
    network,
    resistor,
)
from optimizer.testing.problems import small_problem


def coupled(joint: Joint) -> Network:
    ways = network(
        {
            "woofer": [in_line("L1", coil(1e-3, 0.3)), across("C1", capacitor(1e-5, 0.05))],
            "tweeter": [in_line("C1", capacitor(4.7e-6)), across("L1", coil(4.7e-4, 0.2))],
        },
        inverted=["tweeter"],
    ).ways
    group = FittedGroup(
        name="both",
        members=("woofer", "tweeter"),
        joint=joint,
        slots=(in_line("R1", resistor(0.68)), across("C2", capacitor(2.2e-6))),
    )
    source = SourceResistance(output_ohm=0.3, cable_ohm=0.1)
    return Network(ways=ways, groups=(group,), source=source)


@pytest.mark.parametrize("joint", ["parallel", "series"])
def test_every_fault_is_predicted_as_it_is_solved(joint: Joint) -> None:
    """Level, modulus and angle of each faulty network within 1e-6 dB and degrees."""
    problem: Problem = small_problem()
    f = problem.frequency_hz
    whole = coupled(joint)
    faults = list_faults(whole)
    none: Real = np.zeros(len(f))
    index = np.arange(len(f))
    kinds = (("level", 0), ("modulus", -1), ("angle", -1))
    observed = [
        Observation(kind=k, row=row, index=index, value=none, noise=1.0)  # type: ignore[arg-type]
        for k, row in kinds
    ]
    bank = FaultBank(problem, whole, faults, observed)
    value, slope = bank.predict(np.zeros((len(faults), bank.count)))
    assert np.isfinite(slope).all()
    loads = {d.name: d.impedance for d in problem.drivers}
    pressure = {d.name: d.pressure[0] for d in problem.drivers}
    assert any("both" in fault.where for fault in faults)
    for fault, mine in zip(faults, value, strict=True):
        faulty = apply_fault(whole, fault)
        solved = solve_network(faulty, f, loads)
        p = sum(h * pressure[w.driver] for h, w in zip(solved.transfer, faulty.ways, strict=True))
        z = solved.input_impedance
        wanted = [20 * np.log10(np.abs(p)), 20 * np.log10(np.abs(z)), np.degrees(np.angle(z))]
        difference = mine - np.concatenate(wanted)
        assert np.abs(difference).max() < 1e-6, fault.says


def with_compounds(joint: Joint) -> Network:
    """The same with forms of several parts in the line, across it, and one beside nothing else."""
    whole = coupled(joint)
    woofer, tweeter = whole.ways
    notch = fitted("N1", "series", "R || C", resistor(15.0), capacitor(3.3e-6, 0.1))
    trap = fitted("T1", "shunt", "C + R", capacitor(6.8e-6), resistor(5.6))
    tap = fitted("A1", "series", form_of_tap("0.7").name)
    ways = (
        replace(woofer, slots=(*woofer.slots, notch)),
        replace(tweeter, slots=(*tweeter.slots, trap, tap)),
    )
    return replace(whole, ways=ways)


@pytest.mark.parametrize("joint", ["parallel", "series", "none"])
def test_slopes_are_those_of_predictions(joint: str) -> None:
    """Those of all unknowns, away from the design, for every fault, against central differences."""
    problem = small_problem()
    whole = with_compounds("series" if joint == "series" else "parallel")
    if joint == "none":  # ways that share nothing, one of them without a part
        whole = Network(ways=(replace(whole.ways[0], slots=()), whole.ways[1]))
    index = np.arange(0, len(problem.frequency_hz), 5)
    observed = [
        Observation(kind=k, row=row, index=index, value=np.zeros(len(index)), noise=1.0)  # type: ignore[arg-type]
        for k, row in (("level", 0), ("modulus", -1), ("angle", -1))
    ]
    faults = [HEALTHY, *list_faults(whole)]
    bank = FaultBank(problem, whole, faults, observed)
    rare = np.array([u.what in ("sag", "coupling") for u in bank.unknowns])
    spread = np.where(rare, 2.0, [u.spread for u in bank.unknowns])
    shift = np.random.default_rng(5).normal(size=(len(faults), bank.count)) * spread
    shift = np.where(rare, 0.0, np.maximum(shift, [u.lowest + 1e-3 for u in bank.unknowns]))
    _, slope = bank.predict(shift)
    for k, unknown in enumerate(bank.unknowns):
        step = np.zeros(bank.count)
        step[k] = 1e-3 * spread[k]
        up, down = (bank.predict(shift + s, slopes=False)[0] for s in (step, -step))
        wanted, mine = (up - down) / 2e-3, slope[:, k] * spread[k]
        if rare[k]:  # of a coil without current nothing can be said
            wanted, mine = wanted[:1], mine[:1]
        np.testing.assert_allclose(mine, wanted, rtol=1e-3, atol=2e-3, err_msg=repr(unknown))


def test_slopes_of_predictions_are_those_of_solved_networks() -> None:
    """A shared resistor 1 % off moves the prediction as solving anew does."""
    problem, whole = small_problem(), coupled("parallel")
    f = problem.frequency_hz
    index = np.arange(len(f))
    observed = [Observation(kind="level", row=0, index=index, value=np.zeros(len(f)), noise=1.0)]
    bank = FaultBank(problem, whole, list_faults(whole)[:1], observed)
    key = ("both", "R1", 0)
    k = bank.of["value", bank.keys.index(key)]
    _, slope = bank.predict(np.zeros((1, bank.count)))
    h = 1e-4
    shifted = np.zeros((2, 1, bank.count))
    shifted[0, 0, k], shifted[1, 0, k] = h, -h
    up, down = (bank.predict(s, slopes=False)[0][0] for s in shifted)
    np.testing.assert_allclose(slope[0, k], (up - down) / (2 * h), rtol=1e-3, atol=1e-3)
    part = whole.places[key]
    moved = whole.replace_parts({key: replace(part, value=part.value * np.exp(h))})
    other = FaultBank(problem, moved, list_faults(moved)[:1], observed)
    again, _ = other.predict(np.zeros((1, other.count)), slopes=False)
    np.testing.assert_allclose(up, again[0], atol=1e-9)


def observe_all(problem: Problem, *, way: int = -1) -> list[Observation]:
    index = np.arange(len(problem.frequency_hz))
    return [
        Observation(kind=k, row=row, index=index, value=np.zeros(len(index)), noise=1.0, way=way)  # type: ignore[arg-type]
        for k, row in (("level", 0), ("modulus", -1), ("angle", -1))
    ]


def read(pressure: Complex, impedance: Complex) -> Real:
    db = [20 * np.log10(np.abs(x)) for x in (pressure, impedance)]
    return np.concatenate([*db, np.degrees(np.angle(impedance))])


@pytest.mark.parametrize("k", [-0.6, 0.1, 0.6])
def test_coupled_coils_are_predicted_as_their_equations_say(k: float) -> None:
    """The woofer's coil with the one across the tweeter: mesh equations with a mutual inductance."""
    problem = small_problem()
    whole = Network(ways=coupled("parallel").ways)
    bank = FaultBank(problem, whole, [HEALTHY], observe_all(problem))
    shift = np.zeros((1, bank.count))
    shift[0, bank.of["coupling", 0]] = k
    value, _ = bank.predict(shift, slopes=False)
    by_name = {d.name: d for d in problem.drivers}
    woofer, tweeter = by_name["woofer"], by_name["tweeter"]
    p, z = [], []
    for i, hz in enumerate(problem.frequency_hz):
        jw = 2j * np.pi * hz
        zc = 0.05 + 1 / (jw * 1e-5)
        behind = zc * woofer.impedance[i] / (zc + woofer.impedance[i])
        mutual = jw * k * np.sqrt(1e-3 * 4.7e-4)
        # Currents through the woofer's coil, the tweeter's capacitor and its coil; its voltage.
        equations = [
            [0.3 + jw * 1e-3 + behind, 0, mutual, 0],
            [0, 1 / (jw * 4.7e-6), 0, 1],
            [mutual, 0, 0.2 + jw * 4.7e-4, -1],
            [0, 1, -1, -1 / tweeter.impedance[i]],
        ]
        low, high, _, volts = np.linalg.solve(np.array(equations), np.array([1, 1, 0, 0]))
        p.append(behind * low * woofer.pressure[0, i] - volts * tweeter.pressure[0, i])
        z.append(1 / (low + high))
    difference = value[0] - read(np.array(p), np.array(z))
    assert np.abs(difference).max() < 1e-6
    plain, _ = bank.predict(np.zeros_like(shift), slopes=False)
    assert np.abs(plain[0] - read(np.array(p), np.array(z))).max() > 0.5


def test_a_saturated_coil_is_another_one_in_the_response_alone() -> None:
    """Level as with the lower value, impedance as with the full one."""
    problem = small_problem()
    whole = coupled("parallel")
    bank = FaultBank(problem, whole, [HEALTHY], observe_all(problem))
    key = ("woofer", "L1", 0)
    shift = np.zeros((1, bank.count))
    shift[0, bank.of["sag", bank.keys.index(key)]] = np.log(0.7)
    value, _ = bank.predict(shift, slopes=False)
    part = whole.places[key]
    curves = []
    for some in (whole.replace_parts({key: replace(part, value=0.7 * part.value)}), whole):
        other = FaultBank(problem, some, [HEALTHY], observe_all(problem))
        curves.append(other.predict(np.zeros((1, other.count)), slopes=False)[0][0])
    f = len(problem.frequency_hz)
    np.testing.assert_allclose(value[0, :f], curves[0][:f], atol=1e-9)
    np.testing.assert_allclose(value[0, f:], curves[1][f:], atol=1e-9)


def test_a_way_that_plays_alone_is_its_branch_alone() -> None:
    """Level and impedance of the tweeter's branch, behind the source; what is shared is refused."""
    problem = small_problem()
    both = coupled("parallel")
    apart = Network(ways=both.ways, source=both.source)
    bank = FaultBank(problem, apart, [HEALTHY], observe_all(problem, way=1))
    value, _ = bank.predict(np.zeros((1, bank.count)), slopes=False)
    alone = Network(ways=apart.ways[1:], source=apart.source)
    tweeter = next(d for d in problem.drivers if d.name == "tweeter")
    solved = solve_network(alone, problem.frequency_hz, {"tweeter": tweeter.impedance})
    wanted = read(solved.transfer[0] * tweeter.pressure[0], solved.input_impedance)
    np.testing.assert_allclose(value[0], wanted, atol=1e-6)
    with pytest.raises(InputError, match="shares no part with others, got parts shared by"):
        FaultBank(problem, both, [HEALTHY], observe_all(problem, way=1))
