"""Exit codes, and the one line that says what went wrong."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable, Iterator
from contextvars import ContextVar
from typing import TextIO

from optimizer.cli.options import put_in_options
from optimizer.errors import InputError
from optimizer.text.quoting import make_printable

DONE = 0
OUR_BUG = 1
BAD_INPUT = 2
NO_CANDIDATE = 3
FAILS = 4
INTERRUPTED = 130

_about: ContextVar[str] = ContextVar("about", default="")


def complain(message: str) -> None:
    """Print one error message, on one line, on standard error; where that is gone, to nobody."""
    text, about = make_printable(" ".join(message.split("\n"))), _about.get()
    if about and not text.startswith(about):
        text = f"{about}: {text}"
    if sys.stderr is not None:
        with contextlib.suppress(OSError):
            print("laddersmith:", text, file=sys.stderr)


@contextlib.contextmanager
def speaking_of(what: str) -> Iterator[None]:
    """Let messages say which of several files they are about, where they do not begin with it."""
    before = _about.set(what)
    try:
        yield
    finally:
        _about.reset(before)


def end_well(work: Callable[[], int], *, debug: bool) -> int:
    """Do something; whatever becomes of it is an exit code, and one line where it went wrong.

    Parameters
    ----------
    work : callable
        Returns an exit code.
    debug : bool
        Whether the trace of a fault of the program is shown.

    Returns
    -------
    int
    """
    try:
        return work()
    except InputError as error:
        complain(str(put_in_options(error)))
        return BAD_INPUT
    except KeyboardInterrupt:
        complain("interrupted, nothing to show")
        return INTERRUPTED
    except BrokenPipeError:
        discard_output(sys.stdout)
        return DONE
    except Exception as error:
        _apologise(error, debug=debug)
        return OUR_BUG


def discard_output(stream: TextIO | None) -> None:
    """Send the rest of a stream nowhere, after its reader (head, a pager) has gone.

    What Python still holds back for the stream would otherwise end in a complaint on exit.
    """
    if stream is None:
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, stream.fileno())
    os.close(nowhere)


def settle_output(code: int) -> int:
    """Write out what standard output and error still hold back, and settle the exit code.

    Parameters
    ----------
    code : int
        Of what was done.

    Returns
    -------
    int
        The same, or that of bad input where standard output took not all (a full disk) and nothing
        else went wrong. A reader that has gone (head, a pager) has seen enough.
    """
    for stream in (sys.stdout, sys.stderr):
        if stream is None:
            continue
        try:
            stream.flush()
        except (OSError, ValueError) as error:
            # Python would try again on exit, and complain.
            discard_output(stream)
            if stream is sys.stdout and code == DONE and not isinstance(error, BrokenPipeError):
                reason = getattr(error, "strerror", None) or str(error)
                complain(f"the output could not be written ({reason}); check where it is sent to")
                code = BAD_INPUT
    return code


def _apologise(error: Exception, *, debug: bool) -> None:
    import traceback

    if debug:
        traceback.print_exc()
    last = traceback.extract_tb(error.__traceback__)[-1]
    complain(
        f"this is a fault of the program, not of your input: {type(error).__name__}: {error} "
        f"({os.path.basename(last.filename)}, line {last.lineno}). Sorry. To report it, "
        + (
            "send the trace above with your design file to the maintainers."
            if debug
            else "run the same command with --debug and send its trace to the maintainers."
        )
    )
