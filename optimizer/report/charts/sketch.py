"""Charts as rows of characters: curves in dots of braille, levels over angle in shades.

Height and width have the proportions of the model, as near as whole rows between labels come to it.
"""

from __future__ import annotations

import numpy as np

from optimizer.arrays import Real
from optimizer.report.charts.braille import Trace, draw_chart
from optimizer.report.charts.plot import AnyPlot, Axis, Curve, Dash, Plot, Polar, linear_axis
from optimizer.report.document import Segment

_Rows = list[list[Segment]]

SHADES = ((-3.0, "█"), (-6.0, "▓"), (-12.0, "▒"), (-20.0, "░"))
"""What stands where a surface is at least so high; nothing where it is lower."""

MOST_WIDE = 120
"""Characters; as height grows with width, a wider one would be higher than a screen."""

_MARGIN = 9
_UNITS = {"Ω": "ohm", "°": "deg"}  # as everything in a terminal says them
_TALL = 2.0  # a character is about twice as high as wide
_FEWEST_ROWS = 2
_ANGLE_STEP = 15.0
_DOTS: dict[Dash, tuple[int, int]] = {
    (): (1, 0),
    (7, 4): (6, 3),
    (2, 3): (1, 1),
    (9, 3, 2, 3): (4, 1),
    (4, 2): (3, 2),
    (12, 4): (10, 4),
    (6, 5): (6, 4),
}
_LOW, _HIGH = 1.0, 1000.0  # any axis is drawn as if it were one of frequency between these


def sketch_plot(plot: AnyPlot, *, width: int = 100) -> _Rows:
    """Draw a chart with its title and its legend.

    Parameters
    ----------
    plot : Plot or Polar
        What to draw; bands are left out.
    width : int
        In characters; of more than `MOST_WIDE` the rest stays empty.

    Returns
    -------
    list of list of (str, str)
        Rows of texts and their roles.
    """
    width = min(width, MOST_WIDE)
    if isinstance(plot, Polar):
        return _sketch(_unroll(plot), width)
    if plot.surface is not None:
        return _sketch_surface(plot, width)
    return _sketch(plot, width)


def _unroll(polar: Polar) -> Plot:
    """Lay a polar chart out over its angle."""
    return Plot(
        key=polar.key,
        title=polar.title,
        text=polar.text,
        across=linear_axis("angle", "°", -180.0, 180.0, 45.0),
        up=linear_axis("level", "dB", polar.bottom_db, polar.top_db, polar.step_db),
        curves=tuple(
            Curve(name=ray.name, x=ray.angle_deg, y=ray.level_db, role=ray.role, dash=ray.dash)
            for ray in polar.rays
        ),
    )


def _sketch(plot: Plot, width: int) -> _Rows:
    right_room = 7 if plot.right is not None else 0
    labels = [*reversed(plot.up.labels)]
    steps = len(labels) - 1
    rows_per_step = max(1, round(plot.tall * (width - right_room - _MARGIN) / _TALL / steps))
    if rows_per_step < _FEWEST_ROWS and steps % 2 == 0:  # room for every other label only
        labels, steps = labels[::2], steps // 2
        rows_per_step = _FEWEST_ROWS
    traces = [
        Trace(
            role=curve.role,
            frequency_hz=_stretch(plot.across.share(curve.x)),
            height=np.asarray(steps * plot.axis_of(curve).share(curve.y)),
            on=_DOTS.get(curve.dash, (1, 0))[0],
            off=_DOTS.get(curve.dash, (1, 0))[1],
        )
        for curve in plot.curves
    ]
    ticks = [
        (float(_stretch(plot.across.share(tick))), label)
        for tick, label in zip(plot.across.ticks, plot.across.labels, strict=True)
        if label
    ]
    top = next((k for k, text in enumerate(labels) if text), 0)
    labels[top] = f"{labels[top]} {_say_unit(plot.up)}".strip()
    rows = draw_chart(
        traces,
        top=float(steps),
        steps=steps,
        step=1.0,
        labels=labels,
        width=width - right_room,
        ends=(_LOW, _HIGH),
        ticks=ticks,
        unit=_say_unit(plot.across),
        rows_per_step=rows_per_step,
    )
    if plot.right is not None:
        _add_right(rows, plot.right, rows_per_step * steps)
    return [[(plot.title, "strong")], *_legend(plot, width), *rows, *_say_marks(plot)]


def _say_unit(axis: Axis) -> str:
    unit = axis.unit.rpartition(" ")[2]
    return _UNITS.get(unit, unit)


def _stretch(share: Real) -> Real:
    return np.asarray(_LOW * (_HIGH / _LOW) ** share)


def _add_right(rows: _Rows, axis: Axis, height: int) -> None:
    """Write the labels of a right axis behind the rows that they belong to, from the top."""
    long = max(sum(len(text) for text, _ in row) for row in rows[:-1])
    unit = f" {_say_unit(axis)}"
    for share, label in zip(reversed(axis.share(axis.ticks)), reversed(axis.labels), strict=True):
        if label:
            row = rows[round((1.0 - float(share)) * height)]
            gap = long - sum(len(text) for text, _ in row)
            row.append((f"{' ' * max(gap, 0)} {label}{unit}", "axis"))
            unit = ""


def _legend(plot: Plot, width: int) -> _Rows:
    """Name curves, as many in a row as there is room for."""
    rows: _Rows = [[]]
    used = 0
    for curve in plot.curves:
        said = f"{_sample(curve.dash)} {curve.name}   "
        if used and used + len(said) > width:
            rows.append([])
            used = 0
        rows[-1].append((said, curve.role))
        used += len(said)
    return rows


def _sample(dash: Dash) -> str:
    on, off = _DOTS.get(dash, (1, 0))
    dots = [k % (on + off) < on for k in range(10)]
    return "".join(
        chr(0x2800 + 0x40 * left + 0x80 * right)
        for left, right in zip(dots[::2], dots[1::2], strict=True)
    )


def _say_marks(plot: Plot) -> _Rows:
    said = []
    across = [mark.name for mark in plot.marks if mark.along == "across"]
    if across:
        said.append(f"ways meet at {', '.join(across)}")
    said += [mark.name for mark in plot.marks if mark.along != "across"]
    return [[(f"{' ' * _MARGIN}{'; '.join(said)}", "axis")]] if said else []


def _sketch_surface(plot: Plot, width: int) -> _Rows:
    surface = plot.surface
    assert surface is not None
    columns = width - _MARGIN
    at = np.linspace(0.0, 1.0, columns)
    shares = plot.across.share(surface.x)
    angles = np.arange(plot.up.high, plot.up.low - 1e-9, -_ANGLE_STEP)
    legend = "   ".join(f"{shade} from {level:g} dB".replace("-", "−") for level, shade in SHADES)
    rows: _Rows = [[(plot.title, "strong")], [(legend, "")]]
    for angle in angles:
        over = np.array([np.interp(angle, surface.y, column) for column in surface.z.T])
        level = np.interp(at, shares, over, left=np.nan, right=np.nan)
        told = not surface.doubted[int(np.argmin(np.abs(surface.y - angle)))]
        label = f"{angle:g}".replace("-", "−") if angle % 45 == 0 else ""
        rows.append([
            (f"{label:>7} {'│' if told else '┊'}", "axis"),
            ("".join(_shade(value) for value in level), ""),
        ])  # fmt: skip
    text = [" "] * columns
    for tick, label in zip(plot.across.ticks, plot.across.labels, strict=True):
        if label:
            start = round(float(plot.across.share(tick)) * (columns - 1)) - len(label) // 2
            start = min(max(0, start), columns - len(label))
            text[start : start + len(label)] = label
    rows.append([(f"{plot.across.unit:>7}  {''.join(text).rstrip()}", "axis")])
    if surface.doubted.any():
        rows.append([(f"{' ' * _MARGIN}┊ completed, not measured", "axis")])
    return [*rows, *_say_marks(plot)]


def _shade(level: float) -> str:
    return next((shade for least, shade in SHADES if level >= least), " ")
