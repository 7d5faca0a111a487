"""What a file says of itself: in its name's ending, its column line, its comments."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from optimizer.errors import InputError
from optimizer.measure.curve import Direction, FileHeading, Quantity
from optimizer.measure.files.columns import FileColumn, is_unit, read_column, read_columns

LONGEST_HEADING = 8192
"""Characters that are looked at."""

_OTHER_FILES = {
    "a picture": ("jpg", "jpeg", "png", "gif", "bmp", "tif", "tiff", "webp", "heic", "svg"),
    "a document": ("pdf", "doc", "docx", "odt", "rtf", "md", "html", "htm"),
    "a spreadsheet": ("xls", "xlsx", "ods"),
    "a design, network or results file": ("yaml", "yml", "json", "toml", "cir"),
    "a diary": ("diary",),
    "an archive": ("zip", "gz", "7z", "rar", "tar"),
    "music or video": ("mp3", "ogg", "m4a", "mp4", "mov", "avi"),
    "a program": ("exe", "dll", "py", "sh", "bat"),
}
_KIND_OF_SUFFIX = {suffix: kind for kind, all_ in _OTHER_FILES.items() for suffix in all_}
_OHM = re.compile(r"\bohms?\b|\bimpedance\b|\bz\s*[(\[]|[ΩΩ]", re.IGNORECASE)
_SPL = re.compile(r"\bd?b?\s?spl\b|\bdb\b|\bsound pressure\b|\bmagnitude \(db\)", re.IGNORECASE)
_SMOOTH = re.compile(r"smooth\w*\W+(?:[a-z]+\W+)?1\s*/\s*(\d+)", re.IGNORECASE)
_GATE = re.compile(r"(?:gate|window)\b[^\n\d]*([\d.]+)\s*ms", re.IGNORECASE)
_COLUMNS = re.compile(r"freq|\bhz\b", re.IGNORECASE)
_TITLE = re.compile(
    r"(?:name|title|titel|titre|titulo|titolo|measurement|messung|mesure|description|driver|"
    r"channel|label|dut|object)\s*[:=]\s*(.*[a-z].*)",
    re.IGNORECASE,
)
_CALIBRATION = re.compile(
    r"\bserno\b|sens(?:itivity)?\s+factor|\bmic(?:rophone)?\s+(?:calibration|correction)|"
    r"\b(?:calibration|correction)\s+(?:file|data)\b|kalibrier(?:datei|daten)",
    re.IGNORECASE,
)
_NUMBERS = re.compile(r"[-+\d.,;\seE\"]*")
_MARKS = ' *#;"/%!\t\ufeff'
_CELLS = (r"\t", ";", ",", r"\s{2,}")
_UNIT_SAID = re.compile(
    r"(?P<what>[^:=]*?)\b(?:units?|einheit|unite|unidad|unita|in)\b\s*[:=]?\s*(?P<unit>\S+)\s*$",
    re.IGNORECASE,
)
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
    lines = [line.strip(_MARKS) for line in head.splitlines() if not _ROW.match(line)]
    quantity, line = _find_quantity(lines)
    smooth, gate = _SMOOTH.search(head), _GATE.search(head)
    return FileHeading(
        quantity=quantity,
        line=line,
        title=_find_title(lines),
        calibration=_CALIBRATION.search(head) is not None,
        smoothing=float(smooth.group(1)) if smooth else None,
        gate_s=_milliseconds(gate.group(1)) if gate else None,
    )


def _find_quantity(lines: Sequence[str]) -> tuple[Quantity | None, str]:
    """Look for units in the column line first, then in all comment lines."""
    columns = [line for line in lines if _COLUMNS.search(line)]
    for line in (*columns, *lines):
        ohm, spl = _OHM.search(line), _SPL.search(line)
        if ohm and not spl:
            return "impedance", line[:60]
        if spl and not ohm:
            return "pressure", line[:60]
    return None, ""


def _find_title(lines: Sequence[str]) -> str:
    """Find the comment that names what was measured: one that is called so, or the first line."""
    for line in lines:
        match = _TITLE.match(line)
        if match:
            return match[1].strip()[:80]
    first = next((line for line in lines if line), "")
    return first[:80] if read_columns(re.split(r"[\t;,]|\s{2,}", first)) is None else ""


def _milliseconds(text: str) -> float | None:
    try:
        value = float(text.rstrip(".")) * 1e-3
    except ValueError:
        return None
    return value if value > 0.0 else None


class HeadingLines:
    """What stands above the rows of a table, line by line: headings, units below them, angles above.

    Parameters
    ----------
    split : callable
        Cuts a line into cells as the rows are cut.
    by_blanks : bool
        Whether blanks part the rows, which may stand within a heading too.
    """

    def __init__(self, split: Callable[[str], list[str]], *, by_blanks: bool = False) -> None:
        self._split = split
        self._by_blanks = by_blanks
        self._cells: list[str] = []
        self._angles: list[Direction | None] = []
        self._vertical = False
        self._units: dict[str, str] = {}
        self._last: list[str] = []
        self._fresh = False
        self.columns: tuple[FileColumn, ...] | None = None

    def take(self, line: str) -> None:
        """Look at the next line above the rows."""
        if _NUMBERS.fullmatch(line):
            return
        bare = line.strip().strip(_MARKS)
        raw = [cell.strip(' "') for cell in self._split(line.lstrip(" *#%!/\ufeff"))]
        self._last = raw
        self._vertical |= bool(re.search(r"\bvertical", bare, re.IGNORECASE))
        self._take_unit(bare)
        cells = self._split_bare(bare, raw)
        if self._fresh and len(cells) == len(self._cells) and all(map(is_unit, cells)):
            cells = [f"{a} [{b}]" if b else a for a, b in zip(self._cells, cells, strict=True)]
        columns = read_columns(cells) if len(cells) > 1 else None
        self._fresh = False
        if columns is not None:
            self._cells, self._fresh = cells, True
            self.columns = self._complete(columns)
        elif self._looks_like_units(raw):
            return
        else:
            self._take_angles(raw)

    def names_unknown(self, count: int) -> str:
        """Give the line right above the rows where it looks like headings that nobody knows."""
        if self.columns is not None or len(self._last) != count:
            return ""
        words = [cell for cell in self._last if cell and not re.search(r"\d", cell)]
        return ", ".join(self._last)[:60] if len(words) == count else ""

    def fit(self, count: int) -> tuple[FileColumn, ...] | None:
        """Give the columns for rows of so many, or None where nothing is said of them."""
        if self.columns is None:
            return None
        return self.columns[:count]

    def units(self) -> dict[str, str]:
        """Units that comments state ("Phase unit: rad"), by meaning."""
        return self._units

    def _split_bare(self, bare: str, raw: list[str]) -> list[str]:
        ways = [[cell.strip(_MARKS) for cell in raw]]
        ways += [[cell.strip(' "') for cell in re.split(mark, bare)] for mark in _CELLS]
        for cells in ways[1:] if self._by_blanks else ways:
            if len(cells) > 1 and (read_columns(cells) is not None or all(map(is_unit, cells))):
                return cells
        words = _group_words(bare)
        return words if all(read_column(word) is not None for word in words) else []

    def _looks_like_units(self, raw: list[str]) -> bool:
        return bool(self._cells) and len(raw) == len(self._cells) and all(map(is_unit, raw))

    def _take_unit(self, bare: str) -> None:
        said = _UNIT_SAID.search(bare)
        if said is None or len(bare) > 60:
            return
        what, unit = read_column(said["what"]), said["unit"].strip("()[].,")
        if what is None or what.unit or not is_unit(unit):
            return
        both = read_column(f"{said['what']} [{unit}]")
        if both is not None and both.meaning == what.meaning and both.unit:
            self._units[both.meaning] = both.unit

    def _take_angles(self, raw: list[str]) -> None:
        read = [read_column(cell) if cell else None for cell in raw]
        angles = [None if column is None else column.direction for column in read]
        if sum(angle is not None for angle in angles) < 2:
            return
        self._angles = []
        for angle, cell in zip(angles, raw, strict=True):
            carried = self._angles[-1] if self._angles and not cell else None
            self._angles.append(angle if angle is not None else carried)

    def _complete(self, columns: tuple[FileColumn, ...]) -> tuple[FileColumn, ...]:
        """Add the angles of the line above, in its plane."""
        out = []
        for index, column in enumerate(columns):
            above = self._angles[min(index, len(self._angles) - 1)] if self._angles else None
            direction = column.direction or (None if column.meaning == "frequency" else above)
            if direction is not None and self._vertical and direction.horizontal_deg:
                direction = Direction(vertical_deg=direction.horizontal_deg)
            out.append(replace(column, direction=direction))
        return tuple(out)


def _group_words(bare: str) -> list[str]:
    """Cut "Frequency [Hz] Sound pressure [dB]" into its headings, which only blanks part."""
    groups: list[str] = []
    for word in re.findall(r"[^\s(\[]+(?:\s*[\[(][^\])]*[\])])?|[\[(][^\])]*[\])]", bare):
        before = read_column(groups[-1]) if groups else None
        here = read_column(word)
        same = before is not None and here is not None and here.meaning == before.meaning
        bare_words = groups and not any(is_unit(part) for part in re.split(r"[\s(\[]+", groups[-1]))
        if bare_words and ((same and before is not None) or is_unit(word)):
            groups[-1] = f"{groups[-1]} {word}"
        else:
            groups.append(word)
    return groups
