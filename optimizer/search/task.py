"""What travels to a worker, what a worker keeps, and how it stops in time.

A task is a pure function of a problem and small arguments, so that it does not matter who computes
it, or how often. A problem is sent to a worker once, under a fingerprint of its pickled bytes; what
a task finds costly to make is kept with the problem (`keep_with`) for the tasks that follow.
"""

from __future__ import annotations

import hashlib
import pickle
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from typing import Any, TypeVar, cast

from optimizer.problem.problem import Problem
from optimizer.text.stamp import tell_version

_T = TypeVar("_T")

KEPT_PROBLEMS = 4
"""Problems that a worker keeps; the one not asked for longest is dropped."""

KEPT_THINGS = 2
"""Things of one kind that are kept with a problem: with a large stock each has tables of its own."""


class Deadline:
    """A moment after which a task stops.

    Clocks of two processes need not agree, so none of them travels: pickled, a deadline is the time
    left, and it counts from there on by the clock of whoever unpickles it.

    Parameters
    ----------
    seconds : float or None
        Time left; None for no end.

    Attributes
    ----------
    moment : float or None
        `time.monotonic` of this process at which it passes.
    """

    def __init__(self, seconds: float | None) -> None:
        self.moment = None if seconds is None else time.monotonic() + seconds

    @property
    def left(self) -> float | None:
        """Seconds left, below 0 when it has passed; None without end."""
        return None if self.moment is None else self.moment - time.monotonic()

    def passed(self) -> bool:
        """Whether it is time to stop."""
        return self.moment is not None and time.monotonic() > self.moment

    def __reduce__(self) -> tuple[type[Deadline], tuple[float | None]]:
        return Deadline, (self.left,)


@dataclass(frozen=True, slots=True)
class Parcel:
    """A problem as it travels.

    Parameters
    ----------
    fingerprint : str
        SHA-256 of its pickled bytes.
    data : bytes
        The pickled problem.
    """

    fingerprint: str
    data: bytes


class Missing:
    """What a worker answers that does not have the problem of its task."""


class _Shelf(threading.local):
    """Problems that this thread keeps: an engine may work with threads, and tasks share nothing."""

    def __init__(self) -> None:
        self.problems: OrderedDict[str, Problem] = OrderedDict()

    def put(self, fingerprint: str, problem: Problem) -> None:
        self.problems[fingerprint] = problem
        self.problems.move_to_end(fingerprint)
        while len(self.problems) > KEPT_PROBLEMS:
            self.problems.popitem(last=False)


_shelf = _Shelf()


def pack(problem: Problem) -> Parcel:
    """Pickle a problem, once for all tasks.

    Parameters
    ----------
    problem : Problem
    """
    return keep_with(problem, _pack)


def _pack(problem: Problem) -> Parcel:
    data = pickle.dumps(problem, protocol=pickle.HIGHEST_PROTOCOL)
    return Parcel(hashlib.sha256(data).hexdigest(), data)


def keep_problem(fingerprint: str, problem: Problem) -> None:
    """Keep a problem for the tasks that name it.

    Parameters
    ----------
    fingerprint : str
        Of its parcel.
    problem : Problem
    """
    _shelf.put(fingerprint, problem)


def do_task(
    function: Callable[..., _T],
    fingerprint: str,
    data: bytes | None,
    args: tuple[Any, ...],
    kwargs: dict[str, Any],
) -> _T | Missing:
    """Do a task where it has arrived.

    Parameters
    ----------
    function : callable
        Of a module; takes the problem, then the arguments.
    fingerprint : str
        Of the problem.
    data : bytes or None
        The pickled problem, where it is sent along.
    args, kwargs
        Further arguments.

    Returns
    -------
    object
        What the function returns, or `Missing`.
    """
    problem = _shelf.problems.get(fingerprint)
    if problem is None:
        if data is None:
            return Missing()
        problem = cast("Problem", pickle.loads(data))
    _shelf.put(fingerprint, problem)
    return function(problem, *args, **kwargs)


def keep_with(problem: Problem, make: Callable[..., _T], *args: Hashable) -> _T:
    """Make something of a problem, or find it again where an earlier task has made it.

    Parameters
    ----------
    problem : Problem
    make : callable
        Takes the problem and the arguments.
    *args : hashable
        What it depends on besides.

    Returns
    -------
    object
        Of the last `KEPT_THINGS` with other arguments, or made now. It ends with the problem.
    """
    # Kept as derived arrays are: with the instance, and they do not travel.
    kinds: dict[Any, OrderedDict[Any, Any]] = problem.__dict__.setdefault("_kept", {})
    things = kinds.setdefault(make, OrderedDict())
    if args not in things:
        things[args] = make(problem, *args)
    things.move_to_end(args)
    while len(things) > KEPT_THINGS:
        things.popitem(last=False)
    return cast("_T", things[args])


def say_version() -> str:
    """Say which version of the package a process has."""
    return tell_version() or "its source folder"
