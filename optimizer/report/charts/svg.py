"""Charts as vector graphics: elements of a page that follow its colours, or files of their own.

Coordinates are those of a drawing `PLOT_WIDE` units wide; a page scales it. A curve is one path with
points of a tenth of a unit, so it can be read back from the drawing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from optimizer.arrays import Flags, Real
from optimizer.report.charts.plot import (
    AnyPlot,
    Axis,
    Curve,
    Dash,
    Mark,
    Plot,
    Polar,
    Region,
    Shade,
    Surface,
    write_number,
)
from optimizer.text.quoting import quote_markup

PLOT_WIDE = 480.0
"""Width of every drawing."""
LEFT, RIGHT = 46.0, 42.0
"""Margins, alike on all charts, so that frequencies stand below each other."""
TEXT = 12.0
"""Size of text on paper and on a wide screen."""
LARGEST_TEXT = 15.0
"""Size of text on a phone, for which there is room everywhere."""

INKS: dict[str, tuple[str, str]] = {
    "paper": ("#ffffff", "#1d2328"),
    "ink": ("#1f2630", "#e9e5db"),
    "soft": ("#555f6b", "#a9afb3"),
    "grid": ("#e4dfd3", "#2b3238"),
    "sum": ("#1f2630", "#f1ede3"),
    "target": ("#6d6a62", "#a8a498"),
    "other": ("#8a857a", "#7f868c"),
    "band": ("rgba(31, 38, 48, .13)", "rgba(241, 237, 227, .16)"),
    "outside": ("rgba(31, 38, 48, .05)", "rgba(241, 237, 227, .05)"),
    "way0": ("#0f77f9", "#92bcdb"),
    "way1": ("#8d4612", "#e47307"),
    "way2": ("#2a8a72", "#2dc485"),
    "way3": ("#891b88", "#dd5cf8"),
    "way4": ("#6b5b00", "#d8c65a"),
    "way5": ("#8c1d4f", "#f08bb4"),
}
"""Inks of a file of its own, light and dark; a page has the same as properties of its style."""

LEVEL_INKS = (
    "#0a1d26", "#10303c", "#194753", "#2c606a", "#497c82", "#6e999a", "#97b7b2", "#bfd3cb",
    "#e6ece4", "#eda86f",
)  # fmt: skip
"""Colours of steps of level, upwards; lightness alone tells the order up to that of the axis."""

_TOP = 26.0
_PER_CHARACTER = 0.56 * LARGEST_TEXT
_ROW = 19.0
_MOST_MARKS = 3


def draw_plot(plot: AnyPlot) -> str:
    """Draw a chart as an SVG element of a page, whose style has its colours.

    Parameters
    ----------
    plot : Plot or Polar
        What to draw.

    Returns
    -------
    str
        An ``svg`` element with a title and a description; every text is escaped. What leaves the
        axes is cut off there.
    """
    drawn = _draw_polar(plot) if isinstance(plot, Polar) else _Drawing(plot).draw()
    return _wrap(plot, drawn, "", 0.0)


def draw_plot_file(plot: AnyPlot) -> str:
    """Draw a chart as an SVG file: with its title, its own colours, light and dark.

    Returns
    -------
    str
        A complete document.
    """
    drawn = _draw_polar(plot) if isinstance(plot, Polar) else _Drawing(plot).draw()
    head = (
        f'<rect class="f-paper" x="0" y="-24" width="{PLOT_WIDE:g}" height="{drawn.height + 24:g}"/>'
        f'<text class="head" x="8" y="-8">{quote_markup(plot.title)}</text>'
    )
    style = f"<style>{own_style()}</style>"
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{_wrap(plot, drawn, style + head, 24.0)}\n'


def own_style() -> str:
    """Write the style of a file of its own; its rules are those of a page's style."""
    light = "".join(f"--{name}:{pair[0]};" for name, pair in INKS.items())
    dark = "".join(f"--{name}:{pair[1]};" for name, pair in INKS.items())
    rules = [
        f".graph text{{font:{TEXT:g}px system-ui,'Segoe UI',Roboto,'Noto Sans',sans-serif;"
        "fill:var(--soft)}",
        ".graph .head{font-weight:600;font-size:14px;fill:var(--ink)}",
        ".graph .halo{paint-order:stroke;stroke:var(--paper);stroke-width:3px}",
        ".graph .level{font-weight:600;fill:#000;paint-order:stroke;stroke:#fff;stroke-width:3px}",
        ".graph .grid{stroke:var(--grid)}.graph .frame{stroke:var(--soft);fill:none}",
        ".graph path.line{fill:none}",
        *(f".graph .s-{name}{{stroke:var(--{name})}}" for name in INKS),
        *(f".graph .f-{name}{{fill:var(--{name})}}" for name in INKS),
    ]
    return (
        f"svg{{{light}}}@media(prefers-color-scheme:dark){{svg{{{dark}}}}}"
        f"@media print{{svg{{{light}}}}}{''.join(rules)}"
    )


@dataclass(frozen=True, slots=True)
class _Drawn:
    """A drawing before it is wrapped."""

    body: str
    height: float


def _wrap(plot: AnyPlot, drawn: _Drawn, head: str, above: float) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="graph" data-plot="{quote_markup(plot.key)}"'
        f' viewBox="0 {-above:g} {PLOT_WIDE:g} {drawn.height + above:g}" role="img">'
        f"<title>{quote_markup(plot.title)}</title><desc>{quote_markup(plot.text)}</desc>"
        f"{head}{drawn.body}</svg>"
    )


def ink_of(role: str) -> str:
    """Return the ink of a role: those of ways and of averages are numbered alike."""
    name, _, number = role.partition(" ")
    return f"way{(int(number) - 1) % 6}" if number.isdecimal() else name


def _tenth(value: float) -> str:
    """Write a coordinate as short as can be."""
    text = f"{value:.1f}"
    text = text.removesuffix(".0")
    if text.startswith(("0.", "-0.")):
        text = text.replace("0.", ".", 1)
    return "0" if text in ("", "-", "-0") else text


def write_path(x: Real, y: Real, *, closed: bool = False) -> str:
    """Write points as the data of a path: steps from one to the next, in tenths of a unit.

    Parameters
    ----------
    x, y : ndarray, shape (F,)
        Points; one that is not finite leaves a gap.
    closed : bool
        Whether it ends where it began.
    """
    pieces: list[str] = []
    before: tuple[float, float] | None = None
    for here_x, here_y in zip(np.round(x, 1).tolist(), np.round(y, 1).tolist(), strict=True):
        if not (np.isfinite(here_x) and np.isfinite(here_y)):
            before = None
            continue
        if before is None:
            pieces.append(f"M{_tenth(here_x)},{_tenth(here_y)}l")
        elif (here_x, here_y) != before:
            dx, dy = _tenth(here_x - before[0]), _tenth(here_y - before[1])
            pieces.append(f"{dx}{'' if dy.startswith('-') else ','}{dy} ")
        before = here_x, here_y
    text = "".join(pieces).replace(" M", "M").rstrip()
    return f"{text.removesuffix('l')}z" if closed else text.removesuffix("l")


def _text(x: float, y: float, said: str, *, anchor: str = "start", look: str = "") -> str:
    where = "" if anchor == "start" else f' text-anchor="{anchor}"'
    kind = f' class="{look}"' if look else ""
    return f'<text x="{_tenth(x)}" y="{_tenth(y)}"{where}{kind}>{quote_markup(said)}</text>'


def _dash(dash: Dash) -> str:
    return f' stroke-dasharray="{" ".join(f"{d:g}" for d in dash)}"' if dash else ""


class _Drawing:
    """One chart over two axes."""

    def __init__(self, plot: Plot) -> None:
        self.plot = plot
        self.width = PLOT_WIDE - LEFT - RIGHT
        self.height = round(self.width * plot.tall, 1)
        self.bottom = _TOP + self.height

    def x(self, value: Real | float) -> Real:
        """Place across, within the frame."""
        return np.asarray(self.width * self.plot.across.share(value))

    def y(self, value: Real | float, axis: Axis) -> Real:
        """Place from the top of the frame downwards, at most one height beyond it."""
        share = np.clip(axis.share(value), -1.0, 2.0)
        return np.asarray(self.height * (1.0 - share))

    def draw(self) -> _Drawn:
        plot = self.plot
        legend = list(self._list_legend())
        inner = [
            *(self._region(one) for one in plot.regions),
            *([] if plot.surface is None else self._surface(plot.surface)),
            *([] if plot.surface else [self._grid()]),
            *(self._band(one) for one in plot.bands),
            *self._marks(),
            *(self._curve(one) for one in plot.curves),
        ]
        # A svg within another cuts off what leaves it.
        frame = (
            f'<svg class="inner" x="{LEFT:g}" y="{_TOP:g}" width="{self.width:g}" '
            f'height="{self.height:g}">{"".join(inner)}</svg>'
            f'<rect class="frame" x="{LEFT:g}" y="{_TOP:g}" width="{self.width:g}" '
            f'height="{self.height:g}"/>'
        )
        scale = "" if plot.surface is None else self._scale(plot.surface)
        written, end = _write_legend(legend, self.bottom + (76.0 if scale else 34.0))
        body = [frame, *self._labels(), *self._mark_names(), *self._end_names(), scale, written]
        return _Drawn("".join(body), round(end, 1))

    def _grid(self) -> str:
        plot = self.plot
        lines = [f"M{_tenth(float(self.x(t)))},0V{self.height:g}" for t in plot.across.ticks]
        lines += [f"M0,{_tenth(float(self.y(t, plot.up)))}H{self.width:g}" for t in plot.up.ticks]
        return f'<path class="grid line" d="{"".join(lines)}"/>'

    def _labels(self) -> Iterator[str]:
        plot = self.plot
        yield _text(LEFT - 6, _TOP - 10, plot.up.unit, anchor="end")
        yield from self._upright(plot.up, LEFT - 6, "end")
        if plot.right is not None:
            yield _text(PLOT_WIDE - 3, _TOP - 10, plot.right.unit, anchor="end")
            yield from self._upright(plot.right, PLOT_WIDE - RIGHT + 6, "start")
        for tick, label in zip(plot.across.ticks, plot.across.labels, strict=True):
            if label:
                where = LEFT + float(self.x(tick))
                yield _text(where, self.bottom + 17, label, anchor="middle")
        yield _text(PLOT_WIDE - 2, self.bottom + 17, plot.across.unit, anchor="end")

    def _upright(self, axis: Axis, x: float, anchor: str) -> Iterator[str]:
        for tick, label in zip(axis.ticks, axis.labels, strict=True):
            place = float(self.y(tick, axis))
            if label and -0.1 <= place <= self.height + 0.1:
                yield _text(x, _TOP + place + 4, label, anchor=anchor)

    def _region(self, one: Region) -> str:
        low, high = float(self.x(one.low)), float(self.x(one.high))
        box = f'x="{_tenth(low)}" y="0" width="{_tenth(high - low)}" height="{self.height:g}"'
        if one.outside:
            return f'<rect class="f-outside" {box}/>'
        ends = f"M{_tenth(low)},0V{self.height:g}M{_tenth(high)},0V{self.height:g}"
        return f'<rect class="f-outside" {box}/><path class="line s-target" d="{ends}"/>'

    def _band(self, one: Shade) -> str:
        axis = self.plot.axis_of(one)
        known = np.isfinite(one.low) & np.isfinite(one.high)
        x = self.x(one.x[known])
        above = np.stack([x, self.y(one.high[known], axis)], axis=1)
        below = np.stack([x, self.y(one.low[known], axis)], axis=1)[::-1]
        path = write_path(*_thin(np.concatenate([above, below])), closed=True) if len(x) else ""
        faint = ' fill-opacity=".5"' if one.faint else ""
        return f'<path class="f-band"{faint} d="{path}"/>' if path else ""

    def _curve(self, one: Curve) -> str:
        path = write_path(self.x(one.x), self.y(one.y, self.plot.axis_of(one)))
        return (
            f'<path class="line s-{ink_of(one.role)}" data-curve="{quote_markup(one.name)}" '
            f'stroke-width="{one.width:g}"{_dash(one.dash)} d="{path}"/>'
        )

    def _marks(self) -> Iterator[str]:
        for one in self.plot.marks:
            x, y = self._place(one)
            path = (
                f"M{_tenth(x)},0V{self.height:g}" if y is None else f"M0,{_tenth(y)}H{self.width:g}"
            )
            yield f'<path class="line s-soft" stroke-dasharray="1 3" d="{path}"/>'

    def _place(self, one: Mark) -> tuple[float, float | None]:
        if one.along == "across":
            return float(self.x(one.at)), None
        axis = self.plot.right if one.along == "right" and self.plot.right else self.plot.up
        return 0.0, float(self.y(one.at, axis))

    def _mark_names(self) -> Iterator[str]:
        """Name marks above the frame, and below its top where two would meet."""
        ends = [-np.inf] * _MOST_MARKS
        unit = "" if self.plot.right is None else self.plot.right.unit
        room = min(self.width, PLOT_WIDE - 4.0 - _PER_CHARACTER * len(unit) - LEFT) - 3.0
        for one in sorted(self.plot.marks, key=lambda m: m.at):
            x, y = self._place(one)
            if y is not None:
                yield _text(
                    LEFT + self.width - 5, _TOP + y - 4, one.name, anchor="end", look="halo"
                )
                continue
            long = _PER_CHARACTER * len(one.name)
            left = LEFT + float(np.clip(x - long / 2, 3.0, room - long))
            row = next((r for r, end in enumerate(ends) if end < left - 4), _MOST_MARKS - 1)
            ends[row] = left + long
            top = _TOP - 10.0 + (24.0 * (row > 0) + 15.0 * max(row - 1, 0))
            yield _text(left + long / 2, top, one.name, anchor="middle", look="halo" if row else "")

    def _end_names(self) -> Iterator[str]:
        """Name curves where they end at the right, apart from each other."""
        places: list[tuple[float, str]] = []
        for one in self.plot.curves:
            known = np.flatnonzero(np.isfinite(one.y) & (one.x <= self.plot.across.high))
            if one.at_end and len(known):
                height = float(self.y(one.y[known[-1]], self.plot.axis_of(one)))
                places.append((height, one.at_end))
        places.sort()
        heights = _spread([h for h, _ in places], LARGEST_TEXT - 2, self.height)
        for height, (_, said) in zip(heights, places, strict=True):
            yield _text(PLOT_WIDE - RIGHT + 5, _TOP + height + 4, said)

    def _surface(self, one: Surface) -> Iterator[str]:
        from contourpy import FillType, LineType, contour_generator

        x, y = self.x(one.x), self.y(one.y, self.plot.up)
        yield (f'<rect width="{self.width:g}" height="{self.height:g}" fill="{LEVEL_INKS[0]}"/>')
        make: Any = contour_generator(
            x, y, one.z, fill_type=FillType.OuterOffset, line_type=LineType.Separate
        )
        for step, ink in zip(one.steps[1:], LEVEL_INKS[1:], strict=False):
            points, offsets = make.filled(step, np.inf)
            path = "".join(_write_rings(points, offsets))
            if path:
                yield f'<path fill="{ink}" fill-rule="evenodd" d="{path}"/>'
        yield from self._doubted(one)
        for level, dash in one.lines:
            lines = make.lines(level)
            path = "".join(write_path(*_thin(line)) for line in lines if len(line) > 2)
            if path:
                yield (
                    f'<path class="line contour" data-level="{level:g}" stroke="#000" '
                    f'stroke-width="1.3"{_dash(dash)} d="{path}"/>'
                )
            yield from self._name_line(lines, f"{write_number(level)} {one.unit}", level)

    def _name_line(self, lines: Sequence[Real], said: str, level: float) -> Iterator[str]:
        """Name a line of one height where the longest of its pieces has most room."""
        if not lines:
            return
        longest = max(lines, key=lambda line: float(np.abs(np.diff(line, axis=0)).sum()))
        # Each height looks for its own place, so that names do not lie on each other.
        share = 0.5 if level > -4.0 else 0.62
        x, y = longest[int(share * (len(longest) - 1))]
        half = _PER_CHARACTER * len(said) / 2
        x = float(np.clip(x, half + 2, self.width - half - 2))
        y = float(np.clip(y + 4, 12, self.height - 4))
        yield _text(x, y, said, anchor="middle", look="level")

    def _doubted(self, one: Surface) -> Iterator[str]:
        """Hatch rows that were not measured."""
        y = self.y(one.y, self.plot.up)
        edges = np.concatenate([[y[0]], (y[1:] + y[:-1]) / 2, [y[-1]]])
        for first, last in _runs(one.doubted):
            low, high = sorted((float(edges[first]), float(edges[last + 1])))
            strokes = "".join(
                f"M{_tenth(x)},{_tenth(high)}l{_tenth(high - low)},{_tenth(low - high)}"
                for x in np.arange(-(high - low), self.width, 9.0)
            )
            yield (
                f'<svg x="0" y="{_tenth(low)}" width="{self.width:g}" height="{_tenth(high - low)}" '
                f'viewBox="0 {_tenth(low)} {self.width:g} {_tenth(high - low)}">'
                '<path class="line hatch" stroke="#fff" stroke-opacity=".5" stroke-width=".8" '
                f'd="{strokes}"/></svg>'
            )

    def _list_legend(self) -> Iterator[tuple[str, str]]:
        """Swatches and names: curves, then what is shaded, then steps of a surface."""
        plot = self.plot
        for curve in plot.curves:
            if not curve.at_end:
                yield _swatch(curve.role, curve.width, curve.dash), curve.name
        for band in plot.bands:
            if band.name:
                faint = ' fill-opacity=".5"' if band.faint else ""
                yield f'<rect class="f-band"{faint} y="-9" width="26" height="11"/>', band.name
        for region in plot.regions:
            if region.name:
                edges = (
                    "" if region.outside else '<path class="line s-target" d="M0-9v11M26-9v11"/>'
                )
                box = '<rect class="f-outside" y="-9" width="26" height="11"/>'
                yield box + edges, region.name
        if plot.surface is not None and plot.surface.doubted.any():
            mark = "M0,2l8-11M9,2l8-11M18,2l8-11"
            yield f'<path class="line s-soft" d="{mark}"/>', "completed, not measured"

    def _scale(self, one: Surface) -> str:
        """Write the colours of steps side by side, with the heights between them."""
        wide = self.width / len(one.steps)
        top = self.bottom + 34.0
        boxes = [
            f'<rect class="edge" fill="{ink}" x="{_tenth(LEFT + k * wide)}" y="{_tenth(top)}" '
            f'width="{_tenth(wide)}" height="12"/>'
            for k, ink in zip(range(len(one.steps)), LEVEL_INKS, strict=False)
        ]
        names = [
            _text(LEFT + k * wide, top + 28, write_number(one.steps[k]), anchor="middle")
            for k in range(len(one.steps) - 1, 0, -2)  # every other one, as wide as they are
        ]
        return "".join([*boxes, *names, _text(PLOT_WIDE - 2, top + 28, one.unit, anchor="end")])


def _swatch(role: str, width: float, dash: Dash) -> str:
    return (
        f'<path class="line s-{ink_of(role)}" stroke-width="{width:g}"{_dash(dash)} d="M0,-4h26"/>'
    )


def _write_legend(items: Sequence[tuple[str, str]], top: float) -> tuple[str, float]:
    """Write swatches and names beside each other, in rows; return it with where it ends."""
    if not items:
        return "", top - 12.0
    written = []
    x, y = 8.0, top + 8.0
    for swatch, name in items:
        wide = 46.0 + _PER_CHARACTER * len(name)
        if x > 8.0 and x + wide > PLOT_WIDE:
            x, y = 8.0, y + _ROW
        said = _text(33, 0, name)
        written.append(f'<g transform="translate({_tenth(x)},{_tenth(y)})">{swatch}{said}</g>')
        x += wide
    return "".join(written), y + _ROW - 8.0


def _spread(heights: Sequence[float], apart: float, room: float) -> list[float]:
    """Move heights in order just so far that neighbours are apart and all are within the room."""
    placed = list(heights)
    for k in range(1, len(placed)):
        placed[k] = max(placed[k], placed[k - 1] + apart)
    if placed and placed[-1] > room:
        placed[-1] = room
        for k in range(len(placed) - 2, -1, -1):
            placed[k] = min(placed[k], placed[k + 1] - apart)
    return placed


def _write_rings(points: Iterable[Real | None], offsets: Iterable[Real | None]) -> Iterator[str]:
    for one, ends in zip(points, offsets, strict=True):
        if one is None or ends is None:
            continue
        for first, last in zip(ends[:-1].tolist(), ends[1:].tolist(), strict=True):
            x, y = _thin(one[first:last])
            if len(x) > 3:
                yield write_path(x, y, closed=True)


def _thin(points: Real) -> tuple[Real, Real]:
    """Leave out points on the straight line between their neighbours, to a quarter of a unit."""
    keep = [0]
    for k in range(1, len(points) - 1):
        from_here, ahead = points[k] - points[keep[-1]], points[k + 1] - points[keep[-1]]
        long = float(np.hypot(*ahead))
        off = abs(float(from_here[0] * ahead[1] - from_here[1] * ahead[0]))
        if long < 1e-9 or off > 0.15 * long or float(np.hypot(*from_here)) > 12.0:
            keep.append(k)
    keep.append(len(points) - 1)
    return points[keep, 0], points[keep, 1]


def _runs(flags: Flags) -> Iterator[tuple[int, int]]:
    """First and last index of each run of true flags."""
    edges = np.diff(np.concatenate([[0], flags.astype(np.int8), [0]]))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    yield from zip(starts.tolist(), ends.tolist(), strict=True)


def _draw_polar(polar: Polar) -> _Drawn:
    radius, x, y = 150.0, PLOT_WIDE / 2, 186.0

    def place(angle_deg: Real, level_db: Real) -> tuple[Real, Real]:
        share = (level_db - polar.bottom_db) / (polar.top_db - polar.bottom_db)
        far = radius * np.clip(share, 0.0, 1.1)
        turn = np.radians(angle_deg)
        return x + far * np.sin(turn), y - far * np.cos(turn)

    levels = np.arange(polar.top_db, polar.bottom_db, -polar.step_db)
    body = [
        f'<circle class="grid line" fill="none" cx="{x:g}" cy="{y:g}" '
        f'r="{_tenth(float(radius * (level - polar.bottom_db) / (polar.top_db - polar.bottom_db)))}"/>'
        for level in levels
    ]
    spokes = np.arange(0.0, 360.0, 30.0)
    rim_x, rim_y = place(spokes, np.full(len(spokes), polar.top_db))
    lines = "".join(
        f"M{x:g},{y:g}L{_tenth(a)},{_tenth(b)}"
        for a, b in zip(rim_x.tolist(), rim_y.tolist(), strict=True)
    )
    body.append(f'<path class="grid line" d="{lines}"/>')
    for ray in polar.rays:
        ray_x, ray_y = place(ray.angle_deg, ray.level_db)
        body.append(
            f'<path class="line s-{ink_of(ray.role)}" data-curve="{quote_markup(ray.name)}" '
            f'stroke-width="1.8"{_dash(ray.dash)} d="{write_path(ray_x, ray_y, closed=True)}"/>'
        )
        body += [
            f'<circle class="f-{ink_of(ray.role)}" cx="{_tenth(a)}" cy="{_tenth(b)}" r="2"/>'
            for a, b in zip(ray_x[ray.told].tolist(), ray_y[ray.told].tolist(), strict=True)
        ]
    for level in levels:
        at_x, at_y = place(np.array([15.0]), np.array([level]))
        body.append(_text(float(at_x[0]), float(at_y[0]) + 4, write_number(float(level)),
                          anchor="middle", look="halo"))  # fmt: skip
    ahead, right, behind, left = polar.ends
    body += [
        _text(x, y - radius - 10, ahead, anchor="middle"),
        _text(x + radius + 10, y + 4, right),
        _text(x, y + radius + 20, behind, anchor="middle"),
        _text(x - radius - 10, y + 4, left, anchor="end"),
        _text(10, 22, "dB re ahead"),
    ]
    items = [
        (
            f'<path class="line s-{ink_of(r.role)}" stroke-width="1.8"{_dash(r.dash)} d="M0,-4h26"/>',
            r.name,
        )
        for r in polar.rays
    ]
    written, end = _write_legend(items, y + radius + 34.0)
    return _Drawn("".join([*body, written]), round(end, 1))
