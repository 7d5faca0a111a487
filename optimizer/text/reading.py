"""The gate for files that are read: regular files of a sensible size, noted in the register.

`decode_text` makes text of what they hold, for every kind of text file.
"""

from __future__ import annotations

import logging
import os
import re
import stat
from pathlib import Path

from optimizer.errors import InputError
from optimizer.text.register import find_register

LARGEST_TEXT_BYTES = 1_000_000
"""Of a file that is written by hand."""
LEGACY_ENCODING = "cp1252"
"""What older programs of the Western languages write; Latin-1 is a part of it."""
_SIGNATURES = {
    b"%PDF": "a PDF document",
    b"\x89PNG": "an image",
    b"\xff\xd8\xff": "an image",
    b"GIF8": "an image",
    b"PK\x03\x04": "a spreadsheet or an archive",
    b"\xd0\xcf\x11\xe0": "a spreadsheet",
    b"\x1f\x8b": "an archive",
}
_MARKS = {
    b"\xff\xfe\x00\x00": "utf-32",  # before UTF-16, whose mark it begins with
    b"\x00\x00\xfe\xff": "utf-32",
    b"\xff\xfe": "utf-16",
    b"\xfe\xff": "utf-16",
    b"\xef\xbb\xbf": "utf-8-sig",
}
_log = logging.getLogger(__name__)
_CONTROL = re.compile(r"[\x00-\x08\x0e-\x1f]")


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
    _log.info("read the %s %s (%d bytes)", noun, file, len(data))
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


def decode_text(
    raw: bytes, noun: str, *, remedy: str = "save it as UTF-8 text", legacy: bool = False
) -> str:
    """Decode the bytes of a text file, whatever wrote it.

    Parameters
    ----------
    raw : bytes
        What the file holds: UTF-8, UTF-16 (marked or not) or UTF-32 (marked).
    noun : str
        What the file is called in messages ("design file").
    remedy : str
        What to do about bytes that are no text.
    legacy : bool
        Whether bytes that are no UTF-8 are read as `LEGACY_ENCODING`, which takes any: right for
        files of other programs, where a comment in an old encoding costs nothing. Of files that are
        written by hand every word counts, so these are refused.

    Returns
    -------
    str
        The text, without byte-order mark; line ends as they are.

    Raises
    ------
    InputError
        The bytes are no text; with the line of the first that is not, where it is known.
    """

    def refuse(reason: str, line: int | None = None) -> InputError:
        return InputError(f"the {noun} must be plain text, {reason}", line=line, remedy=remedy)

    for signature, what in _SIGNATURES.items():
        if raw.startswith(signature):
            raise refuse(f"this is {what}", 1)
    encoding = _find_encoding(raw)
    if encoding is None:
        raise refuse("it holds NUL bytes", raw.count(b"\n", 0, raw.index(0)) + 1)
    try:
        text = raw.decode(encoding)
    except UnicodeDecodeError as error:
        if encoding.startswith(("utf-16", "utf-32")):
            raise refuse(f"its {encoding.upper()} text is damaged") from None
        if not legacy:
            line = raw.count(b"\n", 0, error.start) + 1
            raise refuse(f"the byte 0x{raw[error.start]:02x} is no UTF-8", line) from None
        text = raw.decode(LEGACY_ENCODING, errors="replace")
    text = text.removesuffix("\x1a")  # end-of-file mark of old systems
    wrong = _CONTROL.search(text)
    if wrong:
        raise refuse("it holds control characters", text.count("\n", 0, wrong.start()) + 1)
    return text


def _find_encoding(raw: bytes) -> str | None:
    """Name the encoding by the mark, or by where NUL bytes stand; None where they stand anywhere."""
    for mark, encoding in _MARKS.items():
        if raw.startswith(mark):
            return encoding
    if b"\x00" not in raw:
        return "utf-8"
    # Without a mark, UTF-16 shows by NUL bytes in every other place and nowhere else.
    low, high = raw[0::2].count(0), raw[1::2].count(0)
    if min(low, high) or 3 * max(low, high) < len(raw):
        return None
    return "utf-16-be" if low else "utf-16-le"
