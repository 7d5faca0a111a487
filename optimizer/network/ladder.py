"""Ladders: what those of a topology and of a network as built have in common."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import Field, dataclass, replace
from typing import Any, ClassVar, Generic, Self, TypeVar

from optimizer.errors import InputError, Subject
from optimizer.network.expression.forms import Form as Form
from optimizer.network.expression.forms import NamedForm, form_of
from optimizer.network.expression.forms import Place as Place
from optimizer.network.expression.nodes import IDEAL, SourceResistance
from optimizer.network.expression.plan import Joint


class AnySlot:
    """What an open slot and a filled one have in common."""

    __slots__ = ()

    name: str
    place: Place
    form: Form
    across: str

    @property
    def optional(self) -> bool:
        """Whether it may stay empty."""
        return False

    @property
    def circuit(self) -> NamedForm:
        """Its form: how its parts are joined."""
        return form_of(self.form, self.place)


_S = TypeVar("_S", bound=AnySlot)


class AnyLadder(Generic[_S]):
    """What has a name and slots, source first."""

    __slots__ = ()
    __dataclass_fields__: ClassVar[dict[str, Field[Any]]]

    name: str
    slots: tuple[_S, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "slots", order_slots(self.slots, self.name))

    @property
    def title(self) -> str:
        """Its name, and how it is connected where that is not as usual."""
        return self.name


class AnyGroup(AnyLadder[_S]):
    """What joins ways and groups."""

    __slots__ = ()

    members: tuple[str, ...]
    joint: Joint

    @property
    def title(self) -> str:
        """Its name and what it joins."""
        return f"{self.name} ({', '.join(self.members)} in {self.joint})"


_W = TypeVar("_W", bound=AnyLadder[Any])
_G = TypeVar("_G", bound=AnyGroup[Any])


@dataclass(frozen=True, slots=True, kw_only=True)
class Ladders(Generic[_W, _G, _S]):
    """The ladders of a whole speaker.

    Parameters
    ----------
    ways : tuple
        One for each driver.
    groups : tuple
        What several ways share; everything that is in no group hangs on the amplifier's terminals,
        in parallel.
    source : SourceResistance
        Amplifier and cable.

    Raises
    ------
    InputError
        When members of groups are unknown, in two groups or within themselves.
    """

    ways: tuple[_W, ...]
    groups: tuple[_G, ...] = ()
    source: SourceResistance = IDEAL

    def __post_init__(self) -> None:
        _check_groups(self.ways, self.groups)

    @property
    def branches(self) -> tuple[_W | _G, ...]:
        """What hangs on the amplifier's terminals: ways and groups in no group, as they begin."""
        if not self.groups:
            return self.ways
        holder = {member: group for group in self.groups for member in group.members}
        found: dict[str, _W | _G] = {}
        for way in self.ways:
            one: _W | _G = way
            while one.name in holder:
                one = holder[one.name]
            found[one.name] = one
        return tuple(found.values())

    @property
    def ladders(self) -> tuple[_W | _G, ...]:
        """Everything with slots, source first: each group right before its members."""
        if not self.groups:
            return self.ways
        ladders: dict[str, _W | _G] = {way.name: way for way in self.ways}
        ladders |= {group.name: group for group in self.groups}
        members = {group.name: group.members for group in self.groups}

        def down(name: str) -> Iterator[_W | _G]:
            yield ladders[name]
            for member in members.get(name, ()):
                yield from down(member)

        return tuple(one for top in self.branches for one in down(top.name))

    def map_slots(self, change: Callable[[_W | _G], tuple[_S, ...]]) -> Self:
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
    if host.optional:
        raise InputError(
            "a place that another lies across is never empty",
            subject=here,
            value=f"{host.name}, which is optional",
            remedy=f'remove "optional" from {host.name}, or write both as one form, as a bypassed pad',
        )


def _check_groups(ways: Sequence[AnyLadder[Any]], groups: Sequence[AnyGroup[Any]]) -> None:
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


def _check_depth(groups: Sequence[AnyGroup[Any]], holder: Mapping[str, str]) -> None:
    for group in groups:
        at, above = group.name, set[str]()
        while at in holder:
            above.add(at)
            at = holder[at]
            if at in above:
                raise InputError(
                    "a group cannot be within itself", subject=Subject("group", group.name)
                )
