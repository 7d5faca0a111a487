"""A chart as a plain value: axes, curves, bands, marks. Renderers draw it and compute nothing.

`optimizer.report.charts.standard` makes those of a network; `svg` draws one for screen and paper,
`sketch` for a terminal and for Markdown.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from optimizer.arrays import Flags, Real

DB_PER_DECADE = 25.0
"""Level that is as long as a decade of frequency: one of the proportions of IEC 60263 (from memory).
Slopes then look alike on every chart, whatever its size."""

AUDIO_HZ = (20.0, 20000.0)
"""What a frequency axis shows, whatever was measured, so that charts can be laid over each other."""

Dash = tuple[float, ...]
DASHES: tuple[Dash, ...] = ((), (7, 4), (2, 3), (9, 3, 2, 3), (4, 2), (12, 4))
"""Curves of one chart differ by these, so that they do on grey paper too."""


def dash_of(k: int) -> Dash:
    """Return the dash of the curve of this number, from 0: after the last one the first again."""
    return DASHES[k % len(DASHES)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """One axis.

    Parameters
    ----------
    name, unit : str
        What is along it, and in what.
    low, high : float
        Its ends.
    ticks : tuple of float
        Where it has labels and the grid its lines.
    labels : tuple of str, length of `ticks`
        What stands there; empty where a line has no label.
    log : bool
        Whether it is logarithmic.
    """

    name: str
    unit: str
    low: float
    high: float
    ticks: tuple[float, ...]
    labels: tuple[str, ...]
    log: bool = False

    def share(self, value: ArrayLike) -> Real:
        """Place along the axis: 0 at its low end, 1 at its high one."""
        given, ends = np.asarray(value, dtype=np.float64), np.array([self.low, self.high])
        if self.log:
            with np.errstate(invalid="ignore", divide="ignore"):
                given, ends = np.log(given), np.log(ends)
        return np.asarray((given - ends[0]) / (ends[1] - ends[0]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """A line.

    Parameters
    ----------
    name : str
        What it is.
    x, y : ndarray, shape (F,)
        In the units of the axes; NaN leaves a gap.
    role : str
        "sum", "target", "way 1", "average 1", "other": decides its colour.
    dash : tuple of float
        Lengths drawn and left out.
    width : float
        In hundredths of an inch.
    right : bool
        Whether it is read on the right axis.
    at_end : str
        What to call it at its right end, where many have no room in a legend.
    """

    name: str
    x: Real
    y: Real
    role: str
    dash: Dash = ()
    width: float = 1.8
    right: bool = False
    at_end: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shade:
    """What lies between two lines.

    Parameters
    ----------
    name : str
        What it is; "" where a legend need not say it again.
    x, low, high : ndarray, shape (F,)
        In the units of the axes.
    right : bool
        Whether it is read on the right axis.
    faint : bool
        Whether it steps back behind another one.
    """

    name: str
    x: Real
    low: Real
    high: Real
    right: bool = False
    faint: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A straight line at one place of an axis.

    Parameters
    ----------
    name : str
        What stands there.
    at : float
        Where, in the unit of the axis.
    along : {"across", "up", "right"}
        The axis it is a place of.
    """

    name: str
    at: float
    along: Literal["across", "up", "right"] = "across"


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """A stretch of the axis across.

    Parameters
    ----------
    name : str
        What it means; "" where a legend need not say it again.
    low, high : float
        Its ends.
    outside : bool
        Whether it is what does not count (shaded), or where something may be (edged).
    """

    name: str
    low: float
    high: float
    outside: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Surface:
    """A height over both axes, drawn in steps.

    Parameters
    ----------
    x : ndarray, shape (F,)
    y : ndarray, shape (A,)
        Increasing.
    z : ndarray, shape (A, F)
        Height in `unit`.
    unit : str
    steps : tuple of float
        Heights between which it has one colour each, increasing.
    lines : tuple of (float, Dash)
        Heights that are drawn as lines and named.
    doubted : ndarray of bool, shape (A,)
        Rows that were not measured and are not between measured ones: hatched.
    """

    x: Real
    y: Real
    z: Real
    unit: str
    steps: tuple[float, ...]
    lines: tuple[tuple[float, Dash], ...]
    doubted: Flags


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """A chart over two axes, or three.

    Parameters
    ----------
    key : str
        Its name.
    title, text : str
        Heading, and how to read it.
    across, up : Axis
        The axes.
    right : Axis, optional
        A second axis upwards.
    tall : float
        Height over width of what the axes enclose.
    curves, bands, marks, regions, surface
        What is drawn, in this order from the front to the back.
    """

    key: str
    title: str
    text: str
    across: Axis
    up: Axis
    right: Axis | None = None
    tall: float = 0.5
    curves: tuple[Curve, ...] = ()
    bands: tuple[Shade, ...] = ()
    marks: tuple[Mark, ...] = ()
    regions: tuple[Region, ...] = ()
    surface: Surface | None = None

    def axis_of(self, one: Curve | Shade) -> Axis:
        """Return the upward axis that something is read on."""
        return self.right if one.right and self.right is not None else self.up


@dataclass(frozen=True, slots=True, kw_only=True)
class Ray:
    """A closed curve around a polar chart.

    Parameters
    ----------
    name : str
        What it is.
    angle_deg : ndarray, shape (A,)
        Increasing from -180; 0 is ahead.
    level_db : ndarray, shape (A,)
    told : ndarray of bool, shape (A,)
        Which of them were measured: these have dots.
    role : str
    dash : tuple of float
    """

    name: str
    angle_deg: Real
    level_db: Real
    told: Flags
    role: str
    dash: Dash = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Polar:
    """Levels by angle around a loudspeaker, seen from above or from its right.

    Parameters
    ----------
    key, title, text : str
        As of a `Plot`.
    rays : tuple of Ray
    top_db, bottom_db : float
        Level of the rim and of the middle.
    step_db : float
        Between rings.
    ends : tuple of str
        What stands at 0, 90, 180 and -90 degrees.
    """

    key: str
    title: str
    text: str
    rays: tuple[Ray, ...]
    top_db: float = 6.0
    bottom_db: float = -30.0
    step_db: float = 6.0
    ends: tuple[str, str, str, str] = field(default=("0°", "90°", "180°", "−90°"))


AnyPlot = Plot | Polar


def write_number(value: float) -> str:
    """Write a number of an axis with a true minus sign."""
    return f"{value:g}".replace("-", "−")


def frequency_axis() -> Axis:
    """Make the axis of every chart over frequency."""
    low, high = AUDIO_HZ
    ticks = [d * 10.0**p for p in (1, 2, 3, 4) for d in range(1, 10)]
    ticks = [t for t in ticks if low <= t <= high]
    labelled = {1, 2, 5}
    return Axis(
        name="frequency",
        unit="Hz",
        low=low,
        high=high,
        ticks=tuple(ticks),
        labels=tuple(_say_tick(t) if int(f"{t:e}"[0]) in labelled else "" for t in ticks),
        log=True,
    )


def _say_tick(hz: float) -> str:
    return f"{hz / 1000:g}k" if hz >= 1000.0 else f"{hz:g}"


def linear_axis(name: str, unit: str, low: float, high: float, step: float) -> Axis:
    """Make an axis with a label at every step."""
    first = math.ceil(low / step - 1e-9)
    count = math.floor(high / step + 1e-9) - first
    ticks = tuple(float((first + k) * step) for k in range(count + 1))
    return Axis(
        name=name,
        unit=unit,
        low=low,
        high=high,
        ticks=ticks,
        labels=tuple(map(write_number, ticks)),
    )


def ohm_axis(low: float, high: float) -> Axis:
    """Make an axis of ohms that doubles at every label."""
    first, last = math.floor(math.log2(low)), math.ceil(math.log2(high))
    last = max(last, first + 3)
    ticks = tuple(2.0**k for k in range(first, last + 1))
    return Axis(
        name="impedance",
        unit="Ω",
        low=ticks[0],
        high=ticks[-1],
        ticks=ticks,
        labels=tuple(map(write_number, ticks)),
        log=True,
    )


def level_axis(curves: Sequence[Real], span_db: float, step_db: float = 5.0) -> Axis:
    """Make an axis of levels from above the highest of some curves downwards."""
    top = max((float(np.nanmax(c)) for c in curves if np.isfinite(c).any()), default=0.0)
    high = step_db * math.ceil((top + 1.0) / step_db)
    axis = linear_axis("level", "dB", high - span_db, high, step_db)
    every = round(2.0 if span_db > 30.0 else 1.0)
    labels = tuple(
        text if round(tick / step_db) % every == 0 else ""
        for tick, text in zip(axis.ticks, axis.labels, strict=True)
    )
    return Axis(
        name=axis.name,
        unit=axis.unit,
        low=axis.low,
        high=axis.high,
        ticks=axis.ticks,
        labels=labels,
    )


def tall_of(axis: Axis, across: Axis) -> float:
    """Height over width of a chart of levels over frequency, see `DB_PER_DECADE`."""
    return (axis.high - axis.low) / DB_PER_DECADE / math.log10(across.high / across.low)
