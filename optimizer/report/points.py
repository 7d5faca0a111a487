"""Numbers of the wiring list beside the wires of a schematic: what is soldered together has one."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from optimizer.bench.build.wiring import AMP_MINUS, AMP_PLUS, Wiring
from optimizer.report.drawing import Drawing, Point, Words, find_joints, find_nodes

_ABOVE, _BELOW, _ASIDE = 0.21, -0.21, 0.1
_HALF = 0.15  # half the height of a number

_Box = tuple[float, float, float, float]
_Spot = tuple[Point, Literal["start", "middle", "end"]]


def mark_points(drawing: Drawing, wiring: Wiring) -> None:
    """Write the number of each point of a wiring list beside one of its wires.

    Parameters
    ----------
    drawing : Drawing
        Of the same network; it is written on.
    wiring : Wiring
        Its points.

    Notes
    -----
    A number stands at the first of the places below where it touches neither text nor symbol nor
    wire: beside a joint, along a wire, where two symbols meet. Where it has no room at all it is
    left out.
    """
    nodes = find_nodes(drawing)
    names = _name_nodes(drawing, wiring, nodes)
    joints = find_joints(drawing)
    taken = [_box_of(words) for words in drawing.words]
    taken += [symbol.body for symbol in drawing.symbols]
    for node, name in names.items():
        own = [point for point in joints if nodes[point] == node]
        wires = [wire for wire in drawing.wires if nodes[wire[0]] == node]
        ends = [point for point, other in nodes.items() if other == node]
        spots = (*_beside_joints(own), *_along_wires(wires), *_at_ends(sorted(ends)))
        for at, align in spots:
            words = Words(at=at, text=name, align=align, role="point")
            box = _box_of(words)
            if not any(_touch(box, other) for other in taken) and not any(
                _touch(box, _span(*wire)) for wire in drawing.wires
            ):
                drawing.words.append(words)
                taken.append(box)
                break


def _name_nodes(drawing: Drawing, wiring: Wiring, nodes: dict[Point, int]) -> dict[int, str]:
    """Names of the nodes of a drawing but those of the terminals, which are marked already."""
    ends = {piece.name: (piece.start, piece.end) for piece in wiring.pieces}
    leads = {lead.way: (lead.plus, lead.minus) for lead in wiring.drivers}
    names: dict[int, str] = {}
    for symbol in drawing.symbols:
        if symbol.kind == "winding":
            continue
        a, b = leads[symbol.way] if symbol.kind == "driver" else ends[symbol.name]
        names |= {nodes[symbol.a]: a, nodes[symbol.b]: b}
    marked = (AMP_PLUS, AMP_MINUS)
    return {node: name for node, name in sorted(names.items()) if name not in marked}


def _beside_joints(joints: list[Point]) -> Iterator[_Spot]:
    for x, y in joints:
        for up in (_ABOVE, _BELOW):
            yield (x + _ASIDE, y + up), "start"
            yield (x - _ASIDE, y + up), "end"


def _at_ends(points: list[Point]) -> Iterator[_Spot]:
    """Where two symbols meet without a wire between them."""
    for x, y in points:
        yield (x, y + _ABOVE), "middle"
        yield (x, y + _BELOW), "middle"
        yield (x + _ASIDE, y), "start"
        yield (x - _ASIDE, y), "end"


def _along_wires(wires: list[tuple[Point, Point]]) -> Iterator[_Spot]:
    """Along level wires first, the longest first; beside upright ones last."""
    for a, b in sorted(wires, key=_order):
        for share in (0.5, 0.15, 0.85, 0.3, 0.7):
            x, y = (p + share * (q - p) for p, q in zip(a, b, strict=True))
            if a[1] == b[1]:
                yield (x, y + _ABOVE), "middle"
                yield (x, y + _BELOW), "middle"
            else:
                yield (x + _ASIDE, y), "start"
                yield (x - _ASIDE, y), "end"


def _order(wire: tuple[Point, Point]) -> tuple[bool, float]:
    (x, y), (u, v) = wire
    return x == u, -abs(u - x) - abs(v - y)


def _box_of(words: Words) -> _Box:
    left, right = words.span
    return left, words.at[1] - _HALF, right, words.at[1] + _HALF


def _span(a: Point, b: Point) -> _Box:
    return min(a[0], b[0]), min(a[1], b[1]), max(a[0], b[0]), max(a[1], b[1])


def _touch(one: _Box, two: _Box) -> bool:
    clear = 0.03
    return (
        one[0] < two[2] + clear
        and two[0] < one[2] + clear
        and one[1] < two[3] + clear
        and two[1] < one[3] + clear
    )
