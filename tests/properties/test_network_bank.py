"""The population solver against the single one, and its derivatives against differences."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from optimizer.arrays import Complex
from optimizer.network.bank import LadderBank, LossLaw, Population
from optimizer.network.expression.forms import NAMED_FORMS, form_of
from optimizer.network.ladder import Form, Place
from optimizer.network.network import FittedSlot, FittedWay, Network
from optimizer.network.solve import solve_network
from optimizer.network.topology import Slot, Topology, ValueRange, Way
from optimizer.parts import Kind, Part
from tests.conftest import examples

F = np.geomspace(20.0, 20_000.0, 17)
P = 5
KINDS_OF_SLOT: list[tuple[Form, Place]] = [
    *((f, p) for p, f in NAMED_FORMS),
    ("L || (C + Ra) || Rb", "series"),
    ("L + R", "shunt"),
    ("C1 || (R + (L || C2))", "shunt"),
]
SPAN: dict[Kind, ValueRange] = {
    "inductor": ValueRange(low=5e-5, high=1e-2),
    "capacitor": ValueRange(low=5e-7, high=3e-4),
    "resistor": ValueRange(low=0.5, high=60.0),
}
LOSS: dict[Kind, LossLaw] = {
    "inductor": lambda value: 20.0 * value**0.6,
    "capacitor": lambda value: 1e-7 / value,
    "resistor": lambda value: 0.0 * value,
}


@dataclass(frozen=True)
class Case:
    """A topology, its bank, and a population of it with some slots empty."""

    topology: Topology
    loads: dict[str, Complex]
    bank: LadderBank
    population: Population


@st.composite
def topologies(draw: st.DrawFn) -> Topology:
    ways = []
    for w in range(draw(st.integers(1, 3))):
        slots = []
        for i, (form, place) in enumerate(
            draw(st.lists(st.sampled_from(KINDS_OF_SLOT), max_size=5))
        ):
            kept = None
            if draw(st.integers(0, 4)) == 0:
                kept = tuple(
                    Part(kind=k, value=SPAN[k].low * 7, loss_ohm=0.03, origin="kept")
                    for k in form_of(form, place).kinds
                )
            slots.append(
                Slot(
                    name=f"S{i}",
                    place=place,
                    form=form,
                    optional=draw(st.booleans()),
                    ranges=tuple(SPAN[k] for k in form_of(form, place).kinds),
                    kept=kept,
                )
            )
        ways.append(Way(name=f"w{w}", driver=f"d{w}", slots=tuple(slots), polarity="free"))
    return Topology(ways=tuple(ways))


@st.composite
def cases(draw: st.DrawFn) -> Case:
    topology = draw(topologies())
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    loads = {
        way.driver: rng.uniform(2, 20, F.size) + 1j * rng.uniform(-15, 15, F.size)
        for way in topology.ways
    }
    bank = LadderBank(topology, F, [loads[way.driver] for way in topology.ways])
    genes = bank.genes
    values, loss = np.empty((P, len(genes))), np.empty((P, len(genes)))
    for g, gene in enumerate(genes):
        if gene.kept is not None:
            values[:, g], loss[:, g] = gene.kept.value, gene.kept.loss_ohm
        else:
            values[:, g] = np.exp(rng.uniform(np.log(gene.low), np.log(gene.high), P))
            loss[:, g] = LOSS[gene.kind](values[:, g])
    present = np.ones((P, len(bank.slots)), dtype=bool)
    for k, slot in enumerate(bank.slots):
        if slot.optional:
            present[:, k] = rng.random(P) < 0.5
    polarity = rng.choice([-1.0, 1.0], (P, len(topology.ways)))
    population = Population(values=values, loss_ohm=loss, present=present, polarity=polarity)
    return Case(topology=topology, loads=loads, bank=bank, population=population)


def as_built(case: Case, member: int) -> Network:
    """One member as a network of filled slots only."""
    ways, k, g = [], 0, 0
    population = case.population
    for w, way in enumerate(case.topology.ways):
        fitted = []
        for slot in way.slots:
            parts = []
            for kind in slot.kinds:
                parts.append(
                    Part(
                        kind=kind,
                        value=float(population.values[member, g]),
                        loss_ohm=float(population.loss_ohm[member, g]),
                    )
                )
                g += 1
            if population.present[member, k]:
                fitted.append(
                    FittedSlot(name=slot.name, place=slot.place, form=slot.form, parts=tuple(parts))
                )
            k += 1
        polarity: Literal[1, -1] = 1 if population.polarity[member, w] > 0 else -1
        ways.append(
            FittedWay(name=way.name, driver=way.driver, polarity=polarity, slots=tuple(fitted))
        )
    return Network(ways=tuple(ways))


@examples(60)
@given(cases())
def test_batch_equals_one_by_one(case: Case) -> None:
    """A population gives what its members give alone; an empty slot is as if it were not there."""
    solved = case.bank.solve(case.population)
    transfer = [np.broadcast_to(h, (P, F.size)) for h in solved.transfer]
    total = np.broadcast_to(solved.admittance, (P, F.size))
    for member in range(P):
        alone = solve_network(as_built(case, member), F, case.loads)
        for w, h in enumerate(transfer):
            np.testing.assert_allclose(h[member], alone.transfer[w], rtol=1e-11)
        np.testing.assert_allclose(total[member], alone.admittance, rtol=1e-11)


@examples(60)
@given(cases())
def test_order_of_the_population_does_not_matter(case: Case) -> None:
    """Each member's answer depends on that member only, to the last bit."""
    order = np.arange(P)[::-1]
    solved = case.bank.solve(case.population)
    turned = case.bank.solve(case.population[order])
    for h, t in zip(solved.transfer, turned.transfer, strict=True):
        h, t = (np.broadcast_to(x, (P, F.size)) for x in (h, t))
        np.testing.assert_array_equal(t, h[order])
    _, slopes = case.bank.solve_with_tangents(case.population, LOSS)
    for member in range(P):
        one = case.population[member : member + 1]
        np.testing.assert_array_equal(case.bank.solve(one).admittance[0], solved.admittance[member])
        _, alone = case.bank.solve_with_tangents(one, LOSS)
        for dh, own in zip(slopes.transfer, alone.transfer, strict=True):
            np.testing.assert_array_equal(own[0], dh[member])
        np.testing.assert_array_equal(alone.admittance[0], slopes.admittance[member])


@examples(60)
@given(cases())
def test_tangents_come_with_the_same_solution(case: Case) -> None:
    """Solving with derivatives gives the same curves as solving without."""
    plain = case.bank.solve(case.population)
    solved, _ = case.bank.solve_with_tangents(case.population, LOSS)
    for h, t in zip(plain.transfer, solved.transfer, strict=True):
        np.testing.assert_allclose(t, np.broadcast_to(h, t.shape), rtol=1e-11)
    np.testing.assert_allclose(
        solved.admittance, np.broadcast_to(plain.admittance, solved.admittance.shape), rtol=1e-11
    )


def moved(case: Case, gene: int, step: float) -> Population:
    """The population with one gene's log value moved, losses following their law."""
    old = case.population
    values, loss = old.values.copy(), old.loss_ohm.copy()
    values[:, gene] *= np.exp(step)
    loss[:, gene] = LOSS[case.bank.genes[gene].kind](values[:, gene])
    return Population(values=values, loss_ohm=loss, present=old.present, polarity=old.polarity)


@examples(60)
@given(cases())
def test_derivatives_equal_differences(case: Case) -> None:
    """Adjoint derivatives of drive and admittance agree with central differences to 1e-6.

    The differences are extrapolated from two steps, so their own error is of fourth order.
    """
    bank = case.bank
    solved, tangents = bank.solve_with_tangents(case.population, LOSS)

    def difference(gene: int, step: float) -> list[Complex]:
        up, down = (bank.solve(moved(case, gene, s)) for s in (step, -step))
        pairs = [*zip(up.transfer, down.transfer, strict=True), (up.admittance, down.admittance)]
        return [np.broadcast_to((a - b) / (2 * step), (P, F.size)) for a, b in pairs]

    assert list(tangents.free) == list(np.flatnonzero(bank.free))
    for column, gene in enumerate(tangents.free):
        coarse, fine = difference(int(gene), 4e-4), difference(int(gene), 2e-4)
        expected = [(4 * b - a) / 3 for a, b in zip(coarse, fine, strict=True)]
        for way, h in enumerate(solved.transfer):
            own = np.flatnonzero(tangents.leaves[way] == gene)
            found = tangents.transfer[way][:, own[0]] if len(own) else np.zeros_like(h)
            scale = np.abs(h) + np.abs(found)
            assert np.all(np.abs(found - expected[way]) <= 1e-6 * scale)
        found = tangents.admittance[:, column]
        scale = np.abs(solved.admittance) + np.abs(found)
        assert np.all(np.abs(found - expected[-1]) <= 1e-6 * scale)
