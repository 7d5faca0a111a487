"""Which weights stand under every preset? ``python -m benchmarks.quality.base``.

The demo, the measured speakers that are there, and made-up ones are fitted with the weights of
targets/base.yaml, and again with each of its goals at other weights. A weight is well chosen where a
larger one costs evenness and gains little, and a smaller one loses what the goal is there for. One
row a weight: medians over the speakers of the first network of each.
"""

from __future__ import annotations

import argparse
import csv
import os
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import redirect_stdout
from datetime import UTC, datetime
from io import StringIO
from pathlib import Path

import numpy as np

from optimizer.cli.main import main as laddersmith
from optimizer.demo.write import write_demo
from optimizer.design.build import build_problem, load_design
from optimizer.problem.candidate import Candidate
from optimizer.problem.problem import Problem
from optimizer.search.fit import search
from optimizer.testing.speakers import write_speaker

DATA = Path(os.environ.get("LADDERSMITH_DATA", "../shared/data"))
MEASURED = ("real-two-way-a", "real-two-way-b", "real-two-way-c")
TOGETHER = (
    ("crossing",), ("phase_tracking", "inverted_null"), ("lobe_depth",), ("loudness",),
    ("break_up",), ("low_drive",), ("impedance", "epdr"),
)  # fmt: skip
"""Goals whose weights are changed together."""
FACTORS = (0.0, 1.0 / 3.0, 3.0)
HEADS = (
    "goals", "factor", "speakers", "on axis dB rms", "in step deg", "hole dB", "given away dB",
    "lowest ohm", "EPDR ohm", "pieces", "bad verdicts", "looks",
)  # fmt: skip


def collect_problems(folder: Path, made_up: int) -> Iterator[Problem]:
    """Build the problem of every speaker, as `start` writes it."""
    yield build_problem(load_design(write_demo(folder / "demo")))
    places = [DATA / name for name in MEASURED if (DATA / name).is_dir()]
    for seed in range(made_up):
        write_speaker(folder / f"made-up-{seed}", seed)
        places.append(folder / f"made-up-{seed}")
    for place in places:
        design = folder / f"{place.name}.yaml"
        with redirect_stdout(StringIO()):
            laddersmith(
                ["start", str(place), "--design", str(design), "--seconds", "0.1", "--quiet",
                 "--workers", "1"]
            )  # fmt: skip
        yield build_problem(load_design(design))


def figure(candidate: Candidate, name: str, worst: str = "most") -> float:
    """Worst figure of the verdicts of a name; not a number without any."""
    found = [v.figure for v in candidate.verdicts if v.name == name and v.figure is not None]
    if not found:
        return float("nan")
    return max(found) if worst == "most" else min(found)


def measure(candidate: Candidate) -> tuple[float, ...]:
    """Say in figures what one network is like."""
    on_axis = next(goal.value for goal in candidate.goals if goal.name == "on_axis")
    states = [verdict.state for verdict in candidate.verdicts]
    return (
        on_axis, figure(candidate, "in_step"), figure(candidate, "hole"),
        figure(candidate, "loudness"), candidate.impedance_min_ohm, candidate.epdr_min_ohm,
        float(candidate.parts), float(states.count("bad")), float(states.count("look")),
    )  # fmt: skip


def fit_all(
    problems: Sequence[Problem], goals: Sequence[str], factor: float, seconds: float
) -> list[float]:
    """Return the medians over the speakers with some weights changed."""
    rows = []
    for problem in problems:
        weights = {g: factor * problem.goals[g].weight for g in goals if g in problem.goals}
        changed = problem.replace(goals=problem.goals.weighted(**weights))
        rows.append(measure(search(changed, seconds=seconds, seed=1, by="cost").candidates[0]))
    table = np.array(rows)
    medians = np.nanmedian(table[:, :-2], axis=0)
    return [*medians, *table[:, -2:].sum(axis=0)]


def main() -> int:
    """Fit, print the table, and write it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--made-up", type=int, default=20, help="number of made-up speakers")
    parser.add_argument("--seconds", type=float, default=2.0, help="for each fit")
    today = datetime.now(tz=UTC).date()
    results = Path(__file__).resolve().parents[1] / "results"
    parser.add_argument("--csv", type=Path, default=results / f"base-{today}.csv")
    args = parser.parse_args()
    began = time.monotonic()
    rows: list[list[object]] = []
    with tempfile.TemporaryDirectory() as folder:
        problems = list(collect_problems(Path(folder), args.made_up))
        print("  ".join(HEADS))
        for goals, factor in (
            ((), 1.0), *((goals, factor) for goals in TOGETHER for factor in FACTORS)
        ):  # fmt: skip
            found = fit_all(problems, goals, factor, args.seconds)
            row = [" ".join(goals) or "as they are", f"{factor:.2g}", len(problems)]
            rows.append([*row, *(f"{value:.3g}" for value in found)])
            print("  ".join(map(str, rows[-1])), flush=True)
    with args.csv.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([HEADS, *rows])
    print(f"{time.monotonic() - began:.0f} s, {args.csv}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
