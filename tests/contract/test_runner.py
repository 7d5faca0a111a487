"""Whoever computes, the answer is one; no process is lost for ever, and none stays behind."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer.problem.candidate import SearchResult
from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem
from optimizer.search import runner as runner_module
from optimizer.search.fit import search
from optimizer.search.runner import LEFT_NOTE, LOST_NOTE, MOST_LOSSES, Runner, WorkersLost
from optimizer.search.task import KEPT_PROBLEMS, Deadline, pack
from optimizer.search.trade.tasks import certify_network
from optimizer.testing import small_problem
from tests.conftest import cases

ROOT = Path(__file__).resolve().parents[2]
BUDGET = 3_000  # networks
LONGEST_WAIT_S = 30.0


def number_of_process(problem: Problem) -> int:
    return os.getpid()


def end_once(problem: Problem, mark: Path) -> int:
    """Be killed at the first try."""
    if not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return os.getpid()


def end_always(problem: Problem, marks: Path) -> None:
    (marks / str(os.getpid())).touch()
    os.kill(os.getpid(), signal.SIGKILL)


def count_blas_threads(problem: Problem) -> list[int]:
    from threadpoolctl import threadpool_info

    return [lib["num_threads"] for lib in threadpool_info() if lib["user_api"] == "blas"]


def is_there(process: int) -> bool:
    """Whether a process runs: neither gone nor a zombie that nobody has taken note of."""
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    stat = Path(f"/proc/{process}/stat")
    return not stat.exists() or stat.read_text().rpartition(")")[2].split()[0] != "Z"


def wait_until(true: Callable[[], bool], what: str) -> None:
    end = time.monotonic() + LONGEST_WAIT_S
    while not true():
        assert time.monotonic() < end, what
        time.sleep(0.05)


def find(problem: Problem, **how: Any) -> SearchResult:
    return search(problem, seconds=None, evaluations=BUDGET, top=3, **how)


def told(result: SearchResult) -> Any:
    return [(c.cost, c.network) for c in result.candidates], result.evaluations


@pytest.fixture(scope="module")
def problem() -> Problem:
    return small_problem()


@pytest.fixture(scope="module")
def alone(problem: Problem) -> Any:
    """Return what one process finds."""
    return told(find(problem))


@pytest.mark.parametrize("workers", cases([2, 3], routine=1))
def test_local_workers_find_the_same(problem: Problem, alone: Any, workers: int) -> None:
    """The number of processes changes nothing of the answer."""
    result = find(problem, workers=workers)
    assert told(result) == alone
    assert LOST_NOTE not in result.notes


def test_killed_worker_changes_no_answer(problem: Problem, alone: Any) -> None:
    """Its task is done again by another one, and the result says so."""
    killed: list[int] = []
    with Runner.local(2) as runner:
        victim = runner.submit(number_of_process, problem).result()

        def kill(_: object) -> None:
            if not killed:
                os.kill(victim, signal.SIGKILL)
                killed.append(victim)

        result = find(problem, runner=runner, progress=kill)
        again = find(problem, runner=runner)
    assert killed
    assert told(result) == told(again) == alone
    assert LOST_NOTE in result.notes
    assert LOST_NOTE not in again.notes


def test_lost_task_is_done_again_a_few_times(problem: Problem, tmp_path: Path) -> None:
    """A task whose worker was lost gets another one; a task that ends them all is given up."""
    marks = tmp_path / "marks"
    marks.mkdir()
    with Runner.local(2) as runner:
        assert runner.submit(end_once, problem, tmp_path / "mark").result() != os.getpid()
        assert runner.notes == (LOST_NOTE,)
        with pytest.raises(WorkersLost, match=f"lost {MOST_LOSSES} times"):
            runner.submit(end_always, problem, marks).result()
        assert len(list(marks.iterdir())) == MOST_LOSSES
        assert runner.submit(number_of_process, problem).result() != os.getpid()


def title_of(problem: Problem) -> str:
    return problem.title


def test_first_problem_of_a_crew_is_never_pickled_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """A forked process has it already; it is sent only when the worker had to drop it."""
    if "fork" not in multiprocessing.get_all_start_methods():
        pytest.skip("processes are spawned here: each gets the problem pickled")
    problems = [small_problem().replace(title=f"problem {k}") for k in range(KEPT_PROBLEMS + 1)]
    packed: list[str] = []
    monkeypatch.setattr(
        runner_module, "pack", lambda problem: packed.append(problem.title) or pack(problem)
    )
    with Runner.local(2) as runner:
        first = problems[0]
        assert list(runner.in_order(title_of, first, [()] * 6)) == ["problem 0"] * 6
        assert not packed
        for problem in problems[1:]:
            assert list(runner.in_order(title_of, problem, [()] * 6)) == [problem.title] * 6
        assert list(runner.in_order(title_of, first, [()] * 6)) == ["problem 0"] * 6


def test_a_worker_has_one_thread_of_linear_algebra(problem: Problem) -> None:
    """Whatever the process that began it has."""
    from threadpoolctl import threadpool_limits

    with threadpool_limits(2, user_api="blas"), Runner.local(2) as runner:
        assert set(runner.submit(count_blas_threads, problem).result()) == {1}


def test_workers_end_with_their_block(problem: Problem) -> None:
    """With nothing to do or in the middle of a task."""
    with Runner.local(2) as runner:
        process = runner.submit(number_of_process, problem).result()
        runner.submit(_sleep, problem, 600.0)
    assert not is_there(process)


def _sleep(problem: Problem, seconds: float) -> None:
    time.sleep(seconds)


ORPHANS = """
import os, sys, time
sys.path[:0] = {paths!r}
from optimizer.search.runner import Runner
from optimizer.testing import small_problem
from test_runner import number_of_process, _sleep
problem = small_problem()
with Runner.local(3) as runner:
    print(runner.submit(number_of_process, problem).result(), flush=True)
    processes = getattr(runner._engine.pool, "_processes")
    print(*processes, flush=True)
    for future in [runner.submit(_sleep, problem, 600.0) for _ in range(3)]:
        future.result()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="there is no SIGKILL")
def test_workers_end_with_their_parent() -> None:
    """A parent that is killed can tell nobody; its workers see that it is gone."""
    code = ORPHANS.format(paths=[str(ROOT), str(Path(__file__).parent)])
    with subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, text=True, start_new_session=True
    ) as parent:
        assert parent.stdout is not None
        parent.stdout.readline()
        workers = [int(word) for word in parent.stdout.readline().split()]
        assert len(workers) == 3
        assert all(is_there(worker) for worker in workers)
        parent.kill()
        parent.wait()
        wait_until(lambda: not any(map(is_there, workers)), "a worker was left behind")


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    """Return a dask cluster of three workers in processes of their own."""
    distributed = pytest.importorskip("distributed", reason="dask.distributed is not installed")
    with distributed.LocalCluster(
        n_workers=3, threads_per_worker=1, dashboard_address=":0", silence_logs=50
    ) as cluster:
        yield cluster


def test_cluster_finds_the_same_with_a_worker_killed(
    problem: Problem, alone: Any, cluster: Any
) -> None:
    """Three workers elsewhere find what one process here finds, one of them killed meanwhile."""
    victim = cluster.workers[0].pid
    killed: list[int] = []

    def kill(_: object) -> None:
        if not killed:
            os.kill(victim, signal.SIGKILL)
            killed.append(victim)

    with Runner.on(cluster.scheduler_address) as runner:
        assert runner.workers == 3
        result = find(problem, runner=runner, progress=kill)
    assert killed
    assert not is_there(victim)
    assert told(result) == alone
    assert LEFT_NOTE in result.notes


def test_client_of_a_cluster_stays_open(problem: Problem, cluster: Any) -> None:
    """A client is used as it is, and left to its owner."""
    with cluster.get_client() as client:
        for _ in range(2):
            with Runner.on(client) as runner:
                assert runner.submit(number_of_process, problem).result() != os.getpid()
        assert client.status == "running"


def test_front_on_a_cluster(problem: Problem, cluster: Any) -> None:
    """Tasks of a front find there what they find here, under weights that only they know."""
    start = Genome(
        choice=np.zeros(len(problem.space.genes), dtype=np.intp),
        present=np.ones(len(problem.space.slots), dtype=bool),
        polarity=problem.space.polarity_start,
    )
    tasks = [((("on_axis", w), ("parts", 0.03)), start, Deadline(None)) for w in (0.01, 1.0)]
    found = []
    for runner in (Runner.here(), Runner.on(cluster.scheduler_address)):
        with runner:
            outcomes = list(runner.in_order(certify_network, problem, tasks))
        assert all(outcome.proven == 2 for outcome in outcomes)
        found.append([float(problem.cost(outcome.genomes)[0]) for outcome in outcomes])
    assert found[0] == found[1]
    assert found[0][0] != found[0][1]
