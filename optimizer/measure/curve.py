"""One measured curve, and where in space it was taken."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.errors import InputError
from optimizer.text.brief import brief

Quantity = Literal["pressure", "impedance"]
"""What a curve is made of."""


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Direction:
    """A direction of radiation seen from the reference axis.

    Parameters
    ----------
    horizontal_deg : float
        Angle in the horizontal plane, -180 to 180, right positive seen from the listener's side
        of the cabinet; 0 when `vertical_deg` is not 0.
    vertical_deg : float
        Angle in the vertical plane, -180 to 180, up positive.
    """

    horizontal_deg: float = 0.0
    vertical_deg: float = 0.0

    def __str__(self) -> str:
        if self.vertical_deg:
            return f"{abs(self.vertical_deg):g} {'up' if self.vertical_deg > 0 else 'down'}"
        if self.horizontal_deg:
            side = "right" if self.horizontal_deg > 0 else "left"
            return f"{abs(self.horizontal_deg):g} {side}"
        return "0"


ON_AXIS = Direction()

_WRITTEN = re.compile(r"(\d+(?:\.\d+)?)(?:\s*(?:deg|°))?\s*(right|left|up|down)?")
_SIDES = {"right": (1, 0), "left": (-1, 0), "up": (0, 1), "down": (0, -1)}


def parse_direction(text: str) -> Direction:
    """Read a direction as `Direction` writes it: "0", "30 right", "15 up", "180".

    Raises
    ------
    InputError
        No angle, one beyond 180 degrees, or one off the axis without its side.
    """
    match = _WRITTEN.fullmatch(" ".join(text.split()))
    if not match:
        raise InputError(
            "a direction is an angle and a side", value=repr(text),
            remedy='write 0, "30 right", "30 left", "15 up" or "15 down"',
        )  # fmt: skip
    angle, side = float(match[1]), match[2]
    if angle > 180.0:
        raise InputError("an angle lies between 0 and 180", value=f"{angle:g}")
    if angle == 0.0:
        return ON_AXIS
    if side is None and angle != 180.0:
        raise InputError(
            "an angle off the axis needs its side", value=repr(text),
            remedy=f'write "{angle:g} right", "{angle:g} left", "{angle:g} up" '
            f'or "{angle:g} down"',
        )  # fmt: skip
    horizontal, vertical = _SIDES[side or "right"]
    if angle == 180.0:  # straight behind is one direction, whichever way round
        horizontal, vertical = 1, 0
    return Direction(horizontal_deg=angle * horizontal, vertical_deg=angle * vertical)


@dataclass(frozen=True, slots=True, kw_only=True)
class FileHeading:
    """What a file says of itself, above its rows or in comments.

    Parameters
    ----------
    quantity : {"pressure", "impedance"} or None
        What its columns are called.
    line : str
        The line that calls them so.
    title : str
        A line that names what was measured ("Name: tweeter 30 deg").
    calibration : bool
        Whether it says that it corrects a microphone or a sound card.
    smoothing : float or None
        n of 1/n octave.
    gate_s : float or None
        Length of the time window in s.
    """

    quantity: Quantity | None = None
    line: str = ""
    title: str = ""
    calibration: bool = False
    smoothing: float | None = None
    gate_s: float | None = None


@dataclass(frozen=True, slots=True)
class Doubt:
    """What may have been read wrongly in a file, and what would settle it.

    Parameters
    ----------
    what : str
        The doubt, as a sentence about the file ("ends at 20: taken as kHz").
    columns : str
        What its columns would be otherwise, in the words that settle it ("frequency Hz, level").
    serious : bool
        Whether the other reading is the likelier one.
    """

    what: str
    columns: str
    serious: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredCurve:
    """One measured curve: frequency and complex pressure or complex impedance.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz, positive and strictly increasing.
    value : ndarray, shape (F,), complex
        Pressure relative to 20 uPa (20 log10 of its modulus is dB SPL) or impedance in ohm,
        time convention e^{+jwt}.
    quantity : {"pressure", "impedance"}
        What `value` is.
    source : str
        File it came from, for messages.
    has_phase : bool
        False when the file gave no phase; `value` is then real and positive.
    direction : Direction or None
        Where the microphone was; None for an impedance, or where nobody said.
    gate_s : float or None
        Length of the time window in s: applied to an impulse response, or stated in the file.
        Below its inverse the curve shows the window.
    heading : FileHeading
        What the file says of itself.
    layout : str
        How the file is laid out, as it was read ("columns parted by tabs, decimal commas").
    columns : str
        What its columns were taken for ("frequency Hz, level dB, phase deg").
    doubts : tuple of Doubt
        What of that may be wrong.
    beside : tuple of (str, Direction or None)
        Quantity and direction of all curves of a file that holds several, this one too.
    because : tuple of str
        Why it was taken as this quantity.
    notes : tuple of str
        What the reader noticed (dropped rows, averaged repeats).
    """

    frequency_hz: Real
    value: Complex
    quantity: Quantity
    source: str = ""
    has_phase: bool = True
    direction: Direction | None = None
    gate_s: float | None = None
    heading: FileHeading = FileHeading()
    layout: str = ""
    columns: str = ""
    doubts: tuple[Doubt, ...] = ()
    beside: tuple[tuple[Quantity, Direction | None], ...] = ()
    because: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    __repr__ = brief

    @property
    def level_db(self) -> Real:
        """20 log10 of the modulus, shape (F,)."""
        return 20.0 * np.log10(np.abs(self.value))

    @property
    def phase_rad(self) -> Real:
        """Unwrapped phase in radians, shape (F,)."""
        return np.unwrap(np.angle(self.value))

    @property
    def range_hz(self) -> tuple[float, float]:
        """First and last frequency in Hz."""
        return float(self.frequency_hz[0]), float(self.frequency_hz[-1])


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """Where a curve on the grid is measured and how it continues outside.

    Parameters
    ----------
    source : str
        File the curve came from.
    low_hz, high_hz : float
        First and last measured frequency.
    slope_low_db_per_octave, slope_high_db_per_octave : float
        Level slope used below `low_hz` and above `high_hz` (0 where the grid is covered).
    gate_s : float or None
        Time window of the curve in s, where one limits it: below its inverse nothing is resolved.
    """

    source: str
    low_hz: float
    high_hz: float
    slope_low_db_per_octave: float = 0.0
    slope_high_db_per_octave: float = 0.0
    gate_s: float | None = None
