"""Expressions against a dense nodal solution, and their slopes against differences.

The oracle writes down one equation for each node of the circuit (modified nodal analysis: C. W. Ho,
A. E. Ruehli, P. A. Brennan, IEEE Trans. Circuits and Systems 22, 1975, from memory) and knows
nothing of spines, steps and junctions.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pytest

from optimizer.arrays import Complex, Real
from optimizer.network.expression.bank import Bank
from optimizer.network.expression.immittance import part_impedance
from optimizer.network.expression.nodes import (
    DriverLeaf,
    Node,
    Parallel,
    PartLeaf,
    Series,
    SourceResistance,
    Tap,
    has_driver,
    walk_nodes,
)
from optimizer.network.expression.plan import Junction, NetworkPlan, Population, Spine
from optimizer.testing.expressions import (
    impedances,
    random_expression,
    random_loads,
    random_population,
)

CASES = 300
FLOOR = 1e-12  # of the source voltage: -240 dB
F = np.geomspace(20.0, 20_000.0, 24)
OMEGA = 2.0 * np.pi * F


@dataclass(eq=False)
class Element:
    """A one-port, or the two ports of a transformer, between nodes; node 0 is ground."""

    nodes: tuple[int, ...]
    impedance: Complex | None = None
    ratio: float = 1.0
    driver: DriverLeaf | None = None


class Circuit:
    """A circuit as a list of elements between numbered nodes."""

    def __init__(self, present: Mapping[str, bool], z: Mapping[str, Complex]) -> None:
        self.present, self.z = present, z
        self.elements: list[Element] = []
        self.count = 1

    def new(self) -> int:
        self.count += 1
        return self.count - 1

    def there(self, node: Node) -> bool:
        if isinstance(node, DriverLeaf):
            return True
        if isinstance(node, PartLeaf):
            return self.present[node.place]
        if isinstance(node, Tap):
            return self.there(node.item)
        own = self.present[node.place] if node.optional else True
        return own and any(map(self.there, node.items))

    def put(self, node: Node, a: int, b: int) -> None:
        if isinstance(node, PartLeaf):
            self.elements.append(Element((a, b), self.z[node.name]))
        elif isinstance(node, DriverLeaf):
            self.elements.append(Element((a, b), self.z[node.driver], driver=node))
        elif isinstance(node, Tap):
            c = self.new()
            self.elements.append(Element((a, b, c, b), ratio=node.ratio))
            self.put(node.item, c, b)
        elif isinstance(node, Parallel):
            for item in filter(self.there, node.items):
                self.put(item, a, b)
        else:
            items = list(filter(self.there, node.items))
            for item in items[:-1]:
                c = self.new()
                self.put(item, a, c)
                a = c
            self.put(items[-1], a, b)

    def solve(self, source: int) -> tuple[dict[str, Complex], Complex, Complex]:
        """Driver voltages by name, all node voltages (N, F), source current, for 1 V at a node.

        The current of each driver is an unknown: a small voltage between two nodes that both are
        near the source voltage would lose its digits.
        """
        special = [e for e in self.elements if e.driver or len(e.nodes) == 4]
        size = self.count + 1 + len(special)
        a = np.zeros((len(F), size, size), dtype=np.clongdouble)
        right = np.zeros((len(F), size, 1), dtype=complex)
        row = self.count
        a[:, source, row] = a[:, row, source] = 1.0
        right[:, row] = 1.0
        for e in self.elements:
            if e not in special:
                p, q = e.nodes
                for i, j, s in ((p, p, 1), (q, q, 1), (p, q, -1), (q, p, -1)):
                    a[:, i, j] += s / e.impedance.astype(np.clongdouble)
        for row, e in enumerate(special, self.count + 1):
            signs = (1.0, -1.0, -e.ratio, e.ratio)
            for i, s in zip(e.nodes, signs, strict=False):
                a[:, i, row] += s
                a[:, row, i] += s
            if e.driver:
                a[:, row, row] = -e.impedance
        # Ground is node 0: its equation becomes V = 0.
        a[:, 0] = 0.0
        a[:, 0, 0] = 1.0
        rounded = a.astype(complex)
        x = np.linalg.solve(rounded, right).astype(np.clongdouble)
        for _ in range(3):  # iterative refinement, matrix and residual in extended precision
            x += np.linalg.solve(rounded, (right - a @ x).astype(complex))
        x = x[..., 0].T
        drive = {
            e.driver.name: (e.impedance * x[row]).astype(complex)
            for row, e in enumerate(special, self.count + 1)
            if e.driver
        }
        return drive, x[: self.count].astype(complex), -x[self.count].astype(complex)


@dataclass
class Case:
    """A random expression with a population."""

    plan: NetworkPlan
    source: SourceResistance
    z: dict[str, Complex]
    bank: Bank
    population: Population
    loss_slope: Real

    def dense(self, p: int) -> tuple[list[Complex], Complex]:
        """Drives and admittance of one member by the oracle."""
        present = dict(zip(self.plan.places, self.population.present[p], strict=True))
        z = dict(self.z)
        for g, leaf in enumerate(self.plan.leaves):
            z[leaf.name] = part_impedance(
                leaf.kind, self.population.values[p, g], self.population.loss_ohm[p, g], OMEGA
            )
        circuit = Circuit(present, z)
        at = terminal = circuit.new()
        circuit.put(self.plan.node, at, 0)
        for ohm in (self.source.cable_ohm, self.source.output_ohm):
            terminal = at
            if ohm:
                at = circuit.new()
                circuit.elements.append(Element((at, terminal), np.full(len(F), ohm) + 0j))
        drive, v, current = circuit.solve(at)
        sign = self.population.polarity[p]
        drives = [s * drive[d.name] for s, d in zip(sign, self.plan.drivers, strict=True)]
        return drives, current / v[terminal if self.source.output_ohm else at]


def draw_case(seed: int, members: int = 3) -> Case:
    rng = np.random.default_rng(seed)
    drivers = int(rng.integers(1, 5))
    plan = NetworkPlan(random_expression(rng, drivers, int(rng.integers(1, 21))))
    ohms = rng.uniform(0.01, 3.0, 2) * (rng.random(2) < 0.4)
    source = SourceResistance(output_ohm=float(ohms[0]), cable_ohm=float(ohms[1]))
    z = impedances(random_loads(rng, drivers), F)
    population, slope = random_population(rng, plan, members)
    return Case(plan, source, z, Bank(plan, F, z, source), population, slope)


@pytest.fixture(scope="module")
def cases() -> list[Case]:
    return [draw_case(seed) for seed in range(CASES)]


def junctions(spine: Spine) -> Iterator[Junction]:
    if isinstance(spine.foot, Junction):
        yield spine.foot
        for child in spine.foot.spines:
            yield from junctions(child)


def test_cases_are_varied(cases: list[Case]) -> None:
    """What can go wrong occurs often: junctions of both kinds, taps, sources, nested groups."""
    kinds = [{j.kind for j in junctions(c.plan.root)} for c in cases]
    assert sum("series" in k for k in kinds) > 80
    assert sum("parallel" in k for k in kinds) > 80
    assert sum(any(isinstance(n, Tap) for n in walk_nodes(c.plan.node)) for c in cases) > 60
    assert sum(c.source.output_ohm > 0.0 for c in cases) > 80
    assert sum(c.source.cable_ohm > 0.0 for c in cases) > 80
    assert sum(len(needs) > 1 for c in cases for needs in c.plan.needs) > 300
    shared = [
        sum(n.kind == "series" for n in c.plan.root.steps) and len(c.plan.drivers) > 1
        for c in cases
    ]
    assert sum(map(bool, shared)) > 60
    assert (
        sum(
            isinstance(n, Series | Parallel) and not has_driver(n)
            for c in cases
            for n in walk_nodes(c.plan.node)
        )
        > 500
    )


def test_values_against_nodal_solution(cases: list[Case]) -> None:
    """Every driver voltage and the input admittance agree point by point within 1e-9."""
    worst = 0.0
    for case in cases:
        solved = case.bank.solve(case.population)
        kept, _ = case.bank.solve_with_slopes(case.population, case.loss_slope)
        for p in range(len(case.population)):
            drives, admittance = case.dense(p)
            for w, want in enumerate(drives):
                for got in (solved.transfer[w][p], kept.transfer[w][p]):
                    worst = max(worst, np.max(np.abs(got - want) / (np.abs(want) + FLOOR)))
            for got in (solved.admittance[p], kept.admittance[p]):
                worst = max(worst, np.max(np.abs(got - admittance) / np.abs(admittance)))
    assert worst < 1e-9


def test_slopes_against_differences(cases: list[Case]) -> None:
    """Every derivative by a log value, losses following, agrees with differences within 1e-6.

    Differences of sixth order with four steps from 2e-3 to 4e-5 of a neper: near a sharp resonance
    only a small step follows the curve, far from one a large one rounds less, so the best counts.
    """
    worst, compared = 0.0, 0
    for case in cases:
        error, rows = slope_error(case)
        compared += rows
        worst = max(worst, error)
    assert compared > 8000
    assert worst < 1e-6


STEPS = np.array([2e-3, 6e-4, 1.5e-4, 4e-5])
MULTIPLES = np.array([1.0, -1.0, 2.0, -2.0, 3.0, -3.0])
WEIGHTS = np.array([45.0, -45.0, -9.0, 9.0, 1.0, -1.0]) / 60.0


def slope_error(case: Case) -> tuple[float, int]:
    """Largest error of the slopes of a case, and how many rows (part, result) there are."""
    population, plan = case.population, case.plan
    p, g = population.values.shape
    solved, slopes = case.bank.solve_with_slopes(population, case.loss_slope)
    moves = np.multiply.outer(STEPS, MULTIPLES)
    shape = (*moves.shape, g, p)
    nepers = np.zeros((*shape, g))
    for leaf in range(g):
        nepers[:, :, leaf, :, leaf] = moves[:, :, None]
    # The losses were drawn to grow with the square root of the value.
    moved = case.bank.solve(
        Population(
            values=population.values * np.exp(nepers),
            loss_ohm=population.loss_ohm * np.exp(0.5 * nepers),
            present=population.present,
            polarity=population.polarity,
        )
    )
    worst = 0.0
    for w in range(len(plan.drivers) + 1):
        mine = np.zeros((g, p, len(F)), dtype=complex)
        if w < len(plan.drivers):
            value, there = solved.transfer[w], moved.transfer[w]
            mine[slopes.leaves[w]] = slopes.transfer[w].swapaxes(0, 1)
        else:
            value, there = solved.admittance, moved.admittance
            mine[slopes.free] = slopes.admittance.swapaxes(0, 1)
        found = np.einsum("m,smgpf->sgpf", WEIGHTS, there) / STEPS[:, None, None, None]
        error = np.abs(found - mine) / (np.abs(value) + np.abs(mine) + FLOOR)
        worst = max(worst, float(error.min(axis=0).max()))
    return worst, g * (len(plan.drivers) + 1)


def test_block_size_changes_nothing(cases: list[Case]) -> None:
    """A network alone and among 700 others, computed in other batches, has the same answer."""
    for case in cases[::10]:
        rng = np.random.default_rng(1)
        many, slope = random_population(rng, case.plan, 700)
        solved, slopes = case.bank.solve_with_slopes(many, slope)
        values = case.bank.solve(many)
        for p in (0, 350, 699):
            one, own = case.bank.solve_with_slopes(many[p : p + 1], slope[p : p + 1])
            for w in range(len(case.plan.drivers)):
                np.testing.assert_allclose(one.transfer[w][0], solved.transfer[w][p], rtol=1e-12)
                np.testing.assert_allclose(one.transfer[w][0], values.transfer[w][p], rtol=1e-12)
                size = np.abs(own.transfer[w]).max() if own.transfer[w].size else 1.0
                np.testing.assert_allclose(
                    own.transfer[w][0], slopes.transfer[w][p], rtol=1e-9, atol=1e-12 * size
                )
            np.testing.assert_allclose(one.admittance[0], solved.admittance[p], rtol=1e-12)


def test_empty_population(cases: list[Case]) -> None:
    """No networks have no answers, of the right shape."""
    for case in cases[::20]:
        none = case.population[:0]
        solved, slopes = case.bank.solve_with_slopes(none, case.loss_slope[:0])
        for answer in (solved, case.bank.solve(none)):
            assert [h.shape for h in answer.transfer] == [(0, len(F))] * len(case.plan.drivers)
        assert slopes.admittance.shape == (0, len(slopes.free), len(F))
        assert case.bank.phasors(none).part_current.shape == (0, len(case.plan.leaves), len(F))


def test_phasors_obey_kirchhoff(cases: list[Case]) -> None:
    """Power is conserved: what the source gives is what parts, drivers and resistances take.

    Tellegen's theorem holds for complex power at every frequency (B. D. H. Tellegen, Philips
    Research Reports 7, 1952, from memory).
    """
    for case in cases[::3]:
        found = case.bank.phasors(case.population)
        taken = (
            np.sum(found.part_voltage * found.part_current.conj(), axis=1)
            + np.sum(found.driver_voltage * found.driver_current.conj(), axis=1)
            + case.source.ohm * np.abs(found.current) ** 2
        )
        np.testing.assert_allclose(taken, found.current.conj(), rtol=1e-9)
