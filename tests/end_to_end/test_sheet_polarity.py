"""The sheet has a test of polarity that works for its network, judged by the plain circuit solver.

The judge solves the network with `solve_network`, adds the pressures of the ways on the axis once as
built and once with one of them turned, and looks at what the sheet says of that.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np
import pytest

import optimizer
from optimizer.network.network import Network
from optimizer.network.solve import solve_network
from optimizer.problem.problem import Problem
from optimizer.report.documents.sheet import document_sheet
from optimizer.report.render.markdown import render_markdown
from tests.conftest import cases
from tests.end_to_end.judge import GRID, write_drivers

SHARED = "shared: {all: {ladder: [{name: R0, series: resistor, from: 1 ohm, to: 4 ohm}]}}\n"
WAYS = """\
ways:
  woofer: {ladder: [{name: L1, series: inductor, from: 0.1 mH, to: 20 mH}]}
  tweeter: {ladder: [{name: C1, series: capacitor, from: 0.2 uF, to: 30 uF}]}
goals: {on_axis: {band: 100..12k}}
stock: {series: E12}
"""
BOARD = """\
ways:
  woofer: {{polarity: normal, ladder: [{{name: L1, value: {} mH}}]}}
  tweeter: {{polarity: {}, ladder: [{{name: C1, value: {} uF}}]}}
"""
VALUES = [(1.2, 5.6), (0.5, 12.0), (4.7, 2.2), (20.0, 0.22), (2.2, 8.2), (0.1, 30.0), (0.3, 0.6)]


def turn(network: Network, signs: tuple[int, ...]) -> Network:
    return replace(
        network,
        ways=tuple(replace(w, polarity=s) for w, s in zip(network.ways, signs, strict=True)),
    )


def sum_up(problem: Problem, network: Network) -> tuple[np.ndarray, np.ndarray]:
    """Pressure of each way on the axis, and its level in dB."""
    drivers = {d.name: d for d in problem.drivers}
    solved = solve_network(
        network, problem.frequency_hz, {n: d.impedance for n, d in drivers.items()}
    )
    ways = np.array(
        [
            transfer * drivers[way.driver].pressure[0]
            for transfer, way in zip(solved.transfer, network.ways, strict=True)
        ]
    )
    return ways, 20.0 * np.log10(np.abs(ways))


def judge(problem: Problem, network: Network, text: str) -> list[str]:
    """Look at each test of the sheet; return what kinds it has."""
    plain, f = " ".join(text.split()), problem.frequency_hz
    ways, level = sum_up(problem, network)
    names = [way.name for way in network.ways]
    total = 20.0 * np.log10(np.abs(ways.sum(axis=0)))
    tests = re.findall(r"Polarity of (\w+) to (\w+): (.*?)(?=\[ \]|$)", plain)
    assert len(tests) == len(names) - 1
    kinds = []
    for way, beside, said in tests:
        high, low = names.index(way), names.index(beside)
        # The very network with the leads of this way exchanged, solved anew.
        signs = tuple(-w.polarity if w.name == way else w.polarity for w in network.ways)
        other = 20.0 * np.log10(np.abs(sum_up(problem, turn(network, signs))[0].sum(axis=0)))
        open_to = np.maximum(total, other) >= total.max() - 20.0
        for third in set(range(len(names))) - {high, low}:
            open_to &= level[third] <= np.minimum(level[low], level[high])
        change = np.where(open_to, other - total, 0.0)
        found = re.search(r"(?:Near|At|at) ([\d.]+) (k?)Hz", said)
        null = re.search(r"falls by ([\d.]+) dB, into a null", said)
        plan = re.search(r"it (falls|rises) by ([\d.]+) dB\. Put", said)
        none = re.search(r"by ([\d.]+) dB at most", said)
        if found is None:
            assert "nowhere heard together" in said
            assert not open_to.any()
            kinds.append("none")
            continue
        hz = float(found[1]) * (1000.0 if found[2] else 1.0)
        at = int(np.argmin(np.abs(np.log(f / hz))))
        assert abs(f[at] / hz - 1.0) < 0.006
        if null:
            assert float(null[1]) == pytest.approx(-change[at], abs=0.06)
            assert change[at] <= -10.0
            # At the crossover: both ways are heard there.
            assert abs(level[high] - level[low])[at] <= 12.0
            kinds.append("null")
        elif plan:
            sign = 1.0 if plan[1] == "rises" else -1.0
            assert sign * float(plan[2]) == pytest.approx(change[at], abs=0.06)
            assert abs(change[at]) >= 3.0
            assert abs(change[at]) >= np.abs(change).max() - 1e-6
            assert change[np.abs(level[high] - level[low]) <= 12.0].min() > -10.0
            kinds.append("level")
        else:
            assert none is not None, said
            assert float(none[1]) == pytest.approx(abs(change[at]), abs=0.06)
            assert np.abs(change).max() < 3.0
            kinds.append("none")
    assert ("single cell of 1.5 V" in plain) == ("none" in kinds)
    return kinds


@pytest.mark.thorough
def test_every_network_of_the_demo_has_one(fitted_demo: Path, trials: Callable[..., int]) -> None:
    """Three ways, as they are ranked and with every way turned."""
    problem = optimizer.load(fitted_demo / "design.yaml")
    kinds: list[str] = []
    for number in (1, 2, 3)[: trials(routine=2, full=3)]:
        best = optimizer.open_network(problem, f"{fitted_demo / 'results.json'}#{number}")
        for signs in product((1,), (1, -1), (1, -1)):
            network = turn(best, signs)
            text = render_markdown(document_sheet(optimizer.sheet(problem, network)))
            kinds += judge(problem, network, text)
    assert {"null", "level"} <= set(kinds)


@pytest.mark.parametrize(
    ("shared", "occur"),
    cases([(SHARED, {"null", "level"}), ("", {"null", "level", "none"})], routine=1),
)
def test_every_kind_of_test_on_boards(
    shared: str, occur: set[str], tmp_path: Path, laddersmith: Callable
) -> None:
    """Ways by themselves and ways that share a resistor, turned both ways: each kind of test
    occurs, and each is true."""
    design = tmp_path / "design.yaml"
    drivers = write_drivers(tmp_path, "woofer", "tweeter")
    design.write_text(drivers + WAYS + shared + GRID, encoding="utf-8")
    problem = optimizer.load(design)
    kinds: set[str] = set()
    for (coil, capacitor), sign in product(VALUES, ("normal", "inverted")):
        text = BOARD.format(coil, sign, capacitor)
        if shared:
            text += "shared: {all: {ladder: [{name: R0, value: 2 ohm}]}}\n"
        (tmp_path / "board.yaml").write_text(text, encoding="utf-8")
        done = laddersmith("sheet", design, tmp_path / "board.yaml")
        assert done.returncode == 0, done.stderr
        network = optimizer.open_network(problem, tmp_path / "board.yaml")
        kinds |= set(judge(problem, network, done.stdout))
    assert kinds == occur


def test_a_single_way_is_tested_by_itself(tmp_path: Path, laddersmith: Callable) -> None:
    """Nothing else plays: the sheet says so, and how to look at the driver alone."""
    design = tmp_path / "design.yaml"
    drivers = write_drivers(tmp_path, "woofer")
    way = "ways: {woofer: {ladder: [{name: L1, series: inductor, from: 0.1 mH, to: 2 mH}]}}\n"
    design.write_text(
        drivers + way + "goals: {on_axis: {band: 100..2k}}\nstock: {series: E12}\n" + GRID,
        encoding="utf-8",
    )
    (tmp_path / "board.yaml").write_text(
        "ways: {woofer: {ladder: [{name: L1, value: 0.5 mH}]}}\n", encoding="utf-8"
    )
    done = laddersmith("sheet", design, tmp_path / "board.yaml")
    assert done.returncode == 0, done.stderr
    plain = " ".join(done.stdout.split())
    assert "Polarity of woofer: nothing else plays" in plain
    assert "single cell of 1.5 V" in plain
