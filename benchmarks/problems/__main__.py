"""List the benchmark problems, or compute their best known costs anew."""

from __future__ import annotations

import argparse
import os
import time

import numpy as np

from benchmarks.problems import (
    ENUMERABLE,
    NAMES,
    BestKnown,
    fingerprint,
    load,
    read_all,
    store,
)
from benchmarks.tables import machine, print_table, write_csv
from optimizer.search.fit import search
from optimizer.search.prove.exact import enumerate_best


def list_problems() -> None:
    """Print what each problem holds and whether its best known cost is current."""
    known = read_all()
    rows = []
    for name in NAMES:
        problem = load(name)
        entry = known.get(name)
        current = entry is not None and entry.fingerprint == fingerprint(problem)
        space = problem.space
        rows.append(
            {
                "problem": name,
                "ways": len(problem.topology.ways),
                "values": len(space.genes),
                "free": len(space.free_genes),
                "networks": f"1e{space.size_log10():.1f}",
                "points": len(problem.frequency_hz),
                "best known": entry.cost if entry and current else float("nan"),
                "proven": bool(entry and current and entry.proven),
                "how": entry.how if entry and current else "outdated" if entry else "missing",
            }
        )
    print_table(rows)


def refresh(names: list[str], runs: int, seconds: float, fresh: bool) -> None:
    """Compute best known costs: by enumeration where that is possible, else by long searches."""
    print(machine())
    for name in names:
        problem = load(name)
        mark = fingerprint(problem)
        command = f"python -m benchmarks.problems refresh {name}"
        if name in ENUMERABLE:
            result = enumerate_best(problem, top=1)
            entry = BestKnown(
                cost=result.candidates[0].cost,
                proven=result.stopped == "converged",
                how=f"enumeration of 1e{problem.space.size_log10():.1f} networks",
                command=command,
                fingerprint=mark,
            )
        else:
            costs = []
            for seed in range(1001, 1001 + runs):
                result = search(
                    problem,
                    seconds=seconds,
                    seed=seed,
                    top=1,
                    workers=os.cpu_count() or 1,
                    by="cost",
                )
                costs.append(result.candidates[0].cost)
                print(f"  {name} seed {seed}: {costs[-1]:.6f} ({result.stopped})", flush=True)
            cost = min(costs)
            again = int(np.count_nonzero(np.array(costs) < cost * (1 + 1e-6)))
            entry = BestKnown(
                cost=cost,
                proven=False,
                how=f"best of {runs} searches of {seconds:g} s, reached by {again}",
                command=f"{command} --runs {runs} --seconds {seconds:g}",
                fingerprint=mark,
            )
        before = read_all().get(name)
        same = before is not None and before.fingerprint == mark and not fresh
        if same and before is not None and before.cost < entry.cost * (1 - 1e-9):
            print(f"{name}: {entry.cost:.6f}, kept the better {before.cost:.6f} of before")
            continue
        store(name, entry)
        print(f"{name}: {entry.cost:.6f}, {entry.how}", flush=True)


def challenge(names: list[str], searches: int, seconds: float, first: int) -> None:
    """Try to better the best known costs by many more searches from other seeds."""
    print(machine())
    known = read_all()
    rows: list[dict[str, object]] = []
    for name in names:
        problem = load(name)
        found, ended = [], []
        networks = 0
        began = time.monotonic()
        for seed in range(first, first + searches):
            result = search(
                problem, seconds=seconds, seed=seed, top=1, workers=os.cpu_count() or 1, by="cost"
            )
            found.append(result.candidates[0].cost)
            ended.append(result.stopped)
            networks += result.evaluations
        cost = known[name].cost
        rows.append(
            {
                "problem": name,
                "known": cost,
                "by": known[name].how,
                "searches": searches,
                "best": min(found),
                "percent": 100.0 * (min(found) / cost - 1.0),
                "reached by": int(np.count_nonzero(np.array(found) < cost * (1.0 + 1e-6))),
                "converged": ended.count("converged"),
                "seconds": time.monotonic() - began,
                "networks": networks,
            }
        )
        print_table(rows[-1:])
        print("written:", write_csv(f"challenge-{first}", rows), flush=True)


def main() -> None:
    """Run the command."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.problems", description=__doc__)
    verbs = parser.add_subparsers(dest="verb")
    verbs.add_parser("list", help="print the problems (the default)")
    renew = verbs.add_parser("refresh", help="compute best known costs anew")
    renew.add_argument("names", nargs="*", help="problems; all when none is named")
    renew.add_argument("--runs", type=int, default=5)
    renew.add_argument("--seconds", type=float, default=120.0)
    renew.add_argument(
        "--fresh", action="store_true", help="replace costs of the same problem even by worse ones"
    )
    dare = verbs.add_parser("challenge", help="try to better the best known costs")
    dare.add_argument("names", nargs="*", help="problems; all that nobody enumerated when none")
    dare.add_argument("--searches", type=int, default=20)
    dare.add_argument("--seconds", type=float, default=40.0)
    dare.add_argument("--first", type=int, default=3001, help="seed of the first search")
    args = parser.parse_args()
    unknown = set(getattr(args, "names", ())) - set(NAMES)
    if unknown:
        parser.error(f"no such problem: {', '.join(sorted(unknown))}")
    if args.verb == "refresh":
        refresh(args.names or list(NAMES), args.runs, args.seconds, args.fresh)
    elif args.verb == "challenge":
        names = args.names or [name for name in NAMES if name not in ENUMERABLE]
        challenge(names, args.searches, args.seconds, args.first)
    else:
        list_problems()


if __name__ == "__main__":
    main()
