"""A schematic as plain geometry: symbols, wires and texts at coordinates, and how it reads back."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from optimizer.parts import Kind

Point = tuple[float, float]

CHARACTER = 0.175
"""Width of a character of the drawing's text in drawing units, on average."""

Look = Literal["name", "value", "note", "way", "mark", "point"]
"""What a text says, which decides how it looks."""

_WIDER = {"name": 1.12, "way": 1.32, "mark": 1.2, "point": 0.9}


def measure_text(text: str, role: str = "value") -> float:
    """Estimate the width of a text in drawing units: bold and large letters are wider."""
    return CHARACTER * _WIDER.get(role, 1.0) * len(text)


@dataclass(frozen=True, slots=True, kw_only=True)
class Symbol:
    """A two-terminal symbol.

    Parameters
    ----------
    kind : str
        Kind of part, "driver", or "winding" for either side of the tap of an autotransformer.
    way, name : str
        The way or shared section, and what stands beside the symbol: the reference name of a piece
        ("C3a") or transformer, or a driver's name.
    label : str
        What the way calls the part that it belongs to ("P1.Rs").
    value, loss_ohm : float
        Value and loss in SI units; 0 for a driver, the share of all turns for a winding.
    a, b : tuple of float
        Where its terminals are. For a driver `a` is its positive terminal.
    """

    kind: Kind | Literal["driver", "winding"]
    way: str
    name: str
    label: str
    value: float
    loss_ohm: float
    a: Point
    b: Point

    @property
    def body(self) -> tuple[float, float, float, float]:
        """What it covers without its leads: left, bottom, right, top."""
        x, y = (self.a[0] + self.b[0]) / 2, (self.a[1] + self.b[1]) / 2
        if self.kind == "driver":
            return x, y - 1.4, x + 1.4, y + 1.4
        across, along = (0.25, 0.5) if self.a[1] != self.b[1] else (0.5, 0.25)
        return x - across, y - along, x + across, y + along


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """A text.

    Parameters
    ----------
    at : tuple of float
        Where it is anchored.
    text : str
        One line.
    align : {"start", "middle", "end"}
        Which end of the text the anchor is.
    role : {"name", "value", "note", "way", "mark", "point"}
        What it says, which decides how it looks.
    """

    at: Point
    text: str
    align: Literal["start", "middle", "end"] = "middle"
    role: Look = "value"

    @property
    def span(self) -> tuple[float, float]:
        """Left and right end, estimated from the number of characters."""
        width = measure_text(self.text, self.role)
        left = {"start": 0.0, "middle": 0.5, "end": 1.0}[self.align] * width
        return self.at[0] - left, self.at[0] - left + width


@dataclass(frozen=True, slots=True, kw_only=True)
class Net:
    """A point with a name: all points of one name are joined off the drawing.

    Parameters
    ----------
    at : tuple of float
        The point.
    name : str
        "amp+", "amp-", or the letter at which a line goes on below.
    """

    at: Point
    name: str


@dataclass(slots=True)
class Drawing:
    """A schematic while it is drawn, and afterwards.

    Parameters
    ----------
    symbols : list of Symbol
    wires : list of (Point, Point)
        Straight pieces. Two wires meet where an end of one lies on the other, never where they
        merely cross.
    words : list of Words
    nets : list of Net
    """

    symbols: list[Symbol]
    wires: list[tuple[Point, Point]]
    words: list[Words]
    nets: list[Net]

    @classmethod
    def empty(cls) -> Drawing:
        """Return a drawing with nothing on it."""
        return cls([], [], [], [])

    def wire(self, *points: Point) -> None:
        """Draw a wire through points; pieces of no length are left out."""
        for a, b in pairwise(points):
            if a != b:
                self.wires.append((a, b))

    def say(
        self,
        at: Point,
        text: str,
        align: Literal["start", "middle", "end"] = "middle",
        role: Look = "value",
    ) -> None:
        """Write a text; an empty one is left out."""
        if text:
            self.words.append(Words(at=at, text=text, align=align, role=role))

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Left, bottom, right, top of everything drawn."""
        x: list[float] = []
        y: list[float] = []
        for symbol in self.symbols:
            x += [symbol.a[0], symbol.b[0]]
            y += [symbol.a[1], symbol.b[1]]
        for a, b in self.wires:
            x += [a[0], b[0]]
            y += [a[1], b[1]]
        for words in self.words:
            x += list(words.span)
            y += [words.at[1] - 0.2, words.at[1] + 0.2]
        return min(x), min(y), max(x), max(y)


@dataclass(frozen=True, slots=True, kw_only=True)
class Branch:
    """A symbol between two nodes, as read back from a drawing."""

    symbol: Symbol
    a: int
    b: int


def read_back(drawing: Drawing) -> tuple[dict[str, int], tuple[Branch, ...]]:
    """Find what is joined with what from the geometry alone.

    Parameters
    ----------
    drawing : Drawing
        Any drawing.

    Returns
    -------
    nets : dict of str to int
        Node of each named net.
    branches : tuple of Branch
        Every symbol with the nodes of its two terminals.
    """
    nodes = find_nodes(drawing)
    nets = {net.name: nodes[net.at] for net in drawing.nets}
    return nets, tuple(Branch(symbol=s, a=nodes[s.a], b=nodes[s.b]) for s in drawing.symbols)


def find_nodes(drawing: Drawing) -> dict[Point, int]:
    """Return the node of every point at which something ends; nets of one name are one."""
    points = {p for s in drawing.symbols for p in (s.a, s.b)}
    points |= {p for wire in drawing.wires for p in wire} | {net.at for net in drawing.nets}
    parent: dict[Point, Point] = {point: point for point in points}

    def root(point: Point) -> Point:
        while parent[point] != point:
            point = parent[point]
        return point

    for a, b in drawing.wires:
        for point in points:
            if _lies_on(point, a, b):
                parent[root(point)] = root(a)
    by_name: dict[str, Point] = {}
    for net in drawing.nets:
        parent[root(net.at)] = root(by_name.setdefault(net.name, net.at))
    number = {p: i for i, p in enumerate(sorted({root(p) for p in points}))}
    return {point: number[root(point)] for point in points}


def find_joints(drawing: Drawing) -> tuple[Point, ...]:
    """Find where three or more wires or terminals meet: these points get a dot."""
    ends = [p for wire in drawing.wires for p in wire]
    ends += [p for s in drawing.symbols for p in (s.a, s.b)]
    return tuple(sorted(p for p in set(ends) if ends.count(p) + 2 * _inside(p, drawing.wires) > 2))


def _inside(point: Point, wires: Iterable[tuple[Point, Point]]) -> int:
    return sum(point not in (a, b) and _lies_on(point, a, b) for a, b in wires)


def _lies_on(point: Point, a: Point, b: Point) -> bool:
    """Whether a point lies on a level or upright wire, ends included."""
    low, high = min(a, b), max(a, b)
    if a[0] == b[0]:
        return point[0] == a[0] and low[1] <= point[1] <= high[1]
    return point[1] == a[1] and low[0] <= point[0] <= high[0]
