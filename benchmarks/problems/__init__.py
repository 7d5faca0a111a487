"""Benchmark problems with their best known costs.

``load(name)`` builds a problem, ``best_known(name)`` says what its best network costs and how that
was found out. ``python -m benchmarks.problems`` lists them; ``... refresh`` computes the costs
anew, which every change of goals, demo or stock makes necessary.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path

from benchmarks.problems.catalogue import BUILDERS, ENUMERABLE
from benchmarks.problems.fingerprint import fingerprint
from optimizer.problem.problem import Problem

__all__ = ["ENUMERABLE", "NAMES", "BestKnown", "best_known", "fingerprint", "load", "store"]

NAMES: tuple[str, ...] = tuple(BUILDERS)
FILE = Path(__file__).with_name("best_known.json")


@dataclass(frozen=True, slots=True, kw_only=True)
class BestKnown:
    """Best cost that anything found for a problem so far.

    Parameters
    ----------
    cost : float
        The cost.
    proven : bool
        Whether every network was ruled out.
    how : str
        One sentence.
    command : str
        What to run to find it again.
    fingerprint : str
        Of the problem at the time.
    """

    cost: float
    proven: bool
    how: str
    command: str
    fingerprint: str


def load(name: str) -> Problem:
    """Build a problem by name."""
    if name not in BUILDERS:
        raise SystemExit(f"no benchmark problem {name!r}; there are {', '.join(NAMES)}")
    return BUILDERS[name]()


def read_all() -> dict[str, BestKnown]:
    """Read all best known costs, also outdated ones."""
    if not FILE.exists():
        return {}
    return {k: BestKnown(**v) for k, v in json.loads(FILE.read_text()).items()}


def best_known(name: str, problem: Problem) -> BestKnown:
    """Best known cost of a problem; refuses one that belongs to other numbers."""
    entry = read_all().get(name)
    if entry is None or entry.fingerprint != fingerprint(problem):
        raise SystemExit(
            f"{name}: the best known cost is {'missing' if entry is None else 'outdated'}; "
            f"run `python -m benchmarks.problems refresh {name}`"
        )
    return entry


def store(name: str, entry: BestKnown) -> None:
    """Write one best known cost, keeping the others."""
    known = read_all() | {name: entry}
    text = json.dumps({n: asdict(known[n]) for n in NAMES if n in known}, indent=1) + "\n"
    fresh = FILE.with_suffix(".tmp")
    fresh.write_text(text)
    fresh.replace(FILE)
