"""Where everything of a schematic goes: source left, drivers right, hot above and return below.

A ladder is a row: its line above, the return below it. Where ladders part, their rows stand below
each other to the right of what they share: in parallel a rail runs down to each of their lines and
another, at their right ends, joins their returns; in series the return of each is the line of the
next. So no wire crosses another, and what stands first is next to the amplifier.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import count, groupby
from string import ascii_lowercase
from typing import Literal

from optimizer.bench.build.wiring import AMP_MINUS, AMP_PLUS, wire_network
from optimizer.network.expression.plan import Joint
from optimizer.network.network import FittedLadder, FittedWay, Network
from optimizer.report.blocks import (
    GAP,
    Captions,
    Rung,
    draw_driver,
    draw_level,
    draw_upright,
    draw_winding,
    ladder_blocks,
    measure_driver,
    measure_level,
    measure_rung,
    measure_upright,
    spot,
)
from optimizer.report.drawing import Drawing, Net, measure_text
from optimizer.report.points import mark_points
from optimizer.report.tree import Fork, Limb, grow_limbs, say_shared

WIDEST = 20.0
"""Length of a row in drawing units beyond which a ladder goes on below."""

_ENDS = 0.4  # from the last part to a lettered point
_MARK = 1.0  # room of its letter
_RETURN = 0.5  # from the longest row to the rail that joins the returns
_BETWEEN_ROWS = 0.5
_BETWEEN_LADDERS = 0.8
_BEFORE = 1.5  # by how much higher a fork may be for standing beside what is shared
_WITH_DRIVER = 2.7
_WINDING = 1.9
_TITLE = 0.7  # height of a row's title


@dataclass(frozen=True, slots=True)
class _Berth:
    """Where a limb begins.

    How far right of it stand its first part, the points at which it goes on below, and its title.
    """

    lead: float
    marked: float
    title: float


_AT_AMPLIFIER = _Berth(1.0, 0.0, 0.0)
_AT_FORK = _Berth(0.5, 0.95, 0.25)  # a rail runs down there


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Rungs of one ladder that stand in one row, under its name where it begins."""

    way: str
    title: str
    rungs: tuple[Rung, ...]
    least: float = 0.0

    @property
    def width(self) -> float:
        return max(self.least, sum(map(measure_rung, self.rungs)))


@dataclass(frozen=True, slots=True)
class _Row:
    """What stands side by side, `start` right of where its limb begins; `least` is its height."""

    stretches: tuple[_Stretch, ...]
    berth: _Berth
    start: float
    least: float

    @property
    def rungs(self) -> tuple[Rung, ...]:
        return tuple(rung for one in self.stretches for rung in one.rungs)

    @property
    def width(self) -> float:
        """Up to where its foot stands, or its lettered point."""
        return self.start + self.berth.lead + sum(one.width for one in self.stretches)

    @property
    def above(self) -> float:
        """Height above its line."""
        levels = [measure_level(rung[1])[1] for rung in self.rungs if rung[0] == "series"]
        titled = any(one.title for one in self.stretches)
        return max(levels, default=0.4) + _TITLE * titled

    @property
    def height(self) -> float:
        """From its line down to its return."""
        levels = [measure_level(rung[1])[2] for rung in self.rungs if rung[0] == "series"]
        hanging = [measure_upright(rung[1])[2] for rung in self.rungs if rung[0] == "shunt"]
        hanging += [_WINDING for rung in self.rungs if rung[0] == "tap"]
        # The text below a symbol in the line must not touch the lower rail.
        return 0.5 + max([self.least, *levels, *hanging])


@dataclass(frozen=True, slots=True)
class _Laid:
    """A limb spread over rows; its foot stands at the end of the last one."""

    rows: tuple[_Row, ...]
    foot: FittedWay | _Parting
    width: float

    @property
    def lifts(self) -> list[float]:
        """Height above the line of each row."""
        lifts = [row.above for row in self.rows]
        if not isinstance(self.foot, FittedWay):
            lifts[-1] = max(lifts[-1], self.foot.members[0].lifts[0])
        return lifts

    @property
    def depth(self) -> float:
        """From its first line down to its last return."""
        *rows, last = (row.height for row in self.rows)
        if not isinstance(self.foot, FittedWay):
            last = max(last, self.foot.depth)
        return sum(rows) + sum(_BETWEEN_ROWS + lift for lift in self.lifts[1:]) + last


@dataclass(frozen=True, slots=True)
class _Parting:
    """A fork with its limbs laid out."""

    joint: Joint
    members: tuple[_Laid, ...]

    @property
    def width(self) -> float:
        rail = _RETURN if self.joint == "parallel" else 0.0
        return max(one.width for one in self.members) + rail

    @property
    def depth(self) -> float:
        between = sum(_BETWEEN_LADDERS + one.lifts[0] for one in self.members[1:])
        return sum(one.depth for one in self.members) + between


def draw_network(
    network: Network, *, widest: float = WIDEST, ratings: Mapping[str, str] | None = None
) -> Drawing:
    """Draw a network between one pair of terminals.

    Parameters
    ----------
    network : Network
        Every way and shared section with its parts.
    widest : float
        Longest row in drawing units; a longer ladder goes on below, joined at lettered points.
    ratings : mapping of str to str, optional
        What stands under the value of each piece, see `Captions`.

    Returns
    -------
    Drawing
        With rows from the top down, y pointing up, and the points of `wire_network` by their
        numbers.
    """
    captions = Captions(network.references, ratings or {})
    limbs = grow_limbs(network)
    whole = limbs[0] if len(limbs) == 1 else Limb((), Fork("parallel", limbs))
    laid = _lay_out(whole, captions, widest, _AT_AMPLIFIER)
    painter = _Painter(Drawing.empty())
    painter.paint(laid)
    mark_points(painter.drawing, wire_network(network))
    return painter.drawing


# --- sizes --------------------------------------------------------------------------------------

_Tagged = tuple[FittedLadder, Rung]


def _lay_out(limb: Limb, captions: Captions, room: float, berth: _Berth) -> _Laid:
    """Spread a limb over rows of `room` at most, as low as it goes."""
    tagged = [(one, rung) for one in limb.ladders for rung in ladder_blocks(one, captions)]
    room_below = room - berth.marked - berth.lead
    if isinstance(limb.foot, FittedWay):
        driver = measure_driver(limb.foot)
        runs = _break(tagged, room - berth.lead, driver)
        if len(runs) > 1:
            runs = _break(tagged, room_below, driver)
        return _finish(limb, runs, limb.foot, berth)
    found = []
    # Where nothing is shared there is nothing to stand above it.
    spread = [[*_break(tagged, room_below, 0.0), []]] if tagged else []
    for runs in ([tagged], *spread):
        reach = _rows(limb, runs, berth)[-1].width
        rail = _RETURN if limb.foot.joint == "parallel" else 0.0
        members = tuple(
            _lay_out(one, captions, room - reach - rail, _AT_FORK) for one in limb.foot.limbs
        )
        found.append(_finish(limb, runs, _Parting(limb.foot.joint, members), berth))
    # What is shared stands before its fork; where that leaves too little room, above it.
    before, *above = (max(one.width / room, 1.0) * (one.lifts[0] + one.depth) for one in found)
    return found[0 if all(before < _BEFORE * high for high in above) else 1]


def _finish(
    limb: Limb, runs: Sequence[Sequence[_Tagged]], foot: FittedWay | _Parting, berth: _Berth
) -> _Laid:
    rows = _rows(limb, runs, berth)
    width = rows[-1].width + (measure_driver(foot) if isinstance(foot, FittedWay) else foot.width)
    if len(rows) > 1:
        # A rail at the right joins their returns.
        width = max(width, *(row.width + _ENDS + _MARK for row in rows[:-1])) + _RETURN
    titles = [berth.title + measure_text(one.title, "way") for one in rows[0].stretches[:1]]
    return _Laid(rows, foot, max([width, *titles]))


def _rows(limb: Limb, runs: Sequence[Sequence[_Tagged]], berth: _Berth) -> tuple[_Row, ...]:
    """Put rungs into rows, each ladder under its name where it begins."""
    titles = {one.name: _title(one) for one in limb.ladders}
    rows = []
    for number, run in enumerate(runs):
        found = [(name, [r for _, r in some]) for name, some in groupby(run, lambda t: t[0].name)]
        ends = number == len(runs) - 1 and isinstance(limb.foot, FittedWay)
        last = limb.ladders[-1].name if limb.ladders else ""
        if ends and last in titles and last not in dict(found):
            found.append((last, []))  # a way without parts has a name too
        stretches: list[_Stretch] = []
        for name, rungs in found:
            title = titles.pop(name, "")
            words = measure_text(title, "way") + GAP - (0.0 if stretches else berth.lead)
            # Beside the last one is the driver, and a title goes on above that.
            stretches.append(
                _Stretch(name, title, tuple(rungs), 0.0 if ends and name == last else words)
            )
        # A return may go on to the right, below the driver.
        least = _WITH_DRIVER if ends else 0.4
        rows.append(_Row(tuple(stretches), berth, berth.marked if number else 0.0, least))
    return tuple(rows)


def _title(ladder: FittedLadder) -> str:
    """Name a ladder where its driver, at the end of its row, does not."""
    if isinstance(ladder, FittedWay):
        return "" if ladder.name == ladder.driver else ladder.name
    return say_shared(ladder)


def _break(rungs: Sequence[_Tagged], room: float, foot: float) -> list[list[_Tagged]]:
    """Spread rungs and what stands at the end over as few rows as fit, of nearly equal length."""
    widths = [measure_rung(rung) for _, rung in rungs]
    widths.append(foot)
    rows = _fill(widths, room)
    while True:
        # The tightest limit that needs no more rows leaves no lonely part on the last one.
        longest = max(sum(widths[k] for k in row) for row in rows)
        tighter = _fill(widths, longest - 1e-6)
        if len(tighter) > len(rows) or tighter == rows:
            return [[rungs[k] for k in row if k < len(rungs)] for row in rows]
        rows = tighter


def _fill(widths: Sequence[float], room: float) -> list[list[int]]:
    rows: list[list[int]] = [[]]
    for k, width in enumerate(widths):
        if rows[-1] and sum(widths[i] for i in rows[-1]) + width > room:
            rows.append([])
        rows[-1].append(k)
    return rows


# --- drawing ------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Painter:
    """Puts what is laid out on a drawing. Methods return where things stand on the return rail."""

    drawing: Drawing
    letters: Iterator[str] = field(
        default_factory=lambda: (f"{c}{n or ''}" for n in count() for c in ascii_lowercase)
    )

    def paint(self, laid: _Laid) -> None:
        """Draw everything from the amplifier's terminals."""
        top = -laid.lifts[0]
        low = top - laid.depth
        self._terminal(0.0, top, "amp+", AMP_PLUS, "end")
        self._terminal(0.0, low, "amp-", AMP_MINUS, "end")
        self._rail([0.0, *self._limb(laid, 0.0, top, low)], low)

    def _limb(self, laid: _Laid, left: float, top: float, bottom: float) -> list[float]:
        right, returns = left + laid.width, []
        goes_on = ""
        for row, lift in zip(laid.rows, laid.lifts, strict=True):
            if goes_on:
                top -= _BETWEEN_ROWS + lift
                self._terminal(left + row.start, top, goes_on, goes_on, "end")
            last = row is laid.rows[-1]
            low = bottom if last else top - row.height
            x, feet = self._row(row, left + row.start, top, low)
            if last:
                break
            goes_on = next(self.letters)
            self.drawing.wire(spot(x, top), spot(x + _ENDS, top))
            self._terminal(x + _ENDS, top, goes_on, goes_on, "start")
            if feet:
                self._rail([*feet, right], low)
                returns.append(low)
            top = low
        feet += self._foot(laid, row, x, top, low)
        if returns:
            self.drawing.wire(spot(right, returns[0]), spot(right, bottom))
            feet.append(right)
        return feet

    def _parting(self, fork: _Parting, x: float, top: float, bottom: float) -> list[float]:
        right = x + fork.width
        tops, lows = [top], []
        for number, one in enumerate(fork.members):
            last = number == len(fork.members) - 1
            low = bottom if last else tops[-1] - one.depth
            feet = self._limb(one, x, tops[-1], low)
            if last:
                break
            self._rail([*feet, right if fork.joint == "parallel" else x], low)
            lows.append(low)
            tops.append(low - _BETWEEN_LADDERS - fork.members[number + 1].lifts[0])
        if fork.joint == "parallel":
            self.drawing.wire(spot(x, tops[0]), spot(x, tops[-1]))
            self.drawing.wire(spot(right, lows[0]), spot(right, bottom))
            return [*feet, right]
        for low, below in zip(lows, tops[1:], strict=True):
            self.drawing.wire(spot(x, low), spot(x, below))
        return feet

    def _row(self, row: _Row, begin: float, top: float, low: float) -> tuple[float, list[float]]:
        """Draw the line of a row and what hangs from it; return where it ends, too."""
        x = begin + row.berth.lead
        feet: list[float] = []
        self.drawing.wire(spot(begin, top), spot(x, top))
        for one in row.stretches:
            words = x + 0.1 if one is not row.stretches[0] else begin + row.berth.title
            self.drawing.say(spot(words, top + row.above - 0.3), one.title, "start", "way")
            end = x + one.width
            for rung in one.rungs:
                stop = x + measure_rung(rung)
                feet += self._rung(one.way, rung, x, stop, top, top - row.height)
                x = stop
            self.drawing.wire(spot(x, top), spot(end, top))
            x = end
        for foot in feet:
            self.drawing.wire(spot(foot, top - row.height), spot(foot, low))
        return x, feet

    def _rung(
        self, way: str, rung: Rung, begin: float, end: float, top: float, low: float
    ) -> list[float]:
        if rung[0] == "tap":
            return [draw_winding(self.drawing, way, rung[1], (begin, end), top, low)]
        if rung[0] == "series":
            draw_level(self.drawing, way, rung[1], begin, top, end)
            return []
        node = begin + measure_upright(rung[1])[0]
        self.drawing.wire(spot(begin, top), spot(node, top), spot(end, top))
        draw_upright(self.drawing, way, rung[1], node, top, low)
        return [node]

    def _foot(self, laid: _Laid, row: _Row, x: float, top: float, low: float) -> list[float]:
        if isinstance(laid.foot, _Parting):
            return self._parting(laid.foot, x, top, low)
        foot = draw_driver(self.drawing, laid.foot, x, top, top - row.height)
        self.drawing.wire(spot(foot, top - row.height), spot(foot, low))
        return [foot]

    def _rail(self, feet: Sequence[float], y: float) -> None:
        """Draw the return of a row."""
        self.drawing.wire(spot(min(feet), y), spot(max(feet), y))

    def _terminal(
        self, x: float, y: float, name: str, mark: str, side: Literal["start", "end"]
    ) -> None:
        self.drawing.nets.append(Net(at=spot(x, y), name=name))
        self.drawing.say(spot(x + (0.25 if side == "start" else -0.25), y), mark, side, "mark")
