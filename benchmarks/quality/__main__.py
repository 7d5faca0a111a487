"""Strategy x problem x seeds: success rates, times to quality, quantiles, memory."""

from __future__ import annotations

import argparse
import multiprocessing
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from benchmarks.problems import NAMES, best_known, load
from benchmarks.quality.runs import Run, run_searches
from benchmarks.tables import machine, print_table, write_csv
from optimizer.search.fit import DEFAULT_STRATEGY

WITHIN = {"1%": 0.01, "0.1%": 0.001}


def summarise(
    problem: str, strategy: str, best: float, runs: list[Run], peak_mb: float
) -> dict[str, object]:
    """Make one row of the table."""
    costs = np.array([r.cost for r in runs]) / best - 1.0
    row: dict[str, object] = {"problem": problem, "strategy": strategy, "seeds": len(runs)}
    for label, within in WITHIN.items():
        # Far below any difference in cost, far above rounding.
        times = np.array([r.time_to(best * (1.0 + within) + 1e-9) for r in runs])
        row[f"in {label}"] = int(np.isfinite(times).sum())
        row[f"s to {label}"] = float(np.median(times))
        row[f"s to {label}, worst"] = float(times.max())
        networks = [r.networks_to(best * (1.0 + within) + 1e-9) for r in runs]
        row[f"networks to {label}"] = float(np.median(networks))
        row[f"networks to {label}, 95 %"] = float(np.quantile(networks, 0.95, method="higher"))
    for q in (0, 50, 90, 100):
        row[f"gap % q{q}"] = float(100.0 * np.quantile(costs, q / 100.0))
    row["s in all"] = float(np.median([r.seconds for r in runs]))
    row["processor s"] = float(np.median([r.cpu_seconds for r in runs]))
    # Whether what was said of a miss holds: mean of what was stated, and how often it came true.
    said = [(r.agreement.missed, r.cost > 1.01 * best) for r in runs if r.agreement.missed]
    row["missed, said"] = float(np.mean([s for s, _ in said])) if said else float("nan")
    row["missed, so"] = float(np.mean([m for _, m in said])) if said else float("nan")
    row["proven 2"] = sum(r.certificate >= 2 for r in runs)
    row["nevergrad %"] = 100.0 * float(np.mean([r.strategy_share for r in runs]))
    row["peak MB"] = peak_mb
    return row


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.quality", description=__doc__)
    parser.add_argument("--problems", default=",".join(NAMES))
    parser.add_argument(
        "--strategies",
        default=DEFAULT_STRATEGY,
        help="names of nevergrad optimisers, uniform or none, with commas",
    )
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--seconds", type=float, default=10.0, help="budget of each search")
    parser.add_argument(
        "--evaluations",
        type=int,
        help="budget in networks instead: no load on the machine changes what comes out",
    )
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument(
        "--until-best",
        action="store_true",
        help="end each search at the best known cost; saves time, but then "
        "proof and memory are not measured",
    )
    parser.add_argument("--name", default="quality", help="name of the CSV file")
    args = parser.parse_args()

    print(machine())
    rows: list[dict[str, object]] = []
    context = multiprocessing.get_context("spawn")
    for name in args.problems.split(","):
        known = best_known(name, load(name))
        for strategy in args.strategies.split(","):
            # A process of its own: memory is its own, and no cache is warm.
            with ProcessPoolExecutor(1, mp_context=context) as pool:
                runs, peak = pool.submit(
                    run_searches,
                    name,
                    strategy,
                    range(1, args.seeds + 1),
                    None if args.evaluations else args.seconds,
                    args.evaluations,
                    args.workers,
                    known.cost * (1 + 1e-9) if args.until_best else None,
                ).result()
            rows.append(summarise(name, strategy, known.cost, runs, peak))
            print_table(rows[-1:], title="")
            better = min(r.cost for r in runs)
            if better < known.cost * (1.0 - 1e-9):
                print(
                    f"{name}: {better:.6g} is better than the best known {known.cost:.6g}; "
                    "run `python -m benchmarks.problems refresh`"
                )
    budget = f"{args.evaluations} networks" if args.evaluations else f"{args.seconds:g} s"
    print_table(rows, f"budget {budget}, {args.workers} workers")
    print(f"written: {write_csv(args.name, rows)}")


if __name__ == "__main__":
    main()
