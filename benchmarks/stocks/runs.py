"""One search in a process of its own, with its memory."""

from __future__ import annotations

import os
import resource
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from benchmarks.problems import load
from optimizer.problem.problem import Problem
from optimizer.search.fit import search
from optimizer.stock.shelf import read_parts_list
from optimizer.stock.stock import assemble_stock
from optimizer.testing.shelves import draw_shelf


def _family(pid: int) -> list[int]:
    found = [pid]
    try:
        for task in os.listdir(f"/proc/{pid}/task"):
            children = Path(f"/proc/{pid}/task/{task}/children").read_text()
            for child in children.split():
                found += _family(int(child))
    except OSError:
        pass  # it ended meanwhile
    return found


def _proportional_mb() -> float:
    """Memory of this process and its children, pages that they share counted once."""
    total = 0
    for pid in _family(os.getpid()):
        try:
            text = Path(f"/proc/{pid}/smaps_rollup").read_text()
        except OSError:
            continue
        total += sum(int(line.split()[1]) for line in text.splitlines() if line[:4] == "Pss:")
    return total / 1024.0


@contextmanager
def _watched() -> Iterator[list[float]]:
    """Sample the memory of this process and its children; Linux only, else 0."""
    peak, done = [0.0], threading.Event()

    def watch() -> None:
        while not done.wait(0.1):
            peak[0] = max(peak[0], _proportional_mb())

    thread = threading.Thread(target=watch)
    thread.start()
    try:
        yield peak
    finally:
        done.set()
        thread.join()


def _own_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def search_shelf(lines: int, seconds: float, seed: int) -> dict[str, object]:
    """Search the three-way of 17 values from a drawn shelf, in this process alone."""
    import nevergrad  # noqa: F401  # on nobody's clock

    demo = load("three_way_17")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shelf.csv"
        path.write_text(draw_shelf(lines), encoding="utf-8")
        began = time.process_time()
        found = read_parts_list(path)
        stock = assemble_stock(lots=found.lots, currency=found.currency)
        read = time.process_time() - began
    began = time.process_time()
    problem = Problem(
        title=f"{lines} lines",
        drivers=demo.drivers,
        topology=demo.topology,
        stock=stock,
        goals=demo.goals,
        mirror=True,
    )
    built = time.process_time() - began
    began, clock = time.process_time(), time.perf_counter()
    result = search(problem, seconds=seconds, seed=seed, top=1)
    spent, wall = time.process_time() - began, time.perf_counter() - clock
    return {
        "lines": lines,
        "options": sum(len(o.values) for o in problem.space.options),
        "s to read": read,
        "s to build": built,
        "s on the clock": wall,
        "s of processor": spent,
        "networks": result.evaluations,
        "networks/s": result.evaluations / spent,
        "cost": result.candidates[0].cost,
        "peak MB": _own_mb(),
    }


def search_problem(name: str, seconds: float, workers: int) -> dict[str, object]:
    """Search a benchmark problem with workers; the memory of all of them."""
    problem = load(name)
    with _watched() as peak:
        result = search(problem, seconds=seconds, seed=1, top=5, workers=workers)
    child = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024.0
    return {
        "problem": name,
        "workers": workers,
        "cost": result.candidates[0].cost,
        "own MB": _own_mb(),
        "largest worker MB": child,
        "all MB": _own_mb() + workers * child,
        "all MB, shared once": peak[0],
    }
