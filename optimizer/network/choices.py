"""Alternatives within a ladder: of several sets of slots exactly one is built."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from optimizer.errors import InputError, Subject
from optimizer.text.brief import brief

if TYPE_CHECKING:
    from optimizer.network.topology import Slot


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternative:
    """Slots that are built together, or none.

    Parameters
    ----------
    name : str
        What it is called: "second order", or the position of a control.
    needed : tuple of str
        Names of slots that are filled when it is taken.
    free : tuple of str
        Names of slots that may be filled when it is taken.
    """

    name: str
    needed: tuple[str, ...] = ()
    free: tuple[str, ...] = ()

    @property
    def slots(self) -> tuple[str, ...]:
        """Names of all its slots."""
        return self.needed + self.free


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """Alternatives of which one is taken.

    The ladder holds the slots of all of them, each `Slot.optional`: what must be filled together
    is said here alone.

    Parameters
    ----------
    ladder : str
        Name of the way or group.
    alternatives : tuple of Alternative
        No slot is in two of them.
    control : str
        Name of the control whose positions they are, as that of a variable pad; empty for parts
        that are soldered in.
    """

    ladder: str
    alternatives: tuple[Alternative, ...]
    control: str = ""

    __repr__ = brief

    @property
    def slots(self) -> tuple[str, ...]:
        """Names of the slots of all alternatives."""
        return tuple(name for one in self.alternatives for name in one.slots)

    def taken(self, filled: Collection[str]) -> Alternative | None:
        """Return the alternative that some filled slots build; None when they build no single one.

        Parameters
        ----------
        filled : collection of str
            Slots of the ladder, those of no alternative too.
        """
        own = {name for name in self.slots if name in filled}
        return next((a for a in self.alternatives if set(a.needed) <= own <= set(a.slots)), None)

    def around(self, filled: Collection[str]) -> Choice | None:
        """Return the choice that a network which stands on the bench leaves open.

        Parameters
        ----------
        filled : collection of str
            Slots of the ladder that it fills.

        Returns
        -------
        Choice or None
            Whatever the network lacks of its alternative is not needed; a network without any of
            them has one of its own, of nothing. None when it mixes alternatives: it is no point of
            the choice.
        """
        own = {name for name in self.slots if name in filled}
        if not own:
            if any(not one.needed for one in self.alternatives):
                return self
            return replace(self, alternatives=(*self.alternatives, Alternative(name="as built")))
        if not any(own <= set(one.slots) for one in self.alternatives):
            return None
        return replace(
            self,
            alternatives=tuple(
                replace(
                    one,
                    needed=tuple(name for name in one.needed if name in own),
                    free=(*one.free, *(name for name in one.needed if name not in own)),
                )
                if own <= set(one.slots)
                else one
                for one in self.alternatives
            ),
        )

    def without(self, lost: Collection[str]) -> Choice:
        """Return the choice where some slots cannot be had: alternatives that need them are gone.

        Parameters
        ----------
        lost : collection of str
            Names of slots of the ladder.
        """
        return replace(
            self,
            alternatives=tuple(
                replace(one, free=tuple(name for name in one.free if name not in lost))
                for one in self.alternatives
                if not set(one.needed) & set(lost)
            ),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """Which alternative of a choice a network builds.

    Parameters
    ----------
    ladder, control
        As in `Choice`.
    name, slots
        Of the alternative.
    others : tuple of str
        Names of the others.
    """

    ladder: str
    name: str
    slots: tuple[str, ...]
    others: tuple[str, ...]
    control: str = ""

    __repr__ = brief


@dataclass(frozen=True, slots=True)
class OneOf:
    """Alternatives as they are written within the list of slots of a ladder; see `lay_out`."""

    alternatives: Mapping[str, Sequence[Slot]]
    control: str = ""


def lay_out(
    entries: Sequence[Slot | OneOf], ladder: str
) -> tuple[tuple[Slot, ...], tuple[Choice, ...]]:
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
    choices : tuple of Choice
        What of them is built together.

    Raises
    ------
    InputError
        Where a slot lies across one that only an alternative has.
    """
    slots: list[Slot] = []
    choices: list[Choice] = []
    for entry in entries:
        if not isinstance(entry, OneOf):
            slots.append(entry)
            continue
        slots += [replace(s, optional=True) for one in entry.alternatives.values() for s in one]
        choices.append(
            Choice(
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
        if slot.across in chosen:
            raise InputError(
                "a place that another lies across is never empty",
                subject=Subject("slot", f"{ladder}.{slot.name}"),
                value=f"{slot.across}, which only one alternative has",
                remedy="write both as one form, as a bypassed pad",
            )
    return tuple(slots), tuple(choices)
