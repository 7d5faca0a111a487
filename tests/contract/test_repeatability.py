"""The same seed gives the same ranked list: again, with more workers, in another process."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest

from optimizer.problem.candidate import SearchResult
from optimizer.problem.problem import Problem
from optimizer.search.fit import search
from optimizer.search.found import TIE

ROOT = Path(__file__).resolve().parents[2]
BUDGET = 4_000  # networks
DRAWN = {"seed": 26, "most": 1e9, "series": "E12"}  # 58 000 networks in three ways

Tiny = Callable[..., Problem]

IN_ANOTHER_PROCESS = """
import sys
sys.path[:0] = {paths!r}
import conftest, test_repeatability as t
print(t.fingerprint(t.run(conftest.draw_problem(**t.DRAWN), workers={workers})))
"""


def run(problem: Problem, *, seed: int = 5, workers: int = 1, budget: int = BUDGET) -> SearchResult:
    return search(problem, seconds=None, seed=seed, top=5, workers=workers, evaluations=budget)


def fingerprint(result: SearchResult) -> str:
    """Hash of every ranked network with its cost to the last bit."""
    told = [
        (c.rank, c.cost.hex(), c.no_better_change_of, repr(c.network)) for c in result.candidates
    ]
    return hashlib.sha256(repr((told, result.evaluations)).encode()).hexdigest()


@pytest.fixture(scope="module")
def first(tiny: Tiny) -> SearchResult:
    """Return the search that all others must repeat."""
    return run(tiny(**DRAWN))


def test_there_is_a_list_to_compare(first: SearchResult) -> None:
    """The ranked list holds more than one network, best first but for what counts as
    equal."""
    costs = [c.cost for c in first.candidates]
    assert len(costs) >= 2
    assert all(a <= b * (1.0 + TIE) for a, b in pairwise(costs))


def test_same_seed_same_list(tiny: Tiny, first: SearchResult) -> None:
    """A second search repeats the first to the last bit."""
    assert fingerprint(run(tiny(**DRAWN))) == fingerprint(first)


@pytest.mark.thorough
def test_workers_do_not_change_the_list(tiny: Tiny, first: SearchResult) -> None:
    """Two processes find what one finds."""
    assert fingerprint(run(tiny(**DRAWN), workers=2)) == fingerprint(first)


def test_other_processes_find_the_same_list(
    first: SearchResult, trials: Callable[..., int]
) -> None:
    """Fresh processes with other hash seeds find the same: with two workers, and with one.

    Routinely the first alone, which differs from this process in both. They keep the environment, as
    it may say which kernels of linear algebra to use, and others round the last bit otherwise.
    """
    paths = [str(Path(__file__).parent), str(ROOT)]
    for hash_seed, workers in (("2", 2), ("1", 1))[: trials(routine=1, full=2)]:
        done = subprocess.run(
            [sys.executable, "-c", IN_ANOTHER_PROCESS.format(paths=paths, workers=workers)],
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
            env={**os.environ, "PYTHONHASHSEED": hash_seed},
        )
        assert done.returncode == 0, done.stderr
        assert done.stdout.strip() == fingerprint(first)


@pytest.mark.thorough
def test_seeds_matter(tiny: Tiny) -> None:
    """Another seed evaluates other networks, or the comparisons above would say nothing."""
    counts = {run(tiny(**DRAWN), seed=seed, budget=4_000).evaluations for seed in (5, 6)}
    assert len(counts) > 1
