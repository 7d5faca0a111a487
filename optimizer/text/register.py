"""The files of one command: nothing is written over what it reads, nor over what is not ours.

A command opens a `Register`. The gates of `reading` and `writing` tell it of every file, so a verb
cannot forget to. A file to be written is refused when it is one that the command reads (under
whatever name), another of its outputs, or one that the program did not write there.

What the program wrote is known by a file `RECORD_NAME` beside it, in the form that ``sha256sum``
writes and checks: a line with the SHA-256 of the content for each file written. So it holds for
every format, tables for spreadsheets too, which have no place for a mark; what was changed by hand
afterwards counts as the user's own. Without a line nothing is replaced unasked.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import unicodedata
from collections.abc import Iterator
from contextvars import ContextVar
from dataclasses import dataclass
from pathlib import Path

from optimizer.errors import InputError

RECORD_NAME = ".laddersmith-written"
"""Beside what was written: fingerprints of it."""

OWN_FILE = "every output needs a file of its own"
"""The rule that two outputs of one name break."""

_LARGEST_BYTES = 500_000_000
"""The program writes no larger file."""
_LARGEST_RECORD_BYTES = 1_000_000
_LINE = re.compile(r"([0-9a-f]{64})  ([^\\]+)")

_current: ContextVar[Register | None] = ContextVar("register", default=None)

_Key = tuple[object, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Output:
    """A file to be written: the option that names it, and whether the caller judges what is there."""

    name: str
    option: str | None
    judged: bool


class Register:
    """What one command reads and writes.

    Parameters
    ----------
    force : bool
        Whether files that the program did not write may be replaced. Files that the command reads
        may not.
    """

    def __init__(self, *, force: bool = False) -> None:
        self.force = force
        self._read: dict[_Key, str] = {}
        self._outputs: dict[_Key, _Output] = {}
        self._written: set[_Key] = set()

    def note_read(self, path: Path) -> None:
        """Note a file that is read.

        Raises
        ------
        InputError
            It is to be written over later.
        """
        keys = keys_of(path)
        if self._written.isdisjoint(keys):
            output = next((self._outputs[key] for key in keys if key in self._outputs), None)
            if output is not None:
                raise _refuse_input(output, str(path))
        for key in keys:
            self._read[key] = str(path)

    def claim(self, path: Path, *, option: str | None = None, judged: bool = False) -> None:
        """Claim a file to be written, once for each command.

        Parameters
        ----------
        path : Path
            The file; "-" is standard output, which holds one answer, too.
        option : str, optional
            The option that names it.
        judged : bool
            Whether the caller has looked himself at what is there.

        Raises
        ------
        InputError
            It is a file that was read, another output, or one that the program did not write.
        """
        output = _Output(name=str(path), option=option, judged=judged)
        keys = (("standard output",),) if str(path) == "-" else keys_of(path)
        for key in keys:
            if key in self._read:
                raise _refuse_input(output, self._read[key])
            if key in self._outputs:
                other = self._outputs[key]
                by = other.option or "this command"
                raise InputError(
                    OWN_FILE,
                    key=option,
                    value=f"{path}, which is written by {by} too",
                    remedy="name another file",
                )
        if str(path) != "-":
            self._check_owned(path, output)
        self._outputs.update(dict.fromkeys(keys, output))

    def check(self, path: Path) -> None:
        """Check a file right before it is written: things may have changed since it was claimed.

        Raises
        ------
        InputError
            As `claim`, which is made up for where it was missing.
        """
        keys = keys_of(path)
        output = next((self._outputs[key] for key in keys if key in self._outputs), None)
        if output is None:
            self.claim(path)
            return
        for key in keys:
            if key in self._read:
                raise _refuse_input(output, self._read[key])
        if self._written.isdisjoint(keys):
            self._check_owned(path, output)

    def note_written(self, path: Path, data: bytes) -> None:
        """Note a file that was written, for this command and for later ones."""
        self._written.update(keys_of(path))
        _record(path, data)

    def _check_owned(self, path: Path, output: _Output) -> None:
        if output.judged or self.force or not path.is_file() or _is_ours(path):
            return
        raise InputError(
            "a file that laddersmith did not write, or that was changed since, is not replaced",
            key=output.option,
            value=str(path),
            remedy="name another file, or add --force to replace it",
        )


@contextlib.contextmanager
def open_register(*, force: bool = False) -> Iterator[Register]:
    """Keep a register for the time of a block; the gates of reading and writing tell it all.

    Parameters
    ----------
    force : bool
        See `Register`.
    """
    register = Register(force=force)
    token = _current.set(register)
    try:
        yield register
    finally:
        _current.reset(token)


def find_register() -> Register | None:
    """Return the register of the command that is running; None from a script."""
    return _current.get()


def keys_of(path: Path) -> tuple[_Key, ...]:
    """By what a file is known: its place in its folder, and where it exists itself.

    Parameters
    ----------
    path : Path
        A file, or where one is to be.

    Returns
    -------
    tuple
        Links are followed, names are compared without regard to case and to how accents are
        composed, as many file systems compare them. Empty for a device or a pipe, which holds
        nothing.
    """
    place = os.path.realpath(path)
    folder, name = os.path.split(place)
    name = unicodedata.normalize("NFC", name).casefold()
    try:
        of = os.stat(folder)
        keys: list[_Key] = [("in", of.st_dev, of.st_ino, name)]
    except (OSError, ValueError):
        return (("at", unicodedata.normalize("NFC", place).casefold()),)
    with contextlib.suppress(OSError, ValueError):
        here = os.stat(place)
        if not Path(place).is_file():
            return ()
        keys.append(("is", here.st_dev, here.st_ino))
    return tuple(keys)


def _refuse_input(output: _Output, name: str) -> InputError:
    return InputError(
        "a file that this command reads is never written over",
        key=output.option,
        value=output.name + ("" if output.name == name else f", which is {name}"),
        remedy="name another file",
    )


def _is_ours(path: Path) -> bool:
    """Whether the record tells of a file as it stands."""
    place = Path(os.path.realpath(path))
    recorded = _read_record(place.parent).get(place.name)
    if recorded is None:
        return False
    try:
        if place.stat().st_size > _LARGEST_BYTES:
            return False
        return hashlib.sha256(place.read_bytes()).hexdigest() == recorded
    except OSError:
        return False


def _read_record(folder: Path) -> dict[str, str]:
    """Fingerprints by name; of several lines for a name the last counts."""
    record = folder / RECORD_NAME
    try:
        if not record.is_file() or record.stat().st_size > 2 * _LARGEST_RECORD_BYTES:
            return {}
        text = record.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return {}
    found = {}
    for line in text.split("\n"):
        match = _LINE.fullmatch(line)
        if match:
            found[match[2]] = match[1]
    return found


def _record(path: Path, data: bytes) -> None:
    """Add a line to the record; where that cannot be written, the file will count as the user's."""
    place = Path(os.path.realpath(path))
    if not place.is_file() or "\n" in place.name or "\\" in place.name:
        return
    line = f"{hashlib.sha256(data).hexdigest()}  {place.name}\n"
    record = place.parent / RECORD_NAME
    flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0)
    with contextlib.suppress(OSError, UnicodeError):
        if record.is_file() and record.stat().st_size > _LARGEST_RECORD_BYTES:
            record.unlink()
        with os.fdopen(os.open(record, flags, 0o666), "ab") as stream:
            stream.write(line.encode("utf-8"))
