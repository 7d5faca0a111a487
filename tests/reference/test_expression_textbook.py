"""Expressions against closed forms of the textbooks, and ladders against the bank of ladders."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.network import bank as ladders
from optimizer.network.amplifier import equivalent_peak_dissipation_resistance
from optimizer.network.equivalent import DriverEquivalent, Resonance
from optimizer.network.expression.bank import Bank, LossLaw, loss_slopes
from optimizer.network.expression.forms import from_topology
from optimizer.network.expression.nodes import Node, SourceResistance, part_leaves, with_parts
from optimizer.network.expression.notation import parse
from optimizer.network.expression.plan import Population
from optimizer.network.expression.single import (
    impedance_of,
    phasors_of,
    resistance_of,
    transfers_of,
)
from optimizer.network.ladder import (
    PARTS_OF_FORM,
    PLACES_OF_FORM,
    Slot,
    Topology,
    ValueRange,
    Way,
)
from optimizer.parts import Kind, Part

F = np.geomspace(20.0, 20_000.0, 61)
S = 2j * np.pi * F


def built(text: str, **values: float | tuple[float, float]) -> Node:
    """A network of parts: value, or value and loss, of each by its name."""
    node = parse(text)
    parts = {}
    for leaf in part_leaves(node):
        stated = values[leaf.name]
        value, loss = stated if isinstance(stated, tuple) else (stated, 0.0)
        parts[leaf.name] = Part(kind=leaf.kind, value=value, loss_ohm=loss)
    return with_parts(node, parts)


def resistive(ohm: float, *names: str) -> dict[str, np.ndarray]:
    return {name: np.full(len(F), ohm + 0j) for name in names}


def test_series_crossover_of_first_order_has_constant_resistance() -> None:
    """C across the woofer and L across the tweeter, both at one frequency, look like R throughout.

    Derivation: R || 1/(sC) + R || sL with L = R/w0 and C = 1/(R w0) is
    R (1/(1 + s/w0) + (s/w0)/(1 + s/w0)) = R; the drives are the two first-order filters, which add
    up to the whole voltage (Butterworth of first order: references 4.5, "B1: L + H exactly 1").
    """
    r, w0 = 8.0, 2.0 * np.pi * 2000.0
    node = built("(C1 || woofer) + (L1 || tweeter)", C1=1.0 / (r * w0), L1=r / w0)
    solved = transfers_of(node, F, resistive(r, "woofer", "tweeter"))
    low, high = solved.transfer
    np.testing.assert_allclose(solved.admittance, np.full(len(F), 1.0 / r), rtol=1e-12)
    np.testing.assert_allclose(low, 1.0 / (1.0 + S / w0), rtol=1e-12)
    np.testing.assert_allclose(high, (S / w0) / (1.0 + S / w0), rtol=1e-12)
    np.testing.assert_allclose(low + high, 1.0, rtol=1e-12)


def test_parallel_crossover_of_first_order_has_the_same_drives_and_resistance() -> None:
    """The all-parallel equivalent: L before the woofer, C before the tweeter, same values.

    For equal resistive drivers both have the drives 1/(1 + s/w0) and (s/w0)/(1 + s/w0) and the
    input resistance R (algebra; element values: references 4.4, "B1 at R = 8 ohm, f = 2000 Hz:
    0.6366 mH, 9.9472 uF").
    """
    series = built("(C1 || woofer) + (L1 || tweeter)", C1=9.947183943e-6, L1=0.636619772e-3)
    parallel = built("(L1 + woofer) || (C1 + tweeter)", C1=9.947183943e-6, L1=0.636619772e-3)
    loads = resistive(8.0, "woofer", "tweeter")
    one, other = transfers_of(series, F, loads), transfers_of(parallel, F, loads)
    for a, b in zip(one.transfer, other.transfer, strict=True):
        np.testing.assert_allclose(a, b, rtol=1e-8)
    np.testing.assert_allclose(one.admittance, other.admittance, rtol=1e-8)


def test_source_resistance_couples_the_parallel_crossover_but_not_its_level() -> None:
    """Before a load of constant resistance a source resistance is a plain divider: R/(R + r)."""
    node = built("(L1 + woofer) || (C1 + tweeter)", C1=9.947183943e-6, L1=0.636619772e-3)
    loads = resistive(8.0, "woofer", "tweeter")
    ideal = transfers_of(node, F, loads)
    real = transfers_of(node, F, loads, SourceResistance(output_ohm=2.0, cable_ohm=0.5))
    for a, b in zip(ideal.transfer, real.transfer, strict=True):
        np.testing.assert_allclose(b, a * 8.0 / 10.5, rtol=1e-8)
    np.testing.assert_allclose(real.admittance, 1.0 / 8.5, rtol=1e-8)


def test_transformer_shows_its_load_by_the_square_of_its_ratio() -> None:
    """n : 1 divides the voltage by n and shows n^2 Z (ideal transformer, any circuit textbook)."""
    node = built("tap(1.5, R1 + tweeter)", R1=2.0)
    solved = transfers_of(node, F, resistive(6.0, "tweeter"))
    np.testing.assert_allclose(1.0 / solved.admittance, 1.5**2 * 8.0, rtol=1e-12)
    np.testing.assert_allclose(solved.transfer[0], 6.0 / 8.0 / 1.5, rtol=1e-12)


@pytest.mark.parametrize("output_ohm", [0.0, 0.5, 2.5, 6.0])
def test_source_resistance_takes_damping(output_ohm: float) -> None:
    """Electrical Q rises as Qes (Re + r)/Re: seen in the drive at and beside resonance.

    Small, Direct-Radiator Loudspeaker System Analysis, JAES 20(5), 1972 (title and law from
    memory). Re 5.8, fs 40, Qms 4, Qes 0.4 (references 6.1): the back e.m.f. is a voltage of the
    motional branch, whose response to the source is a resonance of Q = Qms Qe/(Qms + Qe).
    """
    re, fs, qms, qes = 5.8, 40.0, 4.0, 0.4
    circuit = DriverEquivalent(
        re_ohm=re,
        resonances=(
            Resonance(
                r_ohm=re * qms / qes,
                l_h=re / (2 * np.pi * fs * qes),
                c_f=qes / (2 * np.pi * fs * re),
            ),
        ),
    )
    f = np.array([20.0, 30.0, 40.0, 55.0, 80.0])
    z = circuit.impedance(f)
    node = parse("woofer")
    solved = transfers_of(node, f, {"woofer": z}, SourceResistance(output_ohm=output_ohm))
    motional = solved.transfer[0] * (1.0 - re / z)
    qe = qes * (re + output_ohm) / re
    q = qms * qe / (qms + qe)
    x = 1j * f / fs
    # Voltage divider of Re + r and the motional branch: (Q/Qe) (jf/fs)/Q over the resonance.
    wanted = (x / qe) / (x**2 + x / q + 1.0)
    np.testing.assert_allclose(motional, wanted, rtol=1e-12)


def test_pad_keeps_the_load() -> None:
    """6 dB pad for 8 ohm: 3.990502 and 8.038082 ohm leave 8 ohm (references 5.3, from memory)."""
    node = built("Rs + (Rp || tweeter)", Rs=3.990502, Rp=8.038082)
    solved = transfers_of(node, F, resistive(8.0, "tweeter"))
    np.testing.assert_allclose(1.0 / solved.admittance, 8.0, rtol=1e-6)
    np.testing.assert_allclose(20 * np.log10(np.abs(solved.transfer[0])), -6.0, atol=1e-5)


def test_trap_depth_and_bandwidth() -> None:
    """0.5 mH || 10 uF || 10 ohm before 8 ohm: -7.043650 dB at 2250.791 Hz (references 5.4)."""
    node = built("(L1 || C1 || R1) + midrange", L1=0.5e-3, C1=10e-6, R1=10.0)
    f = np.array([2250.7907903927652])
    solved = transfers_of(node, f, {"midrange": np.array([8.0 + 0j])})
    assert 20 * np.log10(abs(solved.transfer[0][0])) == pytest.approx(-7.043650, abs=1e-6)


WOOFER = DriverEquivalent(
    re_ohm=5.8,
    le_h=0.5e-3,
    resonances=(Resonance(r_ohm=58.0, l_h=57.693667e-3, c_f=274.405074e-6),),
)
TWEETER = DriverEquivalent(
    re_ohm=5.0,
    le_h=0.05e-3,
    resonances=(Resonance(r_ohm=10.416667, l_h=0.947351e-3, c_f=54.567409e-6),),
)
WORKED = built(
    "(L1 + (C1 || woofer)) || (C2 + (L2 || (Rs + (Rp || tweeter))))",
    L1=(1.2e-3, 0.35), C1=(10e-6, 0.05), C2=4.7e-6, L2=(0.33e-3, 0.25), Rs=2.2, Rp=8.2,
)  # fmt: skip
# f, woofer dB and degrees, tweeter dB and degrees, impedance and degrees, EPDR: references 17,
# confirmed there with ngspice.
TABLE = np.array(
    [
        [20, -0.23779, 0.8288, -81.54698, 99.3760, 12.54938, 50.4779, 4.04438],
        [300, -0.23366, -22.3664, -49.22350, 157.3496, 5.99191, 3.2387, 5.44442],
        [1000, -3.61802, -45.8571, -27.56853, 148.6581, 13.06052, 29.3052, 6.23692],
        [3000, -5.58211, -141.5365, -11.94121, 109.9033, 15.46609, -37.6725, 6.24907],
        [20000, -45.37924, -176.1380, -2.52134, 24.2259, 5.59199, 11.8854, 4.00941],
    ]
)


def test_worked_network() -> None:
    """The worked two-way network of references 17, to all digits printed there."""
    f = TABLE[:, 0]
    loads = {"woofer": WOOFER.impedance(f), "tweeter": TWEETER.impedance(f)}
    solved = transfers_of(WORKED, f, loads)
    z = 1.0 / solved.admittance
    columns = []
    for h in solved.transfer:
        columns += [20 * np.log10(np.abs(h)), np.degrees(np.angle(h))]
    columns += [np.abs(z), np.degrees(np.angle(z)), equivalent_peak_dissipation_resistance(z)]
    np.testing.assert_allclose(np.stack(columns, axis=1), TABLE[:, 1:], atol=6e-5, rtol=3e-6)


def test_worked_network_balances_its_power() -> None:
    """At 3 kHz and 2.83 V: 0.1139395 W in Rs, 0.0624652 W in Rp, 0.1004020 W in the tweeter.

    0.0095438 W in the coil (references 17).
    """
    f = np.array([3000.0])
    loads = {"woofer": WOOFER.impedance(f), "tweeter": TWEETER.impedance(f)}
    found = phasors_of(WORKED, f, loads)
    watt = 2.83**2 * (found.part_voltage * found.part_current.conj()).real[:, 0]
    names = [leaf.name for leaf in part_leaves(WORKED)]
    for name, wanted in (("Rs", 0.1139395), ("Rp", 0.0624652), ("L2", 0.0095438)):
        assert watt[names.index(name)] == pytest.approx(wanted, abs=6e-8)
    tweeter = 2.83**2 * (found.driver_voltage[1] * found.driver_current[1].conj()).real[0]
    assert tweeter == pytest.approx(0.1004020, abs=6e-8)


def test_driver_equivalent_is_an_expression_of_parts() -> None:
    """Wire, coil and a resonance in series (references 6.1) as an expression without drivers."""
    parts = built("R1 + L1 + (R2 || L2 || C2)", R1=5.8, L1=0.5e-3, R2=58.0, L2=57.693667e-3,
                  C2=274.405074e-6)  # fmt: skip
    np.testing.assert_allclose(impedance_of(parts, F), WOOFER.impedance(F), rtol=1e-12)


def test_ohm_meter() -> None:
    """Coils pass direct current through their wire, capacitors block it, resistors stay."""
    ohm = {"woofer": 5.8, "tweeter": 5.0}
    assert resistance_of(WORKED, lambda d: ohm[d.driver]) == pytest.approx(0.35 + 5.8)
    assert resistance_of(WORKED) == float("inf")
    shunted = built("R1 + (L1 || woofer)", R1=1.0, L1=(1e-3, 0.5))
    assert resistance_of(shunted) == pytest.approx(1.5)
    assert resistance_of(shunted, lambda _: 4.5) == pytest.approx(1.45)
    assert resistance_of(built("L1 || (C1 + woofer)", L1=1e-3, C1=1e-6)) == 0.0


SPAN: dict[Kind, ValueRange] = {
    "inductor": ValueRange(low=5e-5, high=1e-2),
    "capacitor": ValueRange(low=5e-7, high=3e-4),
    "resistor": ValueRange(low=0.5, high=60.0),
}
LAWS: dict[Kind, LossLaw] = {
    "inductor": lambda value: 20.0 * value**0.6,
    "capacitor": lambda value: 1e-7 / value,
    "resistor": lambda value: 0.0 * value,
}


def random_topology(rng: np.random.Generator) -> Topology:
    """Up to three ways of up to seven slots of all forms, some optional, some kept."""
    choices = [(form, place) for form, places in PLACES_OF_FORM.items() for place in places]
    ways = []
    for w in range(int(rng.integers(1, 4))):
        slots = []
        for i in range(int(rng.integers(0, 8))):
            form, place = choices[int(rng.integers(len(choices)))]
            kinds = PARTS_OF_FORM[form]
            kept = tuple(Part(kind=k, value=7 * SPAN[k].low, loss_ohm=0.03) for k in kinds)
            slots.append(
                Slot(
                    name=f"S{i}",
                    place=place,
                    form=form,
                    optional=bool(rng.random() < 0.5),
                    ranges=tuple(SPAN[k] for k in kinds),
                    kept=kept if rng.random() < 0.2 else None,
                )
            )
        ways.append(Way(name=f"w{w}", driver=f"d{w}", slots=tuple(slots)))
    return Topology(ways=tuple(ways))


@pytest.mark.parametrize("seed", range(60))
def test_ladders_give_what_the_bank_of_ladders_gives(seed: int) -> None:
    """Values and slopes of random ladders of all forms equal those of the ladder walk in 1e-12."""
    rng = np.random.default_rng(seed)
    topology = random_topology(rng)
    loads = {
        way.driver: rng.uniform(2, 20, F.size) + 1j * rng.uniform(-15, 15, F.size)
        for way in topology.ways
    }
    old = ladders.LadderBank(topology, F, [loads[way.driver] for way in topology.ways])
    new = Bank(from_topology(topology), F, loads)
    kinds = tuple(g.kind for g in old.genes)
    assert new.cells.kinds == kinds
    assert len(new.plan.places) == len(old.slots)
    low, high = (np.array([getattr(SPAN[k], end) for k in kinds]) for end in ("low", "high"))
    values = low * (high / low) ** rng.random((12, len(kinds)))
    optional = np.array([slot.optional for slot in old.slots], dtype=bool)
    losses = [LAWS[k](values[:, g]) for g, k in enumerate(kinds)]
    fields = {
        "values": values,
        "loss_ohm": np.stack(losses, axis=1) if losses else values,
        "present": ~optional | (rng.random((12, len(optional))) < 0.6),
        "polarity": rng.choice([-1.0, 1.0], (12, len(old.ways))),
    }
    wanted, tangents = old.solve_with_tangents(ladders.Population(**fields), LAWS)
    population = Population(**fields)
    solved, slopes = new.solve_with_slopes(population, loss_slopes(LAWS, kinds, values))
    for found in (new.solve(population), solved):
        for a, b in zip(found.transfer, wanted.transfer, strict=True):
            np.testing.assert_allclose(a, b, rtol=1e-12)
        np.testing.assert_allclose(found.admittance, wanted.admittance, rtol=1e-12)
    row = {int(g): s for s, g in enumerate(slopes.free)}
    for w, genes in enumerate(tangents.genes):
        # A part across an ideal source moves no driver; the ladder bank lists it with zeros.
        moved = np.isin(genes, slopes.leaves[w])
        np.testing.assert_array_equal(genes[moved], slopes.leaves[w])
        assert not tangents.transfer[w][:, ~moved].any()
        for a, b in (
            (slopes.transfer[w], tangents.transfer[w][:, moved]),
            (slopes.admittance[:, [row[int(g)] for g in genes]], tangents.admittance[w]),
        ):
            size = np.max(np.abs(b), axis=(0, 2), keepdims=True) if b.size else np.ones((1, 1, 1))
            assert np.all(np.abs(a - b) <= 1e-12 * size + 1e-10 * np.abs(b))
