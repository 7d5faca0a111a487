"""Exit codes, and the one line that says what went wrong."""

from __future__ import annotations

import sys

DONE = 0
OUR_BUG = 1
BAD_INPUT = 2
NO_CANDIDATE = 3
INTERRUPTED = 130


def complain(message: str) -> None:
    """Print one error message, on one line, on standard error."""
    print("laddersmith:", " ".join(message.splitlines()), file=sys.stderr)
