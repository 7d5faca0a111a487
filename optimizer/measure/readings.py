"""How the files of a folder were understood, and which driver each belongs to."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from optimizer.errors import InputError
from optimizer.measure.curve import Direction, MeasuredCurve
from optimizer.text.brief import brief

Role = Literal["response", "impedance", "together", "near field", "port", "ignored"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FileReading:
    """How one file was understood.

    Parameters
    ----------
    path : str
        Path relative to the folder.
    role : str
        What it is taken for; "ignored" when it is not used.
    driver : str
        Driver it belongs to; "" for all together or ignored files.
    side : {"", "left", "right"}
        Cabinet of the pair, when the name says so.
    curve : MeasuredCurve or None
        What it holds, None when ignored.
    because : tuple of str
        Why it was understood so, or why it was ignored.
    columns : str
        What was said by hand of its columns.
    refusal : InputError or None
        Why it could not be read.
    rival : str
        The file that is taken in its place.
    """

    path: str
    role: Role
    driver: str = ""
    side: Literal["", "left", "right"] = ""
    curve: MeasuredCurve | None = None
    because: tuple[str, ...] = ()
    columns: str = ""
    refusal: InputError | None = None
    rival: str = ""

    __repr__ = brief

    @property
    def direction(self) -> Direction | None:
        """Where it was taken; None for impedances and ignored files."""
        return None if self.curve is None else self.curve.direction

    @property
    def smoothing(self) -> float | None:
        """The n of the smoothing that the file states, 1/n octave."""
        return None if self.curve is None else self.curve.heading.smoothing

    @property
    def gate_s(self) -> float | None:
        """Length of the time window, where one was applied or is stated."""
        return None if self.curve is None else self.curve.gate_s


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverFiles:
    """The files of one driver.

    Parameters
    ----------
    name : str
        Its name.
    responses : dict of Direction to FileReading
        Reference axis first.
    impedance, near_field, port : FileReading or None
        Where there is one.
    other_side : dict of Direction to FileReading
        Responses of the other cabinet of the pair, for comparison.
    other_impedance : FileReading or None
        Impedance of this driver in the other cabinet, for the same.
    """

    name: str
    responses: dict[Direction, FileReading] = field(default_factory=dict)
    impedance: FileReading | None = None
    near_field: FileReading | None = None
    port: FileReading | None = None
    other_side: dict[Direction, FileReading] = field(default_factory=dict)
    other_impedance: FileReading | None = None

    __repr__ = brief

    @property
    def on_axis(self) -> MeasuredCurve | None:
        """The response nearest the reference axis."""
        if not self.responses:
            return None
        return next(iter(self.responses.values())).curve


@dataclass(frozen=True, slots=True, kw_only=True)
class Folder:
    """Everything recognised in a folder.

    Parameters
    ----------
    path : str
        The folder.
    files : tuple of FileReading
        Every file, used or not, sorted by path.
    drivers : dict of str to DriverFiles
        From the lowest driver to the highest.
    together : FileReading or None
        All drivers driven at once.
    gate_s : float or None
        Gate stated for impulse responses.
    """

    path: str
    files: tuple[FileReading, ...]
    drivers: dict[str, DriverFiles]
    together: FileReading | None = None
    gate_s: float | None = None

    __repr__ = brief

    @property
    def ignored(self) -> tuple[FileReading, ...]:
        """Files that are not used."""
        return tuple(f for f in self.files if f.role == "ignored")
