"""Scans of one and two places against solving every changed network anew."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from optimizer.arrays import Complex, Index, Real
from optimizer.network.expression.bank import Bank
from optimizer.network.expression.immittance import branch_immittance, part_impedance
from optimizer.network.expression.nodes import SourceResistance
from optimizer.network.expression.options import OptionTables
from optimizer.network.expression.plan import NetworkPlan, Population
from optimizer.network.expression.scan import NetworkScan
from optimizer.testing.expressions import (
    impedances,
    random_expression,
    random_loads,
    random_population,
)

F = np.geomspace(20.0, 20_000.0, 24)
OPTIONS = 6
CHANGES = 100


@dataclass
class Drawn:
    """A random network, its scan, and alternatives for every part."""

    plan: NetworkPlan
    bank: Bank
    network: Population
    options: Population
    scan: NetworkScan

    def immittance(self, port: int, rows: dict[int, Index], empty: bool = False) -> Complex:
        """Immittance of a port with some of its parts changed, shape (..., F); 0 for nothing."""
        mask = self.plan.mask(self.network.present)[0]

        def impedance(g: int) -> Complex | None:
            if not mask[g] or (empty and g in rows):
                return None
            own = self.options if g in rows else self.network
            at = rows.get(g, 0)
            kind = self.plan.leaves[g].kind
            return part_impedance(kind, own.values[at, g], own.loss_ohm[at, g], self.bank.omega)

        p = self.plan.ports[port]
        x = branch_immittance(p.branch, impedance, "z" if p.step.kind == "series" else "y")
        return np.zeros(len(F), dtype=complex) if x is None else x

    def changed(self, rows: dict[int, Index], empty: set[int] | None = None) -> Population:
        """Networks with some parts changed, or some places emptied."""
        shape = np.broadcast_shapes(*(np.shape(r) for r in rows.values()))
        one = self.network[0]
        values = np.broadcast_to(one.values, (*shape, len(one.values))).copy()
        loss = np.broadcast_to(one.loss_ohm, values.shape).copy()
        present = one.present.copy()
        for g, at in rows.items():
            values[..., g] = self.options.values[at, g]
            loss[..., g] = self.options.loss_ohm[at, g]
        for k in empty or ():
            present[k] = False
        return Population(values=values, loss_ohm=loss, present=present, polarity=one.polarity)

    def compare(self, drives: dict[int, Complex], admittance: Complex, wanted: Population) -> float:
        """Largest relative difference of all results from those solved anew."""
        solved = self.bank.solve(wanted)
        worst = np.max(np.abs(admittance - solved.admittance) / np.abs(solved.admittance))
        for w, want in enumerate(solved.transfer):
            got = drives.get(w, self.scan.transfer[w])
            worst = max(worst, np.max(np.abs(got - want) / np.abs(want)))
        return float(worst)


def draw(seed: int, *, ideal: bool) -> Drawn:
    rng = np.random.default_rng(seed)
    drivers = int(rng.integers(1, 5))
    plan = NetworkPlan(random_expression(rng, drivers, int(rng.integers(2, 21))))
    ohms = (0.0, 0.0) if ideal else rng.uniform(0.0, 3.0, 2)
    bank = Bank(
        plan,
        F,
        impedances(random_loads(rng, drivers), F),
        SourceResistance(output_ohm=float(ohms[0]), cable_ohm=float(ohms[1])),
    )
    network, _ = random_population(rng, plan, 1, filled=0.7)
    options, _ = random_population(rng, plan, OPTIONS)
    drawn = Drawn(plan, bank, network, options, None)  # type: ignore[arg-type]
    rows = [drawn.immittance(p, {}) for p in range(len(plan.ports))]
    drawn.scan = NetworkScan(bank, [x if x.any() else None for x in rows], network.polarity[0])
    return drawn


@pytest.fixture(scope="module")
def drawn() -> list[Drawn]:
    return [draw(seed, ideal=seed % 2 == 0) for seed in range(CHANGES)]


def filled(case: Drawn) -> Index:
    return np.flatnonzero(case.plan.mask(case.network.present)[0])


def test_network_as_it_is(drawn: list[Drawn]) -> None:
    """The scan's own transfers and admittance are those of the solved network."""
    for case in drawn:
        assert case.compare({}, case.scan.admittance, case.network[0]) < 1e-12


def test_single_changes(drawn: list[Drawn]) -> None:
    """All alternatives of every part in all of 100 networks, within 1e-10."""
    worst, count, several = 0.0, 0, 0
    rows: Index = np.arange(OPTIONS)
    for case in drawn:
        for g in filled(case):
            port = int(case.plan.port_of_leaf[g])
            drives, admittance = case.scan.single(port).at(case.immittance(port, {g: rows}))
            worst = max(worst, case.compare(drives, admittance, case.changed({g: rows})))
            count += 1
            several += len(drives) > 1
    assert count > 500
    assert several > 200
    assert worst < 1e-10


def test_emptied_and_filled_places(drawn: list[Drawn]) -> None:
    """An immittance of zero leaves a branch out; from there another value brings it back."""
    count = 0
    for case in drawn:
        for k in np.flatnonzero(case.plan.optional & case.network.present[0]):
            leaves = [g for g, needs in enumerate(case.plan.needs) if k in needs]
            ports = {int(case.plan.port_of_leaf[g]) for g in leaves}
            if len(ports) != 1:
                continue
            port = ports.pop()
            x = case.immittance(port, {g: np.array(0) for g in leaves}, empty=True)
            wanted = case.changed({leaves[0]: np.zeros((), dtype=int)}, {int(k)})
            drives, admittance = case.scan.single(port).at(x[None])
            assert case.compare(drives, admittance, wanted[None]) < 1e-8
            without: list[Complex | None] = list(case.scan.immittance)
            without[port] = x if x.any() else None
            again = NetworkScan(case.bank, without, case.network.polarity[0])
            own = case.immittance(port, {})
            drives, admittance = again.single(port).at(own[None])
            for w in range(len(case.plan.drivers)):
                got = drives.get(w, again.transfer[w])
                np.testing.assert_allclose(got.ravel(), case.scan.transfer[w], rtol=1e-8)
            np.testing.assert_allclose(admittance[0], case.scan.admittance, rtol=1e-8)
            count += 1
    assert count > 150


def test_double_changes(drawn: list[Drawn]) -> None:
    """All pairs of alternatives of any two parts, shared sections and one branch included."""
    rng = np.random.default_rng(7)
    first, second = np.arange(OPTIONS)[:, None], np.arange(OPTIONS)[None]
    worst, kinds = 0.0, {"one branch": 0, "coupled": 0, "independent": 0, "several": 0}
    for case in drawn:
        parts = filled(case)
        if len(parts) < 2:
            continue
        for _ in range(6):
            g, h = (int(x) for x in rng.choice(parts, 2, replace=False))
            k, m = int(case.plan.port_of_leaf[g]), int(case.plan.port_of_leaf[h])
            wanted = case.changed({g: first, h: second})
            if k == m:
                x = case.immittance(k, {g: first, h: second})
                drives, admittance = case.scan.single(k).at(x)
                kinds["one branch"] += 1
            else:
                x = case.immittance(k, {g: np.arange(OPTIONS)})
                y = case.immittance(m, {h: np.arange(OPTIONS)})
                given = case.scan.pair(k, m).given(y)
                drives, admittance = given.at(x[:, None])
                if area_of(case, k) == area_of(case, m):
                    kinds["coupled"] += 1
                    kinds["several"] += len(drives) > 1
                else:
                    kinds["independent"] += 1
                    check_independence(case, k, m, x, y, admittance)
            worst = max(worst, case.compare(drives, admittance, wanted))
    assert min(kinds.values()) > 15, kinds
    assert kinds["coupled"] > 100
    assert worst < 1e-9


def area_of(case: Drawn, port: int) -> int:
    """Which of the independent sets of drivers a port is in; of the last for all at once."""
    last = case.plan.ports[port].step.below[-1]
    return next(a for a, drivers in enumerate(case.bank.independent) if last in drivers)


def check_independence(
    case: Drawn, k: int, m: int, x: Complex, y: Complex, admittance: Complex
) -> None:
    """Ports of different areas move different drivers, and their admittances add."""
    one, other = case.scan.single(k).at(x), case.scan.single(m).at(y)
    assert not set(one[0]) & set(other[0])
    if not case.bank.source.output_ohm:
        total = one[1][:, None] + other[1][None] - case.scan.admittance
        np.testing.assert_allclose(total, admittance, rtol=1e-9)


def test_ways_on_an_ideal_source_are_independent() -> None:
    """A resistance of the source couples ways that an ideal source keeps apart."""
    from optimizer.network.expression.notation import parse

    node = parse("(L1 + (C1 || woofer)) || (C2 + (L2 || tweeter))")
    loads: dict[str, Real | Complex] = {
        "woofer": np.full(24, 6.0 + 0j),
        "tweeter": np.full(24, 5.0 + 0j),
    }
    x: list[Complex | None] = [
        np.full(24, 3.0 + 2j),
        np.full(24, 0.1j),
        np.full(24, 4.0 - 3j),
        None,
    ]
    sign = np.ones(2)
    apart = NetworkScan(Bank(node, F, loads), x, sign)
    joined = NetworkScan(Bank(node, F, loads, SourceResistance(cable_ohm=0.1)), x, sign)
    ports = {apart.plan.leaves[p.branch.leaves[0]].name: i for i, p in enumerate(apart.plan.ports)}
    assert apart.bank.independent == ((0,), (1,))
    assert joined.bank.independent == ((0, 1),)
    z = np.full((1, 24), 0.2j)
    assert set(apart.single(ports["C1"]).at(z)[0]) == {0}
    assert set(joined.single(ports["C1"]).at(z)[0]) == {0, 1}


@pytest.mark.parametrize("joint", [2048, 40])
def test_tables_of_options(drawn: list[Drawn], joint: int) -> None:
    """Networks looked up in tables are those computed from values, places left out included."""
    rng = np.random.default_rng(3)
    for case in drawn[::2]:
        plan, members = case.plan, 20
        tables = OptionTables(
            case.bank, list(case.options.values.T), list(case.options.loss_ohm.T), joint_rows=joint
        )
        choice = rng.integers(0, OPTIONS, (members, len(plan.leaves)))
        columns = np.arange(len(plan.leaves))
        drawn_anew, _ = random_population(rng, plan, members)
        wanted = case.bank.solve(
            Population(
                values=case.options.values[choice, columns],
                loss_ohm=case.options.loss_ohm[choice, columns],
                present=drawn_anew.present,
                polarity=drawn_anew.polarity,
            )
        )
        found = tables.solve(choice, drawn_anew.present, drawn_anew.polarity)
        for got, want in zip(
            [*found.transfer, found.admittance], [*wanted.transfer, wanted.admittance], strict=True
        ):
            np.testing.assert_allclose(got, want, rtol=1e-10)
        mask = plan.mask(drawn_anew.present[0])
        rows = [tables.immittance(p, choice[0], mask) for p in range(len(plan.ports))]
        scan = NetworkScan(case.bank, rows, drawn_anew.polarity[0])
        np.testing.assert_allclose(scan.admittance, wanted.admittance[0], rtol=1e-10)
        for g in np.flatnonzero(plan.mask(drawn_anew.present[0])):
            port = int(plan.port_of_leaf[g])
            x = tables.alternatives(port, {int(g): slice(None)}, choice[0], drawn_anew.present[0])
            own = x[choice[0, g]]
            np.testing.assert_allclose(own, rows[port], rtol=1e-12)
