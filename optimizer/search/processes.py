"""Processes that each keep one problem and work on tasks."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from types import TracebackType
from typing import Self

from optimizer.problem.problem import Problem


class Processes:
    """Processes that keep a problem, ended with the block that they are used in.

    Parameters
    ----------
    problem : Problem
    workers : int
        1 works in this process: there is no pool then.
    prepare : callable
        Takes the problem in a new process.

    Attributes
    ----------
    pool : ProcessPoolExecutor or None
    """

    def __init__(self, problem: Problem, workers: int, prepare: Callable[[Problem], None]) -> None:
        self.problem = problem
        self.workers = workers
        self.pool: ProcessPoolExecutor | None = None
        if workers > 1:
            methods = multiprocessing.get_all_start_methods()
            context = multiprocessing.get_context("fork" if "fork" in methods else "spawn")
            self.pool = ProcessPoolExecutor(
                workers, mp_context=context, initializer=prepare, initargs=(problem,)
            )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self.pool is None:
            return
        if error is not None:
            # Tasks run for seconds: after Ctrl-C nobody wants to wait for them. The pool itself
            # has no way to end them.
            for process in list((getattr(self.pool, "_processes", None) or {}).values()):
                process.terminate()
        self.pool.shutdown(wait=True, cancel_futures=True)
