"""Slots and topology: what may sit where between the amplifier and a driver's terminals."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from optimizer.errors import InputError, Subject
from optimizer.network.choices import Alternative, LadderChoice, Taken
from optimizer.network.expression.plan import Joint
from optimizer.network.ladder import AnyGroup, AnyLadder, AnySlot, Form, Ladders, Place
from optimizer.network.network import FittedGroup, FittedLadder, FittedSlot, FittedWay, Network
from optimizer.parts import KEPT, NO_TERMS, Kind, Part, Terms
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
    terms : Terms
        What new parts must keep.
    notch_hz : tuple of float or None
        Band in which its one coil and its one capacitor must resonate.
    """

    name: str
    place: Place
    form: Form
    ranges: tuple[ValueRange, ...]
    optional: bool = False
    kept: tuple[Part, ...] | None = None
    alterable: bool = False
    across: str = ""
    terms: Terms = NO_TERMS
    notch_hz: tuple[float, float] | None = None

    __repr__ = brief

    @property
    def fixed(self) -> bool:
        """Whether its parts stay on the board as they are."""
        return self.kept is not None and not self.alterable

    @property
    def released(self) -> Slot:
        """The same with its kept parts free to be replaced, within `REACH` of what they are."""
        ranges = tuple(
            ValueRange(low=part.value / REACH, high=part.value * REACH) for part in self.kept or ()
        )
        return replace(self, alterable=True, ranges=ranges)

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


@dataclass(frozen=True, slots=True)
class OneOf:
    """Alternatives as they are written within the list of slots of a ladder; see `lay_out`."""

    alternatives: Mapping[str, Sequence[Slot]]
    control: str = ""


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
    soldered : {1, -1} or None
        How it is connected on an old board; None where there is none.
    """

    name: str
    driver: str
    slots: tuple[Slot, ...]
    polarity: Literal["normal", "inverted", "free"] = "normal"
    soldered: Literal[1, -1] | None = None

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
    """The slots of a whole speaker.

    Parameters
    ----------
    ways, groups, source
        As in `Ladders`.
    choices : tuple of LadderChoice
        Alternatives among the slots of a ladder, of which one is built.
    """

    choices: tuple[LadderChoice, ...] = ()

    @classmethod
    def of(
        cls,
        *,
        free_polarity: Collection[str] = (),
        inverted: Collection[str] = (),
        **ladders: Sequence[Slot | OneOf],
    ) -> Topology:
        """Make a topology of one ladder for each driver.

        Parameters
        ----------
        free_polarity : collection of str
            Drivers whose polarity the search chooses.
        inverted : collection of str
            Drivers that are connected the other way round.
        **ladders : sequence of Slot or OneOf
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
        laid = {name: lay_out(entries, name) for name, entries in ladders.items()}
        for name, (slots, _) in laid.items():
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
                    slots=slots,
                    polarity=(
                        "free"
                        if name in free_polarity
                        else "inverted"
                        if name in inverted
                        else "normal"
                    ),
                )
                for name, (slots, _) in laid.items()
            ),
            choices=tuple(choice for _, choices in laid.values() for choice in choices),
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
        own = _choices_around(self, fitted) if self.choices else self
        laid = own.map_slots(lambda ladder: _slots_around(ladder, fitted[ladder.name]))
        if laid.choices:
            laid = laid.map_slots(lambda ladder: _let_be_empty(ladder, laid.choices))
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

    @property
    def at_hand(self) -> frozenset[tuple[str, str]]:
        """Ladder and name of the slots whose kept parts are on no board when they are not built.

        Those of several boards to choose from, and of the positions of a control.
        """
        kept = {(one.name, slot.name) for one in self.ladders for slot in one.slots if slot.kept}
        found: set[tuple[str, str]] = set()
        for choice in self.choices:
            boards = [{(choice.ladder, n) for n in a.slots} & kept for a in choice.alternatives]
            if choice.control or sum(map(bool, boards)) > 1:
                found.update(*boards)
        return frozenset(found)

    def taken(self, network: Network) -> tuple[Taken, ...]:
        """Tell which alternative of each choice a network builds; nothing of those that it mixes.

        Parameters
        ----------
        network : Network
            With these ways and groups.
        """
        filled = {one.name: {slot.name for slot in one.slots} for one in network.ladders}
        found = []
        for choice in self.choices:
            taken = choice.taken(filled[choice.ladder])
            if taken is not None:
                others = tuple(one.name for one in choice.alternatives if one is not taken)
                found.append(
                    Taken(
                        ladder=choice.ladder,
                        name=taken.name,
                        slots=taken.slots,
                        others=others,
                        control=choice.control,
                    )
                )
        return tuple(found)

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


def lay_out(
    entries: Sequence[Slot | OneOf], ladder: str
) -> tuple[tuple[Slot, ...], tuple[LadderChoice, ...]]:
    """Lay the slots of all alternatives into one ladder.

    Parameters
    ----------
    entries : sequence of Slot or OneOf
        Source first.
    ladder : str
        Name of the way or group.

    Returns
    -------
    slots : tuple of Slot
        Those of alternatives may stay empty, each by itself.
    choices : tuple of LadderChoice
        What of them is built together.

    Raises
    ------
    InputError
        Where a slot lies across one that only an alternative has, or a transformer is one.
    """
    slots: list[Slot] = []
    choices: list[LadderChoice] = []
    for entry in entries:
        if not isinstance(entry, OneOf):
            slots.append(entry)
            continue
        slots += [replace(s, optional=True) for one in entry.alternatives.values() for s in one]
        choices.append(
            LadderChoice(
                ladder=ladder,
                control=entry.control,
                alternatives=tuple(
                    Alternative(
                        name=name,
                        needed=tuple(s.name for s in one if not s.optional),
                        free=tuple(s.name for s in one if s.optional),
                    )
                    for name, one in entry.alternatives.items()
                ),
            )
        )
    chosen = {name for choice in choices for name in choice.slots}
    for slot in slots:
        if slot.name in chosen and not slot.kinds:
            raise InputError(
                "what has no parts to take out is built whatever is chosen",
                subject=Subject("slot", f"{ladder}.{slot.name}"),
                value=slot.form,
                remedy="write it outside of the alternatives",
            )
        if slot.across in chosen:
            raise InputError(
                "a place that another lies across is never empty",
                subject=Subject("slot", f"{ladder}.{slot.name}"),
                value=f"{slot.across}, which only one alternative has",
                remedy="write both as one form, as a bypassed pad",
            )
    return tuple(slots), tuple(choices)


def _choices_around(topology: Topology, fitted: Mapping[str, FittedLadder]) -> Topology:
    """Topology whose choices are those that a network leaves open.

    Alternatives that it mixes are no choice any more: what it has of them stays as a ladder of its
    own. A control stands where it stands, whatever its resistors measure.
    """
    filled = {name: {slot.name: slot for slot in one.slots} for name, one in fitted.items()}
    choices: list[LadderChoice] = []
    mixed: list[LadderChoice] = []
    for choice in topology.choices:
        around = choice.around(filled[choice.ladder])
        if around is None:
            mixed.append(choice)
        else:
            choices.append(around)

    def settle(ladder: Ladder) -> tuple[Slot, ...]:
        built = filled[ladder.name]
        gone = {name for one in mixed if one.ladder == ladder.name for name in one.slots}
        firm = {n for one in mixed for a in one.alternatives for n in a.needed}
        turned = {
            n for one in choices if one.control and one.ladder == ladder.name for n in one.slots
        }
        slots = []
        for slot in ladder.slots:
            if slot.name in gone:
                if slot.name not in built:
                    continue
                slot = replace(slot, optional=slot.name not in firm)
            elif slot.name in turned and slot.name in built and slot.form == built[slot.name].form:
                slot = replace(slot, kept=built[slot.name].parts)
            slots.append(slot)
        return tuple(slots)

    return replace(topology.map_slots(settle), choices=tuple(choices))


def _let_be_empty(ladder: Ladder, choices: Sequence[LadderChoice]) -> tuple[Slot, ...]:
    """Slots of a ladder, those of alternatives empty wherever another one is taken."""
    own = {name for choice in choices if choice.ladder == ladder.name for name in choice.slots}
    return tuple(
        replace(slot, optional=True) if slot.name in own else slot for slot in ladder.slots
    )


def _slots_around(ladder: Ladder, fitted: FittedLadder) -> tuple[Slot, ...]:
    slots = [_slot_around(ladder, slot) for slot in fitted.slots]
    after = 0
    for slot in ladder.slots:
        names = [s.name for s in slots]
        if slot.name in names:
            after = names.index(slot.name) + 1
        elif slot.optional or slot.kept is not None:
            # What was taken off although it was meant to stay may be put back.
            slots.insert(after, replace(slot, optional=True, alterable=True) if slot.kept else slot)
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
