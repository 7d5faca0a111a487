"""Who computes: this process, a crew of local ones, or an engine that others run.

A search hands out tasks (see `optimizer.search.task`) and takes their results; it asks nobody who
worked on them. No more tasks are handed to an engine than it has workers: what waits here can still
be dropped, and the time left that a task carries (`Deadline`) is told when its work begins.
"""

from __future__ import annotations

import concurrent.futures as cf
import logging
import multiprocessing
import os
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Collection, Iterable, Iterator
from concurrent.futures.process import ProcessPoolExecutor
from contextlib import contextmanager
from types import TracebackType
from typing import Any, Concatenate, Generic, ParamSpec, Protocol, Self, TypeVar

from optimizer.errors import InputError, Subject
from optimizer.problem.problem import Problem
from optimizer.search.task import Missing, do_task, keep_problem, pack, say_version

_T = TypeVar("_T")
_P = ParamSpec("_P")

_log = logging.getLogger(__name__)

MOST_LOSSES = 3
"""Workers that may be lost at one task before it is given up."""

LOST_NOTE = (
    "a worker process was lost (ended from outside, or out of memory); what it worked on was done "
    "again"
)

LEFT_NOTE = "a worker left the cluster; what it had not finished was done by others"

_STOP_SIGNALS = [
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
]
_FIRST = "first"  # stands for the fingerprint of the problem that a local worker began with
_WATCH_S = 0.5  # how often a worker looks whether its parent is still there
_COUNT_S = 5.0  # for how long a cluster is taken to have the same workers
_CONNECT_S = 10.0


class WorkersLost(InputError):
    """Worker after worker was lost, or the engine is gone."""


class Future(Generic[_T]):
    """A result to come, of a task handed to a `Runner`."""

    def __init__(
        self,
        runner: Runner,
        function: Callable[..., _T],
        problem: Problem,
        args: tuple[Any, ...],
        kwargs: dict[str, Any],
    ) -> None:
        self.function, self.problem, self.args, self.kwargs = function, problem, args, kwargs
        self.cancelled = False
        self.losses = 0
        self.bring = False  # whether a worker has asked for the problem
        self._runner = runner
        self._ended: cf.Future[_T] | None = None

    def done(self) -> bool:
        """Whether the result, or an error, is there."""
        return self._ended is not None

    def result(self) -> _T:
        """Return the result, waiting for it, or raise what the task raised.

        Raises
        ------
        concurrent.futures.CancelledError
            When it was cancelled.
        WorkersLost
            When worker after worker was lost at it.
        """
        while self._ended is None:
            if self.cancelled:
                raise cf.CancelledError
            self._runner.advance(self)
        return self._ended.result()

    def run(self) -> None:
        """Compute it in this process."""
        ended: cf.Future[_T] = cf.Future()
        try:
            ended.set_result(self.function(self.problem, *self.args, **self.kwargs))
        except Exception as error:
            ended.set_exception(error)
        self.end(ended)

    def end(self, ended: cf.Future[_T]) -> None:
        """Take what an engine came back with."""
        self._ended = ended

    def fail(self, error: Exception) -> None:
        """Let it raise an error."""
        ended: cf.Future[_T] = cf.Future()
        ended.set_exception(error)
        self.end(ended)


class _Engine(Protocol):
    """What a runner hands its tasks to."""

    subject: Subject
    remedy: str

    def count(self) -> int:
        """Count the tasks that can be worked on at once."""

    def begin(self, task: Future[Any]) -> cf.Future[Any]:
        """Begin a task.

        Raises
        ------
        concurrent.futures.BrokenExecutor
            When workers were lost before.
        """

    def is_lost(self, error: BaseException | None) -> bool:
        """Whether an error says that a worker was lost, not that a task failed."""

    def renew(self) -> bool:
        """Replace lost workers, or say that it cannot be done.

        What was begun before has ended then, with its result or as lost.
        """

    def tell(self) -> str:
        """Return a note of workers that were lost since it was last called, or nothing."""

    def close(self) -> None:
        """End what was begun here."""


class _Post:
    """Which workers may still lack which problem.

    Parameters
    ----------
    first : Problem, optional
        The one that all workers began with: it need not be pickled to be named.
    """

    def __init__(self, first: Problem | None = None) -> None:
        self.first = first
        self.sent: dict[str, int] = {}

    def pack(self, task: Future[Any], workers: int) -> tuple[Any, ...]:
        """Return the arguments of `do_task`.

        The problem goes with one task for each worker, and to whoever asked for it.
        """
        begun_with = task.problem is self.first
        name = _FIRST if begun_with else pack(task.problem).fingerprint
        sent = workers if begun_with else self.sent.get(name, 0)
        bring = task.bring or sent < workers
        self.sent[name] = sent + bring
        data = pack(task.problem).data if bring else None
        return task.function, name, data, task.args, task.kwargs


class _Crew:
    """Processes of this machine, begun with the first task and ended with the crew."""

    subject = Subject("search", part="workers")
    remedy = "free memory, or use fewer workers"

    def __init__(self, workers: int) -> None:
        self.workers = workers
        self.pool: ProcessPoolExecutor | None = None
        self.post = _Post()
        self.renewed = False

    def count(self) -> int:
        return self.workers

    def begin(self, task: Future[Any]) -> cf.Future[Any]:
        # A process begun here must not meet a signal before it has said how it takes them.
        with _signals_held():
            if self.pool is None:
                self.pool = self._open(task.problem)
            return self.pool.submit(do_task, *self.post.pack(task, self.workers))

    def _open(self, problem: Problem) -> ProcessPoolExecutor:
        methods = multiprocessing.get_all_start_methods()
        context = multiprocessing.get_context("fork" if "fork" in methods else "spawn")
        # The first problem comes with the process: a forked one has it, with all that follows
        # from it so far, without a copy.
        self.post = _Post(problem)
        _log.info("opening %d worker processes", self.workers)
        return ProcessPoolExecutor(
            self.workers,
            mp_context=context,
            initializer=_begin_work,
            initargs=(os.getpid(), problem),
        )

    def is_lost(self, error: BaseException | None) -> bool:
        return isinstance(error, cf.BrokenExecutor)

    def renew(self) -> bool:
        self.close()
        self.renewed = True
        return True

    def tell(self) -> str:
        renewed, self.renewed = self.renewed, False
        return LOST_NOTE if renewed else ""

    def close(self) -> None:
        with _signals_held():
            pool, self.pool = self.pool, None
            if pool is not None:
                # Tasks run for seconds: nobody waits for what is no longer wanted, and the pool
                # itself has no way to end them.
                for process in list((getattr(pool, "_processes", None) or {}).values()):
                    process.kill()
                pool.shutdown(wait=True, cancel_futures=True)


class _Executor:
    """An executor that others made: it is neither renewed nor ended here."""

    subject = Subject("search", part="engine")
    remedy = "see whether its workers, and the scheduler that they belong to, still run"

    def __init__(self, executor: cf.Executor, workers: int) -> None:
        self.executor = executor
        self.workers = workers
        self.post = _Post()

    def count(self) -> int:
        return self.workers

    def begin(self, task: Future[Any]) -> cf.Future[Any]:
        return self.executor.submit(do_task, *self.post.pack(task, self.count()))

    def is_lost(self, error: BaseException | None) -> bool:
        return isinstance(error, cf.BrokenExecutor | cf.CancelledError)

    def renew(self) -> bool:
        return False

    def tell(self) -> str:
        return ""

    def close(self) -> None:
        pass


class _Cluster(_Executor):
    """Workers of dask.distributed, whose scheduler does again what a lost one had."""

    def __init__(self, client: Any, *, own: bool) -> None:
        super().__init__(client.get_executor(pure=False), 1)
        self.client = client
        self.own = own
        self.known: set[str] = set()  # addresses of workers
        self.left = False
        self._look()

    def _look(self) -> None:
        """Look who is there, as workers come and go; without a connection nobody can say."""
        self.looked_at = time.monotonic()
        if self.client.status != "running":
            return
        threads = self.client.nthreads()
        self.left = self.left or bool(self.known - threads.keys())
        self.known = set(threads)
        self.workers = max(1, sum(threads.values()))

    def count(self) -> int:
        if time.monotonic() - self.looked_at > _COUNT_S:
            self._look()
        return self.workers

    def tell(self) -> str:
        self._look()
        left, self.left = self.left, False
        return LEFT_NOTE if left else ""

    def is_lost(self, error: BaseException | None) -> bool:
        from distributed.comm import CommClosedError
        from distributed.scheduler import KilledWorker

        return super().is_lost(error) or isinstance(error, CommClosedError | KilledWorker)

    def close(self) -> None:
        self.executor.shutdown(wait=False)  # what is still worked on is no longer wanted
        if self.own:
            self.client.close()


class Runner:
    """Hands tasks to whoever computes them. Made by `here`, `local` or `on`.

    Results depend neither on who that is nor on how many they are. A context manager: what was
    begun ends with its block.

    Examples
    --------
    >>> from optimizer.search.runner import Runner
    >>> from optimizer.testing import small_problem
    >>> with Runner.here() as runner:
    ...     runner.submit(getattr, small_problem(), "title").result()
    'small two-way'
    """

    def __init__(self, engine: _Engine | None) -> None:
        self._engine = engine
        self._notes: tuple[str, ...] = ()
        self._waiting: deque[Future[Any]] = deque()
        self._begun: dict[cf.Future[Any], Future[Any]] = {}

    @classmethod
    def here(cls) -> Runner:
        """Compute in this process: a task when its result is asked for."""
        return cls(None)

    @classmethod
    def local(cls, workers: int) -> Runner:
        """Compute in processes of this machine, which end with the block or with this process.

        Parameters
        ----------
        workers : int
            Processes; 1 computes in this one.

        Notes
        -----
        Each process has one thread of linear algebra. A process that is lost is replaced, and
        its task done again.
        """
        return cls(_Crew(workers)) if workers > 1 else cls.here()

    @classmethod
    def on(cls, engine: Any, *, workers: int | None = None) -> Runner:
        """Compute on an engine that is there already.

        Parameters
        ----------
        engine : str, dask.distributed.Client or concurrent.futures.Executor
            The address of a dask scheduler ("tcp://host:port"), a client of one, or anything with
            the interface of an executor of the standard library. Its workers need this package,
            in the same version.
        workers : int, optional
            Tasks that an executor can work on at once, by default one a processor. A dask
            scheduler is asked.

        Raises
        ------
        InputError
            When nobody answers at the address, its workers have another version, or
            dask.distributed is not installed.

        Notes
        -----
        Let a worker have one thread (``dask worker --nthreads 1``): each thread keeps problems of
        its own. Workers of dask have one thread of linear algebra unless told otherwise.
        """
        if isinstance(engine, str):
            return cls(_Cluster(_connect(engine), own=True))
        if hasattr(engine, "get_executor"):
            return cls(_Cluster(engine, own=False))
        return cls(_Executor(engine, workers or os.cpu_count() or 1))

    @property
    def workers(self) -> int:
        """Tasks that can be worked on at once."""
        return 1 if self._engine is None else self._engine.count()

    @property
    def notes(self) -> tuple[str, ...]:
        """What happened, since it was made or lent, that a reader of the results should know."""
        note = "" if self._engine is None else self._engine.tell()
        if note and note not in self._notes:
            self._notes = (*self._notes, note)
        return self._notes

    def forget_notes(self) -> None:
        """Begin anew with what is told by `notes`."""
        if self.notes:
            self._notes = ()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.cancel()
        self._begun.clear()
        if self._engine is not None:
            self._engine.close()

    def submit(
        self,
        function: Callable[Concatenate[Problem, _P], _T],
        problem: Problem,
        *args: _P.args,
        **kwargs: _P.kwargs,
    ) -> Future[_T]:
        """Hand out a task.

        Parameters
        ----------
        function : callable
            Pure, and of a module; takes the problem, then the arguments.
        problem : Problem
            Sent once to each worker.
        *args, **kwargs
            Small: sent with every task.
        """
        future = Future(self, function, problem, args, kwargs)
        self._waiting.append(future)
        self._hand_out()
        return future

    def as_completed(self, futures: Iterable[Future[_T]]) -> Iterator[Future[_T]]:
        """Yield futures as their results come; those that are cancelled do not come.

        Parameters
        ----------
        futures : iterable of Future
        """
        left = list(futures)
        while left:
            ready = [future for future in left if future.done()]
            left = [future for future in left if not (future.done() or future.cancelled)]
            yield from ready
            if left and not ready:
                self.advance(left[0])

    def in_order(
        self, function: Callable[..., _T], problem: Problem, arguments: Iterable[tuple[Any, ...]]
    ) -> Iterator[_T]:
        """Hand out a task for each tuple of arguments, all at once; yield results in their order.

        Parameters
        ----------
        function : callable
            See `submit`.
        problem : Problem
        arguments : iterable of tuple
        """
        futures = deque([self.submit(function, problem, *args) for args in arguments])
        return (futures.popleft().result() for _ in range(len(futures)))

    def cancel(self, futures: Iterable[Future[Any]] | None = None) -> None:
        """Drop what was not begun.

        Parameters
        ----------
        futures : iterable of Future, optional
            All by default.
        """
        waiting = set(self._waiting)
        for future in waiting if futures is None else waiting.intersection(futures):
            future.cancelled = True
        self._waiting = deque(future for future in self._waiting if not future.cancelled)

    def advance(self, wanted: Future[Any]) -> None:
        """Wait until some task has ended; in this process, do the one that is wanted."""
        if self._engine is None:
            wanted.run()
            self._waiting.remove(wanted)
            return
        self._hand_out()
        if not self._begun:
            raise cf.CancelledError  # an interrupt came between, and took it away
        done, _ = cf.wait(self._begun, return_when=cf.FIRST_COMPLETED)
        self._take(self._engine, done)
        self._hand_out()

    def _hand_out(self) -> None:
        """Begin what waits, as far as there are workers."""
        engine = self._engine
        while engine is not None and self._waiting and len(self._begun) < engine.count():
            try:
                begun = engine.begin(self._waiting[0])
            except cf.BrokenExecutor as error:
                # A worker was lost since.
                if not engine.renew():
                    raise _gone(engine, error) from error
                self._take(engine, self._begun)
            else:
                self._begun[begun] = self._waiting.popleft()

    def _take(self, engine: _Engine, done: Collection[cf.Future[Any]]) -> None:
        """Take what has ended; have others do what workers were lost at."""
        renewed = any(engine.is_lost(_error_of(ended)) for ended in done) and engine.renew()
        for ended in list(self._begun if renewed else done):
            future, error = self._begun.pop(ended), _error_of(ended)
            if not engine.is_lost(error):
                self._settle(future, ended)
                continue
            future.losses += 1
            _log.warning("a worker was lost at a task, %s", error)
            if renewed and future.losses < MOST_LOSSES:
                self._waiting.appendleft(future)
            else:
                future.fail(_gone(engine, error, future.losses))

    def _settle(self, future: Future[Any], ended: cf.Future[Any]) -> None:
        if ended.exception() is None and isinstance(ended.result(), Missing):
            future.bring = True
            self._waiting.appendleft(future)
        else:
            future.end(ended)


@contextmanager
def lent_or_local(runner: Runner | None, workers: int) -> Iterator[Runner]:
    """Use a runner that the caller has, or a local one for the time of the block.

    Parameters
    ----------
    runner : Runner or None
        Left open; only what it has not begun is dropped in the end.
    workers : int
        Of the local one.
    """
    if runner is None:
        with Runner.local(workers) as local:
            yield local
        return
    runner.forget_notes()  # of others
    try:
        yield runner
    finally:
        runner.cancel()


def _error_of(ended: cf.Future[Any]) -> BaseException | None:
    return cf.CancelledError() if ended.cancelled() else ended.exception()


def _gone(engine: _Engine, error: BaseException | None, losses: int = 1) -> WorkersLost:
    reason = f"{type(error).__name__}: {error}".rstrip(": ")
    return WorkersLost(
        "a task must find a worker that finishes it",
        subject=engine.subject,
        value=f"one that was lost {'once' if losses == 1 else f'{losses} times'} ({reason})",
        remedy=engine.remedy,
    )


@contextmanager
def _signals_held() -> Iterator[None]:
    """Hold back the signals that ask to stop; they come when the block has ended."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, _STOP_SIGNALS)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin_work(parent: int, problem: Problem) -> None:
    """Make a worker of a new process."""
    from threadpoolctl import threadpool_limits

    # Ctrl-C and a closed terminal reach all processes; the parent alone knows what to do then.
    for number in _STOP_SIGNALS:
        signal.signal(number, signal.SIG_DFL if number == signal.SIGTERM else signal.SIG_IGN)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, _STOP_SIGNALS)
    threading.Thread(target=_end_with, args=(parent,), daemon=True).start()
    # Arrays are small: threads of one process would only wait for those of the others.
    threadpool_limits(1, user_api="blas")
    keep_problem(_FIRST, problem)


def _end_with(parent: int) -> None:
    """End this process when its parent has ended, however that was."""
    process = multiprocessing.parent_process()
    # Either sign is missed somewhere: Windows never changes the number of the parent, and a
    # process that the parent forks later holds the other one back.
    while os.getppid() == parent and process is not None and process.is_alive():
        process.join(_WATCH_S)
    os._exit(1)


def _connect(address: str) -> Any:
    """Return a client of the dask scheduler at an address, with workers of our version."""
    subject = Subject("search", part="engine")
    try:
        from distributed import Client
    except ImportError as error:
        raise InputError(
            "to compute on a cluster, its client (distributed, of dask) must be installed",
            subject=subject,
            value=address,
            remedy='install it: pip install "laddersmith[cluster]"',
        ) from error
    try:
        client = Client(address, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise InputError(
            f"a dask scheduler must answer at the address ({error})",
            subject=subject,
            value=address,
            remedy="start one (dask scheduler), or correct host and port",
        ) from error
    try:
        versions = set(client.run(say_version).values())
    except Exception as error:  # whatever a worker without the package answers
        versions = {f"none ({type(error).__name__}: {error})"}
    if versions - {say_version()}:
        client.close()
        raise InputError(
            f"workers must have this version of laddersmith ({say_version()})",
            subject=subject,
            value=", ".join(sorted(versions)),
            remedy="install the same version there",
        )
    return client
