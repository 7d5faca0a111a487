"""``python -m benchmarks.verify [--trials 600] [--first 6000] [--file FILE]``: plant, ask, judge.

Over a third of the trials are healthy; of the others a tenth are pairs and over 40 % are of kinds that
the tool does not list. Some are measured by a response alone, all others with an impedance too, and some
with a level that is trusted, or with that and each way alone: healthy, or a driver's level wrong. Each
is drawn from its number alone; numbers from 10000 on are for trying things out.
"""

from __future__ import annotations

import argparse
import csv
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

from benchmarks.verify.judging import as_dict, judge, summarise
from benchmarks.verify.trials import draw_trial, run

GROUPS = {
    "healthy": 1 / 3, "listed": 0.18, "alone": 0.04, "pair": 0.06, "unlisted": 0.25,
    "trusted": 0.045, "ways": 0.045, "sound": 0.0233, "sound ways": 0.0233,
    "around": 0.05, "sound around": 0.02,
}  # fmt: skip


def list_trials(count: int, first: int) -> Iterator[tuple[str, int]]:
    """Groups and seeds, mixed so that any beginning has all of them."""
    sizes = {group: round(share * count) for group, share in GROUPS.items()}
    order = [
        ((i + 0.5) / size, group, first + i) for group, size in sizes.items() for i in range(size)
    ]
    return iter([(group, seed) for _, group, seed in sorted(order)])


def work(task: tuple[str, int]) -> dict[str, str]:
    """Do one trial."""
    group, seed = task
    trial = draw_trial(seed, group)
    result, seconds = run(trial)
    return as_dict(judge(trial, result, group, seed, seconds))


def main() -> None:
    """Run and summarise."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=600)
    parser.add_argument("--first", type=int, default=6000)
    parser.add_argument("--workers", type=int, default=1)
    today = datetime.now(UTC).date().isoformat()
    default = Path(__file__).parents[1] / "results" / f"verify-{today}.csv"
    parser.add_argument("--file", type=Path, default=default)
    parser.add_argument("--only", default="")
    args = parser.parse_args()
    tasks = [t for t in list_trials(args.trials, args.first) if args.only in ("", t[0])]
    rows: list[dict[str, str]] = []
    with ProcessPoolExecutor(args.workers) as pool, args.file.open("w", newline="") as file:
        writer = None
        for row in pool.map(work, tasks):
            writer = writer or csv.DictWriter(file, list(row))
            if not rows:
                writer.writeheader()
            writer.writerow(row)
            file.flush()
            rows.append(row)
    print(*summarise(rows), sep="\n")


if __name__ == "__main__":
    main()
