"""Files that are written whole or not at all."""

from __future__ import annotations

import contextlib
import json
import os
import sys
import tempfile
from pathlib import Path
from typing import Any

from optimizer.errors import InputError


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
    folder = path.resolve().parent
    if path.is_dir():
        raise InputError(
            "a file name is needed, this is a folder",
            file=path,
            key=key,
            remedy="add a file name to it",
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


def write_text(path: Path, text: str) -> None:
    """Write a text file whole or not at all.

    The text goes to a temporary file in the same folder, which then takes the place of `path`;
    a failure leaves an older file untouched.

    Parameters
    ----------
    path : Path
        The file; a symbolic link is followed.
    text : str
        Its content, written as UTF-8.

    Raises
    ------
    InputError
        When the system refuses (no such folder, no permission, disk full).
    """
    path = path.resolve()
    try:
        if path.exists() and not path.is_file():
            # A pipe or a device cannot be replaced, only written to.
            path.write_text(text, encoding="utf-8")
            return
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
        try:
            with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as stream:
                stream.write(text)
                stream.flush()
                os.fsync(stream.fileno())
            os.chmod(name, path.stat().st_mode & 0o7777 if path.exists() else _default_mode())
            os.replace(name, path)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(name)
            raise
    except OSError as problem:
        raise InputError(
            f"the file could not be written ({problem.strerror or problem})",
            file=path,
            remedy="check the folder, its permissions and the free space",
        ) from problem


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
    text = json.dumps(data, allow_nan=False, ensure_ascii=False, indent=1) + "\n"
    if str(path) == "-":
        sys.stdout.write(text)
        sys.stdout.flush()
        return
    write_text(Path(path), text)
