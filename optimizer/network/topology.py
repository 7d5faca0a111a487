"""Slots and topology: what may sit where between the amplifier and a driver's terminals."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from optimizer.errors import InputError, Subject
from optimizer.network.expression.plan import Joint
from optimizer.network.ladder import AnyGroup, AnyLadder, AnySlot, Form, Ladders, Place
from optimizer.network.network import FittedGroup, FittedLadder, FittedSlot, FittedWay, Network
from optimizer.parts import KEPT, Kind, Part
from optimizer.text.brief import brief, clip

REACH = 4.0
"""How far the value of a part that a topology does not know may move, as a factor either way."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ValueRange:
    """Allowed values of one part of a slot, in SI units, both ends included."""

    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot(AnySlot):
    """A place in a ladder that may hold a part or a small compound.

    Parameters
    ----------
    name : str
        Unique within its ladder ("L1").
    place : {"series", "shunt"}
        In the line or across it.
    form : str
        A single part or a compound by name, see `NAMED_FORMS`, or an expression of parts
        ("R || C").
    ranges : tuple of ValueRange
        One for each part of the form.
    optional : bool
        Whether the slot may stay empty (a short for series, open for shunt).
    kept : tuple of Part or None
        Parts already on the board; as they are they cost nothing.
    alterable : bool
        Whether kept parts may be replaced by others within the ranges; else they stay.
    across : str
        Name of another slot of its ladder, where this one lies in parallel with what that one has
        in the line (a capacitor across the series resistor of a pad); empty for one in the line or
        across it. A ladder holds it right before the other.
    """

    name: str
    place: Place
    form: Form
    ranges: tuple[ValueRange, ...]
    optional: bool = False
    kept: tuple[Part, ...] | None = None
    alterable: bool = False
    across: str = ""

    __repr__ = brief

    @property
    def fixed(self) -> bool:
        """Whether its parts stay on the board as they are."""
        return self.kept is not None and not self.alterable

    @property
    def kinds(self) -> tuple[Kind, ...]:
        """Kinds of its parts."""
        return self.circuit.kinds

    def fill(self, parts: tuple[Part, ...]) -> FittedSlot:
        """Put parts into it, one for each of its form."""
        return FittedSlot(
            name=self.name, place=self.place, form=self.form, parts=parts, across=self.across
        )

    @property
    def labels(self) -> tuple[str, ...]:
        """What reports call its parts: "L1", "N1.C", "P1.Rs"."""
        return self.circuit.label_parts(self.name)


@dataclass(frozen=True, slots=True, kw_only=True)
class Way(AnyLadder[Slot]):
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
class Group(AnyGroup[Slot]):
    """Several ways or groups joined, with a ladder in front of them.

    Parameters
    ----------
    name : str
        Unlike those of all ways and other groups.
    members : tuple of str
        Names of ways and groups; of those in series the first one is nearest to the source.
    joint : {"parallel", "series"}
        How the members are joined.
    slots : tuple of Slot
        What stands in front of all of them, source first; may be empty.
    """

    name: str
    members: tuple[str, ...]
    joint: Joint = "parallel"
    slots: tuple[Slot, ...] = ()

    __repr__ = brief


Ladder = Way | Group
"""What has a name and slots."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Topology(Ladders[Way, Group, Slot]):
    """The slots of a whole speaker, see `Ladders`."""

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
        ladders = "; ".join(
            f"{one.title}: {', '.join(slot.name + '?' * slot.optional for slot in one.slots)}"
            for one in self.ladders
        )
        return clip(f"<Topology {ladders}>")

    def around(self, network: Network) -> Topology:
        """Return the slots that a network fills, and the optional ones that it leaves empty.

        Parameters
        ----------
        network : Network
            With these ways and groups and any slots.

        Returns
        -------
        Topology
            A slot that this topology does not know may take values within `REACH` of its parts; one
            whose parts are on the board stays as it is.
        """
        fitted = {one.name: one for one in network.ladders}
        laid = self.map_slots(lambda ladder: _slots_around(ladder, fitted[ladder.name]))
        signs = {way.name: way.polarity for way in network.ways}
        return replace(
            laid,
            ways=tuple(
                way
                if way.polarity == "free"
                else replace(way, polarity="normal" if signs[way.name] > 0 else "inverted")
                for way in laid.ways
            ),
        )

    def fill(
        self, slots: Mapping[str, tuple[FittedSlot, ...]], polarity: Mapping[str, Literal[1, -1]]
    ) -> Network:
        """Build a network of these ways and groups.

        Parameters
        ----------
        slots : mapping of str to tuple of FittedSlot
            Filled slots of each way and group, by its name.
        polarity : mapping of str to {1, -1}
            Sign of each way.
        """
        return Network(
            ways=tuple(
                FittedWay(
                    name=way.name,
                    driver=way.driver,
                    polarity=polarity[way.name],
                    slots=slots[way.name],
                )
                for way in self.ways
            ),
            groups=tuple(
                FittedGroup(
                    name=group.name,
                    members=group.members,
                    joint=group.joint,
                    slots=slots[group.name],
                )
                for group in self.groups
            ),
            source=self.source,
        )


def _slots_around(ladder: Ladder, fitted: FittedLadder) -> tuple[Slot, ...]:
    slots = [_slot_around(ladder, slot) for slot in fitted.slots]
    after = 0
    for slot in ladder.slots:
        names = [s.name for s in slots]
        if slot.name in names:
            after = names.index(slot.name) + 1
        elif slot.optional:
            slots.insert(after, slot)
            after += 1
    return tuple(slots)


def _slot_around(ladder: Ladder, fitted: FittedSlot) -> Slot:
    """Slot of the topology that a filled slot sits in, or one of its own."""
    shape = (fitted.name, fitted.place, fitted.form, fitted.across)
    known = next(
        (slot for slot in ladder.slots if (slot.name, slot.place, slot.form, slot.across) == shape),
        None,
    )
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
        kept=(fitted.parts or None) if on_board else None,
        across=fitted.across,
    )
