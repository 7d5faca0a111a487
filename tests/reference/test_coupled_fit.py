"""A fit in which parts move several ways at once, and what a circuit simulator says of its answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from optimizer.arrays import Complex, Real
from optimizer.errors import InputError
from optimizer.goals import Impedance
from optimizer.network.deck import Sweep
from optimizer.network.equivalent import DriverEquivalent, fit_driver_equivalent
from optimizer.network.expression.nodes import SourceResistance
from optimizer.network.netlist import name_nodes, write_netlist
from optimizer.network.network import FittedGroup, FittedWay, Network
from optimizer.network.slots import series_resistor
from optimizer.network.solve import solve_network
from optimizer.network.topology import Group
from optimizer.problem.candidate import SearchResult
from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem
from optimizer.search.fit import search
from optimizer.search.prove.exact import enumerate_best
from optimizer.testing.networks import across, capacitor, coil, network
from optimizer.testing.problems import small_problem
from optimizer.testing.spice import read_drive


@pytest.fixture(scope="module")
def circuits(demo_problem: Problem) -> dict[str, DriverEquivalent]:
    """A circuit that nearly has the impedance of each driver of the demo."""
    return {
        d.name: fit_driver_equivalent(d.frequency_hz, d.impedance)[0] for d in demo_problem.drivers
    }


@pytest.fixture(scope="module")
def problem(demo_problem: Problem, circuits: dict[str, DriverEquivalent]) -> Problem:
    """The demo with drivers that are circuits, one resistor for two ways, and a source of 0.4 ohm."""
    shared = Group(
        name="upper",
        members=("midrange", "tweeter"),
        slots=(series_resistor("R0", "0.47 ohm", "3.3 ohm"),),
    )
    return demo_problem.replace(
        # A floor that must be kept rules many networks out early.
        goals=demo_problem.goals.replace(impedance=Impedance(floor_ohm=4.0)),
        drivers=[
            replace(d, impedance=circuits[d.name].impedance(d.frequency_hz))
            for d in demo_problem.drivers
        ],
        topology=replace(
            demo_problem.topology,
            groups=(shared,),
            source=SourceResistance(output_ohm=0.3, cable_ohm=0.1),
        ),
    )


@pytest.fixture(scope="module")
def result(problem: Problem) -> SearchResult:
    return search(problem, seconds=None, seed=1, top=1, evaluations=4_000)


def level_db(x: Complex) -> Real:
    return np.asarray(20.0 * np.log10(np.abs(x)))


@pytest.mark.slow
@pytest.mark.ngspice
def test_best_network_has_the_curves_of_the_simulator(
    problem: Problem,
    circuits: dict[str, DriverEquivalent],
    result: SearchResult,
    run_spice: Callable[[str], dict[str, Any]],
) -> None:
    """Level on the axis, of each way, and the impedance of the fitted network: within 0.02 dB."""
    found, f = result.best.network, problem.frequency_hz
    assert found.groups[0].slots
    sweep = Sweep(low_hz=0.99 * f[0], high_hz=1.05 * f[-1], points_per_decade=400)
    plot = run_spice(write_netlist(found, circuits, sweep=sweep))
    at = np.log(f), np.log(plot["frequency"].real)

    def on_grid(x: Complex) -> Complex:
        return np.interp(*at, x.real) + 1j * np.interp(*at, x.imag)

    drives = [on_grid(read_drive(plot, nodes)) for nodes in name_nodes(found)]
    curves = result.best.curves
    axis = int(np.argmax(problem.averages["on_axis"].weights))
    by_name = {d.name: d for d in problem.drivers}
    ways = np.array(
        [h * by_name[w.driver].pressure[axis] for h, w in zip(drives, found.ways, strict=True)]
    )
    # Where ways cancel or are far down the level itself is the difference of large numbers.
    loud = level_db(ways) > -40.0 + level_db(ways).max()
    assert np.max(np.abs(level_db(ways) - curves.way_db)[loud]) < 0.02
    assert np.max(np.abs(level_db(ways.sum(axis=0)) - curves.named_db["on_axis"])) < 0.02
    z = on_grid(plot["v(amp)"] / -plot["i(vamp)"])
    assert np.max(np.abs(level_db(z / curves.impedance))) < 0.02


@pytest.mark.slow
def test_certificate_of_the_fit_holds(problem: Problem, result: SearchResult) -> None:
    """No change of one part betters the answer: all of them are solved anew."""
    space = problem.space
    best = space.locate(result.best.network)
    cost = float(problem.cost([best])[0])
    assert cost == pytest.approx(result.best.cost, rel=1e-9)
    assert result.best.no_better_change_of >= 1
    changed = []
    for g in problem.tables.scannable(best):
        for row in range(len(space.options[g].values)):
            choice, present = best.choice.copy(), best.present.copy()
            choice[g], present[space.gene_slot[g]] = row, True
            changed.append(Genome(choice=choice, present=present, polarity=best.polarity))
    solved = problem.evaluator.cost(space.population(changed)) + space.economies(changed)
    assert np.all(solved >= cost - 1e-9)


def test_a_proof_of_coupled_ways_is_not_claimed() -> None:
    """Branch and bound has no bound for a source with resistance, and says so."""
    plain = small_problem()
    assert "proven best" in enumerate_best(plain, top=1).notes[0]
    topology = replace(plain.topology, source=SourceResistance(cable_ohm=0.2))
    answer = enumerate_best(plain.replace(topology=topology), top=1)
    assert answer.notes[0].startswith("not proven")
    assert answer.best.no_better_change_of == 2


def test_series_crossover_of_two_ways_has_constant_resistance() -> None:
    """C across the woofer and L across the tweeter, in series: R throughout, see textbook tests.

    R || 1/(sC) + R || sL = R for L = R/w0 and C = 1/(R w0) (derivation in
    `tests/reference/test_expression_textbook.py`).
    """
    r, w0 = 8.0, 2.0 * np.pi * 2000.0
    ways = network(
        {
            "woofer": [across("C1", capacitor(1.0 / (r * w0)))],
            "tweeter": [across("L1", coil(r / w0))],
        }
    ).ways
    joined = FittedGroup(name="both", members=("woofer", "tweeter"), joint="series")
    f = np.geomspace(20.0, 20_000.0, 31)
    s = 2j * np.pi * f
    solved = solve_network(
        Network(ways=ways, groups=(joined,)),
        f,
        {name: np.full(len(f), r + 0j) for name in ("woofer", "tweeter")},
    )
    np.testing.assert_allclose(solved.input_impedance, r, rtol=1e-12)
    np.testing.assert_allclose(solved.transfer[0], 1.0 / (1.0 + s / w0), rtol=1e-12)
    np.testing.assert_allclose(solved.transfer.sum(axis=0), 1.0, rtol=1e-12)


def test_groups_that_make_no_circuit_are_refused() -> None:
    """Unknown members, members of two groups, and circles break a rule each."""
    way = FittedWay(name="w", driver="w", polarity=1, slots=())
    for groups, rule in (
        ((FittedGroup(name="g", members=("x",)),), "are ways and other groups"),
        ((FittedGroup(name="g", members=()),), "at least one"),
        ((FittedGroup(name="w", members=("w",)),), "a name of its own"),
        (
            (FittedGroup(name="g", members=("w",)), FittedGroup(name="h", members=("w",))),
            "one group only",
        ),
        (
            (FittedGroup(name="g", members=("w", "h")), FittedGroup(name="h", members=("g",))),
            "within itself",
        ),
    ):
        with pytest.raises(InputError, match=rule):
            Network(ways=(way,), groups=groups)
