"""Networks solved per second: ours, ngspice's batch runs, scikit-rf's cascades.

Ours computes every curve and the cost, on one core. The others compute no more than voltages and
currents, on the same number of frequencies.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
import time
import warnings
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.peers.cost import PeerCost
from benchmarks.problems.fingerprint import draw_networks
from optimizer.network.equivalent import fit_driver_equivalent
from optimizer.network.netlist import Sweep, write_netlist
from optimizer.network.network import FittedSlot, Network
from optimizer.parts import Part
from optimizer.problem.problem import Problem


def best_rate(work: Callable[[], int], seconds: float) -> float:
    """Most items a second over repeated calls: the call that nothing else disturbed."""
    work()
    best, until = 0.0, time.perf_counter() + seconds
    while time.perf_counter() < until:
        began = time.perf_counter()
        best = max(best, work() / (time.perf_counter() - began))
    return best


def our_rate(problem: Problem, seconds: float) -> float:
    """Full costs a second on one core."""
    cost = PeerCost(problem, np.inf, -np.inf)
    rows = np.random.default_rng(1).integers(0, cost.sizes, (2000, cost.dimensions))
    networks = cost.networks(rows)

    def work() -> int:
        problem.tables.costs(*networks)
        return len(rows)

    return best_rate(work, seconds)


def ngspice_rate(problem: Problem, seconds: float, together: int) -> float:
    """Networks a second in batch runs of `together` networks each, from netlist files on disk.

    Many networks share a run, and with it the start of the program, as so many ways on one ideal
    source.
    """
    program = shutil.which("ngspice")
    if program is None:
        return float("nan")
    f = problem.frequency_hz
    decades = np.log10(f[-1] / f[0])
    sweep = Sweep(
        low_hz=float(f[0]), high_hz=float(f[-1]), points_per_decade=round((len(f) - 1) / decades)
    )
    loads = {d.name: fit_driver_equivalent(f, d.impedance)[0] for d in problem.drivers}
    ways = []
    for i, genome in enumerate(draw_networks(problem, together, 5)):
        network = problem.space.network(genome)
        ways += [replace(way, name=f"{way.name} {i}") for way in network.ways]
    text = write_netlist(Network(ways=tuple(ways)), loads, sweep=sweep)
    with tempfile.TemporaryDirectory() as folder:
        deck, raw = Path(folder) / "deck.cir", Path(folder) / "deck.raw"
        deck.write_text(text, encoding="ascii")

        def work() -> int:
            subprocess.run(
                [program, "-b", "-r", str(raw), str(deck)],
                cwd=folder,
                check=True,
                capture_output=True,
            )
            return together

        return best_rate(work, seconds)


def _two_port(media: Any, slot: FittedSlot) -> Any:
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


def scikit_rf_rate(problem: Problem, seconds: float) -> float:
    """Networks a second as cascades of two-ports."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import skrf

        f = problem.frequency_hz
        media = skrf.media.DefinedGammaZ0(
            frequency=skrf.Frequency.from_f(f, unit="hz"), z0=8.0, gamma=1j
        )
        loads = {d.name: d.impedance for d in problem.drivers}
        networks = [problem.space.network(g) for g in draw_networks(problem, 5, 6)]

        def work() -> int:
            for network in networks:
                for way in network.ways:
                    chain = media.thru()
                    for slot in way.slots:
                        chain = chain ** _two_port(media, slot)
                    a, b, c, d = (chain.a[:, i, j] for i in (0, 1) for j in (0, 1))
                    load = loads[way.driver]
                    _ = way.polarity / (a + b / load), (c + d / load) / (a + b / load)
            return len(networks)

        return best_rate(work, seconds)


def compare_solvers(problem: Problem, seconds: float) -> list[dict[str, object]]:
    """Rows of the table: networks a second and our lead."""
    rates = {
        "ours, with all curves and the cost": our_rate(problem, seconds),
        "ngspice, one network a run": ngspice_rate(problem, seconds, 1),
        "ngspice, 32 networks a run": ngspice_rate(problem, seconds, 32),
        "scikit-rf": scikit_rf_rate(problem, seconds),
    }
    ours = next(iter(rates.values()))
    return [
        {"solver": name, "networks/s": rate, "ours is faster by": ours / rate}
        for name, rate in rates.items()
    ]
