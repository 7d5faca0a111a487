"""A network written as one expression in a design file."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from optimizer.design.build import build_problem, load_design
from optimizer.errors import InputError
from optimizer.network.expression.ladders import from_topology
from optimizer.network.expression.nodes import render
from optimizer.network.solve import solve_network

README = Path(__file__).resolve().parents[2] / "README.md"

TREE = """network: "L0 + ((L1 + (C1 || woofer)) || (C2 + (L2? || ±midrange))
  || (B1: (R3 || C3)? + -tweeter))"
values: {L0: 0.1 .. 1 mH, L1: 1 .. 6 mH, C1: 10 .. 100 uF, C2: {keep: 47 uF, esr: 0.1 ohm},
         L2: 1 .. 10 mH, R3: 1 .. 10 ohm, C3: 1 .. 10 uF}
"""


@pytest.fixture(scope="module")
def write(copy_demo, tmp_path_factory):
    """Return a function that writes the demo with a network instead of its ways."""

    def one(text: str):
        design = copy_demo(tmp_path_factory.mktemp("tree"), coarse=True)
        demo = design.read_text(encoding="utf-8")
        ways = re.search(r"^ways:\n.*?(?=^# What is wanted)", demo, flags=re.M | re.S)
        assert ways
        design.write_text(demo.replace(ways[0], text), encoding="utf-8")
        return design

    return one


def test_an_expression_is_ladders_and_groups(write):
    """A shared coil, three ways; places, ranges, polarity and what stays are as written."""
    problem = build_problem(load_design(write(TREE)))
    topology = problem.topology
    (group,) = topology.groups
    assert (group.joint, group.members) == ("parallel", ("woofer", "midrange", "tweeter"))
    assert [slot.name for slot in group.slots] == ["L0"]
    ways = {way.name: way for way in topology.ways}
    assert [way.polarity for way in topology.ways] == ["normal", "free", "inverted"]
    kept, maybe = ways["midrange"].slots
    assert kept.fixed
    assert kept.kept[0].value == pytest.approx(47e-6)
    assert kept.kept[0].loss_ohm == 0.1
    assert maybe.optional
    assert ways["tweeter"].slots[0].name == "B1"
    assert ways["tweeter"].slots[0].ranges[1].high == pytest.approx(10e-6)
    text = render(from_topology(topology))
    assert text.index("L0") < text.index("L1") < text.index("C1")


def test_it_solves_as_worked_out_by_hand(write):
    """A series crossover of two ways, solved here by hand from its loads."""
    text = (
        'network: "(C1 || woofer) + (L1 || tweeter)"\nvalues: {C1: 10 .. 40 uF, L1: 0.2 .. 1 mH}\n'
    )
    problem = build_problem(load_design(write(text)))
    (group,) = problem.topology.groups
    assert group.joint == "series"
    space = problem.space
    choice = np.array([len(o.values) // 2 for o in space.options])
    genome = space.snap(np.log([o.values[c] for o, c in zip(space.options, choice, strict=True)]),
                        np.ones(2, dtype=bool), np.ones(2))  # fmt: skip
    network = space.network(genome)
    loads = {driver.name: driver.impedance for driver in problem.drivers}
    solved = solve_network(network, problem.frequency_hz, loads)
    s = 2j * np.pi * problem.frequency_hz
    parts = {key[1]: part for key, part in network.places.items()}
    c, coil = parts["C1"], parts["L1"]
    low = 1.0 / (1.0 / (c.loss_ohm + 1.0 / (s * c.value)) + 1.0 / loads["woofer"])
    high = 1.0 / (1.0 / (coil.loss_ohm + s * coil.value) + 1.0 / loads["tweeter"])
    np.testing.assert_allclose(solved.transfer[0], low / (low + high), rtol=1e-9)
    np.testing.assert_allclose(solved.transfer[1], high / (low + high), rtol=1e-9)


def test_taps_are_places_of_ladders_and_groups(write):
    """A transformer in front of a group, one behind a part; the one without a name gets one."""
    text = (
        'network: "A1: tap(-3 dB, (L1 + woofer) || (C1 + tap(0.5, ±tweeter)))"\n'
        "values: {L1: 1 .. 6 mH, C1: 2 .. 20 uF}\n"
    )
    topology = build_problem(load_design(write(text))).topology
    (group,) = topology.groups
    assert [(slot.name, slot.form) for slot in group.slots] == [("A1", "tap -3 dB")]
    assert [(s.name, s.form) for s in topology.ways[1].slots] == [
        ("C1", "capacitor"), ("A2", "tap 0.5"),
    ]  # fmt: skip
    written = render(from_topology(topology))
    assert '"shared1.A1": tap(-3 dB, ' in written or "shared1.A1: tap(-3 dB, " in written
    assert "tweeter.A2: tap(0.5, ±tweeter)" in written


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('network: "L1 + woofr"\nvalues: {L1: 1 .. 2 mH}\n', 'did you mean "woofer"?'),
        ('network: "L1 + woofer"\n', "needs its range"),
        ('network: "L1 + woofer"\nvalues: {L1: 1 .. 2 mH, C9: 1 .. 2 uF}\n', "C9"),
        ('network: "L1 + (woofer || woofer)"\nvalues: {L1: 1 .. 2 mH}\n', "stands once"),
        ('network: "L1 + (L1 || woofer)"\nvalues: {L1: 1 .. 2 mH}\n', "stands once"),
        ('network: "L1 + C1"\nvalues: {L1: 1 .. 2 mH, C1: 1 .. 2 uF}\n', "needs a driver"),
        ('network: "L1 + (C1 || woofer"\nvalues: {L1: 1 .. 2 mH}\n', "bracket is closed"),
        ('network: "L1 + C1 || woofer"\nvalues: {L1: 1 .. 2 mH}\n', "comes first"),
        ('network: "(R1? || C1) + woofer"\nvalues: {R1: 1 .. 2 ohm, C1: 1 .. 2 uF}\n', "together"),
        ('network: "tap(0, woofer)"\n', "above 0"),
        ('network: "tap(0.5, R1) + woofer"\nvalues: {R1: 1 .. 2 ohm}\n', "in front of a driver"),
        ('network: "A1: tap(2, A1: tap(2, woofer))"\n', "stands once"),
        ('network: "R1 + woofer"\nvalues: {R1: {keep: 1 ohm, dcr: 1 ohm}}\n', "does not belong"),
        ("", '"ways" is missing'),
        ('network: "woofer"\nways: {woofer: {ladder: []}}\n', "no ways"),
    ],
)
def test_what_is_wrong_is_said(write, text, said):
    with pytest.raises(InputError) as caught:
        load_design(write(text))
    assert said in str(caught.value)
    assert "design.yaml" in str(caught.value)


def test_the_aims_of_the_readme_load(copy_demo, tmp_path):
    """Ranges, amplifier and goals as the README shows them, in place of those of the demo."""
    blocks = re.findall(r"```yaml\n(.*?)```", README.read_text(encoding="utf-8"), re.S)
    (block,) = (one for one in blocks if one.startswith("cross:"))
    design = copy_demo(tmp_path)
    demo = design.read_text(encoding="utf-8")
    head, tail = demo[: demo.index("\ncross:")], demo[demo.index("\nstock:") :]
    design.write_text(f"{head}\n{block}{tail}", encoding="utf-8")
    problem = build_problem(load_design(design))
    assert [(r.low_hz, r.high_hz) for r in problem.crossings] == [(220.0, 880.0), (1800.0, 2500.0)]
    assert problem.goals["impedance"].floor_ohm == pytest.approx(0.8 * 8.0)
    assert problem.goals["epdr"].floor_ohm == pytest.approx(0.5 * 8.0)
    assert problem.goals["lobe_depth"].allowed_db == 2.0
    assert "loudness" not in problem.goals
    assert problem.amplifier.watts == 30.0


@pytest.mark.parametrize("number", [0, 1, 2])
def test_the_designs_of_the_readme_load(copy_demo, tmp_path, number):
    """What the README shows is read as it stands, with drivers of the demo before it."""
    blocks = re.findall(r"```yaml\n(.*?)```", README.read_text(encoding="utf-8"), re.S)
    block = [one for one in blocks if "ways:" in one or "network:" in one][number]
    design = copy_demo(tmp_path)
    demo = design.read_text(encoding="utf-8")
    head = demo[: demo.index("together:")].partition("# All three drivers")[0]
    woofer = re.search(r"\n  woofer:\n(.*?)\n\n  midrange", head, re.S)
    assert woofer
    if "upper" in block:
        head = head.replace("\n  woofer:\n", "\n  upper:\n", 1) + f"\n  lower:\n{woofer[1]}\n"
    design.write_text(head + block, encoding="utf-8")
    problem = build_problem(load_design(design))
    assert {way.name for way in problem.topology.ways} == {"woofer", "tweeter"}
    assert problem.topology.groups or problem.topology.choices
