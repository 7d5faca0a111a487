"""Ladders drawn in text, one by one or as they hang on each other: source left, drivers right."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from optimizer.bench.build.wiring import AMP_MINUS, AMP_PLUS, wire_network
from optimizer.network.expression.ladders import from_ladder
from optimizer.network.expression.nodes import PartLeaf
from optimizer.network.expression.plan import Joint, NetworkPlan, PartsBranch
from optimizer.network.ladder import Place
from optimizer.network.network import FittedLadder, FittedWay, Network
from optimizer.network.references import References
from optimizer.parts import UNIT_OF_KIND, Part
from optimizer.report.tree import Limb, grow_limbs, say_end, say_shared
from optimizer.text.units import format_quantity, ratio_to_db

AMPLIFIER_SIGNS = {AMP_PLUS: "+", AMP_MINUS: "-"}
"""Sign of each terminal of the amplifier, by its point in the wiring list."""

_GOES_ON_TOP = "──> (a)"
_GOES_ON_BOTTOM = "──> (b)"
_COMES_TOP = "     (a) ──"
_COMES_BOTTOM = "     (b) ──"


def say_point(point: str) -> str:
    """Name a point of the wiring list."""
    sign = AMPLIFIER_SIGNS.get(point)
    return f"amp ({sign})" if sign else f"point {point}"


def describe_join(part: Part) -> str:
    """Name the pieces a part is joined from ("2.2 uF + 1.8 uF in parallel"), else ""."""
    if len(part.pieces) < 2:
        return ""
    unit = UNIT_OF_KIND[part.kind]
    pieces = [format_quantity(piece, unit) for piece in part.pieces]
    if len(set(pieces)) == 1:
        return f"{len(pieces)} x {pieces[0]} in {part.joined}"
    return f"{' + '.join(pieces)} in {part.joined}"


@dataclass(frozen=True, slots=True)
class _Column:
    place: Place | Literal["tap"]
    name: str
    lines: tuple[str, ...]

    @property
    def width(self) -> int:
        return max(len(self.name) + 3, *(len(line) + 1 for line in self.lines)) + 1


_MORE_LINES = {"series": 0, "tap": 1, "shunt": 2}
"""Lines between both rails that a column needs beside its own, by its place."""


def say_tap(gain: float) -> str:
    """Say what a transformer leaves of the volts before it."""
    return format_quantity(ratio_to_db(gain), "dB")


def _value_lines(part: Part, letter: str = "") -> list[str]:
    lines = [f"{letter}{format_quantity(part.value, UNIT_OF_KIND[part.kind])}"]
    if part.kind == "inductor" and part.loss_ohm > 0:
        lines.append(f"dcr {part.loss_ohm:.2g}")
    if part.origin in ("kept", "board", "shelf"):
        lines.append(part.origin)
    return lines


def _columns(way: FittedLadder, references: References) -> list[_Column]:
    """One column for what stands in the line or across it: a part, several joined, or a tap."""
    plan = NetworkPlan(from_ladder(way))
    names = {label: name for (ladder, label), name in references.items() if ladder == way.name}
    columns = []
    for step in plan.root.steps:
        if step.tap is not None:
            columns.append(_Column("tap", names[step.tap.name], (say_tap(step.tap.gain),)))
        place: Place = "series" if step.kind == "series" else "shunt"
        columns += [_column(place, branch, plan.leaves, names) for branch in step.branches]
    return columns


def _column(
    place: Place, branch: PartsBranch, leaves: Sequence[PartLeaf], names: Mapping[str, str]
) -> _Column:
    lines: list[str] = []
    first = leaves[branch.leaves[0]]
    if branch.kind == "part":
        assert first.part is not None
        return _Column(place, names[first.name], tuple(_value_lines(first.part)))
    for leaf in (leaves[g] for g in branch.leaves):
        assert leaf.part is not None
        lines += _value_lines(leaf.part, f"{names[leaf.name]} ")
    return _Column(place, _say_branch(branch, leaves, names), tuple(lines))


def _say_branch(branch: PartsBranch, leaves: Sequence[PartLeaf], names: Mapping[str, str]) -> str:
    """How parts are joined, by their reference names: "L1||C2||R1"."""
    if branch.kind == "part":
        return names[leaves[branch.leaves[0]].name]
    said = (_say_branch(item, leaves, names) for item in branch.items)
    return ("||" if branch.kind == "parallel" else "+").join(
        text if item.kind == "part" else f"({text})"
        for text, item in zip(said, branch.items, strict=True)
    )


def _centre(text: str, width: int, fill: str = " ") -> str:
    """Centre text so that its middle always falls on the same column."""
    left = max(0, width // 2 - len(text) // 2)
    return (fill * left + text).ljust(width, fill)[:width]


def _draw_run(columns: Sequence[_Column]) -> list[str]:
    """Draw some neighbouring columns: line, everything between, return line."""
    depth = max((len(c.lines) + _MORE_LINES[c.place] for c in columns), default=0)
    rows = ["" for _ in range(depth + 2)]
    for column in columns:
        box = f"[{column.name}]"
        if column.place == "series":
            cells = [_centre(box, column.width, "─")]
            cells += [_centre(line, column.width) for line in column.lines]
            cells += [" " * column.width] * (depth + 1 - len(cells))
            cells.append("─" * column.width)
        elif column.place == "tap":
            cells = [_centre(box, column.width, "─")]
            cells += [_centre(line, column.width) for line in column.lines]
            cells += [_centre("│", column.width)] * (depth + 1 - len(cells))
            cells.append(_centre("┴", column.width, "─"))
        else:
            cells = [_centre("┬", column.width, "─")]
            cells += [_centre(text, column.width) for text in (box, *column.lines)]
            cells += [_centre("│", column.width)] * (depth + 1 - len(cells))
            cells.append(_centre("┴", column.width, "─"))
        rows = [row + cell for row, cell in zip(rows, cells, strict=True)]
    return rows


def draw_ladder(
    way: FittedLadder,
    references: References,
    *,
    width: int = 100,
    begins: tuple[str, str] = (AMP_PLUS, AMP_MINUS),
    ends: tuple[str, str] = ("", ""),
) -> list[str]:
    """Draw one way or shared section as text.

    Parameters
    ----------
    way : FittedWay or FittedGroup
        As built.
    references : mapping of (str, str) to str
        Names of the parts of its network.
    width : int
        Longest line allowed in characters; a longer ladder goes on below, joined at (a) and (b).
    begins : tuple of str
        Points of the wiring list at which the upper and the lower line begin.
    ends : tuple of str
        Points at which they end; those of a way are the terminals of its driver.

    Returns
    -------
    list of str
        Lines of the drawing, followed by one line for every part joined from several pieces.
    """
    end_top, end_bottom = (f"── {say_point(end)}" for end in ends)
    if isinstance(way, FittedWay):
        end_top, end_bottom = _driver_ends(way)
    names = [say_point(point) for point in begins]
    reach = max(map(len, names))
    source = [f" {name:<{reach}} ──" for name in names]
    room = width - len(source[0]) - max(len(end_top), len(_GOES_ON_TOP)) - 1

    runs: list[list[_Column]] = [[]]
    for column in _columns(way, references):
        if runs[-1] and sum(c.width for c in runs[-1]) + column.width > room:
            runs.append([])
        runs[-1].append(column)

    lines: list[str] = []
    for index, run in enumerate(runs):
        first, last = index == 0, index == len(runs) - 1
        rows = _draw_run(run)
        start_top, start_bottom = source if first else (_COMES_TOP, _COMES_BOTTOM)
        blank = " " * len(start_top)
        body = [blank + row for row in rows[1:-1]]
        lines.append(start_top + rows[0] + (end_top if last else _GOES_ON_TOP))
        lines += [row.rstrip() for row in body]
        lines.append(start_bottom + rows[-1] + (end_bottom if last else _GOES_ON_BOTTOM))
    return lines + [f"{' ' * len(source[0])}{said}" for said in _say_joins(way, references)]


def _driver_ends(way: FittedWay) -> tuple[str, str]:
    """Say what stands at the ends of the upper and the lower line."""
    plus, minus = ("(+)", "(-)") if way.polarity > 0 else ("(-)", "(+)")
    return f"── {plus} {way.driver}", f"── {minus}"


def _say_joins(ladder: FittedLadder, references: References) -> Iterator[str]:
    for slot in ladder.slots:
        for name, _, part in slot.named_parts:
            joined = describe_join(part)
            if joined:
                yield f"{references[ladder.name, name]} = {joined}"


def draw_tree(network: Network, *, width: int = 100) -> list[str]:
    """Draw a whole network as text, every ladder where it hangs.

    Parameters
    ----------
    network : Network
        As built.
    width : int
        Longest line allowed in characters. What would be wider is drawn ladder by ladder, joined at
        points of the wiring list: letters on lines that cross a whole tree would be hard to follow.

    Returns
    -------
    list of str
        Lines of the drawing, followed by one line for every part joined from several pieces.
    """
    lines: list[str] = []
    references = network.references
    for limb in grow_limbs(network):
        drawn = _with_source(_draw_limb(limb, references))
        drawn += [
            f"{' ' * len(_SOURCE)}{said}"
            for one in limb.all_ladders()
            for said in _say_joins(one, references)
        ]
        lines += drawn if max(map(len, drawn)) <= width else _draw_rows(network, limb, width)
        lines.append("")
    return lines[:-1]


def _draw_rows(network: Network, limb: Limb, width: int) -> list[str]:
    """Draw the ladders of a limb one by one under their names."""
    wiring = wire_network(network)
    lines: list[str] = []
    for one in limb.all_ladders():
        if one.slots or isinstance(one, FittedWay):
            end = "" if isinstance(one, FittedWay) else f", {say_end(one)}"
            lines.append(f" {say_shared(one)}{end}")
            begins, ends = wiring.begins[one.name], wiring.ends[one.name]
            lines += draw_ladder(one, network.references, width=width, begins=begins, ends=ends)
    return lines


_SOURCE = " amp (+) "


def _with_source(block: list[str]) -> list[str]:
    title, hot, *between, bottom = block
    margin = " " * len(_SOURCE)
    lines = [margin + title, _SOURCE + hot, *(margin + line for line in between)]
    return [line.rstrip() for line in [*lines, _SOURCE.replace("+", "-") + bottom]]


def _draw_limb(limb: Limb, references: References) -> list[str]:
    """Lines of a limb: titles, its line, what hangs from it, its return; both from left to right."""
    title, rows = "", ["──", "──"]
    for ladder in limb.ladders:
        columns = _columns(ladder, references)
        title = f"{title.ljust(len(rows[0]))}{say_shared(ladder)}  "
        rows = _side_by_side(rows, _draw_run(columns))
        if ladder is not limb.foot:
            rows = _side_by_side(rows, ["─" * (len(title) - len(rows[0]))] * 2)
    if isinstance(limb.foot, FittedWay):
        rows = _side_by_side(rows, list(_driver_ends(limb.foot)))
        return [title.rstrip(), *rows]
    fork = _draw_fork(limb.foot.joint, [_draw_limb(one, references) for one in limb.foot.limbs])
    return [title.ljust(len(rows[0])) + fork[0], *_side_by_side(rows, fork[1:])]


def _side_by_side(left: list[str], right: list[str]) -> list[str]:
    """Join two blocks of lines whose first and last go on from one to the other."""
    height = max(len(left), len(right))
    width = max(map(len, left))
    return [
        a.ljust(width) + b
        for a, b in zip(_stretched(left, height), _stretched(right, height), strict=True)
    ]


def _stretched(lines: list[str], height: int) -> list[str]:
    """Let what stands on the last line reach down further."""
    upright = "".join("│" if c in "┴┘" else " " for c in lines[-1])
    return [*lines[:-1], *[upright] * (height - len(lines)), lines[-1]]


def _draw_fork(joint: Joint, limbs: Sequence[list[str]]) -> list[str]:
    """Draw limbs below each other; see `_draw_limb` for what lines there are."""
    width = max(len(line) for one in limbs for line in one)
    lines = []
    for number, one in enumerate(limbs):
        first, last = number == 0, number == len(limbs) - 1
        title, hot, *between = (line.ljust(width) for line in one[:-1])
        bottom = one[-1]
        if joint == "series":
            lines += [f"{' │'[not first]}{title}", f"{'─' if first else '└'}{hot}"]
            lines += [f" {line}" for line in between]
            lines.append(f"{'─' if last else '┌'}{bottom}")
            continue
        rail = " │"[not first]
        lines += [f"{rail}{title} {rail}", f"{'┬' if first else '└' if last else '├'}{hot} {rail}"]
        lines += [f"{' │'[not last]}{line} {rail}" for line in between]
        reach = _reach_right(bottom if last else _begin_at_first(bottom), width)
        lines.append(f"{'─' if last else '│'}{reach}─{'┘' if last else '┐' if first else '┤'}")
    return lines


def _begin_at_first(bottom: str) -> str:
    """Leave out what of a return is left of the first thing that stands on it."""
    first = re.search(r"[┴(]", bottom)
    assert first is not None, "a driver stands on every return"
    begin = "└" if first.group() == "┴" else "("
    return " " * first.start() + begin + bottom[first.end() :]


def _reach_right(bottom: str, width: int) -> str:
    """Let a return go on to the right, past a driver or a rail that ends there."""
    if bottom.endswith("┘"):
        return f"{bottom[:-1]}┴".ljust(width, "─")
    return f"{bottom} ".ljust(width, "─")
