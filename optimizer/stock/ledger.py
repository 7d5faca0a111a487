"""Counts of the stock against what a network uses: fast enough to ask inside a search."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Counts, Index
from optimizer.errors import InputError
from optimizer.parts import BOARD, KEPT, UNIT_OF_KIND, Kind, Part
from optimizer.stock.lots import BOUGHT, SHELF, Lot
from optimizer.stock.series import RELATIVE_EPS
from optimizer.stock.stock import Stock
from optimizer.text.units import format_quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class Overdraft:
    """A lot of which more pieces are wanted than there are, counted for one speaker.

    Parameters
    ----------
    kind : str
        Kind of part.
    value : float
        Value of a piece in SI units.
    wanted, available : int
        Pieces wanted by one speaker, and available to it; 0 for pieces the stock never held.
    """

    kind: Kind
    value: float
    wanted: int
    available: int

    def __str__(self) -> str:
        return (
            f"{self.wanted} x {format_quantity(self.value, UNIT_OF_KIND[self.kind])} wanted, "
            f"{self.available} available"
        )


class Ledger:
    """Pieces used by a network against the pieces at hand, for one of the speakers.

    Parameters
    ----------
    stock : Stock
        Its lots with a count are booked; parts that can be bought in any number, and kept
        parts of no board, are free.

    Notes
    -----
    `take` and `give_back` book single parts while a search changes one slot after another, at
    a cost that grows with the pieces of that part only. `draws` serves whole lists of options.
    """

    def __init__(self, stock: Stock) -> None:
        self.lots: tuple[Lot, ...] = tuple(lot for lot in stock.lots if lot.count is not None)
        self.speakers = stock.speakers
        self.available: Counts = np.array(
            [stock.per_speaker(lot) for lot in self.lots], dtype=np.int64
        )
        self.available.flags.writeable = False
        self._index: dict[tuple[str, str, float], int] = {
            (lot.part.kind, lot.part.origin, lot.part.value): -1
            for lot in stock.lots
            if lot.count is None
        }
        self._index |= {
            (lot.part.kind, lot.part.origin, lot.part.value): i for i, lot in enumerate(self.lots)
        }
        self._free: list[int] = self.available.tolist()
        self._known: dict[Part, tuple[tuple[int, int], ...] | None] = {}

    def usage(self, part: Part) -> tuple[tuple[int, int], ...] | None:
        """Return (lot, pieces) for each counted lot a part draws on; None if a lot is unknown."""
        try:
            return self._known[part]
        except KeyError:
            found = self._known[part] = self._find_usage(part)
            return found

    def _find_usage(self, part: Part) -> tuple[tuple[int, int], ...] | None:
        if part.origin == KEPT:
            # What stays where it was on a board cannot serve elsewhere.
            own = self._index.get((part.kind, BOARD, part.value))
            return () if own is None else ((own, 1),)
        if part.origin not in (SHELF, BOUGHT, BOARD):
            return ()
        indices = [self._find(part, value) for value in part.pieces or (part.value,)]
        if len(indices) == 1 and indices[0] is not None:
            return ((indices[0], 1),) if indices[0] >= 0 else ()
        found: Counter[int] = Counter()
        for index in indices:
            if index is None:
                return None
            if index >= 0:
                found[index] += 1
        return tuple(sorted(found.items()))

    def _find(self, part: Part, value: float) -> int | None:
        """Index of the lot a piece comes from, -1 for an unlimited one, None if unknown."""
        index = self._index.get((part.kind, part.origin, value))
        if index is not None:
            return index
        # A network written by hand has fewer digits than the lots, which `name_lots` set apart.
        for (kind, origin, other), near in self._index.items():
            if (kind, origin) == (part.kind, part.origin) and (
                abs(other / value - 1.0) <= RELATIVE_EPS
            ):
                return near
        return None

    def find_lot(self, part: Part, value: float) -> Lot | None:
        """Return the counted lot from which a piece of a part comes; None if there is none."""
        index = self._find(part, value)
        return None if index is None or index < 0 else self.lots[index]

    def draws(self, parts: Sequence[Part]) -> tuple[Index, Index, Counts]:
        """Return what some parts take, by index: few lots of many serve any one part.

        Parameters
        ----------
        parts : sequence of Part

        Returns
        -------
        row, lot : ndarray of int, shape (N,)
            Place among `parts`, rising, and the lot it draws on.
        pieces : ndarray of int, shape (N,)

        Raises
        ------
        InputError
            If a part is made of pieces the stock does not hold.
        """
        found: list[tuple[int, int, int]] = []
        for row, part in enumerate(parts):
            usage = self._find_usage(part)
            if usage is None:
                raise InputError(
                    "the stock does not hold the pieces of a part",
                    value=format_quantity(part.value, UNIT_OF_KIND[part.kind]),
                )
            found += [(row, lot, count) for lot, count in usage]
        table = np.array(found, dtype=np.int64).reshape(-1, 3)
        return table[:, 0].astype(np.intp), table[:, 1].astype(np.intp), table[:, 2]

    def can_take(self, part: Part) -> bool:
        """Whether enough pieces are left for one more part."""
        usage = self.usage(part)
        return usage is not None and all(self._free[lot] >= count for lot, count in usage)

    def take(self, part: Part) -> bool:
        """Book a part if enough pieces are left; say whether it was booked."""
        if not self.can_take(part):
            return False
        for lot, count in self.usage(part) or ():
            self._free[lot] -= count
        return True

    def give_back(self, part: Part) -> None:
        """Undo `take`."""
        for lot, count in self.usage(part) or ():
            self._free[lot] += count

    def clear(self) -> None:
        """Give everything back."""
        self._free = self.available.tolist()

    def fits(self, parts: Iterable[Part]) -> bool:
        """Whether one speaker's parts can all be taken at once, whatever is booked now."""
        free = self.available.tolist()
        for part in parts:
            usage = self.usage(part)
            if usage is None:
                return False
            for lot, count in usage:
                free[lot] -= count
                if free[lot] < 0:
                    return False
        return True

    def overdrawn(self, parts: Iterable[Part]) -> tuple[Overdraft, ...]:
        """Return every lot of which one speaker's parts want more than there is."""
        wanted: Counter[int] = Counter()
        strange: Counter[tuple[Kind, float]] = Counter()
        for part in parts:
            usage = self.usage(part)
            if usage is None:
                strange.update(
                    (part.kind, value)
                    for value in part.pieces or (part.value,)
                    if self._find(part, value) is None
                )
            for lot, count in usage or ():
                wanted[lot] += count
        found = [
            Overdraft(
                kind=self.lots[lot].part.kind,
                value=self.lots[lot].part.value,
                wanted=count,
                available=int(self.available[lot]),
            )
            for lot, count in sorted(wanted.items())
            if count > self.available[lot]
        ]
        found += [
            Overdraft(kind=kind, value=value, wanted=count, available=0)
            for (kind, value), count in strange.items()
        ]
        return tuple(found)
