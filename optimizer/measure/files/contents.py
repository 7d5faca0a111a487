"""What the contents of a file say: impedance or response, smoothing, time window."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np

from optimizer.errors import InputError
from optimizer.measure.curve import Direction, MeasuredCurve
from optimizer.measure.files.text import read_impedance, read_response
from optimizer.measure.readings import FileReading, Role

HEAD_BYTES = 8192

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """What was found in one file.

    Parameters
    ----------
    response, impedance : MeasuredCurve or None
        The numbers read as level in dB and as ohm; None when they cannot be read so.
    reason : str
        Why nothing could be read.
    says : {"", "impedance", "response"}
        What a column line or a comment says.
    says_where : str
        The line that says so.
    smoothing : float or None
        n of 1/n octave, where stated.
    gate_s : float or None
        Time window in s, where stated.
    may_be_impedance, looks_like_impedance : bool
        Whether the values allow an impedance, and whether they suggest one without further hint.
    why_not_impedance : str
        What speaks against it.
    """

    response: MeasuredCurve | None = None
    impedance: MeasuredCurve | None = None
    reason: str = ""
    says: Literal["", "impedance", "response"] = ""
    says_where: str = ""
    smoothing: float | None = None
    gate_s: float | None = None
    may_be_impedance: bool = False
    looks_like_impedance: bool = False
    why_not_impedance: str = ""


def read_contents(path: Path, *, gate_s: float | None = None) -> Contents:
    """Read a file as far as it can be read; never raises for bad contents.

    Parameters
    ----------
    path : Path
        The file.
    gate_s : float, optional
        Gate of an impulse response; found from its first reflection by default.

    Returns
    -------
    Contents
    """
    suffix = path.suffix.lower().lstrip(".")
    if suffix in _KIND_OF_SUFFIX:
        return Contents(reason=f"{_KIND_OF_SUFFIX[suffix]}, not a measurement")
    if suffix in ("wav", "wave"):
        return _read_recording(path, gate_s)
    try:
        response = read_response(path)
    except InputError as error:
        return _read_only_impedance(path, error)
    if any("pairs" in note for note in response.notes):
        return Contents(reason="several curves side by side: export each to a file of its own")
    impedance = _as_impedance(response)
    head = _read_head(path)
    says, where = _what_it_says(head)
    smooth, gate = _SMOOTH.search(head), _GATE.search(head)
    may, looks, why = _weigh_values(response, impedance)
    return Contents(
        response=response,
        impedance=impedance,
        says=says,
        says_where=where,
        smoothing=float(smooth.group(1)) if smooth else None,
        gate_s=_number(gate.group(1), 1e-3) if gate else None,
        may_be_impedance=may,
        looks_like_impedance=looks,
        why_not_impedance=why,
    )


def read_curve(
    path: Path,
    role: Role,
    *,
    driver: str = "",
    direction: Direction | None = None,
    gate_s: float | None = None,
) -> FileReading:
    """Read a file whose meaning is stated, as in a design file.

    Parameters
    ----------
    path : Path
        The file.
    role : str
        What it is.
    driver : str
        Whose it is.
    direction : Direction, optional
        Where a response was taken.
    gate_s : float, optional
        Gate of an impulse response; found from its first reflection by default.

    Returns
    -------
    FileReading

    Raises
    ------
    InputError
        The file cannot be read as that.
    """
    if path.suffix.lower() in (".wav", ".wave"):
        from optimizer.measure.files.impulse import read_impulse_response

        read = read_impulse_response(path, gate_s=gate_s)
        response, head = read.response, ""
        gate: float | None = read.gate_s
    else:
        response = read_impedance(path) if role == "impedance" else read_response(path)
        head = _read_head(path)
        stated = _GATE.search(head)
        gate = _number(stated.group(1), 1e-3) if stated else None
    smooth = _SMOOTH.search(head)
    return FileReading(
        path=path.name,
        role=role,
        driver=driver,
        direction=direction,
        response=response,
        smoothing=float(smooth.group(1)) if smooth else None,
        gate_s=gate,
        because=("stated in the design", *response.notes),
    )


def _as_impedance(response: MeasuredCurve) -> MeasuredCurve | None:
    """Take the same numbers as ohm; None where one of them is not positive."""
    ohm = response.level_db  # the numbers of the second column
    if ohm.min() <= 0.0:
        return None
    value = ohm * np.exp(1j * np.angle(response.value))
    return replace(response, value=np.asarray(value, dtype=np.complex128), quantity="impedance")


def _read_recording(path: Path, gate_s: float | None) -> Contents:
    from optimizer.measure.files.impulse import read_impulse_response

    try:
        read = read_impulse_response(path, gate_s=gate_s)
    except InputError as error:
        return Contents(reason=_without_file(error))
    return Contents(
        response=read.response,
        says="response",
        says_where="impulse response",
        gate_s=read.gate_s,
    )


def _read_only_impedance(path: Path, error: InputError) -> Contents:
    """Read what is no level, but may still be an impedance of many kilo-ohms."""
    reason = _without_file(error)
    if error.rule.startswith("level must lie"):
        try:
            impedance = read_impedance(path)
        except InputError:
            return Contents(reason=reason)
        says, where = _what_it_says(_read_head(path))
        if says == "impedance":
            return Contents(
                response=impedance, impedance=impedance, says=says, says_where=where,
                may_be_impedance=True,
            )  # fmt: skip
    return Contents(reason=reason)


def _without_file(error: InputError) -> str:
    """Give the text of an error without the file, which the table shows beside it."""
    where = f"line {error.line}: " if error.line is not None else ""
    got = f", got {error.value}" if error.value is not None else ""
    return f"{where}{error.rule}{got}"


def _read_head(path: Path) -> str:
    """First lines as text, whatever the encoding."""
    try:
        with path.open("rb") as file:
            raw = file.read(HEAD_BYTES)
    except OSError:
        return ""
    raw = raw.replace(b"\x00", b"")
    try:
        return raw.decode("utf-8", errors="strict")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


def _what_it_says(head: str) -> tuple[Literal["", "impedance", "response"], str]:
    """Look for units in the column line first, then in all comment lines."""
    lines = [line.strip(' *#;"/%!\t\ufeff') for line in head.splitlines() if not _is_row(line)]
    columns = [line for line in lines if _COLUMNS.search(line)]
    for group in (columns, lines):
        for line in group:
            ohm, spl = _OHM.search(line), _SPL.search(line)
            if ohm and not spl:
                return "impedance", line[:60]
            if spl and not ohm:
                return "response", line[:60]
    return "", ""


def _is_row(line: str) -> bool:
    return bool(re.match(r"\s*[-+]?\d[\d.,]*([eE][-+]?\d+)?[\s;,]+[-+]?\d", line))


def _weigh_values(
    response: MeasuredCurve, impedance: MeasuredCurve | None
) -> tuple[bool, bool, str]:
    """Whether numbers may be, and whether they look like, an impedance."""
    if impedance is None:
        return False, False, "the second column is not positive throughout"
    ohm = np.abs(impedance.value)
    phase = np.rad2deg(np.angle(impedance.value))
    if ohm.max() > 2000.0 or ohm.min() < 0.1:
        return False, False, f"values run from {ohm.min():.3g} to {ohm.max():.3g}"
    if impedance.has_phase and np.abs(phase).max() > 95.0:
        turn = np.abs(phase).max()
        return False, False, f"its phase reaches {turn:.0f} degrees, more than a load can have"
    looks = bool(np.median(ohm) < 40.0 and ohm.min() > 0.5 and ohm.max() < 500.0)
    if not impedance.has_phase:
        looks = looks and bool(np.median(ohm) < 25.0)
    return True, looks, ""


def _number(text: str, scale: float) -> float | None:
    try:
        value = float(text.rstrip(".")) * scale
    except ValueError:
        return None
    return value if value > 0.0 else None
