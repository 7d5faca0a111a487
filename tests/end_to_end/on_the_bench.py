"""A design with a network that was found for it, and every command that looks at it."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

import optimizer
from optimizer.bench.networks.file import write_network
from optimizer.measure.driver import Driver
from optimizer.network.equivalent import fit_driver_equivalent
from optimizer.network.network import Network
from optimizer.network.solve import solve_network
from optimizer.problem.figures import build_candidate
from optimizer.problem.problem import Problem
from optimizer.report.curve_files import write_columns

Run = Callable[..., Any]

GRID = "grid: {per_octave: 6}\n"
FEW = ("--evaluations", 1_000, "--top", 1, "--workers", 1)
"""Options of a search that finds the same on any machine, whatever its load."""


class Bench:
    """A design with a network that was found for it, and the commands that look at it."""

    def __init__(self, run: Run, design: Path, *options: Any) -> None:
        self.command, self.design, self.folder = run, design, design.parent
        self.run("fit", *(options or FEW), "--json", self.folder / "r.json")
        self.results = json.loads((self.folder / "r.json").read_text(encoding="utf-8"))
        self.problem: Problem = optimizer.load(design)
        self.network = optimizer.open_network(self.problem, f"{self.folder}/r.json#1")
        self.file = self.write(self.network, "best")

    def run(self, verb: str, *words: Any, code: int = 0) -> Any:
        """Run a command on the design."""
        done = self.command(verb, self.design, *words)
        assert done.returncode == code, done.stderr
        return done

    def write(self, network: Network, name: str) -> Path:
        """Write a network file."""
        at = self.folder / f"{name}.yaml"
        write_network(at, network, parent="r.json#1", note=name)
        return at

    def measure(self, network: Network, name: str) -> tuple[Path, Path]:
        """Write response and impedance that a finished speaker would show."""
        write_columns(self.folder / name, build_candidate(self.problem, network))
        return self.folder / name / "on_axis.txt", self.folder / name / "impedance.txt"

    def simulate(
        self, ngspice: str, per_decade: int = 100
    ) -> tuple[np.ndarray, dict[str, np.ndarray]]:
        """Curves of the netlist as ngspice has them, which has 100 points per decade by itself."""
        deck = self.folder / "n.cir"
        self.run("netlist", self.file, "--output", deck, "--curves", "n.txt")
        text = deck.read_text(encoding="utf-8")
        assert ".ac dec 100 " in text
        finer = self.folder / "finer.cir"
        finer.write_text(text.replace(".ac dec 100 ", f".ac dec {per_decade} "), encoding="utf-8")
        subprocess.run(
            [ngspice, "-b", "-r", "n.raw", finer.name],
            cwd=self.folder, check=True, capture_output=True, timeout=300,
        )  # fmt: skip
        names = (self.folder / "n.txt").read_text(encoding="utf-8").split("\n", 1)[0].split()
        table = np.loadtxt(self.folder / "n.txt", skiprows=1).T
        return table[0], dict(zip(names[1:], table[1:], strict=True))

    def solve(self, f: np.ndarray) -> dict[str, np.ndarray]:
        """The same curves of the tool, with the circuits that the netlist has for the drivers."""
        loads = {d.name: equivalent_of(d, f) for d in self.problem.drivers}
        solved = solve_network(self.network, f, loads)
        z = solved.input_impedance
        return {
            **{
                f"drive_db_{way.name}": 20.0 * np.log10(np.abs(h))
                for way, h in zip(self.network.ways, solved.transfer, strict=True)
            },
            "impedance_ohm": np.abs(z),
            "impedance_phase_deg": np.degrees(np.angle(z)),
        }


def equivalent_of(driver: Driver, f: np.ndarray) -> np.ndarray:
    """Impedance of the circuit that the netlist has for a driver."""
    circuit, _ = fit_driver_equivalent(driver.frequency_hz, driver.impedance)
    return circuit.impedance(f)


def agree(bench: Bench, ngspice: str) -> None:
    """Levels within 0.02 dB of ngspice, impedance within 0.2 %."""
    f, simulated = bench.simulate(ngspice)
    for name, ours in bench.solve(f).items():
        if name.startswith("drive"):
            np.testing.assert_allclose(simulated[name], ours, atol=0.02)
        elif name == "impedance_ohm":
            np.testing.assert_allclose(simulated[name], ours, rtol=0.002)


def coarsen(design: Path) -> Path:
    """Take fewer points: enough for what these tests ask."""
    design.write_text(design.read_text(encoding="utf-8") + GRID, encoding="utf-8")
    return design
