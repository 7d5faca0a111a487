"""Slots and topology: what may sit where between the amplifier and a driver's terminals."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from optimizer.errors import InputError, Subject
from optimizer.parts import KEPT, UNIT_OF_KIND, Kind, Part
from optimizer.text.brief import brief, clip, html_table
from optimizer.text.units import format_quantity

PartKey = tuple[str, str, int]
"""Where a part sits: way, slot, and which part of its slot."""

REACH = 4.0
"""How far the value of a part that a topology does not know may move, as a factor either way."""

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

    __repr__ = brief

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

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True)
class Topology:
    """The slots of all ways; the ways are in parallel on the amplifier."""

    ways: tuple[Way, ...]

    @classmethod
    def of(
        cls,
        *,
        free_polarity: Collection[str] = (),
        inverted: Collection[str] = (),
        **ladders: Sequence[Slot],
    ) -> Topology:
        """Make a topology of one ladder for each driver.

        Parameters
        ----------
        free_polarity : collection of str
            Drivers whose polarity the search chooses.
        inverted : collection of str
            Drivers that are connected the other way round.
        **ladders : sequence of Slot
            By the name of the driver, source first; see `optimizer.network.slots`.

        Returns
        -------
        Topology

        Raises
        ------
        InputError
            Without any ladder, for two slots of one name, for a polarity of an unknown driver.

        Examples
        --------
        >>> from optimizer.network.slots import series_capacitor, series_inductor
        >>> Topology.of(
        ...     woofer=[series_inductor("L1", "1 mH", "6 mH")],
        ...     tweeter=[series_capacitor("C1", "2.2 uF", "22 uF")],
        ...     free_polarity=["tweeter"],
        ... )
        <Topology woofer: L1; tweeter: C1>
        """
        if not ladders:
            raise InputError("at least one ladder is needed", remedy="write woofer=[...]")
        for name in (*free_polarity, *inverted):
            if name not in ladders:
                raise InputError(
                    "a polarity belongs to a driver with a ladder",
                    value=repr(name),
                    remedy=f"known here: {', '.join(ladders)}",
                )
        for name, slots in ladders.items():
            names = [slot.name for slot in slots]
            if len(set(names)) < len(names):
                raise InputError(
                    "two slots of one way cannot share a name",
                    subject=Subject("way", name),
                    value=", ".join(names),
                )
        return cls(
            ways=tuple(
                Way(
                    name=name,
                    driver=name,
                    slots=tuple(slots),
                    polarity=(
                        "free"
                        if name in free_polarity
                        else "inverted"
                        if name in inverted
                        else "normal"
                    ),
                )
                for name, slots in ladders.items()
            )
        )

    def __repr__(self) -> str:
        ways = "; ".join(
            f"{way.name}: {', '.join(slot.name + '?' * slot.optional for slot in way.slots)}"
            for way in self.ways
        )
        return clip(f"<Topology {ways}>")

    def around(self, network: Network) -> Topology:
        """Return the slots that a network fills, and the optional ones that it leaves empty.

        Parameters
        ----------
        network : Network
            With these ways and any slots.

        Returns
        -------
        Topology
            A slot that this topology does not know may take values within `REACH` of its parts; one
            whose parts are on the board stays as it is.
        """
        return Topology(
            ways=tuple(
                _way_around(way, fitted)
                for way, fitted in zip(self.ways, network.ways, strict=True)
            )
        )


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

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedSlot:
    """A filled slot: its name, place and form, and one `Part` per part of the form."""

    name: str
    place: Place
    form: Form
    parts: tuple[Part, ...]

    __repr__ = brief

    def __str__(self) -> str:
        values = (format_quantity(p.value, UNIT_OF_KIND[p.kind], 4) for p in self.parts)
        return f"{self.name} {' + '.join(values)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Network:
    """A complete, buildable network: every way as built."""

    ways: tuple[FittedWay, ...]

    def __repr__(self) -> str:
        return clip(f"<Network {self}>")

    def __str__(self) -> str:
        return "; ".join(
            f"{way.name}{' inverted' * (way.polarity < 0)}: "
            + (", ".join(map(str, way.slots)) or "no parts")
            for way in self.ways
        )

    def _repr_html_(self) -> str:
        rows = [
            (
                way.name,
                "inverted" if way.polarity < 0 else "normal",
                slot.name,
                f"{slot.place} {slot.form}",
                str(slot).removeprefix(f"{slot.name} "),
                ", ".join(dict.fromkeys(part.origin for part in slot.parts)),
            )
            for way in self.ways
            for slot in way.slots
        ]
        return html_table("Network", ("way", "polarity", "place", "form", "value", "from"), rows)

    @property
    def places(self) -> dict[PartKey, Part]:
        """Every part by where it sits."""
        return {
            (way.name, slot.name, i): part
            for way in self.ways
            for slot in way.slots
            for i, part in enumerate(slot.parts)
        }

    def replace_parts(self, changes: Mapping[PartKey, Part]) -> Network:
        """Return the network with other parts in some of its places.

        Parameters
        ----------
        changes : mapping of PartKey to Part
            Places that it does not have are passed over.
        """
        return Network(
            ways=tuple(
                replace(
                    way,
                    slots=tuple(
                        replace(
                            slot,
                            parts=tuple(
                                changes.get((way.name, slot.name, i), part)
                                for i, part in enumerate(slot.parts)
                            ),
                        )
                        for slot in way.slots
                    ),
                )
                for way in self.ways
            )
        )

    @property
    def piece_count(self) -> int:
        """Physical pieces to buy or take from the shelf; kept parts do not count."""
        return sum(
            part.piece_count
            for way in self.ways
            for slot in way.slots
            for part in slot.parts
            if part.origin != KEPT
        )


def _way_around(way: Way, fitted: FittedWay) -> Way:
    slots = [_slot_around(way, slot) for slot in fitted.slots]
    after = 0
    for slot in way.slots:
        names = [s.name for s in slots]
        if slot.name in names:
            after = names.index(slot.name) + 1
        elif slot.optional:
            slots.insert(after, slot)
            after += 1
    polarity = way.polarity
    if polarity != "free":
        polarity = "normal" if fitted.polarity > 0 else "inverted"
    return replace(way, slots=tuple(slots), polarity=polarity)


def _slot_around(way: Way, fitted: FittedSlot) -> Slot:
    """Slot of the topology that a filled slot sits in, or one of its own."""
    shape = (fitted.name, fitted.place, fitted.form)
    known = next((slot for slot in way.slots if (slot.name, slot.place, slot.form) == shape), None)
    if known is not None and (not known.fixed or known.kept == fitted.parts):
        return known
    ranges = tuple(
        ValueRange(low=part.value / REACH, high=part.value * REACH) for part in fitted.parts
    )
    if known is not None:
        # The board was altered where it was meant to stay: it may be altered back.
        return replace(known, ranges=ranges, alterable=True)
    on_board = all(part.origin == KEPT for part in fitted.parts)
    return Slot(
        name=fitted.name,
        place=fitted.place,
        form=fitted.form,
        ranges=ranges,
        kept=fitted.parts if on_board else None,
    )
