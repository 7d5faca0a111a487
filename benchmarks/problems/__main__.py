"""List the benchmark problems, or compute their best known costs anew."""

from __future__ import annotations

import argparse
import os

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
from benchmarks.tables import machine, print_table
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
    args = parser.parse_args()
    if args.verb == "refresh":
        unknown = set(args.names) - set(NAMES)
        if unknown:
            parser.error(f"no such problem: {', '.join(sorted(unknown))}")
        refresh(args.names or list(NAMES), args.runs, args.seconds, args.fresh)
    else:
        list_problems()


if __name__ == "__main__":
    main()
