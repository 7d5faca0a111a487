"""Laws that every ladder obeys, on networks drawn by hypothesis."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from optimizer.arrays import Complex, Real
from optimizer.network.equivalent import DriverEquivalent, LossySection, Resonance
from optimizer.network.expression.forms import NAMED_FORMS, form_of
from optimizer.network.ladder import Form, Place
from optimizer.network.network import FittedSlot, FittedWay, Network
from optimizer.network.solve import SolvedNetwork, solve_network
from optimizer.parts import Kind, Part
from tests.conftest import examples

F = np.geomspace(20.0, 20_000.0, 25)
KINDS_OF_SLOT: list[tuple[Form, Place]] = [
    *((f, p) for p, f in NAMED_FORMS),
    ("L || (C + Ra) || Rb", "series"),
    ("L + R", "shunt"),
    ("C1 || (R + (L || C2))", "shunt"),
]
SPAN: dict[Kind, tuple[float, float]] = {
    "inductor": (1e-5, 2e-2),
    "capacitor": (1e-7, 5e-4),
    "resistor": (0.1, 200.0),
}


def log_floats(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(np.log(low), np.log(high)).map(lambda x: float(np.exp(x)))


@st.composite
def parts(draw: st.DrawFn, kind: Kind) -> Part:
    loss = 0.0 if kind == "resistor" else draw(st.just(0.0) | st.floats(0.001, 2.0))
    return Part(kind=kind, value=draw(log_floats(*SPAN[kind])), loss_ohm=loss)


@st.composite
def slots(draw: st.DrawFn) -> FittedSlot:
    form, place = draw(st.sampled_from(KINDS_OF_SLOT))
    return FittedSlot(
        name="S",
        place=place,
        form=form,
        parts=tuple(draw(parts(kind)) for kind in form_of(form, place).kinds),
    )


@st.composite
def drivers(draw: st.DrawFn) -> DriverEquivalent:
    ohm = log_floats(0.5, 200.0)
    return DriverEquivalent(
        re_ohm=draw(st.floats(1.0, 30.0)),
        le_h=draw(st.floats(0.0, 2e-3)),
        sections=tuple(
            draw(
                st.lists(st.builds(LossySection, r_ohm=ohm, l_h=log_floats(1e-5, 1e-2)), max_size=2)
            )
        ),
        resonances=tuple(
            draw(
                st.lists(
                    st.builds(
                        Resonance, r_ohm=ohm, l_h=log_floats(1e-4, 0.1), c_f=log_floats(1e-6, 1e-3)
                    ),
                    max_size=2,
                )
            )
        ),
    )


Case = tuple[Network, dict[str, DriverEquivalent]]


@st.composite
def cases(draw: st.DrawFn, max_ways: int = 3) -> Case:
    ways, loads = [], {}
    for w in range(draw(st.integers(1, max_ways))):
        polarity: Literal[1, -1] = draw(st.sampled_from([1, -1]))
        ladder = tuple(
            replace(s, name=f"S{i}") for i, s in enumerate(draw(st.lists(slots(), max_size=6)))
        )
        ways.append(FittedWay(name=f"w{w}", driver=f"d{w}", polarity=polarity, slots=ladder))
        loads[f"d{w}"] = draw(drivers())
    return Network(ways=tuple(ways)), loads


def impedances(case: Case, f: Real = F) -> dict[str, Complex]:
    return {name: driver.impedance(f) for name, driver in case[1].items()}


def solve(case: Case) -> SolvedNetwork:
    return solve_network(case[0], F, impedances(case))


def change_parts(network: Network, change: dict[Kind, float], loss: float) -> Network:
    """Multiply the values of each kind, and all losses."""
    return Network(
        ways=tuple(
            replace(
                way,
                slots=tuple(
                    replace(
                        slot,
                        parts=tuple(
                            replace(p, value=p.value * change[p.kind], loss_ohm=p.loss_ohm * loss)
                            for p in slot.parts
                        ),
                    )
                    for slot in way.slots
                ),
            )
            for way in network.ways
        )
    )


def assert_same(mine: SolvedNetwork, other: SolvedNetwork, rtol: float = 1e-9) -> None:
    np.testing.assert_allclose(mine.transfer, other.transfer, rtol=rtol)
    np.testing.assert_allclose(mine.admittance, other.admittance, rtol=rtol)


@examples(60)
@given(cases(), log_floats(0.01, 100.0))
def test_impedance_scaling(case: Case, k: float) -> None:
    """All impedances times k: transfers stay, admittances fall by k."""
    before = solve(case)
    scaled = change_parts(case[0], {"inductor": k, "capacitor": 1 / k, "resistor": k}, k)
    after = solve_network(scaled, F, {name: z * k for name, z in impedances(case).items()})
    np.testing.assert_allclose(after.transfer, before.transfer, rtol=1e-9)
    np.testing.assert_allclose(after.admittance * k, before.admittance, rtol=1e-9)


@examples(60)
@given(cases(), log_floats(0.01, 100.0))
def test_frequency_scaling(case: Case, k: float) -> None:
    """L and C divided by k, same loads: the curves move up in frequency by k."""
    before = solve(case)
    scaled = change_parts(case[0], {"inductor": 1 / k, "capacitor": 1 / k, "resistor": 1.0}, 1.0)
    assert_same(solve_network(scaled, F * k, impedances(case)), before)


@examples(60)
@given(cases())
def test_passivity(case: Case) -> None:
    """A network of passive parts never hands back power: Re Y >= 0, and so Re Z >= 0."""
    solved = solve(case)
    noise = 1e-12 * np.abs(solved.admittance)
    assert np.all(solved.admittance.real >= -noise)
    assert np.all(solved.input_impedance.real >= -1e-12 * np.abs(solved.input_impedance))


@examples(60)
@given(cases(max_ways=1))
def test_driver_never_gets_more_power_than_enters(case: Case) -> None:
    """Real power in the driver is at most the real input power."""
    solved = solve(case)
    load = impedances(case)["d0"]
    into_driver = np.abs(solved.transfer[0]) ** 2 * (1 / load).real
    noise = 1e-11 * np.abs(solved.admittance)
    assert np.all(into_driver <= solved.admittance.real + noise)


@examples(60)
@given(cases())
def test_polarity_changes_the_sign_only(case: Case) -> None:
    """Turning every driver round negates the transfers and leaves the input as it is."""
    network, _ = case
    turned = Network(
        ways=tuple(replace(way, polarity=-1 if way.polarity == 1 else 1) for way in network.ways)
    )
    before = solve(case)
    after = solve((turned, case[1]))
    np.testing.assert_array_equal(after.transfer, -before.transfer)
    np.testing.assert_array_equal(after.admittance, before.admittance)


@examples(60)
@given(cases())
def test_ways_do_not_disturb_each_other(case: Case) -> None:
    """On an ideal amplifier each way alone behaves as it does beside the others."""
    together = solve(case)
    total: Complex = np.zeros(len(F), dtype=np.complex128)
    for w, way in enumerate(case[0].ways):
        alone = solve((Network(ways=(way,)), case[1]))
        np.testing.assert_allclose(alone.transfer[0], together.transfer[w], rtol=1e-12)
        total = total + alone.admittance
    np.testing.assert_allclose(1 / together.input_impedance, total, rtol=1e-12)


@examples(60)
@given(cases(), st.data())
def test_neighbouring_parts_of_one_kind_merge(case: Case, data: st.DataObject) -> None:
    """Like parts one after the other act as one: sums in the line, parallel values across it."""
    kind: Kind = data.draw(st.sampled_from(["inductor", "capacitor", "resistor"]))
    place: Place = data.draw(st.sampled_from(["series", "shunt"]))
    a, b = (data.draw(log_floats(*SPAN[kind])) for _ in range(2))
    add = (kind == "capacitor") == (place == "shunt")
    merged = a + b if add else 1 / (1 / a + 1 / b)
    way = case[0].ways[0]
    at = data.draw(st.integers(0, len(way.slots)))

    def put(values: list[float]) -> SolvedNetwork:
        inserted = tuple(
            FittedSlot(name=f"X{i}", place=place, form=kind, parts=(Part(kind=kind, value=v),))
            for i, v in enumerate(values)
        )
        changed = replace(way, slots=way.slots[:at] + inserted + way.slots[at:])
        return solve((Network(ways=(changed, *case[0].ways[1:])), case[1]))

    assert_same(put([a, b]), put([merged]))


@examples(60)
@given(cases(), st.data())
def test_compounds_equal_their_single_parts(case: Case, data: st.DataObject) -> None:
    """A pad is two slots; a trap with a vast L and R is its C; a notch with tiny L and C its R."""
    way = case[0].ways[0]
    at = data.draw(st.integers(0, len(way.slots)))

    def put(*inserted: FittedSlot) -> SolvedNetwork:
        changed = replace(way, slots=way.slots[:at] + inserted + way.slots[at:])
        return solve((Network(ways=(changed, *case[0].ways[1:])), case[1]))

    def single(place: Place, part: Part) -> FittedSlot:
        return FittedSlot(name=f"X {place}", place=place, form=part.kind, parts=(part,))

    first, second = data.draw(parts("resistor")), data.draw(parts("resistor"))
    pad = FittedSlot(name="P", place="series", form="pad", parts=(first, second))
    assert_same(put(pad), put(single("series", first), single("shunt", second)))

    c = data.draw(parts("capacitor"))
    vast = Part(kind="inductor", value=1e15), c, Part(kind="resistor", value=1e18)
    trap = FittedSlot(name="T", place="series", form="trap", parts=vast)
    assert_same(put(trap), put(single("series", c)), rtol=1e-6)

    tiny = Part(kind="inductor", value=1e-18), Part(kind="capacitor", value=1e12), first
    notch = FittedSlot(name="N", place="shunt", form="notch", parts=tiny)
    assert_same(put(notch), put(single("shunt", first)), rtol=1e-6)

    equaliser = FittedSlot(name="E", place="shunt", form="equaliser", parts=(first, tiny[1]))
    assert_same(put(equaliser), put(single("shunt", first)), rtol=1e-6)


@examples(60)
@given(cases(), st.data())
def test_empty_slot_is_a_short_or_an_open(case: Case, data: st.DataObject) -> None:
    """Leaving a slot out equals 0 ohm in the line or an open circuit across it."""
    way = case[0].ways[0]
    at = data.draw(st.integers(0, len(way.slots)))
    place: Place = data.draw(st.sampled_from(["series", "shunt"]))
    ohm = 1e-13 if place == "series" else 1e13
    filler = FittedSlot(
        name="X", place=place, form="resistor", parts=(Part(kind="resistor", value=ohm),)
    )
    changed = replace(way, slots=(*way.slots[:at], filler, *way.slots[at:]))
    filled = solve((Network(ways=(changed, *case[0].ways[1:])), case[1]))
    assert_same(filled, solve(case), rtol=1e-6)
