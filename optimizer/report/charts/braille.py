"""Curves in characters, drawn with braille dots: two dots across and four down per character.

Everything here is a pure function from curves to rows of (text, role) segments; what colour a
role gets is decided where it is printed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optimizer.arrays import Real
from optimizer.report.document import Segment

_LABEL_WIDTH = 7
# Bits of the dots of a braille pattern by column and row: the Unicode Standard, section 21.1.
_DOT_BITS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """One line of a chart.

    Parameters
    ----------
    role : str
        What it is, for colouring.
    frequency_hz, height : ndarray, shape (F,)
        The line; `height` in the unit of the vertical axis.
    on, off : int
        Dots drawn and left out in turn along the line; ``off=0`` draws it whole.
    """

    role: str
    frequency_hz: Real
    height: Real
    on: int = 1
    off: int = 0


def draw_chart(
    traces: Sequence[Trace],
    *,
    top: float,
    steps: int,
    step: float,
    labels: Sequence[str],
    width: int,
    ends: tuple[float, float],
    ticks: Sequence[tuple[float, str]],
    unit: str = "Hz",
    rows_per_step: int = 3,
) -> list[list[Segment]]:
    """Draw traces over a logarithmic frequency axis.

    Parameters
    ----------
    traces : sequence of Trace
        Drawn in order: later ones lie on top.
    top : float
        Height of the upper edge.
    steps : int
        Number of steps of the vertical axis.
    step : float
        Height of one step.
    labels : sequence of str, length steps + 1
        Labels of the vertical axis from the top; a step without one has no mark.
    width : int
        Width of the whole chart in characters.
    ends : tuple of float
        Lowest and highest frequency shown.
    ticks : sequence of (float, str)
        Labelled places of the frequency axis.
    unit : str
        What stands before them.
    rows_per_step : int
        Rows of each step.

    Returns
    -------
    list of list of (str, str)
        Rows from the top, the frequency axis last.
    """
    columns = max(20, width - _LABEL_WIDTH - 2)
    rows = steps * rows_per_step
    low, high = ends
    dots = np.zeros((rows, columns), dtype=np.uint8)
    roles: dict[tuple[int, int], str] = {}
    for trace in traces:
        _trace_dots(trace, dots, roles, low_hz=low, high_hz=high, top=top, span=steps * step)

    chart: list[list[Segment]] = []
    for row in range(rows):
        label = labels[row // rows_per_step] if row % rows_per_step == 0 else ""
        line: list[Segment] = [(f"{label:>{_LABEL_WIDTH}} {'┤' if label else '│'}", "axis")]
        line += _row_segments(dots[row], [roles.get((row, x), "") for x in range(columns)])
        chart.append(line)
    return chart + _frequency_axis(low, high, columns, labels[-1], ticks, unit)


def _trace_dots(
    trace: Trace,
    dots: NDArray[np.uint8],
    roles: dict[tuple[int, int], str],
    *,
    low_hz: float,
    high_hz: float,
    top: float,
    span: float,
) -> None:
    """Set the dots of one trace; steep parts are joined by vertical runs."""
    rows, columns = dots.shape
    position = np.linspace(math.log(low_hz), math.log(high_hz), 2 * columns)
    known = np.isfinite(trace.height)
    if not known.any():
        return
    log_frequency = np.log(trace.frequency_hz)
    height = np.interp(position, log_frequency[known], trace.height[known])
    outside = (position < log_frequency[0] - 1e-9) | (position > log_frequency[-1] + 1e-9)
    down = np.rint((top - height) / span * (4 * rows)).astype(int)
    period = trace.on + trace.off
    drawn = 0
    before = int(down[0])
    for x in range(2 * columns):
        if outside[x]:
            continue
        # A steep part is a vertical run that stops one dot short of its neighbour.
        here = int(down[x])
        before = here if x == 0 or outside[x - 1] else before
        towards = int(np.sign(before - here))
        for y in range(before - towards, here - towards, -towards) if towards else (here,):
            if 0 <= y < 4 * rows and drawn % period < trace.on:
                dots[y // 4, x // 2] |= _DOT_BITS[x % 2][y % 4]
                roles[y // 4, x // 2] = trace.role
            drawn += 1
        before = here


def _row_segments(bits: NDArray[np.uint8], roles: Sequence[str]) -> list[Segment]:
    """Join neighbouring characters of one role; empty characters become blanks."""
    segments: list[Segment] = []
    for value, role in zip(bits, roles, strict=True):
        text = chr(0x2800 + int(value)) if value else " "
        if segments and segments[-1][1] == role:
            segments[-1] = (segments[-1][0] + text, role)
        else:
            segments.append((text, role))
    return segments


def _frequency_axis(
    low_hz: float,
    high_hz: float,
    columns: int,
    label: str,
    places: Sequence[tuple[float, str]],
    unit: str,
) -> list[list[Segment]]:
    line = ["─"] * columns
    text = [" "] * columns
    for tick, name in places:
        if not low_hz * 0.999 <= tick <= high_hz * 1.001:
            continue
        share = math.log(tick / low_hz) / math.log(high_hz / low_hz)
        column = min(columns - 1, round(share * (columns - 1)))
        line[column] = "┴"
        start = min(max(0, column - len(name) // 2), columns - len(name))
        text[start : start + len(name)] = name
    margin = " " * (_LABEL_WIDTH + 2)
    return [
        [(f"{label:>{_LABEL_WIDTH}} └", "axis"), ("".join(line), "axis")],
        [(unit.rjust(_LABEL_WIDTH) + margin[_LABEL_WIDTH:] + "".join(text).rstrip(), "axis")],
    ]
