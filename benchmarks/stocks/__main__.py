"""What a long shelf costs, in memory and in networks a second, and what every problem needs."""

from __future__ import annotations

import argparse
import multiprocessing
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor

from benchmarks.problems import NAMES
from benchmarks.stocks.runs import search_problem, search_shelf
from benchmarks.tables import machine, print_table, write_csv

LINES = (100, 1_000, 10_000, 100_000)
LIMIT_MB = 600.0


def _apart(task: Callable[..., dict[str, object]], *words: object) -> dict[str, object]:
    """Run in a process of its own: memory is its own, and no cache is warm."""
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        return pool.submit(task, *words).result()


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.stocks", description=__doc__)
    parser.add_argument("--seconds", type=float, default=20.0, help="budget on a shelf")
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--problem-seconds", type=float, default=4.0, help="budget of a problem")
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    print(machine())
    rows = [
        _apart(search_shelf, lines, args.seconds, seed)
        for seed in range(1, args.seeds + 1)
        for lines in LINES
    ]
    print_table(rows, f"three-way of 17 values from a shelf, {args.seconds:g} s, one process")
    print(f"written: {write_csv('stocks', rows)}")
    rows = [_apart(search_problem, name, args.problem_seconds, args.workers) for name in NAMES]
    print_table(rows, f"every problem, {args.problem_seconds:g} s, {args.workers} workers")
    print(f"written: {write_csv('memory', rows)}")
    over = [row["problem"] for row in rows if float(str(row["all MB"])) > LIMIT_MB]
    print(f"above {LIMIT_MB:g} MB: {', '.join(map(str, over)) or 'none'}")


if __name__ == "__main__":
    main()
