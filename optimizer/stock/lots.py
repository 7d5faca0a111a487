"""What the shelf and the bought-in list hold, and the smooth laws of loss and price."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.parts import Part


@dataclass(frozen=True, slots=True, kw_only=True)
class Lot:
    """Like pieces of one kind: a row of the shelf or of a bought-in list.

    Parameters
    ----------
    part : Part
        One piece of the lot. Its kind and value name the lot within a stock.
    count : int or None
        Pieces at hand; None when as many can be bought as wanted.
    nominal : float
        Value printed on the pieces; equals ``part.value`` unless they were measured.
    measured : tuple of float
        Values of the single pieces when each was measured, else empty.
    line : int or None
        Line in the file it came from.
    """

    part: Part
    count: int | None
    nominal: float
    measured: tuple[float, ...] = ()
    line: int | None = None

    @property
    def owned(self) -> bool:
        """Whether the pieces are on the shelf already."""
        return self.part.origin == "shelf"


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

    def __call__(self, values: ArrayLike) -> NDArray[np.float64]:
        """Return the law at `values`, in the same shape."""
        return np.asarray(
            self.offset + self.scale * np.asarray(values, dtype=np.float64) ** self.exponent)

    def slope(self, values: ArrayLike) -> NDArray[np.float64]:
        """Return the derivative by the value, in the same shape."""
        x = np.asarray(values, dtype=np.float64)
        return np.asarray(self.scale * self.exponent * x ** (self.exponent - 1.0))
