"""Bytes of a file the user names -> text, whatever wrote it."""

from __future__ import annotations

import unicodedata
from functools import lru_cache
from pathlib import Path

from optimizer.errors import InputError
from optimizer.text.reading import decode_text, read_file

LARGEST_BYTES = 50_000_000


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


def decode_curve(raw: bytes) -> str:
    """Decode the bytes of a file of numbers, whatever wrote it.

    Parameters
    ----------
    raw : bytes
        What the file holds.

    Returns
    -------
    str
        Its text.

    Raises
    ------
    InputError
        As `optimizer.text.reading.decode_text`, or the file holds nothing but blanks.
    """
    remedy = "export the curve as text: frequency, level, phase"
    text = decode_text(raw, "file", remedy=remedy, legacy=True)
    if not text.strip():
        raise InputError("the file must not be empty", remedy="export the measurement again")
    return text
