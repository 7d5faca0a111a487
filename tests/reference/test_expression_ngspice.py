"""Expressions against ngspice: 300 random ones, and the text that a user runs."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer.arrays import Complex
from optimizer.errors import InputError
from optimizer.network.deck import Deck, Sweep, write_load
from optimizer.network.equivalent import DriverEquivalent
from optimizer.network.expression.bank import Bank, Solution
from optimizer.network.expression.circuit import (
    list_elements,
    write_circuit,
    write_source,
    write_spice,
)
from optimizer.network.expression.nodes import (
    DriverLeaf,
    Node,
    PartLeaf,
    SourceResistance,
    Tap,
    walk_nodes,
)
from optimizer.network.expression.notation import parse
from optimizer.network.expression.plan import NetworkPlan, Population
from optimizer.network.expression.single import transfers_of
from optimizer.parts import Part
from optimizer.testing.expressions import (
    built,
    impedances,
    random_expression,
    random_loads,
    random_population,
)
from optimizer.testing.spice import read_drive, read_voltage

Plot = dict[str, Complex]

CASES = 300
PER_RUN = 60
SWEEP = ".ac dec 8 20 20000"
FLOOR = 1e-6  # of the source voltage: what ngspice resolves against its gmin and 1e12 ohm bleeders


def settle(
    node: Node, parts: dict[str, Part], empty: set[str], signs: dict[str, int]
) -> Node | None:
    """Fill or leave out every place of an expression; None when nothing is left."""
    if isinstance(node, PartLeaf):
        if node.place in empty:
            return None
        return replace(node, part=parts[node.name], fixed=True, optional=False)
    if isinstance(node, DriverLeaf):
        return replace(node, polarity="normal" if signs[node.name] > 0 else "inverted")
    if isinstance(node, Tap):
        item = settle(node.item, parts, empty, signs)
        return None if item is None else replace(node, item=item)
    if node.place in empty:
        return None
    items = [settle(item, parts, empty, signs) for item in node.items]
    left = tuple(item for item in items if item is not None)
    return replace(node, items=left, optional=False) if left else None


class Random:
    """A random network, as values for our solver and as parts for ngspice."""

    def __init__(self, seed: int) -> None:
        rng = np.random.default_rng(10_000 + seed)
        drivers = int(rng.integers(1, 5))
        self.plan = NetworkPlan(random_expression(rng, drivers, int(rng.integers(1, 21))))
        ohms = rng.uniform(0.01, 3.0, 2) * (rng.random(2) < 0.4)
        self.source = SourceResistance(output_ohm=float(ohms[0]), cable_ohm=float(ohms[1]))
        self.loads = random_loads(rng, drivers)
        self.population, _ = random_population(rng, self.plan, 1)
        one = self.population[0]
        parts = {
            leaf.name: Part(kind=leaf.kind, value=float(v), loss_ohm=float(r))
            for leaf, v, r in zip(self.plan.leaves, one.values, one.loss_ohm, strict=True)
        }
        empty = [p for p, there in zip(self.plan.places, one.present, strict=True) if not there]
        signs = {
            d.name: 1 if s > 0 else -1 for d, s in zip(self.plan.drivers, one.polarity, strict=True)
        }
        settled = settle(self.plan.node, parts, set(empty), signs)
        assert settled is not None
        self.network = settled

    def solve(self, frequency_hz: np.ndarray) -> Solution:
        loads = impedances(self.loads, frequency_hz)
        population: Population = self.population[0]
        return Bank(self.plan, frequency_hz, loads, self.source).solve(population)


@pytest.mark.ngspice
def test_random_expressions(run_spice: Callable[[str], Plot]) -> None:
    """Every driver voltage and the admittance of 300 networks within 1e-6."""
    worst, taps, sources = 0.0, 0, 0
    for start in range(0, CASES, PER_RUN):
        deck = Deck(lines=["random networks"])
        found = []
        for seed in range(start, start + PER_RUN):
            case, prefix = Random(seed), f"k{seed}_"
            top = write_source(deck, case.source, prefix=prefix)
            subcircuits = {name: f"{prefix}{name}" for name in case.loads}
            nodes = write_circuit(deck, case.network, subcircuits, top=top, prefix=prefix)
            found.append((case, prefix, nodes))
            taps += any(isinstance(n, Tap) for n in walk_nodes(case.network))
            sources += case.source.ohm > 0.0
        deck.bleed()
        for case, prefix, _ in found:
            for name, circuit in case.loads.items():
                write_load(deck, name, f"{prefix}{name}", circuit)
        plot = run_spice("\n".join([*deck.lines, SWEEP, ".end"]) + "\n")
        f = plot["frequency"].real
        for case, prefix, nodes in found:
            ours = case.solve(f)
            for leaf, h in zip(case.plan.drivers, ours.transfer, strict=True):
                error = np.abs(read_drive(plot, nodes[leaf.name]) - h) / (np.abs(h) + FLOOR)
                worst = max(worst, float(error.max()))
            y = -plot[f"i(v{prefix}amp)"] / read_voltage(plot, f"{prefix}amp")
            worst = max(worst, float(np.max(np.abs(y / ours.admittance - 1.0))))
    assert taps > 40
    assert sources > 100
    assert worst < 1e-6


SERIES = built(
    "tap(0.8, L0 + ((C1 || woofer) + (L1 || -tweeter)))",
    L0=(2e-4, 0.1), C1=(3e-5, 0.05), L1=(4e-4, 0.2),
)  # fmt: skip
DRIVERS = random_loads(np.random.default_rng(3), 2)
LOADS = {"woofer": DRIVERS["d0"], "tweeter": DRIVERS["d1"]}


@pytest.mark.ngspice
def test_text_runs_unchanged_and_writes_curves(ngspice: str, tmp_path: Path) -> None:
    """``ngspice -b`` ends with 0 and writes levels and impedance equal to ours within 1e-6 dB."""
    out = tmp_path / "curves.txt"
    source = SourceResistance(output_ohm=0.3, cable_ohm=0.1)
    deck = tmp_path / "deck.cir"
    text = write_spice(
        SERIES, LOADS, source=source, volts=2.83, curves_file=str(out), notes=["series, tapped"]
    )
    assert text.isascii()
    deck.write_text(text, encoding="ascii")
    done = subprocess.run([ngspice, "-b", str(deck)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    heads = out.read_text().split("\n")[0].split()
    assert heads[1:3] == ["drive_db_woofer", "drive_db_tweeter"]
    table = np.loadtxt(out, skiprows=1)
    f = table[:, 0]
    loads = {name: circuit.impedance(f) for name, circuit in LOADS.items()}
    ours = transfers_of(SERIES, f, loads, source)
    z = 1.0 / ours.admittance
    expected = [
        *(20 * np.log10(np.abs(h)) for h in ours.transfer),
        np.abs(z),
        np.degrees(np.angle(z)),
    ]
    np.testing.assert_allclose(table[:, 1:].T, expected, rtol=1e-6, atol=1e-6)


@pytest.mark.ngspice
def test_text_run_as_it_is_prints_levels(ngspice: str, tmp_path: Path) -> None:
    """``ngspice -b`` on the plain text ends with 0 and prints every driver's level, six digits."""
    deck = tmp_path / "deck.cir"
    deck.write_text(
        write_spice(SERIES, LOADS, source=SourceResistance(cable_ohm=0.2)), encoding="ascii"
    )
    done = subprocess.run([ngspice, "-b", str(deck)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    rows = [line.split() for line in done.stdout.split("\n") if line[:1].isdigit()]
    table = np.array(
        [[float(x) for x in row] for row in rows if len(row) == 4 and "," not in row[2]]
    )
    ours = transfers_of(
        SERIES, table[:, 1], {name: c.impedance(table[:, 1]) for name, c in LOADS.items()},
        SourceResistance(cable_ohm=0.2),
    )  # fmt: skip
    assert len(table) == 361
    for column, h in zip(table[:, 2:].T, ours.transfer, strict=True):
        np.testing.assert_allclose(column, 20 * np.log10(np.abs(h)), rtol=6e-6, atol=1e-7)


def test_elements_in_order() -> None:
    """Nodes are numbered from the source; series items follow each other, parallel ones share."""
    elements = list_elements(SERIES)
    assert [(e.what.name if not isinstance(e.what, Tap) else "tap", e.nodes) for e in elements] == [
        ("tap", ("amp", "n1", "0")),
        ("L0", ("n1", "n2")),
        ("C1", ("n2", "n3")),
        ("woofer", ("n2", "n3")),
        ("L1", ("n3", "0")),
        ("tweeter", ("n3", "0")),
    ]


def test_text_refuses_what_is_open() -> None:
    """Empty places, open polarities, missing loads and empty sweeps are refused with a rule."""
    with pytest.raises(InputError, match="every place of a netlist is filled"):
        write_spice(parse("L1 + woofer"), LOADS)
    with pytest.raises(InputError, match="every polarity of a netlist is settled"):
        write_spice(DriverLeaf("woofer", polarity="free"), LOADS)
    with pytest.raises(InputError, match="every driver of the network needs a load"):
        write_spice(SERIES, {"woofer": DriverEquivalent(re_ohm=6.0)})
    with pytest.raises(InputError, match="from a positive frequency to a higher one"):
        write_spice(SERIES, LOADS, sweep=Sweep(low_hz=100.0, high_hz=100.0))
    with pytest.raises(InputError, match="curves file"):
        write_spice(SERIES, LOADS, curves_file="a b; quit")
