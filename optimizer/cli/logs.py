"""What a command does, told while it does it: ``-v`` on standard error, ``--log`` in a file.

Modules write to loggers of their own names (the tree ``optimizer``), by the standard library; where
nobody listens that costs a comparison. The command line alone decides who does.
"""

from __future__ import annotations

import argparse
import contextlib
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.errors import InputError
from optimizer.text.quoting import make_printable

if TYPE_CHECKING:
    import logging

_HEAD = "# laddersmith log"
_LARGEST_BYTES = 20_000_000


def add_logs(parser: argparse.ArgumentParser) -> None:
    """Add how much of the work is told, and where."""
    parser.add_argument(
        "-v",
        "--verbose",
        action="count",
        default=0,
        help="tell on standard error what is being done; -vv tells more",
    )
    parser.add_argument(
        "--log",
        metavar="FILE",
        type=Path,
        help="add everything that is done to a log; a file that is no log is left alone",
    )


@contextlib.contextmanager
def keep_logs(args: argparse.Namespace) -> Iterator[None]:
    """Tell what is done within a block to whom the options of `add_logs` name.

    Parameters
    ----------
    args : argparse.Namespace
        With these options.

    Raises
    ------
    InputError
        When the file cannot be added to, or is no log.
    """
    if not args.verbose and args.log is None:
        yield
        return
    import logging

    handlers: list[logging.Handler] = []
    if args.log is not None:
        handlers.append(_open_log(args.log))
    if args.verbose:
        handlers.append(_make_teller(logging.INFO if args.verbose == 1 else logging.DEBUG))
    tree = logging.getLogger("optimizer")
    before = tree.level
    tree.setLevel(min(handler.level for handler in handlers))
    for handler in handlers:
        tree.addHandler(handler)
    try:
        tree.info("laddersmith %s", args.verb)
        yield
    finally:
        for handler in handlers:
            tree.removeHandler(handler)
            handler.close()
        tree.setLevel(before)


def _make_teller(level: int) -> logging.Handler:
    """Make what tells on standard error, above the bar of a search where one is shown."""
    import logging

    class Teller(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            with contextlib.suppress(OSError):
                seconds = record.relativeCreated / 1000.0
                said = make_printable(record.getMessage())
                print(f"laddersmith: {seconds:.1f} s: {said}", file=sys.stderr)

    return Teller(level)


def _open_log(path: Path) -> logging.Handler:
    """Open a log to add to: a new file, or one that is a log already, so that nothing is lost."""
    import logging
    import time

    from optimizer.text.reading import read_file
    from optimizer.text.writing import claim_output

    claim_output(path, option="--log", judged=True)
    old = path.exists()
    if old and not read_file(
        path, "log", largest=_LARGEST_BYTES, smaller="begin a new one", noted=False
    ).startswith(_HEAD.encode()):
        raise InputError(
            "a log is added to a log, or to a file that is not there yet",
            key="--log",
            value=str(path),
            remedy="name another file",
        )

    class Log(logging.FileHandler):
        def handleError(self, record: logging.LogRecord) -> None:
            """End no work because a disk is full."""

    class Lines(logging.Formatter):
        def format(self, record: logging.LogRecord) -> str:
            return make_printable(" ".join(super().format(record).split("\n")))

    try:
        if not old:
            path.write_text(f"{_HEAD}\n", encoding="utf-8")
        handler = Log(path, encoding="utf-8", errors="backslashreplace")
    except OSError as error:
        raise InputError(
            f"the log cannot be written ({error.strerror})",
            key="--log",
            value=str(path),
            remedy="name another file",
        ) from None
    lines = Lines(
        "%(asctime)s.%(msecs)03dZ %(levelname)s %(name)s: %(message)s", "%Y-%m-%dT%H:%M:%S"
    )
    lines.converter = time.gmtime
    handler.setFormatter(lines)
    handler.setLevel(logging.DEBUG)
    return handler
