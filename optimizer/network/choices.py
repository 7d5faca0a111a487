"""Alternatives within a ladder: of several sets of slots exactly one is built."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

from optimizer.text.brief import brief


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
class LadderChoice:
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

    def around(self, filled: Collection[str]) -> LadderChoice | None:
        """Return the choice that a network which stands on the bench leaves open.

        Parameters
        ----------
        filled : collection of str
            Slots of the ladder that it fills.

        Returns
        -------
        LadderChoice or None
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

    def without(self, lost: Collection[str]) -> LadderChoice:
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
        As in `LadderChoice`.
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
