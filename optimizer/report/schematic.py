"""Schematics as SVG: the drawing's symbols by schemdraw, its texts and frame by us."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import lru_cache
from importlib import import_module
from typing import Any

from optimizer.network.network import FittedLadder, FittedWay, Network
from optimizer.network.references import References
from optimizer.parts import UNIT_OF_KIND
from optimizer.report.blocks import say_quantity
from optimizer.report.drawing import Drawing, Symbol, find_joints
from optimizer.report.ladder_text import describe_join, say_tap
from optimizer.report.layout import WIDEST, draw_network
from optimizer.report.tree import grow_limbs, say_end
from optimizer.text.quoting import quote_markup

SCALE = 36.0
"""Pixels per drawing unit, as the symbol library draws them."""
WIDE = 24.0
"""Longest row on a screen, in drawing units."""

FRAME = 0.35
"""Around a drawing, in drawing units."""
_WORDS = {"parallel": "in parallel", "series": "in series"}
_STYLE = (
    ".sch{color:#1d2430}"
    ".sch .w{stroke:currentColor;fill:none;stroke-width:1.6;stroke-linecap:round;"
    "stroke-linejoin:round}"
    ".sch .d{fill:currentColor;stroke:none}"
    ".sch .k{fill:none;stroke:currentColor;stroke-width:1.6}"
    ".sch text{fill:currentColor;font:12px system-ui,-apple-system,'Segoe UI',Roboto,sans-serif}"
    ".sch .name,.sch .way{font-weight:700}.sch .way{font-size:14px}"
    ".sch .note{font-size:11px;opacity:.85}.sch .mark{font-size:14px}"
    ".sch .point{font-size:10px;font-style:italic}"
)


def draw_schematic(
    network: Network,
    *,
    title: str = "Crossover network",
    widest: float = WIDEST,
    ratings: Mapping[str, str] | None = None,
) -> str:
    """Draw a network as an SVG file.

    Parameters
    ----------
    network : Network
        Every way with its parts.
    title : str
        Accessible name of the drawing.
    widest : float
        Longest row in drawing units, see `optimizer.report.layout.draw_network`.
    ratings : mapping of str to str, optional
        What stands under the value of each piece.

    Returns
    -------
    str
        A complete SVG document on a white ground.
    """
    body = draw_figure(network, title=title, widest=widest, ratings=ratings)
    box = re.search(r'viewBox="(\S+) (\S+) (\S+) (\S+)"', body)
    assert box is not None
    x, y, width, height = box.groups()
    ground = f'<rect x="{x}" y="{y}" width="{width}" height="{height}" fill="#fff"/>'
    head, _, rest = body.partition("</desc>")
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>\n{head}</desc>'
        f"<style>{_STYLE}</style>{ground}{rest}\n"
    )


def draw_figure(
    network: Network,
    *,
    title: str,
    name: str = "",
    widest: float = WIDE,
    ratings: Mapping[str, str] | None = None,
) -> str:
    """Draw a network as an SVG element of a page, see `draw_schematic` and `render_drawing`."""
    drawing = draw_network(network, widest=widest, ratings=ratings)
    words = describe_network(network)
    return render_drawing(drawing, title=title, words=words, name=name)


def render_drawing(drawing: Drawing, *, title: str, words: str, name: str = "") -> str:
    """Render a drawing as an SVG element.

    Parameters
    ----------
    drawing : Drawing
        What to render.
    title, words : str
        Accessible name and description.
    name : str
        Prefix of the ids inside, where several drawings share a page.

    Returns
    -------
    str
        ``<svg>...</svg>`` whose colours follow the text colour around it.
    """
    left, bottom, right, top = drawing.bounds
    left, bottom, right, top = (left - FRAME, bottom - FRAME, right + FRAME, top + FRAME)
    width, height = (right - left) * SCALE, (top - bottom) * SCALE
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" class="sch" role="img" '
        f'viewBox="{left * SCALE:.1f} {-top * SCALE:.1f} {width:.1f} {height:.1f}" '
        f'width="{width:.0f}" height="{height:.0f}" '
        f'aria-labelledby="{name}sch-t {name}sch-d">',
        f'<title id="{name}sch-t">{quote_markup(title)}</title>',
        f'<desc id="{name}sch-d">{quote_markup(words)}</desc>',
        f'<path class="w" d="{_trace(drawing)}"/>',
        _draw_symbols(drawing.symbols),
    ]
    for x, y in find_joints(drawing):
        lines.append(f'<circle class="d" cx="{_n(x * SCALE)}" cy="{_n(-y * SCALE)}" r="3"/>')
    for net in drawing.nets:
        x, y = net.at
        lines.append(
            f'<circle class="k" cx="{_n(x * SCALE - 4)}" cy="{_n(-y * SCALE)}" r="4"/>'
            if net.name.startswith("amp")
            else f'<circle class="d" cx="{_n(x * SCALE)}" cy="{_n(-y * SCALE)}" r="2"/>'
        )
    for text in drawing.words:
        x, y = text.at
        lines.append(
            f'<text class="{text.role}" x="{_n(x * SCALE)}" y="{_n(-y * SCALE + 4)}" '
            f'text-anchor="{text.align}">{quote_markup(text.text)}</text>'
        )
    lines.append("</svg>")
    return "".join(lines)


def describe_network(network: Network) -> str:
    """Say a network in words, for those who cannot see its drawing."""
    within = {member: group.name for group in network.groups for member in group.members}
    return " ".join(
        _describe_ladder(ladder, within.get(ladder.name, ""), network.references)
        for limb in grow_limbs(network)
        for ladder in limb.all_ladders()
    )


def _describe_ladder(way: FittedLadder, within: str, references: References) -> str:
    said = []
    for slot in way.slots:
        if slot.circuit.gain is not None:
            said.append(
                f"{references[way.name, slot.name]} autotransformer, "
                f"{say_tap(slot.circuit.gain)} for what follows"
            )
        for name, place, part in slot.named_parts:
            text = (
                f"{references[way.name, name]} {say_quantity(part.value, UNIT_OF_KIND[part.kind])}"
            )
            joined = describe_join(part).replace(" u", " µ").replace("ohm", "Ω")
            text += f" ({joined})" if joined else ""
            line = "in the line" if place == "series" else "across the line"
            beside = f"across the place {slot.across}" if slot.across else line
            said.append(f"{text} {beside}")
    start = f"section {within}" if within else "the amplifier"
    if isinstance(way, FittedWay):
        turned = "inverted" if way.polarity < 0 else "normal"
        head = f"Way {way.name}, from {start} to driver {way.driver} ({turned} polarity): "
    else:
        head = f"Section {way.name}, from {start} {say_end(way)}: "
    return head + ("; ".join(said) or "no part") + "."


def _n(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def _trace(drawing: Drawing) -> str:
    return "".join(
        f"M{_n(a[0] * SCALE)} {_n(-a[1] * SCALE)}L{_n(b[0] * SCALE)} {_n(-b[1] * SCALE)}"
        for a, b in drawing.wires
    )


def _draw_symbols(symbols: Sequence[Symbol]) -> str:
    """Draw symbols; those of parts say which part they are, so that a page can turn it."""
    drawn = []
    for symbol in symbols:
        start, end = symbol.a, symbol.b
        if symbol.kind == "driver":
            # The cone is drawn from its upper terminal, whichever that is.
            start, end = max(start, end, key=lambda p: p[1]), min(start, end, key=lambda p: p[1])
        shape = _draw_symbol(symbol.kind, round(end[0] - start[0], 3), round(end[1] - start[1], 3))
        x, y = _n(start[0] * SCALE), _n(-start[1] * SCALE)
        part = "" if symbol.kind in ("driver", "winding") else _say_part(symbol)
        drawn.append(f'<g transform="translate({x} {y})"{part}>{shape}</g>')
    return "".join(drawn)


def _say_part(symbol: Symbol) -> str:
    return f' data-part="{quote_markup(f"{symbol.way}.{symbol.label}")}"'


@lru_cache(maxsize=64)
def _draw_symbol(kind: str, right: float, up: float) -> str:
    """Draw one symbol from the origin; the few shapes of a drawing repeat."""
    import schemdraw

    elements: Any = import_module("schemdraw.elements")
    schemdraw.use("svg")
    with schemdraw.Drawing(show=False) as canvas:
        canvas.config(color="currentColor", lw=1.6, margin=0)
        if kind == "driver":
            canvas += elements.Speaker().scale(abs(up) / 0.5).theta(0).at((0.0, 0.0))
        else:
            maker = {
                "resistor": elements.ResistorIEC,
                "capacitor": elements.Capacitor,
                "inductor": elements.Inductor,
                "winding": elements.Inductor,
            }[kind]
            canvas += maker().endpoints((0.0, 0.0), (right, up))
    text = canvas.get_imagedata("svg").decode("utf-8")
    inner = text[text.index(">", text.index("<svg")) + 1 : text.rindex("</svg>")]
    # One class instead of the same style a hundred times; it also follows the page's colours.
    inner = re.sub(r'style="[^"]*"', 'class="w"', inner)
    return re.sub(r"-0(?=[ ,\"])", "0", inner)
