"""Requests to stop: which signals are one, how often they count, and what they leave as it was."""

from __future__ import annotations

import io
import os
import signal
import sys
import threading

import pytest

from optimizer.cli import stopping
from optimizer.cli.outcome import complain
from optimizer.cli.screen import Screen
from optimizer.cli.stopping import GRACE_S, finish_first, stop_on_request

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="other signals there")

REQUESTS = [signal.SIGINT, signal.SIGTERM, getattr(signal, "SIGHUP", signal.SIGTERM)]


@pytest.fixture(autouse=True)
def heard():
    """Let requests be heard: whoever runs the tests in the background has them ignored."""
    before = {
        number: signal.signal(
            number, signal.default_int_handler if number == signal.SIGINT else signal.SIG_DFL
        )
        for number in dict.fromkeys(REQUESTS)
    }
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


@pytest.mark.parametrize("number", REQUESTS)
def test_every_request_is_like_ctrl_c(number, monkeypatch):
    """The first raises; those that follow at once are the same one; a later one raises again."""
    now = [100.0]
    monkeypatch.setattr(stopping.time, "monotonic", lambda: now[0])
    with stop_on_request():
        with pytest.raises(KeyboardInterrupt):
            os.kill(os.getpid(), number)
        for again in REQUESTS:
            now[0] += GRACE_S / 10.0
            os.kill(os.getpid(), again)
        now[0] += GRACE_S
        with pytest.raises(KeyboardInterrupt):
            os.kill(os.getpid(), number)


def test_what_was_found_is_written_first(monkeypatch):
    """When a search is over, a request waits until that is written, unless it takes too long."""
    now = [100.0]
    monkeypatch.setattr(stopping.time, "monotonic", lambda: now[0])
    with stop_on_request():
        with finish_first():
            os.kill(os.getpid(), signal.SIGTERM)
            now[0] += GRACE_S
            with pytest.raises(KeyboardInterrupt):
                os.kill(os.getpid(), signal.SIGTERM)
        with finish_first():
            pass
        with pytest.raises(KeyboardInterrupt):  # the next search can be stopped at once
            os.kill(os.getpid(), signal.SIGTERM)
    with stop_on_request(), pytest.raises(KeyboardInterrupt):
        os.kill(os.getpid(), signal.SIGTERM)  # one command does not answer for the next


def test_handlers_are_put_back_and_ignored_signals_stay_so():
    """`nohup` and jobs in the background set signals to be ignored; the caller's handlers return."""
    before = [signal.getsignal(number) for number in REQUESTS]
    ignored = signal.signal(REQUESTS[2], signal.SIG_IGN)
    try:
        with stop_on_request():
            os.kill(os.getpid(), REQUESTS[2])
        assert signal.getsignal(REQUESTS[2]) == signal.SIG_IGN
    finally:
        signal.signal(REQUESTS[2], ignored)
    assert [signal.getsignal(number) for number in REQUESTS] == before


def test_a_thread_leaves_signals_alone():
    """Only the main thread may set them; elsewhere commands run without."""
    seen = []

    def work():
        with stop_on_request():
            seen.append(signal.getsignal(signal.SIGTERM))

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert seen == [signal.getsignal(signal.SIGTERM)]


class Closed(io.StringIO):
    """A terminal whose window was closed."""

    def isatty(self):
        return True

    def write(self, text):
        raise OSError(5, "Input/output error")

    flush = close = lambda self: None


def test_a_closed_terminal_ends_no_search(monkeypatch):
    """Neither the bar nor a message may take away what is found."""
    monkeypatch.setattr(sys, "stderr", Closed())
    monkeypatch.setenv("TERM", "xterm")
    with Screen().follow_search() as follow:
        assert follow is not None
    complain("nobody reads this")
