"""Slots and topology: what may sit where between the amplifier and a driver's terminals."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal, Protocol, TypeVar

from optimizer.errors import InputError, Subject
from optimizer.network.expression.forms import Form as Form
from optimizer.network.expression.forms import NamedForm, form_of
from optimizer.network.expression.forms import Place as Place
from optimizer.network.expression.nodes import IDEAL, SourceResistance
from optimizer.network.expression.plan import Joint
from optimizer.parts import KEPT, UNIT_OF_KIND, Kind, Part
from optimizer.text.brief import brief, clip, html_table
from optimizer.text.units import format_quantity

PartKey = tuple[str, str, int]
"""Where a part sits: its ladder (a way or a group), slot, and which part of its slot."""

REACH = 4.0
"""How far the value of a part that a topology does not know may move, as a factor either way."""


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
    def circuit(self) -> NamedForm:
        """Its form: how its parts are joined."""
        return form_of(self.form, self.place)

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

    def __post_init__(self) -> None:
        object.__setattr__(self, "slots", order_slots(self.slots, self.name))


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
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

    def __post_init__(self) -> None:
        object.__setattr__(self, "slots", order_slots(self.slots, self.name))


Ladder = Way | Group
"""What has a name and slots."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Topology:
    """The slots of a whole speaker.

    Parameters
    ----------
    ways : tuple of Way
        One for each driver.
    groups : tuple of Group
        What several ways share; everything that is in no group hangs on the amplifier's terminals,
        in parallel.
    source : SourceResistance
        Amplifier and cable.

    Raises
    ------
    InputError
        When members of groups are unknown, in two groups or within themselves.
    """

    ways: tuple[Way, ...]
    groups: tuple[Group, ...] = ()
    source: SourceResistance = IDEAL

    def __post_init__(self) -> None:
        _check_groups(self.ways, self.groups)

    @property
    def ladders(self) -> tuple[Ladder, ...]:
        """Everything with slots, source first: each group right before its members."""
        return _source_first(self.ways, self.groups)

    @property
    def branches(self) -> tuple[Ladder, ...]:
        """What hangs on the amplifier's terminals: ways and groups that are in no group."""
        return _at_source(self.ways, self.groups)

    def map_slots(self, change: Callable[[Ladder], tuple[Slot, ...]]) -> Topology:
        """Return the same speaker with other slots.

        Parameters
        ----------
        change : callable
            Gives the slots of each way and group.
        """
        return replace(
            self,
            ways=tuple(replace(way, slots=change(way)) for way in self.ways),
            groups=tuple(replace(group, slots=change(group)) for group in self.groups),
        )

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
            f"{_title(one)}: {', '.join(slot.name + '?' * slot.optional for slot in one.slots)}"
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

    def __post_init__(self) -> None:
        object.__setattr__(self, "slots", order_slots(self.slots, self.name))


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedGroup:
    """One group as built: how its members are joined and the parts in front of them.

    Parameters
    ----------
    name, members, joint
        As in `Group`.
    slots : tuple of FittedSlot
        Filled slots only, source first.
    """

    name: str
    members: tuple[str, ...]
    joint: Joint = "parallel"
    slots: tuple[FittedSlot, ...] = ()

    __repr__ = brief

    def __post_init__(self) -> None:
        object.__setattr__(self, "slots", order_slots(self.slots, self.name))


FittedLadder = FittedWay | FittedGroup
"""What has a name and filled slots."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedSlot:
    """A filled slot: its name, place and form, one `Part` per part of the form, and `Slot.across`."""

    name: str
    place: Place
    form: Form
    parts: tuple[Part, ...]
    across: str = ""

    __repr__ = brief

    @property
    def circuit(self) -> NamedForm:
        """Its form: how its parts are joined."""
        return form_of(self.form, self.place)

    @property
    def named_parts(self) -> tuple[tuple[str, Place, Part], ...]:
        """Every part with its name in reports and files, and whether it is in the line.

        ``L1`` for a single part; ``N1.L``, ``N1.C``, ``N1.R`` for the parts of a compound and
        ``P1.Rs``, ``P1.Rp`` for the two resistors of a pad, the second one across the line.
        """
        form = self.circuit
        return tuple(zip(form.label_parts(self.name), form.places, self.parts, strict=True))

    def __str__(self) -> str:
        values = (format_quantity(p.value, UNIT_OF_KIND[p.kind], 4) for p in self.parts)
        return f"{self.name} {' + '.join(values)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Network:
    """A complete, buildable network: every way and group as built.

    Parameters
    ----------
    ways, groups, source
        As in `Topology`.

    Raises
    ------
    InputError
        See `Topology`.
    """

    ways: tuple[FittedWay, ...]
    groups: tuple[FittedGroup, ...] = ()
    source: SourceResistance = IDEAL

    def __post_init__(self) -> None:
        _check_groups(self.ways, self.groups)

    @property
    def ladders(self) -> tuple[FittedLadder, ...]:
        """Everything with slots, source first: each group right before its members."""
        return _source_first(self.ways, self.groups)

    @property
    def branches(self) -> tuple[FittedLadder, ...]:
        """What hangs on the amplifier's terminals: ways and groups that are in no group."""
        return _at_source(self.ways, self.groups)

    def map_slots(self, change: Callable[[FittedLadder], tuple[FittedSlot, ...]]) -> Network:
        """Return the same speaker with other filled slots.

        Parameters
        ----------
        change : callable
            Gives the slots of each way and group.
        """
        return replace(
            self,
            ways=tuple(replace(way, slots=change(way)) for way in self.ways),
            groups=tuple(replace(group, slots=change(group)) for group in self.groups),
        )

    def __repr__(self) -> str:
        return clip(f"<Network {self}>")

    def __str__(self) -> str:
        return "; ".join(
            f"{_title(one)}: " + (", ".join(map(str, one.slots)) or "no parts")
            for one in self.ladders
        )

    def _repr_html_(self) -> str:
        rows = [
            (
                one.name,
                ("inverted" if one.polarity < 0 else "normal")
                if isinstance(one, FittedWay)
                else "",
                slot.name,
                f"{slot.place} {slot.form}",
                str(slot).removeprefix(f"{slot.name} "),
                ", ".join(dict.fromkeys(part.origin for part in slot.parts)),
            )
            for one in self.ladders
            for slot in one.slots
        ]
        return html_table("Network", ("ladder", "polarity", "place", "form", "value", "from"), rows)

    @property
    def places(self) -> dict[PartKey, Part]:
        """Every part by where it sits."""
        return {
            (one.name, slot.name, i): part
            for one in self.ladders
            for slot in one.slots
            for i, part in enumerate(slot.parts)
        }

    @property
    def parts(self) -> tuple[Part, ...]:
        """Every part, source first."""
        return tuple(self.places.values())

    def replace_parts(self, changes: Mapping[PartKey, Part]) -> Network:
        """Return the network with other parts in some of its places.

        Parameters
        ----------
        changes : mapping of PartKey to Part
            Places that it does not have are passed over.
        """
        return self.map_slots(
            lambda ladder: tuple(
                replace(
                    slot,
                    parts=tuple(
                        changes.get((ladder.name, slot.name, i), part)
                        for i, part in enumerate(slot.parts)
                    ),
                )
                for slot in ladder.slots
            )
        )

    @property
    def piece_count(self) -> int:
        """Physical pieces to buy or take from the shelf; kept parts do not count."""
        return sum(part.piece_count for part in self.parts if part.origin != KEPT)


_S = TypeVar("_S", Slot, FittedSlot)


def order_slots(slots: tuple[_S, ...], ladder: str) -> tuple[_S, ...]:
    """Put each slot that lies across another right before that one: parts come source first.

    Parameters
    ----------
    slots : tuple of Slot or of FittedSlot
        Of one ladder.
    ladder : str
        Its name.

    Raises
    ------
    InputError
        When one of them cannot lie across another.
    """
    if not any(slot.across for slot in slots):
        return slots
    hosts = {slot.name: slot for slot in slots if not slot.across}
    for slot in slots:
        if slot.across:
            _check_across(slot, hosts, ladder)
    ordered: list[_S] = []
    for slot in slots:
        if not slot.across:
            ordered.extend(other for other in slots if other.across == slot.name)
            ordered.append(slot)
    return tuple(ordered)


def _check_across(slot: _S, hosts: Mapping[str, _S], ladder: str) -> None:
    here = Subject("slot", f"{ladder}.{slot.name}")
    if set(slot.circuit.places) != {"series"}:
        raise InputError(
            "only what could be in the line lies across another place",
            subject=here,
            value=f"{slot.place} {slot.form}",
        )
    host = hosts.get(slot.across)
    if host is None:
        able = [name for name, one in hosts.items() if "series" in one.circuit.places]
        raise InputError(
            "what lies across a place needs that place in the same ladder, and not across another",
            subject=here,
            value=repr(slot.across),
            remedy=f"known here: {', '.join(able) or 'none'}",
        )
    if "series" not in host.circuit.places:
        raise InputError(
            "what lies across a place is in parallel with its part in the line",
            subject=here,
            value=f"{host.name}, which is across the line",
        )
    if isinstance(host, Slot) and host.optional:
        raise InputError(
            "a place that another lies across is never empty",
            subject=here,
            value=f"{host.name}, which is optional",
            remedy=f'remove "optional" from {host.name}, or write both as one form, as a bypassed pad',
        )


class _Named(Protocol):
    @property
    def name(self) -> str: ...


class _Joining(_Named, Protocol):
    @property
    def members(self) -> tuple[str, ...]: ...


_W = TypeVar("_W", bound=_Named)
_G = TypeVar("_G", bound=_Joining)


def _check_groups(ways: Sequence[_Named], groups: Sequence[_Joining]) -> None:
    """Raise unless every member is a way or group, in one group only and not within itself."""
    if not groups:
        return
    names = [one.name for one in (*ways, *groups)]
    holder: dict[str, str] = {}
    for group in groups:
        here = Subject("group", group.name)
        if names.count(group.name) > 1:
            raise InputError("a group needs a name of its own", subject=here)
        if not group.members:
            raise InputError("a group joins at least one way", subject=here)
        for member in group.members:
            if member not in names:
                raise InputError(
                    "the members of a group are ways and other groups",
                    subject=here,
                    value=repr(member),
                    remedy=f"known here: {', '.join(names)}",
                )
            if member in holder:
                raise InputError(
                    "a way or group belongs to one group only",
                    subject=here,
                    value=f"{member}, also in {holder[member]}",
                )
            holder[member] = group.name
    _check_depth(groups, holder)


def _check_depth(groups: Sequence[_Joining], holder: Mapping[str, str]) -> None:
    for group in groups:
        at, above = group.name, set[str]()
        while at in holder:
            above.add(at)
            at = holder[at]
            if at in above:
                raise InputError(
                    "a group cannot be within itself", subject=Subject("group", group.name)
                )


def _at_source(ways: Sequence[_W], groups: Sequence[_G]) -> tuple[_W | _G, ...]:
    """Ways and groups that are in no group, in the order of their first ways."""
    if not groups:
        return tuple(ways)
    holder = {member: group for group in groups for member in group.members}
    found: dict[str, _W | _G] = {}
    for way in ways:
        one: _W | _G = way
        while one.name in holder:
            one = holder[one.name]
        found[one.name] = one
    return tuple(found.values())


def _source_first(ways: Sequence[_W], groups: Sequence[_G]) -> tuple[_W | _G, ...]:
    if not groups:
        return tuple(ways)
    ladders: dict[str, _W | _G] = {way.name: way for way in ways}
    ladders |= {group.name: group for group in groups}
    members = {group.name: group.members for group in groups}

    def down(name: str) -> Iterator[_W | _G]:
        yield ladders[name]
        for member in members.get(name, ()):
            yield from down(member)

    return tuple(one for top in _at_source(ways, groups) for one in down(top.name))


def _title(ladder: Ladder | FittedLadder) -> str:
    if isinstance(ladder, Group | FittedGroup):
        return f"{ladder.name} ({', '.join(ladder.members)} in {ladder.joint})"
    return ladder.name + " inverted" * (ladder.polarity == -1)


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
        kept=fitted.parts if on_board else None,
        across=fitted.across,
    )
