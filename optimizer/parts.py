"""What is placed in a slot: one passive part with its losses, price and origin; what a slot accepts."""

from __future__ import annotations

import re
from collections.abc import Sequence
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
    made_of : str
        Dielectric of a capacitor, core of an inductor, see `SORTS`; of joined pieces that differ all,
        joined by " + "; empty where nobody says it.
    wire_m : float or None
        Bare diameter of a coil's wire; None when unknown.
    height_m : float or None
        Height of a coil that lies flat; None when unknown.
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
    made_of: str = ""
    wire_m: float | None = None
    height_m: float | None = None

    __repr__ = brief

    @property
    def piece_count(self) -> int:
        """Number of physical pieces."""
        return max(1, len(self.pieces))


SORTS: dict[str, tuple[Kind, tuple[str, ...]]] = {
    "electrolytic": ("capacitor", ("electrolyt", "elco", "bipolar", "non polar", "nonpolar")),
    "polypropylene": ("capacitor", ("polyprop", "mkp")),
    "polyester": ("capacitor", ("polyester", "mkt", "pet")),
    "paper": ("capacitor", ("paper",)),
    "film": ("capacitor", ("film", "foil")),
    "air": ("inductor", ("air",)),
    "ferrite": ("inductor", ("ferrite",)),
    "iron": ("inductor", ("iron", "steel", "laminat", "powder", "cored")),
}
"""What parts are made of: the kind of part, and what tells it in a text, lower case; the first that
is found counts."""

_FILM = ("polypropylene", "polyester", "film")


def name_sort(text: str, kind: Kind | None = None) -> str:
    """Tell from words what a part is made of ("MKP", "air core"); "" where they do not say it.

    Parameters
    ----------
    text : str
        As a list or a person writes it.
    kind : Kind, optional
        Of the part, where it is known.
    """
    words = text.casefold().replace("-", " ")
    return next(
        (
            name
            for name, (own, tells) in SORTS.items()
            if kind in (None, own) and any(re.search(rf"\b{word}", words) for word in tells)
        ),
        "",
    )


def _is_a(sort: str, wanted: str) -> bool:
    return sort == wanted or (wanted == "film" and sort in _FILM)


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """What a place, a way or a whole stock accepts of the parts it may hold.

    Parameters
    ----------
    only : tuple of str
        What parts of a kind must be made of, one of these, see `SORTS`; "film" stands for every
        plastic film. Kinds that none of them is of are free. A part that does not say is refused.
    without : tuple of str
        What no part may be made of. A part that does not say is accepted.
    joined : {"", "none", "parallel", "series"}
        How pieces may be joined: as the stock allows, not at all, or in this way alone.
    wire_m : float or None
        Bare wire that coils are wound with.
    height_m : float or None
        Largest height of a coil that lies flat. A coil whose height is unknown is refused.
    """

    only: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    joined: Literal["", "none", "parallel", "series"] = ""
    wire_m: float | None = None
    height_m: float | None = None

    def __and__(self, other: Terms) -> Terms:
        """Return the terms of a place within others: its own words count where both have some."""
        heights = [h for h in (self.height_m, other.height_m) if h is not None]
        own = {SORTS[sort][0] for sort in other.only}
        return Terms(
            only=(*(sort for sort in self.only if SORTS[sort][0] not in own), *other.only),
            without=tuple(dict.fromkeys((*self.without, *other.without))),
            joined=other.joined or self.joined,
            wire_m=self.wire_m if other.wire_m is None else other.wire_m,
            height_m=min(heights, default=None),
        )

    def accepts(self, part: Part) -> bool:
        """Whether a part keeps them."""
        return self == NO_TERMS or not self.faults(part)

    def faults(self, part: Part) -> tuple[str, ...]:
        """Say what of a part breaks them, each as the rest of a sentence about it."""
        sorts = part.made_of.split(" + ") if part.made_of else []
        wanted = [sort for sort in self.only if SORTS[sort][0] == part.kind]
        found = []
        if wanted and not (sorts and all(any(_is_a(s, w) for w in wanted) for s in sorts)):
            what = f"is made of {part.made_of}" if sorts else "does not say what it is made of"
            found.append(f"{what}, and only {' or '.join(wanted)} may be here")
        found += [
            f"is made of {sort}, which must not be here"
            for sort in sorts
            if any(_is_a(sort, other) for other in self.without)
        ]
        if self.joined and part.joined not in ("", self.joined):
            allowed = "not joined" if self.joined == "none" else f"joined in {self.joined} alone"
            found.append(f"is joined in {part.joined}, and pieces are {allowed} here")
        if part.kind == "inductor":
            found += self._size_faults(part)
        return tuple(found)

    def _size_faults(self, coil: Part) -> list[str]:
        found = []
        if self.wire_m is not None and not (
            coil.wire_m is not None and abs(coil.wire_m / self.wire_m - 1.0) < 0.02
        ):
            wire = (
                "of unknown wire" if coil.wire_m is None else f"of {1e3 * coil.wire_m:.3g} mm wire"
            )
            found.append(f"is {wire}, and {1e3 * self.wire_m:.3g} mm is asked for")
        if self.height_m is not None:
            most = f"{1e3 * self.height_m:.3g} mm at most"
            if coil.height_m is None:
                found.append(f"does not state its height, {most}")
            elif coil.height_m > self.height_m * (1.0 + 1e-9):
                found.append(f"is {1e3 * coil.height_m:.3g} mm high, {most}")
        return found


NO_TERMS = Terms()
"""Any part will do."""


def join_sorts(pieces: Sequence[Part]) -> str:
    """Say what joined pieces are made of; "" when one of them does not say it."""
    sorts = dict.fromkeys(piece.made_of for piece in pieces)
    return "" if "" in sorts else " + ".join(sorts)
