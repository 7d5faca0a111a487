"""Exit codes, and the one line that says what went wrong."""

from __future__ import annotations

import os
import sys
from typing import TextIO

DONE = 0
OUR_BUG = 1
BAD_INPUT = 2
NO_CANDIDATE = 3
INTERRUPTED = 130


def complain(message: str) -> None:
    """Print one error message, on one line, on standard error."""
    print("laddersmith:", " ".join(message.splitlines()), file=sys.stderr)


def discard_output(stream: TextIO) -> None:
    """Send the rest of a stream nowhere, after its reader (head, a pager) has gone.

    What Python still holds back for the stream would otherwise end in a complaint on exit.
    """
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, stream.fileno())
    os.close(nowhere)
