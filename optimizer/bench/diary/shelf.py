"""Pieces of the shelf that go into a cabinet, and come back when a build is undone."""

from __future__ import annotations

import math
import os
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from optimizer.bench.build.sides import share_out
from optimizer.bench.diary.file import SIDES, Booking, Side, name_diary, read_diary
from optimizer.design.nouns import Design
from optimizer.errors import InputError
from optimizer.network.network import Network
from optimizer.parts import UNIT_OF_KIND, Kind
from optimizer.problem.problem import Problem
from optimizer.stock.booking import CountedList
from optimizer.stock.lots import SHELF, Lot
from optimizer.stock.shelf import LARGEST_LIST_BYTES, list_rows
from optimizer.text.reading import read_file
from optimizer.text.units import format_quantity
from optimizer.text.writing import rewrite_file

_SAME = 1e-6
"""Values in files have nine digits or more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NeededPiece:
    """A piece that goes into a cabinet.

    Parameters
    ----------
    kind : str
        Kind of part.
    value : float
        Its value, measured where it was.
    alike : float
        Value of such pieces in the stock: their mean, where several were measured.
    loss_ohm : float or None
        Its loss, where the part is this piece alone.
    side : {"left", "right"}
        Where it goes.
    """

    kind: Kind
    value: float
    alike: float
    loss_ohm: float | None
    side: Side


class _List:
    """A list of parts while it is booked."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.raw = read_file(path, "list of parts", largest=LARGEST_LIST_BYTES, noted=False)
        self.counted = CountedList(self.raw, str(path))
        self.rows = list_rows(self.decode(self.raw), file=str(path))
        self.taken: Counter[tuple[int, Side]] = Counter()

    @staticmethod
    def decode(raw: bytes) -> str:
        """Decode a list as `read_parts_list` does."""
        try:
            return raw.decode("utf-8-sig")
        except UnicodeDecodeError:
            return raw.decode("cp1252", errors="replace")

    def book(self) -> bytes:
        """Return the list with its new counts."""
        return self.counted.book(self.changes())

    def left(self, line: int) -> int:
        """Pieces of a row that are not taken yet."""
        row = self.counted.rows.get(line)
        return 0 if row is None else row.count - sum(self.taken[line, side] for side in SIDES)

    def changes(self) -> dict[int, int]:
        """Pieces taken by line."""
        changed: Counter[int] = Counter()
        for (line, _), pieces in self.taken.items():
            changed[line] += pieces
        return {line: pieces for line, pieces in changed.items() if pieces}


class Shelf:
    """The lists of what is owned, while pieces are taken off them and given back.

    Parameters
    ----------
    paths : sequence of Path
        The lists.
    folder : Path
        Of the diary: the names of the lists in it are relative to that.
    """

    def __init__(self, paths: Sequence[Path], folder: Path) -> None:
        self._folder = folder
        self._lists = [_List(path) for path in paths]
        self._done: list[tuple[_List, bytes]] = []

    def give_back(self, booked: Iterable[Booking]) -> None:
        """Give back what was taken, and take what was given back.

        Raises
        ------
        InputError
            A row is no longer there.
        """
        for one in booked:
            found = next(self._find(one), None)
            if found is None:
                raise InputError(
                    "the row that the pieces came from is no longer on the list",
                    file=self._folder / one.file,
                    value=repr(one.row),
                    remedy=f"put it back, or undo with --unbooked and write in {one.pieces} by hand",
                )
            found[0].taken[found[1], one.cabinet] -= one.pieces

    def _find(self, booking: Booking) -> Iterator[tuple[_List, int]]:
        for one in self._lists:
            if self._name(one) == booking.file:
                rows = one.counted.rows.values()
                yield from ((one, row.line) for row in rows if row.text == booking.row)

    def take(self, wanted: Sequence[NeededPiece]) -> None:
        """Take pieces.

        Raises
        ------
        InputError
            There are too few.
        """
        missing: Counter[str] = Counter()
        for piece in wanted:
            options = [
                (_distance(row, lot, piece), k, row.line or 0)
                for k, one in enumerate(self._lists)
                for row, lot in one.rows
                if row.part.kind == piece.kind and one.left(row.line or 0) > 0
            ]
            distance, k, line = min(options, default=((math.inf,), 0, 0))
            if distance[0] > _SAME:
                missing[format_quantity(piece.value, UNIT_OF_KIND[piece.kind], 4)] += 1
            else:
                self._lists[k].taken[line, piece.side] += 1
        if missing:
            raise InputError(
                "the shelf holds too few pieces for this build",
                value="short of " + ", ".join(f"{n} x {value}" for value, n in missing.items()),
                remedy="correct the counts of the shelf, or build with --unbooked, which leaves it "
                "as it is",
            )

    def read_changed(self) -> dict[Path, str]:
        """Read the lists whose counts differ, as they would be written."""
        return {one.path: one.decode(one.book()) for one in self._lists if one.changes()}

    @property
    def booked(self) -> tuple[Booking, ...]:
        """What came off, row by row."""
        return tuple(
            Booking(
                file=self._name(one), row=one.counted.rows[line].text, pieces=pieces, cabinet=side
            )
            for one in self._lists
            for (line, side), pieces in sorted(one.taken.items())
            if pieces
        )

    def write(self) -> None:
        """Write the lists with their new counts; where one fails, none is changed."""
        done: list[tuple[_List, bytes]] = []
        try:
            for one in self._lists:
                after = one.book()
                if after != one.raw:
                    rewrite_file(one.path, one.raw, after)
                    done.append((one, after))
        except BaseException:
            self._restore(done)
            raise
        self._done = done

    def restore(self) -> None:
        """Put back what stood in the lists before `write`."""
        self._restore(self._done)

    @staticmethod
    def _restore(done: Iterable[tuple[_List, bytes]]) -> None:
        for one, after in done:
            rewrite_file(one.path, after, one.raw)

    def _name(self, one: _List) -> str:
        return Path(os.path.relpath(one.path, self._folder)).as_posix()


def _distance(row: Lot, lot: Lot, piece: NeededPiece) -> tuple[float, ...]:
    """How far a row is from a piece: by value, its own or that of like ones together, then loss."""
    own = abs(row.part.value / piece.value - 1.0)
    pooled = abs(lot.part.value / piece.alike - 1.0)
    loss = 0.0 if piece.loss_ohm is None else abs(row.part.loss_ohm - piece.loss_ohm)
    return (0.0 if min(own, pooled) <= _SAME else own, loss, own)


def list_wanted(problem: Problem, network: Network, sides: Sequence[Side]) -> list[NeededPiece]:
    """List the pieces of the shelf that a network needs in some cabinets.

    Parameters
    ----------
    problem : Problem
        Its stock tells which measured piece goes left and which right.
    network : Network
        What is built.
    sides : sequence of {"left", "right"}
        Where.
    """
    shared = share_out(problem, network)
    picked: Mapping[str, dict[Side, tuple[float, ...]]] = {
        slot.slot: {
            "left": tuple(piece.value for piece in slot.left),
            "right": tuple(piece.value for piece in slot.right),
        }
        for slot in (() if shared is None else shared.slots)
    }
    found = []
    for side in sides:
        for ladder in network.ladders:
            for name, part in ((n, p) for slot in ladder.slots for n, _, p in slot.named_parts):
                if part.origin != SHELF:
                    continue
                pieces = part.pieces or (part.value,)
                values = picked.get(f"{ladder.name}.{name}", {}).get(side) or pieces
                loss = part.loss_ohm if len(pieces) == 1 else None
                found += [
                    NeededPiece(kind=part.kind, value=value, alike=alike, loss_ohm=loss, side=side)
                    for value, alike in zip(values, pieces, strict=False)
                ]
    return found


def count_cabinets(design: Design, path: Path) -> Design:
    """Count the pieces that the diary of a design knows in its cabinets among those at hand for it.

    Parameters
    ----------
    design : Design
        As read.
    path : Path
        Its file.

    Returns
    -------
    Design
        The speaker can be changed with what it is made of, and what it was made from is no other
        stock since. A design whose diary or lists do not tell is returned as it is, with a note.
    """
    diary = name_diary(path)
    if not (diary.is_file() and design.stock.shelf):
        return design
    try:
        kept = read_diary(diary)
        held = [one for side in SIDES for one in kept.holds(side)]
        if not held:
            return design
        shelf = Shelf(design.stock.shelf, diary.parent)
        shelf.give_back(held)
    except InputError as error:
        note = f"pieces that are built in are not counted among those at hand: {error}"
        return replace(design, notes=(*design.notes, note))
    said = f"stock: {sum(one.pieces for one in held)} pieces in the cabinets are at hand for them"
    stock = replace(design.stock, counted=shelf.read_changed())
    return replace(design, stock=stock, notes=(*design.notes, said))
