"""How often does a start of a search fail? ``python -m benchmarks.quality.starts``.

A start fails when it ends more than 1 % above the best known cost. Searches go on until some starts
agree, on the benchmark problems, the measured speakers that are there and made-up ones. Starts of one
problem are no trials of their own, so each problem counts once, by its first start; a problem nobody
else has searched counts when a second start has ended, which might have shown something better. From
that follows `optimizer.search.islands.STARTS_FAIL`, by the rule of succession.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator
from pathlib import Path
from unittest.mock import patch

from benchmarks.problems import ENUMERABLE, NAMES, best_known, load
from benchmarks.quality.base import collect_problems
from benchmarks.tables import machine, print_table, write_csv
from optimizer.problem.agreement import MISSED_BY
from optimizer.problem.problem import Problem
from optimizer.search.fit import search
from optimizer.search.islands import ISLANDS


def list_problems(folder: Path, made_up: int) -> Iterator[tuple[str, Problem, float]]:
    """Yield names, problems and best known costs; infinite where nobody else has searched."""
    for name in NAMES:
        if name not in ENUMERABLE:  # gone through as a whole: no start decides
            problem = load(name)
            yield name, problem, best_known(name, problem).cost
    _, *others = collect_problems(folder, made_up)  # the first is the demo, as above
    for problem in others:
        yield problem.title, problem, float("inf")


def main() -> None:
    """Count, print what follows, and write the table."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.quality.starts")
    parser.add_argument("--made-up", type=int, default=24, help="number of made-up speakers")
    parser.add_argument("--agreeing", type=int, default=3, help="starts that end a search")
    parser.add_argument("--seconds", type=float, default=60.0, help="for each search at most")
    parser.add_argument("--islands", type=int, default=ISLANDS)
    parser.add_argument("--seed", type=int, default=501)
    parser.add_argument("--name", default="starts", help="name of the CSV file")
    args = parser.parse_args()
    print(machine())
    rows: list[dict[str, object]] = []
    with tempfile.TemporaryDirectory() as folder:
        for name, problem, known in list_problems(Path(folder), args.made_up):
            with patch("optimizer.search.fit.AGREEING", args.agreeing):
                result = search(
                    problem,
                    seconds=args.seconds,
                    seed=args.seed,
                    top=1,
                    workers=2,
                    by="cost",
                    islands=args.islands,
                )
            ends = result.agreement.ends
            best = min(known, result.candidates[0].cost)
            failed = [end > (1.0 + MISSED_BY) * best for end in ends]
            rows.append(
                {
                    "problem": name,
                    "islands": args.islands,
                    "starts": len(ends),
                    "failed": sum(failed),
                    "counts": int(len(ends) > 1 or (bool(ends) and known < float("inf"))),
                    "first failed": int(bool(failed) and failed[0]),
                    "farthest off %": 100.0 * (max(ends) / best - 1.0) if ends else float("nan"),
                    "seconds": result.seconds,
                }
            )
            print(*rows[-1].values(), flush=True)
    print_table(rows)
    counted = [row for row in rows if row["counts"]]
    failed_first = sum(int(str(row["first failed"])) for row in counted)
    print(
        f"{failed_first} of {len(counted)} problems had a first start that failed: "
        f"({failed_first} + 1) / ({len(counted)} + 2) = "
        f"{(failed_first + 1) / (len(counted) + 2):.3f}"
    )
    print(f"written: {write_csv(args.name, rows)}")


if __name__ == "__main__":
    main()
