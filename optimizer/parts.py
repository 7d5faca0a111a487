"""What is placed in a slot: one passive part with its losses, price and origin."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from optimizer.text.brief import brief

Kind = Literal["inductor", "capacitor", "resistor"]

KINDS: tuple[Kind, ...] = ("inductor", "capacitor", "resistor")
UNIT_OF_KIND: dict[Kind, str] = {"inductor": "H", "capacitor": "F", "resistor": "ohm"}
LETTER_OF_KIND: dict[Kind, str] = {"inductor": "L", "capacitor": "C", "resistor": "R"}
LOSS_OF_KIND: dict[Kind, str] = {"inductor": "dcr", "capacitor": "esr", "resistor": ""}
"""Trade name of each kind's series loss; a resistor has none."""
RATING_UNIT_OF_KIND: dict[Kind, str] = {"inductor": "A", "capacitor": "V", "resistor": "W"}
KIND_WORDS: dict[str, Kind] = {
    "inductor": "inductor",
    "coil": "inductor",
    "choke": "inductor",
    "l": "inductor",
    "capacitor": "capacitor",
    "cap": "capacitor",
    "condenser": "capacitor",
    "c": "capacitor",
    "resistor": "resistor",
    "res": "resistor",
    "r": "resistor",
}
"""What people call each kind, lower case."""

Joined = Literal["", "parallel", "series"]
"""How the pieces of a part are joined; empty for a single piece."""

KEPT = "kept"
"""Origin of a part that is on the board already: it costs nothing."""
BOARD = "board"
"""Origin of a part that comes off an old board and serves elsewhere on it: it is owned, and one in
each cabinet."""
GIVEN = "given"
"""Origin of a part whose value no stock holds: measured, or from an old board."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A part that can be bought, taken from the shelf or left on the board.

    Parameters
    ----------
    kind : {"inductor", "capacitor", "resistor"}
        What it is.
    value : float
        Nominal value in H, F or ohm; positive.
    loss_ohm : float
        Series loss in ohm: DCR of an inductor, ESR of a capacitor, 0 for a resistor.
    tolerance : float
        Relative tolerance of the nominal value (0.05 is 5 %).
    origin : str
        Where it comes from: a series name such as "E12", "stock", "shelf", "board" or "kept".
    pieces : tuple of float
        Values of the pieces that are joined to make it; one entry for a single piece.
    joined : {"", "parallel", "series"}
        How the pieces are joined.
    price : float or None
        Price of all pieces, in the currency of the stock; None when unknown.
    rating : float or None
        Largest allowed watt (resistor), volt (capacitor) or ampere (inductor); None when unknown.
    note : str
        Free text.
    """

    kind: Kind
    value: float
    loss_ohm: float = 0.0
    tolerance: float = 0.05
    origin: str = "E12"
    pieces: tuple[float, ...] = ()
    joined: Joined = ""
    price: float | None = None
    rating: float | None = None
    note: str = ""

    __repr__ = brief

    @property
    def piece_count(self) -> int:
        """Number of physical pieces."""
        return max(1, len(self.pieces))
