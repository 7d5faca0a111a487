"""Slots and topology: what may sit where between the amplifier and a driver's terminals."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from optimizer.parts import Kind, Part

Place = Literal["series", "shunt"]
Form = Literal["inductor", "capacitor", "resistor", "notch", "trap", "equaliser", "pad"]

PARTS_OF_FORM: dict[Form, tuple[Kind, ...]] = {
    "inductor": ("inductor",),
    "capacitor": ("capacitor",),
    "resistor": ("resistor",),
    "notch": ("inductor", "capacitor", "resistor"),
    "trap": ("inductor", "capacitor", "resistor"),
    "equaliser": ("resistor", "capacitor"),
    "pad": ("resistor", "resistor"),
}
"""Kinds of the parts of each form, in the order all tuples of parts use.

notch: L, C and R in series, across the line; trap: L, C and R in parallel, in the line;
equaliser: R and C in series, across the driver; pad: R in the line, then R across the driver.
"""

PLACES_OF_FORM: dict[Form, tuple[Place, ...]] = {
    "inductor": ("series", "shunt"),
    "capacitor": ("series", "shunt"),
    "resistor": ("series", "shunt"),
    "notch": ("shunt",),
    "trap": ("series",),
    "equaliser": ("shunt",),
    "pad": ("series",),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ValueRange:
    """Allowed values of one part of a slot, in SI units, both ends included."""

    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """A place in a ladder that may hold a part or a small compound.

    Parameters
    ----------
    name : str
        Unique within its way ("L1").
    place : {"series", "shunt"}
        In the line or across it.
    form : str
        A single part or a compound, see `PARTS_OF_FORM`.
    ranges : tuple of ValueRange
        One for each part of the form.
    optional : bool
        Whether the slot may stay empty (a short for series, open for shunt).
    kept : tuple of Part or None
        Parts already on the board; as they are they cost nothing.
    alterable : bool
        Whether kept parts may be replaced by others within the ranges; else they stay.
    """

    name: str
    place: Place
    form: Form
    ranges: tuple[ValueRange, ...]
    optional: bool = False
    kept: tuple[Part, ...] | None = None
    alterable: bool = False

    @property
    def fixed(self) -> bool:
        """Whether its parts stay on the board as they are."""
        return self.kept is not None and not self.alterable

    @property
    def kinds(self) -> tuple[Kind, ...]:
        """Kinds of its parts."""
        return PARTS_OF_FORM[self.form]


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """A driver with its ladder and polarity.

    Parameters
    ----------
    name : str
        Name of the way, shown in reports.
    driver : str
        Name of the driver it feeds (several ways may feed drivers of one kind).
    slots : tuple of Slot
        Source first.
    polarity : {"normal", "inverted", "free"}
        How the driver is connected.
    """

    name: str
    driver: str
    slots: tuple[Slot, ...]
    polarity: Literal["normal", "inverted", "free"] = "normal"


@dataclass(frozen=True, slots=True, kw_only=True)
class Topology:
    """The slots of all ways; the ways are in parallel on the amplifier."""

    ways: tuple[Way, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedWay:
    """One way as built: its polarity and the parts in its filled slots, source first.

    Parameters
    ----------
    name, driver : str
        As in `Way`.
    polarity : {1, -1}
        Sign of the connection.
    slots : tuple of FittedSlot
        Filled slots only.
    """

    name: str
    driver: str
    polarity: Literal[1, -1]
    slots: tuple[FittedSlot, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedSlot:
    """A filled slot: its name, place and form, and one `Part` per part of the form."""

    name: str
    place: Place
    form: Form
    parts: tuple[Part, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Network:
    """A complete, buildable network: every way as built."""

    ways: tuple[FittedWay, ...]

    @property
    def piece_count(self) -> int:
        """Physical pieces to buy or take from the shelf; kept parts do not count."""
        return sum(
            part.piece_count
            for way in self.ways
            for slot in way.slots
            for part in slot.parts
            if part.origin != "kept"
        )
