"""A network as built: filled slots, ways and groups."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from optimizer.network.expression.plan import Joint
from optimizer.network.ladder import AnyGroup, AnyLadder, AnySlot, Form, Ladders, Place
from optimizer.network.references import References, name_references
from optimizer.parts import KEPT, UNIT_OF_KIND, Part
from optimizer.text.brief import brief, clip, html_table
from optimizer.text.units import format_quantity

PartKey = tuple[str, str, int]
"""Where a part sits: its ladder (a way or a group), slot, and which part of its slot."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedSlot(AnySlot):
    """A filled slot: its name, place and form, one `Part` per part of the form, and `Slot.across`."""

    name: str
    place: Place
    form: Form
    parts: tuple[Part, ...]
    across: str = ""

    __repr__ = brief

    @property
    def named_parts(self) -> tuple[tuple[str, Place, Part], ...]:
        """Every part with its name in reports and files, and whether it is in the line.

        ``L1`` for a single part; ``N1.L``, ``N1.C``, ``N1.R`` for the parts of a compound and
        ``P1.Rs``, ``P1.Rp`` for the two resistors of a pad, the second one across the line.
        """
        form = self.circuit
        return tuple(zip(form.label_parts(self.name), form.places, self.parts, strict=True))

    def __str__(self) -> str:
        if not self.parts:
            return f"{self.name} {self.form}"
        values = (format_quantity(p.value, UNIT_OF_KIND[p.kind], 4) for p in self.parts)
        return f"{self.name} {' + '.join(values)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedWay(AnyLadder[FittedSlot]):
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

    @property
    def title(self) -> str:
        """Its name, and whether its driver is inverted."""
        return self.name + " inverted" * (self.polarity == -1)


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedGroup(AnyGroup[FittedSlot]):
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


FittedLadder = FittedWay | FittedGroup
"""What has a name and filled slots."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Network(Ladders[FittedWay, FittedGroup, FittedSlot]):
    """A complete, buildable network: every way and group as built, see `Ladders`."""

    def __repr__(self) -> str:
        return clip(f"<Network {self}>")

    def __str__(self) -> str:
        return "; ".join(self.say_ladders())

    def say_ladders(self) -> tuple[str, ...]:
        """Say of each way and group in one line what it consists of."""
        return tuple(
            f"{one.title}: " + (", ".join(map(str, one.slots)) or "no parts")
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
    def references(self) -> References:
        """What each part and transformer is called that no other is, by its ladder and own name."""
        return name_references(
            named
            for one in self.ladders
            for slot in one.slots
            for named in (
                *(((one.name, name), part.kind) for name, _, part in slot.named_parts),
                *((((one.name, slot.name), "tap"),) if slot.circuit.gain is not None else ()),
            )
        )

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
