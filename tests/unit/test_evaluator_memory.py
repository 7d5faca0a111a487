"""What a process that computes costs takes from the system, and how often."""

from __future__ import annotations

import os
import platform
import subprocess
import sys
from pathlib import Path

import pytest

COUNT = """
import resource, sys
import numpy as np
from optimizer.design.build import build_problem, load_design

def count_pages():
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt

problem = build_problem(load_design(sys.argv[1]))
space, count = problem.space, 512
rng = np.random.default_rng(1)
choice = np.array([rng.integers(0, len(o.values), count) for o in space.options]).T
present = np.ones((count, len(space.slots)), dtype=bool)
polarity = np.ones((count, len(problem.drivers)))
problem.tables.costs(choice, present, polarity)
before = count_pages()
for _ in range(4):
    problem.tables.costs(choice, present, polarity)
print(count_pages() - before)
"""

PAGES = 64
"""Of 4 KB for four times 512 networks: what Python itself may take meanwhile."""


@pytest.mark.parametrize("told", [{}, {"MALLOC_TRIM_THRESHOLD_": "65536"}], ids=["", "dask"])
@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="other C libraries keep other rules")
def test_memory_of_networks_is_kept_for_the_next(demo_design: Path, told: dict[str, str]) -> None:
    """Costs computed again take no new memory from the system; judge: its count of page faults.

    Given back and taken again after each block, it would be 20,000 pages of 4 KB. Workers of
    dask.distributed find a variable in their environment that asks for that.
    """
    environment = {k: v for k, v in os.environ.items() if not k.startswith("MALLOC_")} | told
    done = subprocess.run(
        [sys.executable, "-c", COUNT, str(demo_design)],
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    assert int(done.stdout) < PAGES
