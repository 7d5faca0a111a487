"""What a file says of itself: in its name's ending, its column line, its comments."""

from __future__ import annotations

import re
from pathlib import Path

from optimizer.errors import InputError
from optimizer.measure.curve import FileHeading, Quantity

LONGEST_HEADING = 8192
"""Characters that are looked at."""

_OTHER_FILES = {
    "a picture": ("jpg", "jpeg", "png", "gif", "bmp", "tif", "tiff", "webp", "heic", "svg"),
    "a document": ("pdf", "doc", "docx", "odt", "rtf", "md", "html", "htm"),
    "a spreadsheet": ("xls", "xlsx", "ods"),
    "a design, network or results file": ("yaml", "yml", "json", "toml", "cir"),
    "an archive": ("zip", "gz", "7z", "rar", "tar"),
    "music or video": ("mp3", "flac", "ogg", "m4a", "mp4", "mov", "avi"),
    "a program": ("exe", "dll", "py", "sh", "bat"),
}
_KIND_OF_SUFFIX = {suffix: kind for kind, all_ in _OTHER_FILES.items() for suffix in all_}
_OHM = re.compile(r"\bohms?\b|\bimpedance\b|\bz\s*[(\[]|[ΩΩ]", re.IGNORECASE)
_SPL = re.compile(r"\bd?b?\s?spl\b|\bdb\b|\bsound pressure\b|\bmagnitude \(db\)", re.IGNORECASE)
_SMOOTH = re.compile(r"smooth\w*\W+(?:[a-z]+\W+)?1\s*/\s*(\d+)", re.IGNORECASE)
_GATE = re.compile(r"(?:gate|window)\b[^\n\d]*([\d.]+)\s*ms", re.IGNORECASE)
_COLUMNS = re.compile(r"freq|\bhz\b", re.IGNORECASE)
_ROW = re.compile(r"\s*[-+]?\d[\d.,]*([eE][-+]?\d+)?[\s;,]+[-+]?\d")


def refuse_other_files(path: Path) -> None:
    """Refuse what its name's ending says to be something else.

    Parameters
    ----------
    path : Path
        A file that nobody called a measurement.

    Raises
    ------
    InputError
        It is a picture, a document and the like.
    """
    suffix = path.suffix.lower().lstrip(".")
    if suffix in _KIND_OF_SUFFIX:
        raise InputError(
            f"{_KIND_OF_SUFFIX[suffix]}, not a measurement",
            remedy="name a text file of frequency, level and phase, or an impulse response (WAV)",
        )


def read_heading(text: str) -> FileHeading:
    """Read what the column line and the comments of a text file say.

    Parameters
    ----------
    text : str
        The file.

    Returns
    -------
    FileHeading
        Fields stay None where nothing is said.
    """
    head = text[:LONGEST_HEADING]
    quantity, line = _find_quantity(head)
    smooth, gate = _SMOOTH.search(head), _GATE.search(head)
    return FileHeading(
        quantity=quantity,
        line=line,
        smoothing=float(smooth.group(1)) if smooth else None,
        gate_s=_milliseconds(gate.group(1)) if gate else None,
    )


def _find_quantity(head: str) -> tuple[Quantity | None, str]:
    """Look for units in the column line first, then in all comment lines."""
    lines = [line.strip(' *#;"/%!\t\ufeff') for line in head.splitlines() if not _ROW.match(line)]
    columns = [line for line in lines if _COLUMNS.search(line)]
    for line in (*columns, *lines):
        ohm, spl = _OHM.search(line), _SPL.search(line)
        if ohm and not spl:
            return "impedance", line[:60]
        if spl and not ohm:
            return "pressure", line[:60]
    return None, ""


def _milliseconds(text: str) -> float | None:
    try:
        value = float(text.rstrip(".")) * 1e-3
    except ValueError:
        return None
    return value if value > 0.0 else None
