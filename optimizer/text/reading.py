"""The gate for files that are read: regular files of a sensible size, noted in the register."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from optimizer.errors import InputError
from optimizer.text.register import find_register

LARGEST_TEXT_BYTES = 1_000_000
"""Of a file that is written by hand."""


def read_file(
    path: str | Path,
    noun: str,
    *,
    largest: int = LARGEST_TEXT_BYTES,
    smaller: str = "name the right file",
    noted: bool = True,
) -> bytes:
    """Read a file whole.

    Parameters
    ----------
    path : path-like
        The file.
    noun : str
        What it is called in messages ("design file").
    largest : int
        Most bytes it may have.
    smaller : str
        What to do about one that is larger.
    noted : bool
        Whether the register is told, so that nothing is written over it. Not of one that is looked
        at only because it is to be replaced.

    Returns
    -------
    bytes
        What it holds.

    Raises
    ------
    InputError
        The file is missing, a folder, a pipe or a device, unreadable or too large. None of these is
        waited for.
    """
    file = Path(path)
    try:
        data = _read(file, noun, largest, smaller)
    except (FileNotFoundError, NotADirectoryError):
        raise InputError(
            f"the {noun} must exist", file=path, remedy="check its name and folder"
        ) from None
    except (OSError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        reason = (getattr(error, "strerror", None) or str(error)).lower()
        raise InputError(
            f"the {noun} cannot be read ({reason})",
            file=path,
            remedy="check its name and permissions",
        ) from None
    register = find_register()
    if noted and register is not None:
        register.note_read(file)
    return data


def _read(file: Path, noun: str, largest: int, smaller: str) -> bytes:
    # Looked at before it is opened: to open a pipe waits, to open a device may start it.
    there = file.stat()
    kind = there.st_mode
    if stat.S_ISDIR(kind):
        raise InputError(
            f"the {noun} cannot be read (this is a folder)",
            file=file,
            remedy="name a file inside it",
        )
    if not stat.S_ISREG(kind):
        raise InputError(
            f"the {noun} must be a regular file, no pipe and no device",
            file=file,
            remedy="save what comes out of it in a file",
        )
    refusal = InputError(
        f"the {noun} must not exceed {largest / 1e6:g} MB", file=file, remedy=smaller
    )
    if there.st_size > largest:
        raise refusal
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    with open(os.open(file, flags), "rb") as stream:
        data = stream.read(largest + 1)
    if len(data) > largest:  # some files of the system have no size
        raise refusal
    return data
