"""Being asked to stop: Ctrl-C, `kill` and a closed terminal are one request."""

from __future__ import annotations

import contextlib
import signal
import threading
import time
from collections.abc import Iterator
from types import FrameType

GRACE_S = 5.0
"""Time in which further requests are the same one: a search that was asked to stop ranks what it has."""

_answered_at = [-GRACE_S]
"""When the last request was answered, by the clock of this process."""

_REQUESTS = [
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
]


@contextlib.contextmanager
def stop_on_request() -> Iterator[None]:
    """Let each request to stop raise KeyboardInterrupt, but none that follows shortly after another.

    What the caller of the program has set to be ignored (`nohup`, a job in the background) stays
    ignored.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def stop(number: int, frame: FrameType | None) -> None:
        now = time.monotonic()
        if now - _answered_at[0] >= GRACE_S:
            _answered_at[0] = now
            raise KeyboardInterrupt

    _answered_at[0] = time.monotonic() - GRACE_S

    before = {n: signal.getsignal(n) for n in _REQUESTS}
    before = {n: how for n, how in before.items() if how not in (signal.SIG_IGN, None)}
    for number in before:
        signal.signal(number, stop)
    try:
        yield
    finally:
        for number, how in before.items():
            signal.signal(number, how)


@contextlib.contextmanager
def finish_first() -> Iterator[None]:
    """Take requests within the block as answered: a search is over, and what it found is written."""
    before = _answered_at[0]
    _answered_at[0] = time.monotonic()
    try:
        yield
    finally:
        _answered_at[0] = before


def stop_listening() -> None:
    """Ignore requests from now on: the program is at its end, where they leave but a trace."""
    for number in _REQUESTS:
        signal.signal(number, signal.SIG_IGN)
