"""Curves over log frequency as SVG, for printed documents and pages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

from optimizer.units import format_quantity

WIDTH, HEIGHT = 760, 320
_LEFT, _RIGHT, _TOP, _BOTTOM = 52, 26, 26, 26
_DASHES = ("", "7 3", "2 3", "9 3 2 3", "1 2")
"""Curves differ by their dashes, so that they stay apart in black on white."""
_POINTS = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartCurve:
    """A curve and what the legend calls it; heights not finite leave a gap."""

    name: str
    frequency_hz: NDArray[np.float64]
    height: NDArray[np.float64]


def draw_curves(
    curves: Sequence[ChartCurve], *, unit: str, span: float | None = None, logarithmic: bool = False
) -> str:
    """Draw curves in one frame.

    Parameters
    ----------
    curves : sequence of ChartCurve
        At least one.
    unit : str
        Unit of the heights, "dB" or "ohm".
    span : float, optional
        Largest difference shown, counted from the top; all by default.
    logarithmic : bool
        Whether the height axis is logarithmic; heights must be positive then.

    Returns
    -------
    str
        SVG in the colour of the text around it.
    """
    thin = [_thin(curve) for curve in curves]
    heights = np.concatenate([y[np.isfinite(y)] for _, y in thin])
    ticks = _decade_ticks(heights) if logarithmic else _even_ticks(heights, span)
    to_y = np.log10 if logarithmic else np.asarray
    bottom, top = float(to_y(ticks[0])), float(to_y(ticks[-1]))
    first = min(float(x[0]) for x, _ in thin)
    last = max(float(x[-1]) for x, _ in thin)

    def place_x(frequency: NDArray[np.float64] | float) -> NDArray[np.float64]:
        share = np.log(np.asarray(frequency) / first) / max(np.log(last / first), 1e-9)
        return np.asarray(_LEFT + share * (WIDTH - _LEFT - _RIGHT))

    def place_y(height: NDArray[np.float64] | float) -> NDArray[np.float64]:
        share = (to_y(np.asarray(height)) - bottom) / max(top - bottom, 1e-9)
        # What lies below the frame is left out, not drawn along its edge.
        share = np.where(share < -1e-9, np.nan, share)
        return np.asarray(HEIGHT - _BOTTOM - share * (HEIGHT - _TOP - _BOTTOM))

    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" '
        f'width="{WIDTH}" height="{HEIGHT}" role="img" fill="none" stroke="currentColor" '
        'font-family="system-ui, sans-serif" font-size="12">'
    ]
    for tick in ticks:
        y = float(place_y(float(tick)))
        lines += [
            f'<path d="M{_LEFT} {y:.1f}H{WIDTH - _RIGHT}" stroke-opacity=".18"/>',
            _label(_LEFT - 6, y + 4, f"{tick:g}", "end"),
        ]
    for tick_hz in _frequency_ticks(first, last):
        x = float(place_x(tick_hz))
        lines += [
            f'<path d="M{x:.1f} {_TOP}V{HEIGHT - _BOTTOM}" stroke-opacity=".18"/>',
            _label(x, HEIGHT - 8, format_quantity(tick_hz, "Hz"), "middle"),
        ]
    lines.append(_label(_LEFT - 6, 12, unit, "end"))
    legend_x = float(_LEFT)
    for number, (curve, (frequency, height)) in enumerate(zip(curves, thin, strict=True)):
        dash = _DASHES[number % len(_DASHES)]
        style = f'stroke-width="1.8" stroke-dasharray="{dash}"' if dash else 'stroke-width="1.8"'
        lines.append(f'<path d="{_path(place_x(frequency), place_y(height))}" {style}/>')
        lines += [
            f'<path d="M{legend_x:.0f} 10H{legend_x + 34:.0f}" {style}/>',
            _label(legend_x + 40, 14, curve.name, "start"),
        ]
        legend_x += 60 + 7.5 * len(curve.name)
    return "\n".join([*lines, "</svg>"])


def _thin(curve: ChartCurve) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    f, y = curve.frequency_hz, curve.height
    inside = (f >= 10.0) & (f <= 30000.0)
    if np.count_nonzero(inside) > 1:
        f, y = f[inside], y[inside]
    if len(f) > _POINTS:
        grid = np.geomspace(f[0], f[-1], _POINTS)
        return grid, np.interp(np.log(grid), np.log(f), y)
    return f, y


def _path(x: NDArray[np.float64], y: NDArray[np.float64]) -> str:
    words, pen = [], False
    for a, b in zip(x, y, strict=True):
        if np.isfinite(b):
            words.append(f"{'L' if pen else 'M'}{a:.1f} {b:.1f}")
        pen = bool(np.isfinite(b))
    return "".join(words)


def _label(x: float, y: float, text: str, anchor: str) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="currentColor" '
        f'stroke="none">{escape(text)}</text>'
    )


def _even_ticks(heights: NDArray[np.float64], span: float | None) -> list[float]:
    top = 5.0 * np.ceil((heights.max() + 0.5) / 5.0)
    bottom = 5.0 * np.floor(heights.min() / 5.0)
    if span is not None:
        bottom = max(bottom, top - span)
    step = 5.0 if top - bottom <= 50.0 else 10.0
    return [float(v) for v in np.arange(top, bottom - 0.1, -step)][::-1] or [bottom, top]


def _decade_ticks(heights: NDArray[np.float64]) -> list[float]:
    low, high = float(heights.min()), float(heights.max())
    every = [m * 10.0**e for e in range(-2, 5) for m in (1.0, 2.0, 5.0)]
    start = max([v for v in every if v <= low], default=every[0])
    stop = min([v for v in every if v >= high], default=every[-1])
    return [v for v in every if start <= v <= stop]


def _frequency_ticks(first: float, last: float) -> list[float]:
    every = [m * 10.0**e for e in range(0, 5) for m in (1.0, 2.0, 5.0)]
    return [v for v in every if first * 0.999 <= v <= last * 1.001]
