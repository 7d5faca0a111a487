"""Where everything of a schematic goes: source left, driver right, one row for each way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from optimizer.bench.build.wiring import split_pieces, wire_network
from optimizer.network.expression.ladders import from_ladder
from optimizer.network.expression.nodes import PartLeaf
from optimizer.network.expression.plan import NetworkPlan, PartsBranch
from optimizer.network.ladder import Place
from optimizer.network.network import FittedGroup, FittedLadder, FittedWay, Network
from optimizer.parts import UNIT_OF_KIND, Part
from optimizer.report.drawing import Drawing, Net, Point, Symbol, measure_text
from optimizer.report.ladder_text import AMPLIFIER_SIGNS, say_tap
from optimizer.text.units import format_quantity

WIDEST = 20.0
"""Length of a row in drawing units beyond which a ladder goes on below."""

_LEAST = 2.0  # length of a symbol with its leads
_RISE = 1.6  # height of one of several branches in the line
_DROP = 1.9  # height of a symbol that hangs from the line
_GAP = 0.35  # between neighbours
_TURN = 0.7  # from a winding to where the line turns up or down beside it
_STUB = 0.3  # from a node to where branches part
_LEAD_IN = 1.0  # from the amplifier's terminal to the first part
_DRIVER = 2.2  # room of a driver without its name
_ROOM_ABOVE = 1.25  # two lines of text over a symbol in the line
_ROOM_BELOW = 0.9
_LINE = 0.36  # from one line of text to the next


def say_quantity(value: float, unit: str) -> str:
    """Write a value for a drawing or a page, with the signs of the trade."""
    return format_quantity(value, unit).replace(" u", " µ").replace("ohm", "Ω")


@dataclass(frozen=True, slots=True)
class Leaf:
    """One physical piece."""

    part: Part
    name: str
    lines: tuple[str, ...]

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

    name: str
    gain: float

    @property
    def lines(self) -> tuple[str, str]:
        """What is written beside it."""
        return self.name, say_tap(self.gain)

    @property
    def width(self) -> float:
        """Room that it takes in the line."""
        return 2 * _TURN + max(map(measure_text, self.lines, ("name", "value"))) + _GAP


Block = Leaf | Cluster
Rung = tuple[Place, Block] | tuple[Literal["tap"], Winding]
"""What stands in the line or across it, or the transformer between both."""


def part_block(name: str, part: Part) -> Block:
    """Lay out one part: a symbol, or one symbol for each of its joined pieces."""
    unit = UNIT_OF_KIND[part.kind]
    if len(part.pieces) < 2 or not part.joined:
        lines = [say_quantity(part.value, unit)]
        if part.kind == "inductor" and part.loss_ohm > 0.0:
            lines.append(f"{part.loss_ohm:.2g} Ω dcr")
        if part.origin in ("kept", "shelf"):
            lines.append(part.origin)
        return Leaf(part, name, tuple(lines))
    leaves = [
        Leaf(piece, letter, (say_quantity(piece.value, unit),))
        for letter, piece in split_pieces(name, part)
    ]
    return Cluster(part.joined, tuple(leaves), f"{name} = {say_quantity(part.value, unit)}")


def ladder_blocks(ladder: FittedLadder) -> list[Rung]:
    """Lay out one way or shared section as blocks in the line or across it, source first."""
    plan = NetworkPlan(from_ladder(ladder))
    rungs: list[Rung] = []
    for step in plan.root.steps:
        if step.tap is not None:
            rungs.append(("tap", Winding(step.tap.name, step.tap.gain)))
        place: Place = "series" if step.kind == "series" else "shunt"
        rungs += [(place, _branch_block(branch, plan.leaves)) for branch in step.branches]
    return rungs


def _branch_block(branch: PartsBranch, leaves: Sequence[PartLeaf]) -> Block:
    if branch.kind == "part":
        leaf = leaves[branch.leaves[0]]
        assert leaf.part is not None
        return part_block(leaf.name, leaf.part)
    # What lies across a place is drawn above it.
    host = leaves[branch.leaves[-1]].place
    ordered = sorted(branch.items, key=lambda item: leaves[item.leaves[0]].place != host)
    items = tuple(_branch_block(item, leaves) for item in ordered)
    return Cluster("parallel" if branch.kind == "parallel" else "series", items)


def measure_level(block: Block) -> tuple[float, float, float]:
    """Length, height above and depth below of a block that lies in the line."""
    if isinstance(block, Leaf):
        below = _ROOM_BELOW if len(block.lines) > 1 else 0.45
        width = max(
            measure_text(block.name, "name"),
            measure_text(block.lines[0]),
            measure_text(", ".join(block.lines[1:])),
        )
        return max(_LEAST, width + _GAP), _ROOM_ABOVE, below
    sizes = [measure_level(item) for item in block.items]
    caption = _LINE + 0.1 if block.caption else 0.0
    words = measure_text(block.caption, "name") + _GAP
    if block.mode == "series":
        return (
            max(words, sum(s[0] for s in sizes)),
            max(s[1] for s in sizes) + caption,
            max(s[2] for s in sizes),
        )
    pitches = _pitches(sizes)
    return (
        max([words, *(s[0] for s in sizes)]) + 2 * _STUB,
        sum(pitches) + sizes[-1][1] + caption,
        sizes[0][2],
    )


def _pitches(sizes: Sequence[tuple[float, float, float]]) -> list[float]:
    """Distances between parallel branches in the line, lowest first."""
    return [max(_RISE, low[1] + high[2] + 0.05) for low, high in pairwise(sizes)]


def measure_upright(block: Block) -> tuple[float, float, float]:
    """Room left of the node, right of it, and height of a block across the line."""
    if isinstance(block, Leaf):
        return 0.4, 0.5 + block.text_width + _GAP, _DROP
    sizes = [measure_upright(item) for item in block.items]
    caption = _LINE + 0.1 if block.caption else 0.0
    words = 0.2 + measure_text(block.caption, "name") + _GAP
    if block.mode == "series":
        return (
            max(s[0] for s in sizes),
            max([words, *(s[1] for s in sizes)]),
            sum(s[2] for s in sizes) + caption,
        )
    width = sizes[0][1] + sum(s[0] + s[1] for s in sizes[1:])
    return sizes[0][0], max(width, words), max(s[2] for s in sizes) + 2 * _STUB + caption


def draw_level(drawing: Drawing, way: str, block: Block, x: float, y: float, end: float) -> None:
    """Draw a block in the line from (x, y) to (end, y)."""
    if isinstance(block, Leaf):
        middle = (x + end) / 2
        a, b = middle - _LEAST / 2, middle + _LEAST / 2
        _place(drawing, way, block, (a, y), (b, y))
        drawing.wire(_at(x, y), _at(a, y))
        drawing.wire(_at(b, y), _at(end, y))
        drawing.say(_at(middle, y + 0.52 + _LINE), block.name, role="name")
        drawing.say(_at(middle, y + 0.52), block.lines[0])
        if len(block.lines) > 1:
            drawing.say(_at(middle, y - 0.5), ", ".join(block.lines[1:]), role="note")
        return
    size = measure_level(block)
    if block.caption:
        drawing.say(_at((x + end) / 2, y + size[1] - 0.25), block.caption, role="name")
    if block.mode == "series":
        sizes = [measure_level(item)[0] for item in block.items]
        spare = (end - x - sum(sizes)) / len(sizes)
        for item, width in zip(block.items, sizes, strict=True):
            draw_level(drawing, way, item, x, y, x + width + spare)
            x += width + spare
        return
    left, right, top = x + _STUB, end - _STUB, y
    drawing.wire(_at(x, y), _at(left, y))
    drawing.wire(_at(right, y), _at(end, y))
    pitches = [0.0, *_pitches([measure_level(item) for item in block.items])]
    for item, pitch in zip(block.items, pitches, strict=True):
        drawing.wire(_at(left, top), _at(left, top + pitch))
        drawing.wire(_at(right, top), _at(right, top + pitch))
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
        drawing.wire(_at(x, top), _at(x, a))
        drawing.wire(_at(x, b), _at(x, bottom))
        lines = [block.name, *block.lines]
        line = middle + _LINE * (len(lines) - 1) / 2
        for number, text in enumerate(lines):
            role: Literal["name", "value", "note"] = (
                "name" if number == 0 else "value" if number == 1 else "note"
            )
            drawing.say(_at(x + 0.42, line), text, "start", role)
            line -= _LINE
        return
    if block.caption:
        drawing.say(_at(x + 0.2, top - 0.3), block.caption, "start", "name")
        drawing.wire(_at(x, top), _at(x, top - _LINE - 0.1))
        top -= _LINE + 0.1
    sizes = [measure_upright(item) for item in block.items]
    if block.mode == "series":
        spare = (top - bottom - sum(s[2] for s in sizes)) / len(sizes)
        for item, size in zip(block.items, sizes, strict=True):
            draw_upright(drawing, way, item, x, top, top - size[2] - spare)
            top -= size[2] + spare
        return
    drawing.wire(_at(x, top), _at(x, top - _STUB))
    drawing.wire(_at(x, bottom + _STUB), _at(x, bottom))
    at = x
    for number, (item, size) in enumerate(zip(block.items, sizes, strict=True)):
        if number:
            # Node to node along the upper and the lower rail of the group.
            nxt = at + sizes[number - 1][1] + size[0]
            drawing.wire(_at(at, top - _STUB), _at(nxt, top - _STUB))
            drawing.wire(_at(at, bottom + _STUB), _at(nxt, bottom + _STUB))
            at = nxt
        draw_upright(drawing, way, item, at, top - _STUB, bottom + _STUB)


def _place(drawing: Drawing, way: str, leaf: Leaf, a: Point, b: Point) -> None:
    part = leaf.part
    drawing.symbols.append(
        Symbol(
            kind=part.kind,
            way=way,
            name=leaf.name,
            value=part.value,
            loss_ohm=part.loss_ohm,
            a=_at(*a),
            b=_at(*b),
        )
    )


def _at(x: float, y: float) -> Point:
    """Round a point: coordinates of one place, reached by different sums, must be equal."""
    return round(x, 3), round(y, 3)


Points = tuple[str, str]
"""Upper and lower point of the wiring list."""


def _name_point(point: str) -> tuple[str, str]:
    """Name and mark of a point; but for the amplifier's both are those of the wiring list."""
    sign = AMPLIFIER_SIGNS.get(point)
    return (f"amp{sign}", sign.replace("-", "−")) if sign else (point, point)


def draw_network(network: Network, *, widest: float = WIDEST, only: str = "") -> Drawing:
    """Draw a network.

    Parameters
    ----------
    network : Network
        Every way and shared section with its parts.
    widest : float
        Longest row in drawing units; a longer ladder goes on below, joined at lettered points.
    only : str
        The way or shared section to draw, instead of all.

    Returns
    -------
    Drawing
        With rows from the top down, y pointing up.
    """
    drawing = Drawing.empty()
    wiring = wire_network(network)
    y = 0.0
    for ladder in network.ladders:
        if ladder.name == only or not only:
            points = wiring.begins[ladder.name], wiring.ends[ladder.name]
            y = _draw_ladder(drawing, ladder, points, y, widest)
    return drawing


def say_end(ladder: FittedLadder) -> str:
    """Say what stands at the end of a way or shared section."""
    if isinstance(ladder, FittedWay):
        return ladder.driver
    joint = "" if len(ladder.members) == 1 else f" in {ladder.joint}"
    return f"to {', '.join(ladder.members)}{joint}"


def _draw_ladder(
    drawing: Drawing, way: FittedLadder, points: tuple[Points, Points], y: float, widest: float
) -> float:
    """Draw one way or shared section below `y` and return where the next may start."""
    title = f"{way.name}: shared, {say_end(way)}"
    if isinstance(way, FittedWay):
        turned = way.polarity < 0
        title = f"{way.name}: driver connected {'inverted' if turned else 'normally'}"
    drawing.say(_at(0.0, y - 0.3), title, "start", "way")
    y -= 0.7
    blocks = ladder_blocks(way)
    runs = _break(blocks, widest - _LEAD_IN, _DRIVER + measure_text(say_end(way), "name"))
    for number, run in enumerate(runs):
        first, last = number == 0, number == len(runs) - 1
        levels = [measure_level(rung[1]) for rung in run if rung[0] == "series"]
        above = max((s[1] for s in levels), default=0.4)
        below = max((s[2] for s in levels), default=0.4)
        hanging = [measure_upright(rung[1])[2] for rung in run if rung[0] == "shunt"]
        # The text below a symbol in the line must not touch the lower rail.
        height = max([2.4, below + 0.5, *(h + 0.5 for h in hanging)])
        top = y - above
        bottom = top - height
        for at, letter, point in ((top, "a", points[0][0]), (bottom, "b", points[0][1])):
            name, mark = f"{way.name} {letter}{number}", f"{letter}{number}"
            if first:
                name, mark = _name_point(point)
            _terminal(drawing, 0.0, at, name, mark, "end")
        x = _draw_run(drawing, way.name, run, top, bottom)
        if last and isinstance(way, FittedWay):
            _draw_driver(drawing, way, x, top, bottom)
        elif last and isinstance(way, FittedGroup):
            _draw_end(drawing, way, points[1], x, top, bottom)
        else:
            drawing.wire(_at(x, top), _at(x + 0.4, top))
            drawing.wire(_at(x, bottom), _at(x + 0.4, bottom))
            _terminal(drawing, x + 0.4, top, f"{way.name} a{number + 1}", f"a{number + 1}", "start")
            _terminal(
                drawing, x + 0.4, bottom, f"{way.name} b{number + 1}", f"b{number + 1}", "start"
            )
        y = bottom - 0.5
    return y - 0.3


def _break(blocks: Sequence[Rung], room: float, driver: float) -> list[list[Rung]]:
    """Spread blocks and the driver over as few rows as fit, of nearly equal length."""
    widths = [_measure_rung(rung) for rung in blocks]
    widths.append(driver)
    rows = _fill(widths, room)
    while True:
        # The tightest limit that needs no more rows leaves no lonely part on the last one.
        longest = max(sum(widths[k] for k in row) for row in rows)
        tighter = _fill(widths, longest - 1e-6)
        if len(tighter) > len(rows) or tighter == rows:
            return [[blocks[k] for k in row if k < len(blocks)] for row in rows]
        rows = tighter


def _measure_rung(rung: Rung) -> float:
    if rung[0] == "tap":
        return rung[1].width
    place, block = rung
    return measure_level(block)[0] if place == "series" else sum(measure_upright(block)[:2]) + _GAP


def _fill(widths: Sequence[float], room: float) -> list[list[int]]:
    rows: list[list[int]] = [[]]
    for k, width in enumerate(widths):
        if rows[-1] and sum(widths[i] for i in rows[-1]) + width > room:
            rows.append([])
        rows[-1].append(k)
    return rows


def _draw_run(
    drawing: Drawing,
    way: str,
    run: Sequence[Rung],
    top: float,
    bottom: float,
) -> float:
    """Draw the blocks of one row and return where it ends."""
    x = _LEAD_IN
    drawing.wire(_at(0.0, top), _at(x, top))
    drawing.wire(_at(0.0, bottom), _at(x, bottom))
    for rung in run:
        begin = x
        x += _measure_rung(rung)
        if rung[0] == "tap":
            _draw_winding(drawing, way, rung[1], (begin, x), top, bottom)
        elif rung[0] == "series":
            draw_level(drawing, way, rung[1], begin, top, x)
        else:
            block = rung[1]
            node = begin + measure_upright(block)[0]
            drawing.wire(_at(begin, top), _at(node, top), _at(x, top))
            draw_upright(drawing, way, block, node, top, bottom)
            drawing.wire(_at(begin, bottom), _at(node, bottom))
            begin = node
        drawing.wire(_at(begin, bottom), _at(x, bottom))
    return x


def _draw_winding(
    drawing: Drawing,
    way: str,
    winding: Winding,
    ends: tuple[float, float],
    top: float,
    bottom: float,
) -> None:
    """Draw a winding across the line, joined at its tap to what has the fewer volts.

    The tap is drawn in the middle wherever it is; what it gives is written beside it.
    """
    begin, end = ends
    middle = (top + bottom) / 2
    node = begin + _TURN
    high, tap, low = _at(node, middle + 1.0), _at(node, middle), _at(node, middle - 1.0)
    share = min(winding.gain, 1.0 / winding.gain)
    for a, b, turns in ((high, tap, 1.0 - share), (tap, low, share)):
        drawing.symbols.append(
            Symbol(kind="winding", way=way, name=winding.name, value=turns, loss_ohm=0.0, a=a, b=b)
        )
    drawing.wire(low, _at(node, bottom))
    turn = _at(node + _TURN if winding.gain <= 1.0 else begin + _TURN / 2, middle)
    drawing.wire(tap, turn, _at(turn[0], top))
    drawing.wire(high, _at(node, top))
    if winding.gain <= 1.0:
        drawing.wire(_at(begin, top), _at(node, top))
        drawing.wire(_at(turn[0], top), _at(end, top))
    else:
        drawing.wire(_at(begin, top), _at(turn[0], top))
        drawing.wire(_at(node, top), _at(end, top))
    name, level = winding.lines
    drawing.say(_at(node + 0.42, middle - 0.4), name, "start", "name")
    drawing.say(_at(node + 0.42, middle - 0.4 - _LINE), level, "start")


def _terminal(
    drawing: Drawing, x: float, y: float, name: str, mark: str, side: Literal["start", "end"]
) -> None:
    drawing.nets.append(Net(at=_at(x, y), name=name))
    drawing.say(_at(x + (0.25 if side == "start" else -0.25), y), mark, side, "mark")


def _draw_end(
    drawing: Drawing, group: FittedGroup, points: Points, x: float, top: float, bottom: float
) -> None:
    """Draw the points at which what a shared section feeds is connected."""
    for y, point in ((top, points[0]), (bottom, points[1])):
        name, mark = _name_point(point)
        drawing.wire(_at(x, y), _at(x + 0.4, y))
        _terminal(drawing, x + 0.4, y, name, mark, "start")
    drawing.say(_at(x + 0.65, (top + bottom) / 2), say_end(group), "start", "name")


def _draw_driver(drawing: Drawing, way: FittedWay, x: float, top: float, bottom: float) -> None:
    middle = (top + bottom) / 2
    end = x + 0.4
    upper, lower = _at(end, middle + 0.4), _at(end, middle - 0.4)
    drawing.wire(_at(x, top), _at(end, top), upper)
    drawing.wire(_at(x, bottom), _at(end, bottom), lower)
    plus, minus = (lower, upper) if way.polarity < 0 else (upper, lower)
    drawing.symbols.append(
        Symbol(
            kind="driver", way=way.name, name=way.driver, value=0.0, loss_ohm=0.0, a=plus, b=minus
        )
    )
    drawing.say(_at(end - 0.3, plus[1]), "+", role="mark")
    drawing.say(_at(end - 0.3, minus[1]), "−", role="mark")
    drawing.say(_at(end + 1.55, middle), way.driver, "start", "name")
