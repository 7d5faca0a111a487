"""What a schematic is made of: parts in the line and across it, transformers, drivers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

from optimizer.bench.build.wiring import split_pieces
from optimizer.bench.loads.ratings import Ratings, next_size, share_pieces
from optimizer.network.expression.ladders import from_ladder
from optimizer.network.expression.nodes import PartLeaf
from optimizer.network.expression.plan import NetworkPlan, PartsBranch
from optimizer.network.ladder import Place
from optimizer.network.network import FittedLadder, FittedWay
from optimizer.network.references import References
from optimizer.parts import UNIT_OF_KIND, Part
from optimizer.report.drawing import Drawing, Point, Symbol, measure_text
from optimizer.report.ladder_text import say_tap
from optimizer.text.units import format_quantity

_LEAST = 2.0  # length of a symbol with its leads
_RISE = 1.6  # height of one of several branches in the line
_DROP = 1.9  # height of a symbol that hangs from the line
GAP = 0.35  # between neighbours
_TURN = 0.7  # from a winding to where the line turns up or down beside it
STUB = 0.3  # from a node to where branches part
_DRIVER = 2.2  # room of a driver without its name
_ROOM_ABOVE = 1.25  # two lines of text over a symbol in the line
INVERTED = "inverted"
"""Written at a driver whose marks are exchanged."""

_LINE = 0.36  # from one line of text to the next


def say_quantity(value: float, unit: str) -> str:
    """Write a value for a drawing or a page, with the signs of the trade."""
    return format_quantity(value, unit).replace(" u", " µ").replace("ohm", "Ω")


def say_size(size: float, rating: float | None, unit: str) -> str:
    """Say in a few signs what rating a piece has ("10 W"), or is to have ("≥ 10 W")."""
    return f"≥ {size:g} {unit}" if rating is None else f"{rating:g} {unit}"


def say_sizes(ratings: Ratings) -> dict[str, str]:
    """Say of each piece of a network what rating it has or is to have.

    Parameters
    ----------
    ratings : Ratings

    Returns
    -------
    dict of str to str
        By the reference name of the piece; see `say_size`.
    """
    said = {}
    for load in ratings.parts:
        kind, shares = load.part.kind, share_pieces(load.part)
        pieces = split_pieces(load.reference, load.part)
        for (name, piece), share in zip(pieces, shares, strict=True):
            size = next_size(kind, load.needed * share)
            said[name] = say_size(size, piece.rating, load.unit)
    return said


@dataclass(frozen=True, slots=True)
class Captions:
    """What parts are called in a drawing, and what stands under their values.

    Parameters
    ----------
    names : mapping of (str, str) to str
        See `optimizer.network.references`.
    ratings : mapping of str to str
        By the reference name of a piece: the rating it has or is to have ("10 W").
    """

    names: References
    ratings: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Leaf:
    """One physical piece: its reference name, what is written under it, and its part's own label."""

    part: Part
    name: str
    lines: tuple[str, ...]
    label: str

    @property
    def text_width(self) -> float:
        """Width of its longest line."""
        return max(measure_text(self.name, "name"), *map(measure_text, self.lines))


@dataclass(frozen=True, slots=True)
class Cluster:
    """Pieces in series or in parallel with each other, under a common caption."""

    mode: Literal["series", "parallel"]
    items: tuple[Leaf | Cluster, ...]
    caption: str = ""


@dataclass(frozen=True, slots=True)
class Winding:
    """An autotransformer: what is before it and after it shares one end of its winding."""

    label: str
    name: str
    gain: float

    @property
    def lines(self) -> tuple[str, str]:
        """What is written beside it."""
        return self.name, say_tap(self.gain)

    @property
    def width(self) -> float:
        """Room that it takes in the line."""
        return 2 * _TURN + max(map(measure_text, self.lines, ("name", "value"))) + GAP


Block = Leaf | Cluster
Rung = tuple[Place, Block] | tuple[Literal["tap"], Winding]
"""What stands in the line or across it, or the transformer between both."""


def part_block(ladder: str, label: str, part: Part, captions: Captions) -> Block:
    """Lay out one part: a symbol, or one symbol for each of its joined pieces."""
    unit = UNIT_OF_KIND[part.kind]
    name = captions.names[ladder, label]
    if len(part.pieces) < 2 or not part.joined:
        lines = [say_quantity(part.value, unit), captions.ratings.get(name, "")]
        if part.kind == "inductor" and part.loss_ohm > 0.0:
            lines.append(f"{part.loss_ohm:.2g} Ω dcr")
        if part.origin in ("kept", "board", "shelf"):
            lines.append(part.origin)
        return Leaf(part, name, tuple(filter(None, lines)), label)
    leaves = []
    for letter, piece in split_pieces(name, part):
        lines = [say_quantity(piece.value, unit), captions.ratings.get(letter, "")]
        leaves.append(Leaf(piece, letter, tuple(filter(None, lines)), label))
    return Cluster(part.joined, tuple(leaves), f"{name} = {say_quantity(part.value, unit)}")


def ladder_blocks(ladder: FittedLadder, captions: Captions) -> list[Rung]:
    """Lay out one way or shared section as blocks in the line or across it, source first."""
    plan = NetworkPlan(from_ladder(ladder))
    rungs: list[Rung] = []
    for step in plan.root.steps:
        if step.tap is not None:
            label = step.tap.name
            rungs.append(("tap", Winding(label, captions.names[ladder.name, label], step.tap.gain)))
        place: Place = "series" if step.kind == "series" else "shunt"
        rungs += [
            (place, _branch_block(ladder.name, branch, plan.leaves, captions))
            for branch in step.branches
        ]
    return rungs


def _branch_block(
    ladder: str, branch: PartsBranch, leaves: Sequence[PartLeaf], captions: Captions
) -> Block:
    if branch.kind == "part":
        leaf = leaves[branch.leaves[0]]
        assert leaf.part is not None
        return part_block(ladder, leaf.name, leaf.part, captions)
    # What lies across a place is drawn above it.
    host = leaves[branch.leaves[-1]].place
    ordered = sorted(branch.items, key=lambda item: leaves[item.leaves[0]].place != host)
    items = tuple(_branch_block(ladder, item, leaves, captions) for item in ordered)
    return Cluster("parallel" if branch.kind == "parallel" else "series", items)


def measure_level(block: Block) -> tuple[float, float, float]:
    """Length, height above and depth below of a block that lies in the line."""
    if isinstance(block, Leaf):
        below = 0.45 + _LINE * (len(block.lines) - 1) + 0.1 * (len(block.lines) > 1)
        return max(_LEAST, block.text_width + GAP), _ROOM_ABOVE, below
    sizes = [measure_level(item) for item in block.items]
    caption = _LINE + 0.1 if block.caption else 0.0
    words = measure_text(block.caption, "name") + GAP
    if block.mode == "series":
        return (
            max(words, sum(s[0] for s in sizes)),
            max(s[1] for s in sizes) + caption,
            max(s[2] for s in sizes),
        )
    pitches = _pitches(sizes)
    return (
        max([words, *(s[0] for s in sizes)]) + 2 * STUB,
        sum(pitches) + sizes[-1][1] + caption,
        sizes[0][2],
    )


def _pitches(sizes: Sequence[tuple[float, float, float]]) -> list[float]:
    """Distances between parallel branches in the line, lowest first."""
    return [max(_RISE, low[1] + high[2] + 0.05) for low, high in pairwise(sizes)]


def measure_upright(block: Block) -> tuple[float, float, float]:
    """Room left of the node, right of it, and height of a block across the line."""
    if isinstance(block, Leaf):
        return 0.4, 0.5 + block.text_width + GAP, _DROP
    sizes = [measure_upright(item) for item in block.items]
    caption = _LINE + 0.1 if block.caption else 0.0
    words = 0.2 + measure_text(block.caption, "name") + GAP
    if block.mode == "series":
        return (
            max(s[0] for s in sizes),
            max([words, *(s[1] for s in sizes)]),
            sum(s[2] for s in sizes) + caption,
        )
    width = sizes[0][1] + sum(s[0] + s[1] for s in sizes[1:])
    return sizes[0][0], max(width, words), max(s[2] for s in sizes) + 2 * STUB + caption


def draw_level(drawing: Drawing, way: str, block: Block, x: float, y: float, end: float) -> None:
    """Draw a block in the line from (x, y) to (end, y)."""
    if isinstance(block, Leaf):
        middle = (x + end) / 2
        a, b = middle - _LEAST / 2, middle + _LEAST / 2
        _place(drawing, way, block, (a, y), (b, y))
        drawing.wire(spot(x, y), spot(a, y))
        drawing.wire(spot(b, y), spot(end, y))
        drawing.say(spot(middle, y + 0.52 + _LINE), block.name, role="name")
        drawing.say(spot(middle, y + 0.52), block.lines[0])
        for number, text in enumerate(block.lines[1:]):
            drawing.say(spot(middle, y - 0.5 - number * _LINE), text, role="note")
        return
    size = measure_level(block)
    if block.caption:
        drawing.say(spot((x + end) / 2, y + size[1] - 0.25), block.caption, role="name")
    if block.mode == "series":
        sizes = [measure_level(item)[0] for item in block.items]
        spare = (end - x - sum(sizes)) / len(sizes)
        for item, width in zip(block.items, sizes, strict=True):
            draw_level(drawing, way, item, x, y, x + width + spare)
            x += width + spare
        return
    left, right, top = x + STUB, end - STUB, y
    drawing.wire(spot(x, y), spot(left, y))
    drawing.wire(spot(right, y), spot(end, y))
    pitches = [0.0, *_pitches([measure_level(item) for item in block.items])]
    for item, pitch in zip(block.items, pitches, strict=True):
        drawing.wire(spot(left, top), spot(left, top + pitch))
        drawing.wire(spot(right, top), spot(right, top + pitch))
        top += pitch
        draw_level(drawing, way, item, left, top, right)


def draw_upright(
    drawing: Drawing, way: str, block: Block, x: float, top: float, bottom: float
) -> None:
    """Draw a block across the line from (x, top) down to (x, bottom)."""
    if isinstance(block, Leaf):
        middle = (top + bottom) / 2
        a, b = middle + _LEAST / 2 - 0.1, middle - _LEAST / 2 + 0.1
        _place(drawing, way, block, (x, a), (x, b))
        drawing.wire(spot(x, top), spot(x, a))
        drawing.wire(spot(x, b), spot(x, bottom))
        lines = [block.name, *block.lines]
        line = middle + _LINE * (len(lines) - 1) / 2
        for number, text in enumerate(lines):
            role: Literal["name", "value", "note"] = (
                "name" if number == 0 else "value" if number == 1 else "note"
            )
            drawing.say(spot(x + 0.42, line), text, "start", role)
            line -= _LINE
        return
    if block.caption:
        drawing.say(spot(x + 0.2, top - 0.3), block.caption, "start", "name")
        drawing.wire(spot(x, top), spot(x, top - _LINE - 0.1))
        top -= _LINE + 0.1
    sizes = [measure_upright(item) for item in block.items]
    if block.mode == "series":
        spare = (top - bottom - sum(s[2] for s in sizes)) / len(sizes)
        for item, size in zip(block.items, sizes, strict=True):
            draw_upright(drawing, way, item, x, top, top - size[2] - spare)
            top -= size[2] + spare
        return
    drawing.wire(spot(x, top), spot(x, top - STUB))
    drawing.wire(spot(x, bottom + STUB), spot(x, bottom))
    at = x
    for number, (item, size) in enumerate(zip(block.items, sizes, strict=True)):
        if number:
            # Node to node along the upper and the lower rail of the group.
            nxt = at + sizes[number - 1][1] + size[0]
            drawing.wire(spot(at, top - STUB), spot(nxt, top - STUB))
            drawing.wire(spot(at, bottom + STUB), spot(nxt, bottom + STUB))
            at = nxt
        draw_upright(drawing, way, item, at, top - STUB, bottom + STUB)


def _place(drawing: Drawing, way: str, leaf: Leaf, a: Point, b: Point) -> None:
    part = leaf.part
    drawing.symbols.append(
        Symbol(
            kind=part.kind,
            way=way,
            name=leaf.name,
            label=leaf.label,
            value=part.value,
            loss_ohm=part.loss_ohm,
            a=spot(*a),
            b=spot(*b),
        )
    )


def spot(x: float, y: float) -> Point:
    """Round a point: coordinates of one place, reached by different sums, must be equal."""
    return round(x, 3), round(y, 3)


def measure_rung(rung: Rung) -> float:
    """Room that a rung takes along the line."""
    if rung[0] == "tap":
        return rung[1].width
    place, block = rung
    return measure_level(block)[0] if place == "series" else sum(measure_upright(block)[:2]) + GAP


def draw_winding(
    drawing: Drawing,
    way: str,
    winding: Winding,
    ends: tuple[float, float],
    top: float,
    bottom: float,
) -> float:
    """Draw a winding across the line, joined at its tap to what has the fewer volts.

    The tap is drawn in the middle wherever it is; what it gives is written beside it. Returned is
    where it stands on the lower rail.
    """
    begin, end = ends
    middle = (top + bottom) / 2
    node = begin + _TURN
    high, tap, low = spot(node, middle + 1.0), spot(node, middle), spot(node, middle - 1.0)
    share = min(winding.gain, 1.0 / winding.gain)
    for a, b, turns in ((high, tap, 1.0 - share), (tap, low, share)):
        drawing.symbols.append(
            Symbol(
                kind="winding",
                way=way,
                name=winding.name,
                label=winding.label,
                value=turns,
                loss_ohm=0.0,
                a=a,
                b=b,
            )
        )
    drawing.wire(low, spot(node, bottom))
    turn = spot(node + _TURN if winding.gain <= 1.0 else begin + _TURN / 2, middle)
    drawing.wire(tap, turn, spot(turn[0], top))
    drawing.wire(high, spot(node, top))
    if winding.gain <= 1.0:
        drawing.wire(spot(begin, top), spot(node, top))
        drawing.wire(spot(turn[0], top), spot(end, top))
    else:
        drawing.wire(spot(begin, top), spot(turn[0], top))
        drawing.wire(spot(node, top), spot(end, top))
    name, level = winding.lines
    drawing.say(spot(node + 0.42, middle - 0.4), name, "start", "name")
    drawing.say(spot(node + 0.42, middle - 0.4 - _LINE), level, "start")
    return node


def measure_driver(way: FittedWay) -> float:
    """Room that a driver takes at the end of the line, with its name."""
    said = [way.driver, INVERTED] if way.polarity < 0 else [way.driver]
    return _DRIVER + max(measure_text(text, "name") for text in said)


def draw_driver(drawing: Drawing, way: FittedWay, x: float, top: float, bottom: float) -> float:
    """Draw a driver from (x, top) and return where it stands on the lower rail."""
    middle = (top + bottom) / 2
    end = x + 0.4
    upper, lower = spot(end, middle + 0.4), spot(end, middle - 0.4)
    drawing.wire(spot(x, top), spot(end, top), upper)
    drawing.wire(lower, spot(end, bottom))
    plus, minus = (lower, upper) if way.polarity < 0 else (upper, lower)
    drawing.symbols.append(
        Symbol(
            kind="driver",
            way=way.name,
            name=way.driver,
            label=way.driver,
            value=0.0,
            loss_ohm=0.0,
            a=plus,
            b=minus,
        )
    )
    drawing.say(spot(end - 0.3, plus[1]), "+", role="mark")
    drawing.say(spot(end - 0.3, minus[1]), "−", role="mark")
    drawing.say(spot(end + 1.55, middle), way.driver, "start", "name")
    if way.polarity < 0:
        drawing.say(spot(end + 1.55, middle - _LINE), INVERTED, "start", "name")
    return end
