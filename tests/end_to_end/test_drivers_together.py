"""Drivers that share a filter or a part of one, and parts across a part that they share.

Judges: ngspice runs the netlist that the tool writes, unchanged; levels and phases of drivers in
series and in parallel are those of circuit theory, written out here; faults are planted.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from copy import copy
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from optimizer.bench.verify.faults import apply_fault, list_faults
from optimizer.demo.equations import compute_impedance
from optimizer.demo.scenario import DRIVERS
from optimizer.network.solve import solve_network
from tests.conftest import THOROUGH, cases
from tests.end_to_end.on_the_bench import Bench, Run, agree, coarsen, equivalent_of

NOISE = 0.002
"""Largest relative error of the modulus in the demo's files of impedance; phase and rounding add
less than a tenth of it."""

WAY = "  woofer:\n    ladder"
ENDS = "search: {seconds: 15, seed: 1}\n"

SMALL = """\
  {name}:
    response: {{0: midrange.txt, 30 right: midrange_h30.txt, 60 right: midrange_h60.txt}}
    impedance: midrange_z.txt
    at: {{up: {up}, right: 0, back: 0.015}}
    diaphragm: 0.11
    limits: {{watts: 50, lowest_hz: 60, highest_hz: 5000}}
"""

TWO_AND_A_HALF = f"""\
speaker: Two woofers, the lower of which ends earlier
measured: {{volts: 2.83, metres: 1.0, clock: shared, mirror: left-right}}
drivers:
{SMALL.format(name="lower", up=-0.3)}
{SMALL.format(name="upper", up=-0.14)}
  tweeter:
    response: {{0: tweeter.txt, 30 right: tweeter_h30.txt, 60 right: tweeter_h60.txt}}
    impedance: tweeter_z.txt
    at: {{up: 0, right: 0, back: 0}}
    diaphragm: 0.027
    limits: {{watts: 15, lowest_hz: 1800}}
ways:
  lower: {{ladder: [{{name: L2, series: inductor, from: 1 mH, to: 8.2 mH}}]}}
  upper: {{ladder: [{{name: C1, shunt: capacitor, from: 2.2 uF, to: 22 uF}}]}}
  tweeter:
    polarity: free
    ladder:
      - {{name: C1, series: capacitor, from: 2.2 uF, to: 15 uF}}
      - {{name: L1, shunt: inductor, from: 0.1 mH, to: 0.82 mH}}
      - {{name: P1, series: pad, series_resistor: 0.5 .. 10 ohm, shunt_resistor: 2.2 .. 47 ohm}}
shared:
  woofers: {{feeds: [lower, upper], ladder: [{{name: L1, series: inductor, from: 0.15 mH, to: 2.2 mH}}]}}
goals:
  on_axis: {{band: 300..12k, weight: 1}}
  parts: {{each: 0.03}}
stock: {{series: E12}}
search: {{seconds: 15, seed: 1}}
"""

SHARED = (
    "shared: {speaker: {feeds: [woofer, midrange, tweeter], ladder: "
    "[{name: L9, series: inductor, from: 0.22 mH, to: 1 mH}, "
    "{name: R9, across: L9, resistor: 2.2 .. 22 ohm}]}}\n"
)


@dataclass(frozen=True)
class Case:
    """A design, a fault that `verify` is to name, and a change that `voice` can make."""

    design: tuple[tuple[str, str], ...] | str
    fault: tuple[str, str]
    capacitor: str = "tweeter.C1 4.7 uF"


CASES = {
    "in parallel": Case(
        ((WAY, "  woofer:\n    drivers: [woofer, woofer]\n    ladder"),), ("open", "woofer.L1")
    ),
    "in series": Case(
        ((WAY, "  woofer:\n    drivers: [woofer, woofer]\n    wired: series\n    ladder"),),
        ("short", "woofer.L1"),
    ),
    "2.5 ways": Case(TWO_AND_A_HALF, ("short", "lower.L2")),
    "across a shared coil": Case(((ENDS, ENDS + SHARED),), ("open", "speaker.L9")),
}


@pytest.fixture(scope="module", params=cases(CASES, routine=1))
def case(
    request: pytest.FixtureRequest, laddersmith: Run, copy_demo: Callable[..., Path],
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[str, Bench]:  # fmt: skip
    """A design of each kind with a network that was found for it."""
    written = CASES[request.param].design
    folder = tmp_path_factory.mktemp("together")
    design = copy_demo(folder, *(() if isinstance(written, str) else written))
    if isinstance(written, str):
        design.write_text(written, encoding="utf-8")
    return request.param, Bench(laddersmith, coarsen(design))


def candidate(bench: Bench) -> dict:
    return bench.results["candidates"][0]


def test_check_repeats_the_cost_of_the_fit(case: tuple[str, Bench]) -> None:
    """From the results and from the network file written of them, which has all that is shared."""
    _, bench = case
    for network in (f"{bench.folder / 'r.json'}#1", bench.file):
        out = bench.folder / "check.json"
        bench.run("check", network, "--json", out, "--page", bench.folder / "check.html")
        checked = json.loads(out.read_text(encoding="utf-8"))["candidate"]
        assert checked["cost"] == pytest.approx(candidate(bench)["cost"], rel=1e-6)
        assert checked["curves"] == candidate(bench)["curves"]


def test_voice_saves_what_check_reads(case: tuple[str, Bench]) -> None:
    """A capacitor is changed; everything else, shared or not, stays as it was."""
    name, bench = case
    saved, out = bench.folder / "changed.yaml", bench.folder / "changed.json"
    use = ("--use", CASES[name].capacitor, "--accept", 0, "--save", saved)
    done = bench.command("voice", bench.design, bench.file, *use)
    assert done.returncode in (0, 3), done.stderr
    bench.run("check", saved, "--json", out)
    after = json.loads(out.read_text(encoding="utf-8"))["candidate"]
    values = {
        f"{ladder}.{part['name']}": part["value"]
        for where in ("ways", "shared")
        for ladder, written in after.get(where, {}).items()
        for part in written["slots"]
    }
    assert values.pop("tweeter.C1") == 4.7e-6
    for where in ("ways", "shared"):
        for ladder, written in candidate(bench).get(where, {}).items():
            for part in written["slots"]:
                label = f"{ladder}.{part['name']}"
                assert label == "tweeter.C1" or values.pop(label) == part["value"]
    assert not values


@pytest.mark.ngspice
def test_netlist_gives_the_curves(case: tuple[str, Bench], ngspice: str) -> None:
    """Levels by ngspice within 0.02 dB of those of the results, at every point, but for noise.

    The impedances of the demo are noisy: their modulus is off by up to `NOISE`. The netlist has a
    circuit for each driver, which is smooth; the results have what was measured, noise included. By
    so much more than 0.02 dB may a level differ as that noise moves it, to first order; no circuit
    of a few parts follows it.
    """
    _, bench = case
    agree(bench, ngspice)
    curves = candidate(bench)["curves"]
    grid = np.array(curves["frequency_hz"])
    moved = levels_moved_by_noise(bench, grid)
    differences = compare_levels(bench, curves, ngspice)
    assert len(differences) == 3
    for way, off in differences.items():
        assert np.all(off <= 0.02 + moved[way])
        assert np.quantile(off, 0.95) < 0.02
        assert off[np.array(curves["drive_db"][way]) > -40.0].max() < 0.05


@pytest.mark.ngspice
def test_netlist_gives_the_curves_of_data_without_noise(
    case: tuple[str, Bench], ngspice: str, tmp_path: Path
) -> None:
    """With impedances as the demo computes them levels agree within 0.02 dB at every point.

    Found in these four networks are 0.0013 dB at most. That the files differ from these impedances by
    the stated noise and no more is checked, too.
    """
    _, noisy = case
    bench = copy(noisy)
    bench.folder = shutil.copytree(noisy.folder, tmp_path / "clean")
    bench.design, bench.file = (bench.folder / at.name for at in (noisy.design, noisy.file))
    for driver in DRIVERS:
        at = bench.folder / f"{driver.name}_z.txt"
        f, modulus, phase = np.loadtxt(at).T
        z = compute_impedance(f, driver.coil)
        measured = modulus * np.exp(1j * np.radians(phase))
        assert 0.5 * NOISE < np.max(np.abs(measured / z - 1.0)) < 1.1 * NOISE
        table = np.column_stack([f, np.abs(z), np.degrees(np.angle(z))])
        np.savetxt(at, table, fmt="%.12g", header="frequency Hz\timpedance ohm\tphase deg")
    bench.run("check", bench.file, "--json", tmp_path / "clean.json")
    told = json.loads((tmp_path / "clean.json").read_text(encoding="utf-8"))["candidate"]["curves"]
    differences = compare_levels(bench, told, ngspice)
    assert len(differences) == 3
    for off in differences.values():
        assert off.max() <= 0.02


def compare_levels(bench: Bench, curves: dict, ngspice: str) -> dict[str, np.ndarray]:
    """How far each way's drive in dB is from that of the netlist, which ngspice runs as it is."""
    f, simulated = bench.simulate(ngspice, per_decade=400)  # nothing is lost between points
    grid = np.log(curves["frequency_hz"])
    return {
        way: np.abs(np.interp(grid, np.log(f), simulated[f"drive_db_{way}"]) - np.array(wanted))
        for way, wanted in curves["drive_db"].items()
    }


def levels_moved_by_noise(bench: Bench, f: np.ndarray) -> dict[str, np.ndarray]:
    """By how many dB noise in the impedances may move the drive of each way, to first order."""
    loads = {d.name: equivalent_of(d, f) for d in bench.problem.drivers}

    def levels(name: str, factor: float) -> np.ndarray:
        changed = {**loads, name: factor * loads[name]} if name else loads
        return 20.0 * np.log10(np.abs(solve_network(bench.network, f, changed).transfer))

    plain = levels("", 1.0)
    moved = sum(np.abs(levels(name, 1.0 + 1e-4) - plain) / 1e-4 * NOISE for name in loads)
    return dict(zip((way.name for way in bench.network.ways), np.asarray(moved), strict=True))


def test_sheet_joins_every_lead(case: tuple[str, Bench]) -> None:
    """Every point of the wiring list joins at least two things, and every piece is on it."""
    name, bench = case
    text = bench.run("sheet", bench.file).stdout
    points = text.partition("everything soldered to it")[2].partition("##")[0]
    rows = [line.split("|")[1:3] for line in points.splitlines() if line.startswith("| ")]
    assert len(rows) > 4
    for point, things in rows:
        assert "," in things, point
    ladders = {**candidate(bench)["ways"], **candidate(bench).get("shared", {})}
    for written in ladders.values():
        for part in written["slots"]:
            assert re.search(rf"\b{part['reference']}\b", points)
    said = " ".join(text.split())
    if name == "in parallel":
        assert "in parallel: all (+) together, and all (-)" in said
    if name == "in series":
        assert "(-) of woofer no. 1 to (+) of woofer no. 2" in said
    if name == "across a shared coil":
        names = "|".join(part["reference"] for part in ladders["speaker"]["slots"])
        ends = re.findall(rf"^\| \[ \] \| (?:{names}) +\| [^|]+ \| (\S+) to (\S+) +\|$", text, re.M)
        assert len(ends) == 2
        assert len(set(ends)) == 1  # both pieces lie between the same two points


@THOROUGH
def test_verify_names_a_planted_fault(case: tuple[str, Bench]) -> None:
    """A healthy speaker passes; the fault is named first, or as one that looks the same."""
    name, bench = case
    planted = CASES[name].fault
    (fault,) = (f for f in list_faults(bench.network) if (f.what, f.where) == planted)
    told = bench.folder / "verify.json"
    for built, healthy in ((bench.network, True), (apply_fault(bench.network, fault), False)):
        measured = bench.measure(built, f"built-{healthy}")
        code = 0 if healthy else 4
        bench.run("verify", bench.file, *measured, "--json", told, code=code)
        answer = json.loads(told.read_text(encoding="utf-8"))
        assert answer["healthy"] == healthy
    first = answer["faults"][0]
    assert planted in [(f["what"], f["where"]) for f in (first, *first.get("same_as", ()))]
