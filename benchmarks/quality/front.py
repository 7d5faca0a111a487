"""How good is a front between two goals? ``python -m benchmarks.quality.front``.

On the demo as a user gets it: how long the front takes and how many points it has, whether each is
proven, and whether fits with random weights of the two goals find anything that betters a point.
The last line says whether the bar is met: `POINTS` or more, each proven, one of them the knee,
within the time, and none better in both goals among what the fits find. The exit code says the
same.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from optimizer.demo.write import write_demo
from optimizer.design.build import build_problem, load_design
from optimizer.problem.candidate import Candidate
from optimizer.search.fit import search
from optimizer.search.trade.explore import search_trade
from optimizer.search.trade.result import TradeResult
from optimizer.search.trade.tasks import reweight

BETWEEN = ("on_axis", "in_room")
POINTS = 9


def figures(candidate: Candidate) -> np.ndarray:
    """Figures of the two goals, and what all other goals cost together."""
    values = {g.name: g for g in candidate.goals}
    rest = sum(g.cost for name, g in values.items() if name not in BETWEEN)
    return np.array([*(values[n].value for n in BETWEEN), rest])


def betters(found: np.ndarray, own: np.ndarray) -> bool:
    """Whether figures are nowhere worse and somewhere better."""
    return bool(np.all(found <= own + 1e-9) and np.any(found < own - 1e-9))


def judge(front: TradeResult, seconds: float, allowed: float, dominated: int) -> list[str]:
    """List what of the bar is missed."""
    proven = sum(p.candidate.no_better_change_of >= 2 for p in front.points)
    checks = {
        f"{len(front.points)} points, wanted {POINTS}": len(front.points) >= POINTS,
        f"{seconds:.1f} s, allowed {allowed:g}": seconds <= allowed,
        f"{len(front.points) - proven} points not proven": proven == len(front.points),
        "no knee": sum(p.knee for p in front.points) == 1,
        f"{dominated} points bettered in both goals by a fit": dominated == 0,
    }
    return [what for what, met in checks.items() if not met]


def main() -> int:
    """Trace the front, then try to beat it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=30.0, help="for the front")
    parser.add_argument("--fit-seconds", type=float, default=10.0, help="for each fit")
    parser.add_argument("--weightings", type=int, default=10)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        problem = build_problem(load_design(write_demo(Path(folder) / "demo")))
    began = time.monotonic()
    front = search_trade(
        problem, BETWEEN, seconds=args.seconds, seed=args.seed, workers=args.workers
    )
    seconds = time.monotonic() - began
    proven = sum(p.candidate.no_better_change_of >= 2 for p in front.points)
    print(
        f"front: {len(front.points)} points, {proven} proven, {front.stopped} after "
        f"{seconds:.1f} s with {args.workers} workers"
    )
    for p in front.points:
        print(
            f"  {p.a:.3f} {p.b:.3f}  weights {p.weights[0]:.2f} : {p.weights[1]:.2f}"
            f"  cost {p.candidate.cost:.4f}{'  knee' if p.knee else ''}"
        )
    own = np.array([figures(p.candidate) for p in front.points])
    rng = np.random.default_rng(args.seed)
    bettered: set[int] = set()
    in_plane: set[int] = set()
    cheaper, worst = 0, 0.0
    for k in range(args.weightings):
        share = float(rng.uniform(0.05, 0.95))
        weights = ((BETWEEN[0], 2 * share), (BETWEEN[1], 2 * (1 - share)))
        best = search(
            reweight(problem, weights),
            seconds=args.fit_seconds,
            seed=100 + k,
            top=1,
            by="cost",
            workers=args.workers,
        ).candidates[0]
        found = figures(best)
        least = float((own @ np.array([weights[0][1], weights[1][1], 1.0])).min())
        bettered |= {i for i, row in enumerate(own) if betters(found, row)}
        in_plane |= {i for i, row in enumerate(own) if betters(found[:2], row[:2])}
        cheaper += best.cost < least - 1e-9
        worst = max(worst, least / best.cost - 1.0)
        print(
            f"fit {2 * share:.2f} : {2 * (1 - share):.2f}  {found[0]:.3f} {found[1]:.3f}  cost "
            f"{best.cost:.4f}, cheapest point of the front {least:.4f}",
            flush=True,
        )
    print(
        f"of {len(own)} points, {args.weightings} fits better {len(in_plane)} in both goals, "
        f"{len(bettered)} without costing more in the others; {cheaper} fits are cheaper for "
        f"their own weights than every point, by {100.0 * worst:.2f} % at most"
    )
    missed = judge(front, seconds, args.seconds, len(in_plane))
    print("bar missed: " + "; ".join(missed) if missed else "bar met")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
