"""How much sooner is a search done with more workers? ``python -m benchmarks.quality.scaling``.

The portions of some rounds are done in this process, each with its processor time. From these times
follows what other numbers of workers would take: a round's portions go to whoever is free, in their
order, and the next round begins when all are done. Measured beside it is what this machine can be
asked for, by searches of the same networks, and the processor time of the process that deals, learns
and hands over (of a dask cluster, its scheduler too): at worst everybody waits for all of it, which is
the second model. Caches and memory that processors share are in neither.
"""

from __future__ import annotations

import argparse
import contextlib
import heapq
import multiprocessing
import os
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from benchmarks.problems import load
from benchmarks.tables import machine, print_table, write_csv
from optimizer.search.fit import search
from optimizer.search.islands import Islands
from optimizer.search.portions import work
from optimizer.search.progress import SearchProgress
from optimizer.search.runner import Runner
from optimizer.search.task import Deadline


def time_rounds(name: str, islands: int, portions: int, seed: int) -> list[list[float]]:
    """Do whole rounds until so many portions are done; processor seconds of each portion."""
    problem = load(name)
    dealer = Islands(problem, seed, count=islands)
    rounds: list[list[float]] = []
    while sum(map(len, rounds)) < portions:
        took = []
        dealt = dealer.deal()
        hauls = []
        for portion in dealt:
            began = time.process_time()
            hauls.append(work(problem, portion, Deadline(None)))
            took.append(time.process_time() - began)
        for portion, haul in zip(dealt, hauls, strict=True):
            dealer.tell(portion, haul)
        rounds.append(took)
        if dealer.end_round() or not dealt:
            dealer.start_anew()
    return rounds


def span(round_s: Sequence[float], workers: int) -> float:
    """Seconds until a round is done, its portions handed out in order."""
    free = [0.0] * workers
    for took in round_s:
        heapq.heapreplace(free, free[0] + took)
    return max(free)


@contextlib.contextmanager
def _open_runner(workers: int, cluster: bool) -> Iterator[Runner]:
    """Open a crew of local processes, or a dask cluster of as many workers on this machine."""
    if not cluster:
        with Runner.local(workers) as runner:
            yield runner
        return
    from distributed import Client, LocalCluster

    with (
        LocalCluster(
            n_workers=workers, threads_per_worker=1, processes=True, dashboard_address=None
        ) as there,
        Client(there) as client,
        Runner.on(client) as runner,
    ):
        yield runner


def time_search(
    name: str, islands: int, workers: int, networks: int, seed: int, cluster: bool
) -> tuple[float, float]:
    """Seconds by the clock, and of this process's processor time, for a network of the exploration."""
    problem = load(name)
    with _open_runner(workers, cluster) as runner:
        how = {"seconds": None, "top": 1, "runner": runner, "islands": islands, "strategy": None}
        # The first search starts the processes and makes their tables.
        search(problem, evaluations=1, seed=seed, **how)  # type: ignore[arg-type]
        seen: list[tuple[SearchProgress, float]] = []

        def note(state: SearchProgress) -> None:
            if state.phase == "searching":
                seen.append((state, time.process_time()))

        began = time.process_time()
        search(problem, evaluations=networks, seed=seed, progress=note, **how)  # type: ignore[arg-type]
    last, ended = seen[-1]
    return last.seconds / last.evaluations, (ended - began) / last.evaluations


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.quality.scaling")
    parser.add_argument("--problem", default="four_way_32")
    parser.add_argument("--islands", default="8,24,48", help="portions a round, with commas")
    parser.add_argument("--workers", default="1,2,4,8,16", help="with commas")
    parser.add_argument("--portions", type=int, default=96, help="done for each")
    parser.add_argument("--networks", type=int, default=30_000, help="of each search measured")
    parser.add_argument("--cluster", action="store_true", help="measure on dask workers instead")
    args = parser.parse_args()

    print(machine())
    context = multiprocessing.get_context("spawn")
    most = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    rows = []
    for islands in map(int, args.islands.split(",")):
        with ProcessPoolExecutor(1, mp_context=context) as pool:
            rounds = pool.submit(time_rounds, args.problem, islands, args.portions, 1).result()
        alone = sum(map(sum, rounds))
        measured: dict[int, tuple[float, float]] = {}
        counts = list(map(int, args.workers.split(",")))
        for workers in (w for w in counts if w <= (most or 1)):
            with ProcessPoolExecutor(1, mp_context=context) as pool:
                asked = (args.problem, islands, workers, args.networks, 1, args.cluster)
                measured[workers] = pool.submit(time_search, *asked).result()
        single = measured[min(measured)][0]
        # Of the largest number measured: with one local worker this process does the work itself.
        waited = alone * measured[max(measured)][1] / single
        for workers in counts:
            spans = sum(span(r, workers) for r in rounds)
            rows.append(
                {
                    "problem": args.problem,
                    "islands": islands,
                    "workers": workers,
                    "portion s": alone / sum(map(len, rounds)),
                    "times one worker, model": alone / spans,
                    "all wait for one": alone / (spans + waited) if workers > 1 else 1.0,
                    "measured": single / measured[workers][0] if workers in measured else np.nan,
                    "on": "dask" if args.cluster else "processes",
                }
            )
    print_table(rows)
    print(f"written: {write_csv('scaling', rows)}")


if __name__ == "__main__":
    main()
