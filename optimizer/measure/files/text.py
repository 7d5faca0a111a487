"""Bytes of a file the user names -> text, whatever wrote it."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache
from pathlib import Path

from optimizer.errors import InputError
from optimizer.text.reading import read_file

LARGEST_BYTES = 50_000_000

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


def read_bytes(path: str | Path) -> bytes:
    """Read a file whole.

    Parameters
    ----------
    path : path-like
        The file.

    Returns
    -------
    bytes
        What it holds.

    Raises
    ------
    InputError
        The file is missing, a folder, no regular file, unreadable or too large.
    """
    return read_file(
        path, "file", largest=LARGEST_BYTES, smaller="export fewer points, 1/48 octave is plenty"
    )


@lru_cache(maxsize=4096)
def fold_text(text: str) -> str:
    """Lower case without accents, as words of any language are compared."""
    text = unicodedata.normalize("NFKD", text.replace("º", "°")).casefold()
    return "".join(c for c in text if not unicodedata.combining(c)).replace("ı", "i")


def decode_text(raw: bytes) -> str:
    """Decode the bytes of a text file, whatever wrote it.

    Parameters
    ----------
    raw : bytes
        What the file holds: UTF-8, UTF-16 (marked or not), UTF-32 (marked) or Latin-1.

    Returns
    -------
    str
        Its text, without byte-order mark; line ends as they are.

    Raises
    ------
    InputError
        The bytes are no text, or nothing but blanks.

    Notes
    -----
    Latin-1 is the last resort: it accepts any byte, so a damaged UTF-8 comment costs nothing.
    """
    for signature, what in _SIGNATURES.items():
        if raw.startswith(signature):
            raise _not_text(f"this is {what}")
    encoding = _find_encoding(raw)
    try:
        text = raw.decode(encoding)
    except UnicodeDecodeError:
        if encoding.startswith(("utf-16", "utf-32")):
            raise _not_text(f"its {encoding.upper()} text is damaged") from None
        text = raw.decode("latin-1")
    text = text.removesuffix("\x1a")  # end-of-file mark of old systems
    if re.search(r"[\x00-\x08\x0e-\x1f]", text):
        raise _not_text("it holds control characters")
    if not text.strip():
        raise InputError("the file must not be empty", remedy="export the measurement again")
    return text


def _find_encoding(raw: bytes) -> str:
    for mark, encoding in _MARKS.items():
        if raw.startswith(mark):
            return encoding
    if b"\x00" not in raw:
        return "utf-8"
    # Without a mark, UTF-16 shows by NUL bytes in every other place and nowhere else.
    low, high = raw[0::2].count(0), raw[1::2].count(0)
    if min(low, high) or 3 * max(low, high) < len(raw):
        raise _not_text("it holds NUL bytes")
    return "utf-16-be" if low else "utf-16-le"


def _not_text(reason: str) -> InputError:
    return InputError(
        f"a text file is needed, {reason}",
        remedy="export the curve as text: frequency, level, phase",
    )
