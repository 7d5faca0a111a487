"""Our search beside general optimisers with the same cost function, clock and machine."""

from __future__ import annotations

import argparse
import time

import numpy as np

from benchmarks.peers.cost import PeerCost
from benchmarks.peers.optimisers import PEERS, import_peers, run_peer
from benchmarks.peers.solvers import compare_solvers
from benchmarks.problems import best_known, load
from benchmarks.quality.runs import Run, run_searches
from benchmarks.tables import machine, print_table, write_csv
from optimizer.search.fit import DEFAULT_STRATEGY

WITHIN = 0.01


def _row(
    problem: str,
    method: str,
    best: float,
    seconds: float,
    ends: list[float],
    times: list[float],
    evaluations: float,
) -> dict[str, object]:
    counted = np.minimum(times, seconds)  # one that never gets there counts as the whole clock
    return {
        "problem": problem,
        "method": method,
        "runs": len(ends),
        "reached 1%": int(np.isfinite(times).sum()),
        "s to 1%": float(np.median(counted)),
        "gap %": 100.0 * (float(np.median(ends)) / best - 1.0),
        "smallest gap %": 100.0 * (min(ends) / best - 1.0),
        "evaluations/s": evaluations,
    }


def compare(
    problem_name: str, peers: list[str], seeds: int, seconds: float
) -> list[dict[str, object]]:
    """Run everything on one problem, turn about, so that a busy machine is busy for all."""
    problem = load(problem_name)
    known = best_known(problem_name, problem)
    goal, enough = known.cost * (1.0 + WITHIN) + 1e-9, known.cost * (1.0 + 1e-9)
    cost = PeerCost(problem, seconds, enough)
    ours: dict[int, list[Run]] = {1: [], 2: []}
    ends: dict[str, list[float]] = {p: [] for p in peers}
    times: dict[str, list[float]] = {p: [] for p in peers}
    rates: dict[str, list[float]] = {p: [] for p in peers}
    for seed in range(1, seeds + 1):
        for workers, runs in ours.items():
            runs += run_searches(
                problem_name, DEFAULT_STRATEGY, range(seed, seed + 1), seconds, workers, enough
            )[0]
        for name in peers:
            run_peer(name, cost, seed)
            spent = time.perf_counter() - cost.began
            ends[name].append(cost.best)
            times[name].append(cost.time_to(goal))
            rates[name].append(cost.evaluations / spent)
            print(
                f"  {problem_name} seed {seed} {name}: {cost.best:.4f} after {spent:.1f} s",
                flush=True,
            )
            if cost.best < known.cost * (1 - 1e-9):
                print(f"  better than the best known {known.cost:.6f}: refresh it")
    rows = [
        _row(
            problem_name,
            f"laddersmith, {w} worker{'s' if w > 1 else ''}",
            known.cost,
            seconds,
            [r.cost for r in runs],
            [r.time_to(goal) for r in runs],
            float("nan"),
        )
        for w, runs in ours.items()
    ]
    rows += [
        _row(problem_name, p, known.cost, seconds, ends[p], times[p], float(np.median(rates[p])))
        for p in peers
    ]
    for workers, row in zip(ours, rows, strict=False):
        for other in rows:
            other[f"times as long as ours ({workers})"] = float(other["s to 1%"] / row["s to 1%"])  # type: ignore[operator]
    return rows


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.peers", description=__doc__)
    parser.add_argument("--problems", default="three_way_17")
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--seconds", type=float, default=60.0, help="wall clock of each run")
    parser.add_argument("--peers", default=",".join(PEERS), help="names, with commas")
    parser.add_argument(
        "--solver-seconds",
        type=float,
        default=5.0,
        help="time for each solver's rate; 0 leaves them out",
    )
    parser.add_argument("--name", default="peers", help="beginning of the CSV files' names")
    args = parser.parse_args()
    print(machine())
    import_peers()
    rows: list[dict[str, object]] = []
    if args.seeds:
        for name in args.problems.split(","):
            rows += compare(name, args.peers.split(","), args.seeds, args.seconds)
        print_table(rows, f"wall clock {args.seconds:g} s each")
        print(f"written: {write_csv(args.name, rows)}")
    if args.solver_seconds:
        solvers = compare_solvers(load("three_way_17"), args.solver_seconds)
        print_table(solvers, "three ways, 17 values, one core")
        print(f"written: {write_csv(args.name + '-solvers', solvers)}")


if __name__ == "__main__":
    main()
