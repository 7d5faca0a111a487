"""Parts and networks in a few words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

from optimizer.network.ladder import Form, Place
from optimizer.network.network import FittedSlot, FittedWay, Network
from optimizer.parts import Kind, Part


def part(kind: Kind, value: float, loss_ohm: float = 0.0, **more: Any) -> Part:
    """Make a part of any kind from its value in H, F or ohm and its series loss in ohm."""
    return Part(kind=kind, value=value, loss_ohm=loss_ohm, **more)


def coil(value: float, dcr: float = 0.0, **more: Any) -> Part:
    """Coil of so many henry, with its resistance in ohm."""
    return Part(kind="inductor", value=value, loss_ohm=dcr, **more)


def capacitor(value: float, esr: float = 0.0, **more: Any) -> Part:
    """Capacitor of so many farad, with its series resistance in ohm."""
    return Part(kind="capacitor", value=value, loss_ohm=esr, **more)


def resistor(value: float, **more: Any) -> Part:
    """Resistor of so many ohm."""
    return Part(kind="resistor", value=value, **more)


def fitted(name: str, place: Place, form: Form, *parts: Part) -> FittedSlot:
    """Fill a slot of any form."""
    return FittedSlot(name=name, place=place, form=form, parts=parts)


def in_line(name: str, part: Part) -> FittedSlot:
    """One part in the line."""
    return fitted(name, "series", part.kind, part)


def across(name: str, part: Part) -> FittedSlot:
    """One part across the line."""
    return fitted(name, "shunt", part.kind, part)


def network(ways: dict[str, Sequence[FittedSlot]], *, inverted: Sequence[str] = ()) -> Network:
    """Put filled slots together to a network, one way for each driver.

    Parameters
    ----------
    ways : dict of str to sequence of FittedSlot
        By driver, source first.
    inverted : sequence of str
        Drivers connected the other way round.

    Examples
    --------
    >>> network({"tweeter": [in_line("C1", capacitor(4.7e-6))]}, inverted=["tweeter"])
    <Network tweeter inverted: C1 4.7 uF>
    """
    signs: dict[str, Literal[1, -1]] = dict.fromkeys(inverted, -1)
    return Network(
        ways=tuple(
            FittedWay(name=name, driver=name, polarity=signs.get(name, 1), slots=tuple(slots))
            for name, slots in ways.items()
        )
    )
