"""What the shelf and the bought-in list hold, and the smooth laws of loss and price."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from optimizer.arrays import Index, Real
from optimizer.parts import BOARD, Part

SHELF = "shelf"
"""Origin of a part that is owned already."""

BOUGHT = "stock"
"""Origin of a part on a bought-in list."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lot:
    """Like pieces of one kind: a row of the shelf or of a bought-in list.

    Parameters
    ----------
    part : Part
        One piece of the lot. Within a stock its kind, origin and value name the lot: no two
        lots share all three, see `name_lots`.
    count : int or None
        Pieces at hand; None when as many can be bought as wanted.
    nominal : float
        Value printed on the pieces, in SI units.
    measured : tuple of float
        Value of every single piece when each was measured, else empty.
    labels : tuple of str
        What is written on each measured piece, as long as `measured`.
    replacement_price : float or None
        Price of a new piece; ``part.price`` is 0 for a piece that is owned.
    line : int or None
        Line in the file it came from.
    """

    part: Part
    count: int | None
    nominal: float
    measured: tuple[float, ...] = ()
    labels: tuple[str, ...] = ()
    replacement_price: float | None = None
    line: int | None = None

    @property
    def owned(self) -> bool:
        """Whether the pieces are on the shelf, or on an old board, already."""
        return self.part.origin in (SHELF, BOARD)


def name_lots(lots: Iterable[Lot]) -> tuple[Lot, ...]:
    """Give every lot a value of its own, so that kind, origin and value name it.

    Notes
    -----
    Two coils of 1 mH with different wire are two lots. The later one gets the next
    representable number as its value, 2e-16 away: no measurement could tell, but a piece
    taken from it can be traced back, also after the network was saved and read again.
    """
    taken: set[tuple[str, str, float]] = set()
    last: dict[tuple[str, str, float], float] = {}  # a thousand alike must not each count up anew
    named = []
    for lot in lots:
        name = (lot.part.kind, lot.part.origin, lot.part.value)
        value = last.get(name, lot.part.value)
        while (*name[:2], value) in taken:
            value = math.nextafter(value, math.inf)
        taken.add((*name[:2], value))
        last[name] = value
        if value != lot.part.value or lot.part.pieces != (value,):
            lot = replace(lot, part=replace(lot.part, value=value, pieces=(value,)))
        named.append(lot)
    return tuple(named)


def split_measured(lot: Lot) -> tuple[Lot, ...]:
    """Return one lot for each measured piece, or the lot itself when none was measured.

    Notes
    -----
    For a single speaker every measured piece is a value of its own. For a pair the lot stays
    together, and which piece goes left or right is decided last, see `match_pair`.
    """
    if not lot.measured:
        return (lot,)
    return tuple(
        replace(
            lot,
            part=replace(lot.part, value=value, pieces=own, note=label),
            count=1,
            measured=own,
            labels=(label,),
        )
        for value, label in zip(lot.measured, lot.labels, strict=True)
        for own in ((value,),)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerLaw:
    """``offset + scale * value ** exponent``: how loss or price grows with the value.

    Parameters
    ----------
    scale : float
        Loss in ohm, or price, at a value of 1 SI unit.
    exponent : float
        0.6 for the resistance of coils of one wire, -1 for the ESR of one loss tangent.
    offset : float
        Part that does not depend on the value.
    """

    scale: float = 0.0
    exponent: float = 1.0
    offset: float = 0.0

    def __call__(self, values: ArrayLike) -> Real:
        """Return the law at `values`, in the same shape."""
        return np.asarray(
            self.offset + self.scale * np.asarray(values, dtype=np.float64) ** self.exponent
        )

    def slope(self, values: ArrayLike) -> Real:
        """Return the derivative by the value, in the same shape."""
        x = np.asarray(values, dtype=np.float64)
        return np.asarray(self.scale * self.exponent * x ** (self.exponent - 1.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class TableLaw:
    """Loss between stated points, straight on double-logarithmic paper and beyond their ends.

    Parameters
    ----------
    log_values, log_losses : tuple of float
        Natural logarithms of value and loss, rising in value, at least two points.
    """

    log_values: tuple[float, ...]
    log_losses: tuple[float, ...]

    def __call__(self, values: ArrayLike) -> Real:
        """Return the law at `values`, in the same shape."""
        at, exponent, x = self._segments(values)
        return np.asarray(
            np.exp(np.take(self.log_losses, at) + exponent * (x - np.take(self.log_values, at)))
        )

    def slope(self, values: ArrayLike) -> Real:
        """Return the derivative by the value, in the same shape."""
        _, exponent, _ = self._segments(values)
        return np.asarray(self(values) * exponent / np.asarray(values, dtype=np.float64))

    def _segments(self, values: ArrayLike) -> tuple[Index, Real, Real]:
        x = np.log(np.asarray(values, dtype=np.float64))
        at = np.clip(np.searchsorted(self.log_values, x) - 1, 0, len(self.log_values) - 2)
        exponents = np.diff(self.log_losses) / np.diff(self.log_values)
        return at, exponents[at], x
