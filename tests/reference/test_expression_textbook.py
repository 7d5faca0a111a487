"""Expressions against closed forms of the textbooks, and ladders against chain matrices."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.arrays import Complex
from optimizer.network.amplifier import equivalent_peak_dissipation_resistance
from optimizer.network.bank import LadderBank
from optimizer.network.equivalent import DriverEquivalent, Resonance
from optimizer.network.expression.bank import LossLaw, loss_slopes
from optimizer.network.expression.forms import NAMED_FORMS, form_of
from optimizer.network.expression.nodes import SourceResistance, part_leaves
from optimizer.network.expression.notation import parse
from optimizer.network.expression.plan import Population
from optimizer.network.expression.single import (
    phasors_of,
    resistance_of,
    transfers_of,
)
from optimizer.network.ladder import Place
from optimizer.network.topology import Slot, Topology, ValueRange, Way
from optimizer.parts import Kind, Part
from optimizer.testing.expressions import built

F = np.geomspace(20.0, 20_000.0, 61)
S = 2j * np.pi * F


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
    node = built(f"tap({1.0 / 1.5!r}, R1 + tweeter)", R1=2.0)
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
    """Wire, coil and a resonance in series (references 6.1) as an expression, its driver open."""
    parts = built("open || (R1 + L1 + (R2 || L2 || C2))", R1=5.8, L1=0.5e-3, R2=58.0, L2=57.693667e-3,
                  C2=274.405074e-6)  # fmt: skip
    solved = transfers_of(parts, F, resistive(1e16, "open"))
    np.testing.assert_allclose(1.0 / solved.admittance, WOOFER.impedance(F), rtol=1e-12)


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
    choices = [(form, place) for place, form in NAMED_FORMS]
    ways = []
    for w in range(int(rng.integers(1, 4))):
        slots = []
        for i in range(int(rng.integers(0, 8))):
            form, place = choices[int(rng.integers(len(choices)))]
            kinds = form_of(form, place).kinds
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


SLOPE_OF_LOSS = {"inductor": 0.6, "capacitor": -1.0, "resistor": 0.0}
"""What one neper of value adds to each loss of `LAWS`, as a part of it."""

Link = tuple[Place, Complex, dict[int, Complex]]
"""A series impedance or shunt admittance (F,), and its slope by the log value of each gene."""


def test_slopes_of_losses() -> None:
    """The derivatives of the laws by hand."""
    kinds: tuple[Kind, ...] = ("inductor", "capacitor", "resistor")
    values = np.array([[1e-3, 1e-5, 8.0], [3e-4, 5e-5, 2.0]])
    loss = np.stack([LAWS[k](values[:, g]) for g, k in enumerate(kinds)], axis=1)
    wanted = loss * [SLOPE_OF_LOSS[k] for k in kinds]
    np.testing.assert_allclose(loss_slopes(LAWS, kinds, values), wanted, rtol=1e-8)


def impedance_and_slope(kind: Kind, value: float) -> tuple[Complex, Complex]:
    """Of a part with the loss of its law: r + sL, r + 1/(sC), R + r."""
    loss = float(LAWS[kind](np.array(value)))
    slope = float(loss_slopes(LAWS, (kind,), np.array([value]))[0])
    own = {"inductor": S * value, "capacitor": 1.0 / (S * value), "resistor": value + 0.0 * S}[kind]
    return own + loss, (-own if kind == "capacitor" else own) + slope


def links_of(slot: Slot, first: int, values: np.ndarray) -> list[Link]:
    """What a slot is in a chain; `first` is the number of its first part."""
    pairs = [impedance_and_slope(k, v) for k, v in zip(slot.kinds, values, strict=True)]
    if slot.form == "pad":
        (z, dz), (r, dr) = pairs
        return [("series", z, {first: dz}), ("shunt", 1.0 / r, {first + 1: -dr / r**2})]
    if slot.form in ("trap", "contour", "bypassed pad"):
        beside = pairs[:2] if slot.form == "bypassed pad" else pairs
        total = 1.0 / sum(1.0 / z for z, _ in beside)
        slopes = {first + i: (total / z) ** 2 * dz for i, (z, dz) in enumerate(beside)}
        links: list[Link] = [("series", total, slopes)]
        for r, dr in pairs[len(beside) :]:
            links.append(("shunt", 1.0 / r, {first + 2: -dr / r**2}))
        return links
    total = sum(z for z, _ in pairs)
    slopes = {first + i: dz for i, (_, dz) in enumerate(pairs)}
    if slot.place == "series":
        return [("series", total, slopes)]
    return [("shunt", 1.0 / total, {g: -dz / total**2 for g, dz in slopes.items()})]


def chain_matrix(place: Place, x: Complex, diagonal: float = 1.0) -> Complex:
    """Chain matrix (F, 2, 2) of a link; of its change when the diagonal is 0.

    Source: D. M. Pozar, Microwave Engineering, 4th ed., Wiley 2012, table 4.1.
    """
    out = np.zeros((len(x), 2, 2), dtype=np.complex128)
    out[:, 0, 0] = out[:, 1, 1] = diagonal
    row, column = (0, 1) if place == "series" else (1, 0)
    out[:, row, column] = x
    return out


def multiply(links: list[Complex], load: Complex) -> Complex:
    """Voltage and current at the source for 1 V at the load, (F, 2)."""
    state = np.stack([np.ones_like(load), 1.0 / load], axis=1)[:, :, None]
    for matrix in reversed(links):
        state = matrix @ state
    return state[:, :, 0]


@pytest.mark.parametrize("seed", range(60))
def test_ladders_are_products_of_chain_matrices(seed: int) -> None:
    """Values of random ladders of all forms within 1e-12, slopes within 1e-10 of the chain's."""
    rng = np.random.default_rng(seed)
    topology = random_topology(rng)
    loads = [rng.uniform(2, 20, F.size) + 1j * rng.uniform(-15, 15, F.size) for _ in topology.ways]
    bank = LadderBank(topology, F, loads)
    kinds = [kind for way in topology.ways for slot in way.slots for kind in slot.kinds]
    fixed = [slot.fixed for way in topology.ways for slot in way.slots for _ in slot.kinds]
    optional = np.array([slot.optional for way in topology.ways for slot in way.slots], dtype=bool)
    low, high = (np.array([getattr(SPAN[k], end) for k in kinds]) for end in ("low", "high"))
    count = 3
    values = low * (high / low) ** rng.random((count, len(kinds)))
    losses = [LAWS[k](values[:, g]) for g, k in enumerate(kinds)]
    population = Population(
        values=values,
        loss_ohm=np.stack(losses, axis=1) if losses else values,
        present=~optional | (rng.random((count, len(optional))) < 0.6),
        polarity=rng.choice([-1.0, 1.0], (count, len(loads))),
    )
    plain = bank.solve(population)
    solved, slopes = bank.solve_with_tangents(population, LAWS)
    for p in range(count):
        gene = place = 0
        total: Complex = np.zeros(len(F), dtype=np.complex128)
        for w, way in enumerate(topology.ways):
            links: list[Link] = []
            own = []
            for slot in way.slots:
                if population.present[p, place]:
                    links += links_of(slot, gene, values[p, gene : gene + len(slot.kinds)])
                own += range(gene, gene + len(slot.kinds))
                gene, place = gene + len(slot.kinds), place + 1
            matrices = [chain_matrix(at, x) for at, x, _ in links]
            voltage, current = multiply(matrices, loads[w]).T
            total = total + current / voltage
            sign = population.polarity[p, w]
            for found in (plain, solved):
                np.testing.assert_allclose(found.transfer[w][p], sign / voltage, rtol=1e-12)
            changes = {
                g: multiply(
                    [*matrices[:k], chain_matrix(at, dx, 0.0), *matrices[k + 1 :]], loads[w]
                ).T
                for k, (at, _, steps) in enumerate(links)
                for g, dx in steps.items()
            }
            mine_of = dict(zip(map(int, slopes.leaves[w]), slopes.transfer[w][p], strict=True))
            assert set(mine_of) <= set(own)
            for g in (g for g in own if not fixed[g]):
                dv, di = changes.get(g, np.zeros((2, len(F))))
                at = slopes.free.tolist().index(g)
                # What lies right across the amplifier moves no driver.
                for mine, terms in (
                    (mine_of.get(g, np.zeros(len(F))), [-sign * dv / voltage**2]),
                    (slopes.admittance[p, at], [di / voltage, -dv * current / voltage**2]),
                ):
                    wanted = sum(terms)
                    # The terms of the chain may nearly cancel.
                    size = np.max(np.abs(terms))
                    np.testing.assert_allclose(mine, wanted, rtol=1e-10, atol=1e-12 * size)
        for found in (plain, solved):
            np.testing.assert_allclose(found.admittance[p], total, rtol=1e-12)
