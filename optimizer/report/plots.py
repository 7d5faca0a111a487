"""Charts for a terminal, drawn with braille dots: two dots across and four down per character.

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
from optimizer.problem.candidate import CurveSet
from optimizer.report.document import Segment

_TICKS_HZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000)
_LABEL_WIDTH = 7
_ROWS_PER_STEP = 3
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
    ends: tuple[float, float] | None = None,
    ticks: Sequence[tuple[float, str]] | None = None,
    unit: str = "Hz",
) -> list[list[Segment]]:
    """Draw traces over a logarithmic frequency axis.

    Parameters
    ----------
    traces : sequence of Trace
        Drawn in order: later ones lie on top.
    top : float
        Height of the upper edge.
    steps : int
        Number of steps of the vertical axis, three rows each.
    step : float
        Height of one step.
    labels : sequence of str, length steps + 1
        Labels of the vertical axis from the top.
    width : int
        Width of the whole chart in characters.
    ends : tuple of float, optional
        Lowest and highest frequency shown, if not those of the traces.
    ticks : sequence of (float, str), optional
        Labelled places of the frequency axis, if not the usual ones.
    unit : str
        What stands before them.

    Returns
    -------
    list of list of (str, str)
        Rows from the top, the frequency axis last.
    """
    columns = max(20, width - _LABEL_WIDTH - 2)
    rows = steps * _ROWS_PER_STEP
    low, high = ends or (
        min(float(trace.frequency_hz[0]) for trace in traces),
        max(float(trace.frequency_hz[-1]) for trace in traces),
    )
    dots = np.zeros((rows, columns), dtype=np.uint8)
    roles: dict[tuple[int, int], str] = {}
    for trace in traces:
        _trace_dots(trace, dots, roles, low_hz=low, high_hz=high, top=top, span=steps * step)

    chart: list[list[Segment]] = []
    for row in range(rows):
        on_tick = row % _ROWS_PER_STEP == 0
        label = labels[row // _ROWS_PER_STEP] if on_tick else ""
        line: list[Segment] = [(f"{label:>{_LABEL_WIDTH}} {'┤' if on_tick else '│'}", "axis")]
        line += _row_segments(dots[row], [roles.get((row, x), "") for x in range(columns)])
        chart.append(line)
    places = [(float(hz), _name_tick(hz)) for hz in _TICKS_HZ] if ticks is None else ticks
    return chart + _frequency_axis(low, high, columns, labels[-1], places, unit)


def _name_tick(hz: int) -> str:
    return f"{hz // 1000}k" if hz >= 1000 else str(hz)


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


def draw_levels(
    traces: Sequence[Trace], peak_db: float, *, steps: int, width: int
) -> list[list[Segment]]:
    """Draw levels from above the highest one downwards in steps of 5 dB; see `draw_chart`."""
    top = 5.0 * math.ceil((peak_db + 0.5) / 5.0)
    labels = [f"{top - 5 * index:g}" for index in range(steps + 1)]
    labels[0] += " dB"
    return draw_chart(traces, top=top, steps=steps, step=5.0, labels=labels, width=width)


def draw_response(curves: CurveSet, *, width: int = 100, steps: int = 6) -> list[list[Segment]]:
    """Draw the sum on axis, its target and every way alone, 5 dB per step.

    `steps` of them are shown below the highest level; roles are "axis", "sum", "target", "way 1"
    and so on.
    """
    frequency = curves.frequency_hz
    total = curves.named_db["on_axis"]
    shown = [total] if curves.target_db is None else [total, curves.target_db]
    peak = float(np.nanmax(np.concatenate([curve[np.isfinite(curve)] for curve in shown])))
    traces = [
        Trace(role=f"way {index}", frequency_hz=frequency, height=level, on=1, off=1)
        for index, level in enumerate(curves.way_db, start=1)
    ]
    if curves.target_db is not None:
        band = curves.target_band_hz or (float(frequency[0]), float(frequency[-1]))
        inside = (frequency >= band[0]) & (frequency <= band[1])
        if inside.any():
            traces.append(
                Trace(
                    role="target",
                    frequency_hz=frequency[inside],
                    height=curves.target_db[inside],
                    on=6,
                    off=4,
                )
            )
    traces.append(Trace(role="sum", frequency_hz=frequency, height=total))
    return draw_levels(traces, peak, steps=steps, width=width)


def draw_impedance(curves: CurveSet, *, width: int = 100) -> list[list[Segment]]:
    """Draw the modulus of the input impedance; each step of the axis doubles it."""
    octaves = np.log2(np.maximum(np.abs(curves.impedance), 1e-3))
    bottom = max(math.floor(float(octaves.min())), -2)
    top = max(math.ceil(float(octaves.max())), bottom + 2)
    steps = min(top - bottom, 5)
    top = bottom + steps
    labels = [f"{2.0 ** (top - index):g}" for index in range(steps + 1)]
    labels[0] += " ohm"
    trace = Trace(role="sum", frequency_hz=curves.frequency_hz, height=octaves)
    return draw_chart([trace], top=top, steps=steps, step=1.0, labels=labels, width=width)
