"""Random ladders solved by programs that share no code with ours: ngspice and scikit-rf."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from optimizer.arrays import Complex, Real
from optimizer.network.equivalent import DriverEquivalent, LossySection, Resonance
from optimizer.network.expression.forms import NAMED_FORMS, form_of
from optimizer.network.ladder import Form, Place
from optimizer.network.netlist import Sweep, name_nodes, write_netlist
from optimizer.network.network import FittedSlot, FittedWay, Network
from optimizer.network.solve import SolvedNetwork, solve_network
from optimizer.parts import Kind, Part
from optimizer.testing.spice import read_drive

NETWORKS = 220
SPAN: dict[Kind, tuple[float, float]] = {
    "inductor": (5e-5, 2e-2),
    "capacitor": (5e-7, 4e-4),
    "resistor": (0.3, 60.0),
}
KINDS_OF_SLOT: list[tuple[Form, Place]] = [(f, p) for p, f in NAMED_FORMS]

Load = DriverEquivalent
Case = tuple[Network, dict[str, Load]]


def draw_part(rng: np.random.Generator, kind: Kind) -> Part:
    low, high = SPAN[kind]
    value = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    # A quarter of the coils and capacitors are ideal: the awkward case for a circuit simulator.
    lossy = kind != "resistor" and rng.random() < 0.75
    loss = float(rng.uniform(0.01, 0.8)) if lossy else 0.0
    return Part(kind=kind, value=value, loss_ohm=loss)


def draw_load(rng: np.random.Generator) -> Load:
    re_ohm = float(rng.uniform(2.5, 16.0))
    if rng.random() < 0.3:
        return DriverEquivalent(re_ohm=re_ohm)
    sections = tuple(
        LossySection(r_ohm=float(rng.uniform(1, 40)), l_h=float(rng.uniform(1e-4, 2e-3)))
        for _ in range(rng.integers(0, 3))
    )
    peaks = []
    for _ in range(rng.integers(1, 3)):
        # R = Re Qms/Qes and the rest from the resonance, as Thiele and Small have it.
        f0, qms, qes = rng.uniform(30, 1500), rng.uniform(1.5, 8), rng.uniform(0.3, 1.2)
        w0 = 2 * np.pi * f0
        peaks.append(
            Resonance(
                r_ohm=float(re_ohm * qms / qes),
                l_h=float(re_ohm / (w0 * qes)),
                c_f=float(qes / (w0 * re_ohm)),
            )
        )
    return DriverEquivalent(
        re_ohm=re_ohm, le_h=float(rng.uniform(0, 1e-3)), sections=sections, resonances=tuple(peaks)
    )


def draw_case(index: int) -> Case:
    """One network: 1 to 4 ways, each with 1 to 6 slots of any form (0 in one way of ten)."""
    rng = np.random.default_rng([20, index])
    ways, loads = [], {}
    for w in range(rng.integers(1, 5)):
        order = 0 if rng.random() < 0.1 else int(rng.integers(1, 7))
        slots = []
        for s in range(order):
            # The slot kinds take turns, so that none is left to chance.
            form, place = KINDS_OF_SLOT[
                (index + w + s * int(rng.integers(1, 4))) % len(KINDS_OF_SLOT)
            ]
            parts = tuple(draw_part(rng, kind) for kind in form_of(form, place).kinds)
            slots.append(FittedSlot(name=f"S{s + 1}", place=place, form=form, parts=parts))
        ways.append(
            FittedWay(
                name=f"way {w + 1}",
                driver=f"driver {w + 1}",
                polarity=1 if rng.random() < 0.5 else -1,
                slots=tuple(slots),
            )
        )
        loads[f"driver {w + 1}"] = draw_load(rng)
    return Network(ways=tuple(ways)), loads


CASES = [draw_case(i) for i in range(NETWORKS)]


def solve(case: Case, frequency_hz: Real) -> SolvedNetwork:
    network, loads = case
    return solve_network(
        network, frequency_hz, {name: load.impedance(frequency_hz) for name, load in loads.items()}
    )


def test_random_ladders_cover_every_slot_kind_order_and_way_count() -> None:
    """The drawn networks hold every form at every place, orders 0 to 6 and 1 to 4 ways."""
    ways = [way for network, _ in CASES for way in network.ways]
    assert {(s.form, s.place) for way in ways for s in way.slots} == set(KINDS_OF_SLOT)
    assert {len(way.slots) for way in ways} == set(range(7))
    assert {len(network.ways) for network, _ in CASES} == {1, 2, 3, 4}
    assert len(CASES) >= 200


@pytest.mark.ngspice
def test_random_ladders_agree_with_ngspice(
    run_spice: Callable[[str], dict[str, Any]], trials: Callable[..., int]
) -> None:
    """Transfer of every way and the input admittance differ from ngspice by less than 1e-6."""
    sweep = Sweep(low_hz=20.0, high_hz=20_000.0, points_per_decade=5)
    worst = 0.0
    for case in CASES[: trials(routine=60, full=len(CASES))]:
        network, loads = case
        plot = run_spice(write_netlist(network, loads, sweep=sweep))
        ours = solve(case, plot["frequency"].real)
        for h, nodes in zip(ours.transfer, name_nodes(network), strict=True):
            worst = max(worst, float(np.max(np.abs(h / read_drive(plot, nodes) - 1.0))))
        worst = max(worst, float(np.max(np.abs(-ours.admittance / plot["i(vamp)"] - 1.0))))
    assert worst < 1e-6


def two_port(media: Any, slot: FittedSlot) -> Any:
    """Build one slot from scikit-rf's own elements, as a two-port."""
    import skrf

    def one(part: Part) -> Any:
        loss = media.resistor(part.loss_ohm)
        if part.kind == "inductor":
            return media.inductor(part.value) ** loss
        if part.kind == "capacitor":
            return media.capacitor(part.value) ** loss
        return media.resistor(part.value)

    def beside(parts: list[Any]) -> Any:
        s = skrf.network.y2s(sum(part.y for part in parts), z0=media.z0)
        return skrf.Network(frequency=media.frequency, s=s, z0=media.z0)

    parts = [one(part) for part in slot.parts]
    if slot.form == "pad":
        return parts[0] ** media.shunt(parts[1] ** media.short())
    if slot.form == "bypassed pad":
        return beside(parts[:2]) ** media.shunt(parts[2] ** media.short())
    if slot.form in ("trap", "contour"):
        return beside(parts)
    chain = parts[0]
    for part in parts[1:]:
        chain = chain**part
    return chain if slot.place == "series" else media.shunt(chain ** media.short())


def test_random_ladders_agree_with_scikit_rf(trials: Callable[..., int]) -> None:
    """Transfer and input admittance differ from scikit-rf's cascades by less than 1e-9."""
    import skrf

    frequency = np.geomspace(20.0, 20_000.0, 19)
    media = skrf.media.DefinedGammaZ0(
        frequency=skrf.Frequency.from_f(frequency, unit="hz"), z0=8.0, gamma=1j
    )
    worst = 0.0
    for case in CASES[: trials(routine=60, full=len(CASES))]:
        network, loads = case
        ours = solve(case, frequency)
        total: Complex = np.zeros(len(frequency), dtype=np.complex128)
        for w, way in enumerate(network.ways):
            chain = media.thru()
            for slot in way.slots:
                chain = chain ** two_port(media, slot)
            a, b, c, d = (chain.a[:, i, j] for i in (0, 1) for j in (0, 1))
            load = loads[way.driver].impedance(frequency)
            # V1 = A V2 + B I2 and I1 = C V2 + D I2 with V2 = ZL I2.
            transfer = way.polarity / (a + b / load)
            total = total + (c + d / load) / (a + b / load)
            worst = max(worst, float(np.max(np.abs(ours.transfer[w] / transfer - 1.0))))
        worst = max(worst, float(np.max(np.abs(ours.admittance / total - 1.0))))
    assert worst < 1e-9
