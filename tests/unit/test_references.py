"""Reference names: each part of a whole network has one that no other has."""

from __future__ import annotations

import re

import numpy as np
import pytest

from optimizer.network.equivalent import DriverEquivalent
from optimizer.network.netlist import write_netlist
from optimizer.network.network import FittedGroup, Network
from optimizer.testing import capacitor, coil, fitted, in_line, network, resistor
from tests.unit.test_schematic import draw_random_tree


def test_parts_are_counted_from_the_source_through_shared_sections() -> None:
    """A shared coil comes first, then way by way; a pad's resistors are named by their kind."""
    cap, pad = capacitor(1e-5), (resistor(2.0), resistor(8.0))
    ways = network(
        {
            "low": [in_line("L1", coil(1e-3))],
            "high": [in_line("C1", cap), fitted("P1", "series", "pad", *pad)],
        }
    ).ways
    front = fitted("L1", "series", "inductor", coil(2e-3))
    shared = FittedGroup(name="all", members=("low", "high"), slots=(front,))
    made = Network(ways=ways, groups=(shared,)).references
    assert made == {
        ("all", "L1"): "L1",
        ("low", "L1"): "L2",
        ("high", "C1"): "C1",
        ("high", "P1.Rs"): "R1",
        ("high", "P1.Rp"): "R2",
    }


def test_names_printed_on_a_board_stay() -> None:
    """Kind by kind: capacitors that are told apart already keep their names, coils here do not."""
    made = network(
        {
            "low": [in_line("L1", coil(1e-3)), fitted("C7", "shunt", "capacitor", capacitor(1e-5))],
            "high": [in_line("C2", capacitor(1e-5)), fitted("L1", "shunt", "inductor", coil(1e-3))],
        }
    ).references
    assert made == {
        ("low", "L1"): "L1",
        ("high", "L1"): "L2",
        ("low", "C7"): "C7",
        ("high", "C2"): "C2",
    }


@pytest.mark.parametrize("seed", range(8))
def test_every_part_has_a_name_of_its_own_and_the_netlist_its_value(seed: int) -> None:
    """As many names as parts and transformers; each is an element of the SPICE text, once."""
    made = draw_random_tree(seed)
    names = made.references
    taps = sum(s.circuit.gain is not None for one in made.ladders for s in one.slots)
    assert len(set(names.values())) == len(names) == len(made.parts) + taps
    loads = {way.driver: DriverEquivalent(re_ohm=6.0) for way in made.ways}
    text = write_netlist(made, loads).partition(".subckt")[0]
    values = {a: float(v) for a, v in re.findall(r"^([RLC]\d+) \S+ \S+ (\S+)$", text, re.M)}
    parts = {
        names[one.name, label]: part
        for one in made.ladders
        for slot in one.slots
        for label, _, part in slot.named_parts
    }
    assert set(values) == set(parts)
    for name, part in parts.items():
        own = part.value + (part.loss_ohm if part.kind == "resistor" else 0.0)
        np.testing.assert_allclose(values[name], own, rtol=1e-12)
