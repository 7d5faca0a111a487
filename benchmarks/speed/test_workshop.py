"""Time of voice and verify on the demo, 17 values: ``python -m pytest benchmarks/speed``.

Times are those of one processor and printed, not judged: they belong to a machine.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator

import numpy as np

from benchmarks.problems import load
from benchmarks.problems.fingerprint import draw_networks
from optimizer.bench.verify.faults import apply_fault, list_faults
from optimizer.bench.verify.prediction import Observation
from optimizer.bench.verify.verifying import verify_speaker
from optimizer.bench.voice.voicing import voice_network
from optimizer.bench.voice.wishes import parse_wish, read_words
from optimizer.network.network import Network
from optimizer.network.solve import solve_network
from optimizer.problem.problem import Problem

NETWORKS = 6
WISHES = (
    "2k..5k -1 dB",
    "2k..5k -0.5 dB",
    "less bright",
    "warmer",
    "darker room",
    "impedance 5 ohm",
    "sensitivity +1 dB",
    "60..120 +12 dB",
)


def draw(problem: Problem, seed: int) -> list[Network]:
    return [problem.space.network(g) for g in draw_networks(problem, NETWORKS, seed)]


def measure(problem: Problem, network: Network, rng: np.random.Generator) -> list[Observation]:
    """Response on axis and impedance with 0.3 dB of noise."""
    f = problem.frequency_hz
    solved = solve_network(network, f, {d.name: d.impedance for d in problem.drivers})
    pressure = {d.name: d.pressure[0] for d in problem.drivers}
    total = sum(h * pressure[w.driver] for h, w in zip(solved.transfer, network.ways, strict=True))
    index = np.arange(len(f))
    return [
        Observation(
            kind=kind,
            row=row,
            index=index,
            noise=0.3,  # type: ignore[arg-type]
            value=20 * np.log10(np.abs(curve)) + rng.normal(0, 0.3, len(f)),
        )
        for kind, row, curve in (("level", 0, total), ("modulus", -1, solved.input_impedance))
    ]


def run(jobs: Iterator[Callable[[], object]]) -> tuple[float, float, int]:
    """Median and longest time of some jobs, and how many."""
    spent = []
    for job in jobs:
        began = time.process_time()
        job()
        spent.append(time.process_time() - began)
    return float(np.median(spent)), max(spent), len(spent)


def test_voice(note: Callable[[str], None]) -> None:
    """All changes of one or two parts, for wishes that can be met and for some that cannot."""
    problem, words = load("three_way_17"), read_words()
    half, most, count = run(
        (lambda n=network, w=wish: voice_network(problem, n, [parse_wish(w, words)]))
        for network in draw(problem, 1)
        for wish in WISHES
    )
    note(f"voice, two changes, {count} cases: median {half:.2f} s, longest {most:.2f} s")


def test_verify(note: Callable[[str], None]) -> None:
    """Response and impedance of a speaker with a mistake, its tests included."""
    problem, rng = load("three_way_17"), np.random.default_rng(2)

    def jobs() -> Iterator[Callable[[], object]]:
        for network in draw(problem, 3):
            faults = list_faults(network)
            seen = measure(problem, apply_fault(network, faults[rng.integers(len(faults))]), rng)
            yield lambda n=network, s=seen: verify_speaker(problem, n, s)

    half, most, count = run(jobs())
    note(f"verify, {count} speakers: median {half:.2f} s, longest {most:.2f} s")
