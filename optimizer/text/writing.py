"""The gate for files that are written: whole or not at all, and never over what is not ours."""

from __future__ import annotations

import contextlib
import errno
import json
import logging
import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from optimizer.errors import InputError
from optimizer.text.quoting import PLAIN_LINES, make_printable
from optimizer.text.register import RECORD_NAME, find_register

_log = logging.getLogger(__name__)

GROWING = ".diary"
"""Ending of files that are only added to: no output takes their place, whatever is forced."""


def check_writable(path: Path, *, key: str | None = None) -> None:
    """Refuse early, before any long work, a file that could not be written later.

    Parameters
    ----------
    path : Path
        The file to be written.
    key : str, optional
        The option that named it ("--json").

    Raises
    ------
    InputError
        When the folder is missing or not writable, or the path is a folder.
    """
    try:
        _check_place(path, key)
    except (OSError, ValueError, RuntimeError) as error:
        if isinstance(error, InputError):
            raise
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(
            f"the file cannot be written ({reason})",
            key=key,
            value=repr(str(path)),
            remedy="name another file",
        ) from None


def _check_place(path: Path, key: str | None) -> None:
    folder = path.resolve().parent
    if path.is_dir():
        raise InputError(
            "a file name is needed, this is a folder",
            file=path,
            key=key,
            remedy="add a file name to it",
        )
    if path.suffix == GROWING:
        raise InputError(
            f"names that end in {GROWING} are kept for diaries, which are never written over",
            key=key,
            value=str(path),
            remedy="name another file",
        )
    if path.name == RECORD_NAME:
        raise InputError(
            "this name is kept for the record of what was written",
            key=key,
            value=str(path),
            remedy="name another file",
        )
    if not folder.is_dir():
        raise InputError(
            "the folder to write into must exist",
            key=key,
            value=str(folder),
            remedy="create it or name another one",
        )
    target_exists = path.exists()
    if not os.access(path if target_exists and not path.is_file() else folder, os.W_OK):
        raise InputError(
            "the folder to write into must be writable",
            key=key,
            value=str(folder),
            remedy="change its permissions or name another one",
        )


def claim_output(path: Path, *, option: str | None = None, judged: bool = False) -> None:
    """Claim a file to be written, before any long work; see `optimizer.text.register.Register`.

    Parameters
    ----------
    path : Path
        The file; "-" is standard output.
    option : str, optional
        The option that named it.
    judged : bool
        Whether the caller has looked himself at what is there.

    Raises
    ------
    InputError
        When it could not be written, or must not be.
    """
    if str(path) != "-":
        check_writable(path, key=option)
    register = find_register()
    if register is not None:
        register.claim(path, option=option, judged=judged)


def make_folder(folder: Path, *, option: str | None = None) -> None:
    """Make a folder to write into, where there is none.

    Parameters
    ----------
    folder : Path
        The folder; those above it are made too.
    option : str, optional
        The option that named it.

    Raises
    ------
    InputError
        When it cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(
            f"the folder to write into could not be made ({reason})",
            key=option,
            value=str(folder),
            remedy="name another one",
        ) from None


def write_text(path: Path, text: str, *, new: bool = False) -> None:
    """Write a text file whole or not at all.

    The text goes to a temporary file in the same folder, which then takes the place of `path`;
    a failure leaves an older file untouched.

    Parameters
    ----------
    path : Path
        The file; a symbolic link is followed.
    text : str
        Its content, written as UTF-8.
    new : bool
        Whether there must not be such a file yet.

    Raises
    ------
    InputError
        When the system refuses (no such folder, no permission, disk full), or the register of the
        command does.
    """
    write_bytes(path, text.encode("utf-8", errors="replace"), new=new)


def write_bytes(path: Path, data: bytes, *, new: bool = False) -> None:
    """Write a file whole or not at all, see `write_text`."""
    register = find_register()
    if register is not None:
        register.check(path)
    try:
        path = path.resolve()
        if path.exists() and not path.is_file():
            # A pipe or a device cannot be replaced, only written to.
            path.write_bytes(data)
            return
        _replace(path, data, new=new)
    except FileExistsError:
        raise InputError(
            "the file exists already and is not replaced", file=path, remedy="choose another name"
        ) from None
    except (OSError, ValueError) as problem:
        raise InputError(
            f"the file could not be written ({getattr(problem, 'strerror', None) or problem})",
            file=path,
            remedy="check the folder, its permissions and the free space",
        ) from problem
    if register is not None:
        register.note_written(path, data)


class HeldFile:
    """A file that only grows, while others are kept from it; see `hold_file`."""

    def __init__(self, path: Path, handle: int) -> None:
        self.path = path
        self._handle = handle

    def read(self) -> bytes:
        """Read all that stands in it."""
        size = os.fstat(self._handle).st_size
        return _read_from(self._handle, size)

    def append(self, text: str) -> None:
        """Add text whole or not at all, on a line of its own; what stands there stays.

        Raises
        ------
        InputError
            When the system refuses (disk full).
        """
        before = os.fstat(self._handle).st_size
        data = text.encode("utf-8", errors="replace")
        if before and _read_from(self._handle, 1, before - 1) != b"\n":
            data = b"\n" + data  # something ended in the middle of a line
        try:
            written = os.write(self._handle, data)
            if written < len(data):
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            os.fsync(self._handle)
        except OSError as problem:
            with contextlib.suppress(OSError):
                os.ftruncate(self._handle, before)
            raise _refuse_growth(self.path, problem) from problem


@contextlib.contextmanager
def hold_file(path: Path) -> Iterator[HeldFile]:
    """Open a file that only grows, made where there is none, and keep other commands from it.

    Parameters
    ----------
    path : Path
        The file; a symbolic link is followed.

    Yields
    ------
    HeldFile
        Every write goes to the end (``O_APPEND``), so nothing in it can be lost even on systems
        and disks that know no lock; where they do (``flock``), commands wait for each other.

    Raises
    ------
    InputError
        When it cannot be opened, or is no regular file.
    """
    flags = os.O_RDWR | os.O_APPEND | os.O_CREAT | getattr(os, "O_NONBLOCK", 0)
    try:
        if path.exists() and not path.is_file():
            raise OSError(errno.EINVAL, "it is no regular file")
        handle = os.open(path, flags | getattr(os, "O_BINARY", 0), 0o666)
    except (OSError, ValueError) as problem:
        raise _refuse_growth(path, problem) from problem
    try:
        _lock(handle)
        yield HeldFile(path, handle)
    finally:
        os.close(handle)  # which gives the lock free


def _lock(handle: int) -> None:
    try:
        import fcntl
    except ImportError:  # not on Windows
        return
    with contextlib.suppress(OSError):  # some network drives know no lock
        fcntl.flock(handle, fcntl.LOCK_EX)


def _read_from(handle: int, size: int, start: int = 0) -> bytes:
    os.lseek(handle, start, os.SEEK_SET)
    data = b""
    while len(data) < size:
        more = os.read(handle, size - len(data))
        if not more:
            break
        data += more
    return data


def _refuse_growth(path: Path, problem: Exception) -> InputError:
    return InputError(
        f"nothing could be added to the file ({getattr(problem, 'strerror', None) or problem})",
        file=path,
        remedy="check the folder, its permissions and the free space",
    )


def rewrite_file(path: Path, before: bytes, after: bytes) -> None:
    """Put other content into a file of the user's, which he asked to have kept up to date.

    Parameters
    ----------
    path : Path
        The file; a symbolic link is followed.
    before : bytes
        What was read from it.
    after : bytes
        What it is to hold.

    Raises
    ------
    InputError
        It holds something else by now, or cannot be written; then it stays as it is.
    """
    try:
        path = path.resolve()
        if path.read_bytes() != before:
            raise InputError(
                "the file was changed while it was worked on",
                file=path,
                remedy="save it where it is open, and run the command again",
            )
        _replace(path, after, new=False)
    except OSError as problem:
        raise InputError(
            f"the file could not be written ({problem.strerror or problem})",
            file=path,
            remedy="check the folder, its permissions and the free space",
        ) from problem


def _replace(path: Path, data: bytes, *, new: bool) -> None:
    # A long name has no room for more around it.
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:40]}.", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(name, path.stat().st_mode & 0o7777 if path.exists() else _default_mode())
        if new:
            # A link, unlike a rename, fails when the name is taken.
            os.link(name, path)
            os.unlink(name)
        else:
            os.replace(name, path)
        _log.info("wrote %s (%d bytes)", path, len(data))
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise


def _default_mode() -> int:
    # The umask can only be read by setting it.
    mask = os.umask(0o022)
    os.umask(mask)
    return 0o666 & ~mask


def write_json(path: Path | str, data: dict[str, Any]) -> None:
    """Write data as JSON, whole or not at all; ``-`` writes to standard output.

    Parameters
    ----------
    path : path-like
        The file, or "-".
    data : dict
        Plain data; NaN and infinity are refused.

    Raises
    ------
    InputError
        When the file cannot be written.
    ValueError
        When `data` holds NaN or infinity.
    """
    printed = str(path) == "-"
    text = json.dumps(data, allow_nan=False, ensure_ascii=printed, indent=1) + "\n"
    if printed:
        print_whole(text)
    else:
        write_text(Path(path), text)


def print_whole(text: str) -> None:
    """Print text as it is on standard output, whatever its encoding.

    Parameters
    ----------
    text : str
        With its line ends; what cannot be seen is written as escapes, what the encoding lacks by
        what is nearest.

    Raises
    ------
    InputError
        When standard output is closed or full.
    BrokenPipeError
        When its reader has gone.
    """
    stream = sys.stdout
    try:
        if stream is None:
            raise ValueError("it is closed")
        encoding = getattr(stream, "encoding", None) or "utf-8"
        stream.write(make_printable(text).encode(encoding, PLAIN_LINES).decode(encoding))
        stream.flush()
    except BrokenPipeError:
        raise
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(
            f"the output could not be written ({reason})", remedy="check where it is sent to"
        ) from None
