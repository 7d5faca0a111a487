"""Tasks and who computes them: what is sent, what is kept, what is told when workers are lost."""

from __future__ import annotations

import concurrent.futures as cf
import pickle
from typing import Any

import pytest

from optimizer import verbs
from optimizer.errors import InputError
from optimizer.problem.problem import Problem
from optimizer.search import runner as runner_module
from optimizer.search import task as task_module
from optimizer.search.runner import Runner, WorkersLost, lent_or_local
from optimizer.search.task import KEPT_PROBLEMS, KEPT_THINGS, Deadline, do_task, keep_with, pack
from optimizer.testing import small_problem

CALLS: list[Any] = []


def tell(problem: Problem, word: Any = None) -> Any:
    CALLS.append(word)
    return word


def refuse(problem: Problem) -> None:
    raise InputError("it must work", value=problem.title)


def weigh(problem: Problem, weight: float) -> Problem:
    return problem.replace(goals=problem.goals.weighted(on_axis=weight))


class Hall(cf.Executor):
    """Workers that are threads, each with what it keeps; tasks go to them in a stated order."""

    def __init__(self, order: list[int]) -> None:
        self.order = order
        self.rooms = [cf.ThreadPoolExecutor(1) for _ in range(max(order) + 1)]
        self.sent: list[int] = []  # bytes of problems

    def submit(self, function: Any, /, *args: Any, **kwargs: Any) -> cf.Future[Any]:
        assert function is do_task
        self.sent.append(len(args[2] or b""))
        room = self.rooms[self.order[(len(self.sent) - 1) % len(self.order)]]
        future = room.submit(function, *args, **kwargs)
        cf.wait([future])
        return future


@pytest.fixture(scope="module")
def problem() -> Problem:
    return small_problem()


@pytest.fixture(autouse=True)
def _forget() -> None:
    CALLS.clear()


def test_here_a_task_is_done_when_its_result_is_asked_for(problem: Problem) -> None:
    """What nobody asks for is not computed, and results come in the order asked for."""
    with Runner.here() as runner:
        first, second = (runner.submit(tell, problem, word) for word in "ab")
        assert (runner.workers, CALLS, first.done()) == (1, [], False)
        assert second.result() == "b"
        assert [f.result() for f in runner.as_completed([first, second])] == ["b", "a"]
        assert list(runner.in_order(tell, problem, [("c",), ("d",)])) == ["c", "d"]
    assert CALLS == ["b", "a", "c", "d"]


def test_one_local_worker_is_this_process(problem: Problem) -> None:
    """No process is begun for one worker."""
    with Runner.local(1) as runner:
        assert runner.submit(tell, problem, "a").result() == CALLS[0] == "a"


def test_cancelled_tasks_do_not_come(problem: Problem) -> None:
    """What was not begun can be dropped, some of it or all; at the end of the block all is."""
    with Runner.here() as runner:
        futures = [runner.submit(tell, problem, word) for word in "abc"]
        runner.cancel(futures[:1])
        assert [f.result() for f in runner.as_completed(futures)] == ["b", "c"]
        left = runner.submit(tell, problem, "d")
    for future in (futures[0], left):
        with pytest.raises(cf.CancelledError):
            future.result()


def test_lent_runner_stays_open(problem: Problem) -> None:
    """Whoever borrows a runner drops what is waiting, and leaves the rest to its owner."""
    with Runner.here() as mine:
        with lent_or_local(mine, 3) as runner:
            assert runner is mine
            waiting = runner.submit(tell, problem)
        assert waiting.cancelled
        assert mine.submit(tell, problem, 1).result() == 1


def test_an_error_of_a_task_is_raised_with_its_result(problem: Problem) -> None:
    """It reaches whoever asks for that result, and nobody else."""
    with Runner.on(Hall([0, 1]), workers=2) as runner:
        bad, good = runner.submit(refuse, problem), runner.submit(tell, problem, 1)
        with pytest.raises(InputError, match="it must work, got small two-way"):
            bad.result()
        assert good.result() == 1


@pytest.mark.parametrize("order", [[0, 1, 2], [0, 0, 1] + 20 * [2, 0, 1]])
def test_problem_is_sent_once_to_each_worker(problem: Problem, order: list[int]) -> None:
    """However many tasks there are: with the first ones, and to workers that ask for it."""
    hall = Hall(order)
    with Runner.on(hall, workers=3) as runner:
        assert list(runner.in_order(tell, problem, [(k,) for k in range(30)])) == list(range(30))
    size = len(pack(problem).data)
    asked_again = len(hall.sent) - 30
    assert size > 5_000
    assert asked_again == (0 if order == [0, 1, 2] else 1)
    assert sum(hall.sent) == (3 + asked_again) * size


def test_worker_keeps_a_few_problems() -> None:
    """The one not asked for longest is dropped, asked for again, and the result is the same."""
    problems = [small_problem(goals={"on_axis": float(k + 1)}) for k in range(KEPT_PROBLEMS + 1)]
    hall = Hall([0])
    with Runner.on(hall, workers=1) as runner:
        for problem in problems:
            assert runner.submit(tell, problem, 1).result() == 1
        before = len(hall.sent)
        assert runner.submit(tell, problems[-1], 2).result() == 2
        assert hall.sent[before:] == [0]
        assert runner.submit(tell, problems[0], 3).result() == 3
        assert hall.sent[before + 1 :] == [0, len(pack(problems[0]).data)]


def test_things_are_kept_with_their_problem(problem: Problem) -> None:
    """Made once for each problem and arguments, as far as these are few; they do not travel."""
    one, other = (keep_with(problem, weigh, w) for w in (2.0, 3.0))
    assert keep_with(problem, weigh, 2.0) is one is not other
    assert one.goals["on_axis"].weight == 2.0
    for k in range(KEPT_THINGS):
        keep_with(problem, weigh, 10.0 + k)
    assert keep_with(problem, weigh, 2.0) is not one
    assert not hasattr(pickle.loads(pickle.dumps(problem)), "_kept")
    assert not hasattr(problem.replace(title="other"), "_kept")


def test_worker_computes_with_what_it_kept(problem: Problem) -> None:
    """Caches of a problem survive in a worker from task to task."""
    with Runner.on(Hall([0]), workers=1) as runner:
        kept = [runner.submit(keep_with, problem, weigh, 4.0) for _ in range(2)]
        first, second = (future.result() for future in kept)
        assert first is second
        assert first.drivers is not problem.drivers  # it came in a parcel


def test_deadline_travels_as_time_left(monkeypatch: pytest.MonkeyPatch) -> None:
    """Under another clock it means the same; without end it stays so."""
    clock = [1000.0]
    monkeypatch.setattr(task_module.time, "monotonic", lambda: clock[0])
    deadline = Deadline(8.0)
    clock[0] += 3.0
    sent = pickle.dumps(deadline)
    clock[0] = 7.0  # of another machine
    arrived = pickle.loads(sent)
    assert (arrived.left, arrived.moment, arrived.passed()) == (5.0, 12.0, False)
    clock[0] = 12.5
    assert arrived.passed()
    endless = pickle.loads(pickle.dumps(Deadline(None)))
    assert (endless.left, endless.passed()) == (None, False)


def test_no_more_is_begun_than_there_are_workers(problem: Problem) -> None:
    """What waits for a worker stays here, where it can be dropped."""
    hall = Hall([0, 1])
    with Runner.on(hall, workers=2) as runner:
        futures = [runner.submit(tell, problem, k) for k in range(5)]
        assert len(hall.sent) == 2
        runner.cancel()
        assert [f.result() for f in runner.as_completed(futures)] == [0, 1]


class Broken(cf.Executor):
    """An executor whose workers are gone."""

    def __init__(self, at_once: bool) -> None:
        self.at_once = at_once

    def submit(self, function: Any, /, *args: Any, **kwargs: Any) -> cf.Future[Any]:
        if self.at_once:
            raise cf.BrokenExecutor("no worker is left")
        future: cf.Future[Any] = cf.Future()
        future.set_exception(cf.BrokenExecutor("no worker is left"))
        return future


@pytest.mark.parametrize("at_once", [True, False])
def test_an_engine_that_is_gone_is_said_so(problem: Problem, at_once: bool) -> None:
    """An executor of others is not replaced: the error says what is missing."""
    with (
        Runner.on(Broken(at_once), workers=1) as runner,
        pytest.raises(WorkersLost, match="BrokenExecutor: no worker is left"),
    ):
        runner.submit(tell, problem).result()


def test_nobody_at_an_address(monkeypatch: pytest.MonkeyPatch) -> None:
    """One message says address and remedy."""
    pytest.importorskip("distributed", reason="dask.distributed is not installed")
    monkeypatch.setattr(runner_module, "_CONNECT_S", 0.3)
    with pytest.raises(InputError, match=r"must answer .* got tcp://127.0.0.1:9; start one"):
        Runner.on("tcp://127.0.0.1:9")


@pytest.mark.parametrize(
    ("verb", "search", "what"),
    [("fit", "search", ()), ("trade", "search_trade", (("on_axis", "parts"),))],
)
def test_verbs_take_a_runner_or_a_number(
    problem: Problem, monkeypatch: pytest.MonkeyPatch, verb: str, search: str, what: Any
) -> None:
    """A runner is used as it is, in place of so many processes of this machine."""
    used: list[Any] = []

    def note(*_: Any, runner: Runner | None, workers: int = 1, **__: Any) -> None:
        with lent_or_local(runner, workers) as who:
            used.append((who is mine, who.workers))

    monkeypatch.setattr(verbs, search, note)
    with Runner.on(Hall([0]), workers=5) as mine:
        getattr(verbs, verb)(problem, *what, runner=mine)
        getattr(verbs, verb)(problem, *what, workers=3)
        getattr(verbs, verb)(problem, *what)
    assert used == [(True, 5), (False, 3), (False, 1)]
