"""``python -m benchmarks.verify.timing``: how long one answer takes, by how much was measured.

The speaker is the demo's with a part in every place of its topology. A coil has lost a sixth of its
value, and every response has ripple. The curves come from the tool's own model, as nothing is judged
here but the time.
"""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np

from benchmarks.problems.catalogue import three_way_17
from benchmarks.verify.speakers import Draw
from optimizer.bench.verify.faults import HEALTHY, list_parts
from optimizer.bench.verify.prediction import FaultBank, Observation
from optimizer.bench.verify.verifying import verify_speaker
from optimizer.network.network import Network
from optimizer.problem.problem import Problem

ROUNDS = 5


def fill(problem: Problem) -> Network:
    """Build a network with a part in every place, of values in the middle of what it may have."""
    space = problem.space
    middle = np.array([np.median(np.log(gene.values)) for gene in space.options])
    frugal = space.frugal()
    return space.network(space.snap(middle, np.ones_like(frugal.present), frugal.polarity))


def observe(problem: Problem, built: Network, responses: int, rng: Draw) -> list[Observation]:
    """Draw what is measured: so many directions, and the impedance."""
    f = problem.frequency_hz
    every = np.arange(len(f))
    asked = [
        Observation(kind="level", row=row, index=every, value=np.zeros(len(f)), noise=0.3)
        for row in range(responses)
    ]
    for kind, noise in (("modulus", 0.3), ("angle", 2.0)):
        asked.append(
            Observation(kind=kind, row=-1, index=every, value=np.zeros(len(f)), noise=noise)
        )
    key, coil = next((k, p) for k, (_, p) in list_parts(built).items() if p.kind == "inductor")
    bank = FaultBank(
        problem,
        built.replace_parts({key: replace(coil, value=coil.value / 1.2)}),
        (HEALTHY,),
        asked,
    )
    predicted = bank.predict(np.zeros((1, bank.count)), slopes=False)[0][0].reshape(len(asked), -1)
    seen = []
    for one, curve in zip(asked, predicted, strict=True):
        error = rng.normal(0.0, one.noise / 3.0, len(f))
        if one.kind == "level":
            error += 0.1 * np.log2(f / 1000.0) + rng.uniform(-2.0, 2.0)
        seen.append(replace(one, value=curve + error))
    return seen


def main() -> None:
    """Print the median and the slowest of some runs."""
    problem = three_way_17()
    built = fill(problem)
    print(f"{len(list_parts(built))} values, {len(problem.frequency_hz)} frequencies")
    for responses in (1, 6):
        seconds = []
        for seed in range(ROUNDS):
            seen = observe(problem, built, responses, np.random.default_rng(seed))
            start = time.process_time()
            result = verify_speaker(problem, built, seen)
            seconds.append(time.process_time() - start)
        print(
            f"{responses} response(s) and impedance: median {np.median(seconds):.2f} s, slowest "
            f"{max(seconds):.2f} s of processor time; last: {result.diagnosis.leading.says}"
        )


if __name__ == "__main__":
    main()
