"""Short notation for the slots of the benchmark problems."""

from __future__ import annotations

from typing import cast

from optimizer.network.expression.forms import NAMED_FORMS, form_of
from optimizer.network.ladder import Form, Place
from optimizer.network.topology import Slot, ValueRange, Way
from optimizer.parts import Kind, Part
from optimizer.text.units import parse_quantity, parse_range

UNITS: dict[Kind, str] = {"inductor": "H", "capacitor": "F", "resistor": "ohm"}


def slot(
    name: str,
    what: str,
    *ranges: str,
    optional: bool = False,
    kept: tuple[Part, ...] | None = None,
) -> Slot:
    """Build a slot: ``slot("C1", "shunt capacitor", "4.7 .. 22 uF")``.

    `what` is a place and a form; a compound that has one place only may leave the place out.
    """
    words = what.split()
    form = words[-1]
    place = cast(Place, words[0]) if len(words) == 2 else _place_of(form)
    kinds = form_of(form, place).kinds
    limits = (
        [(p.value, p.value) for p in kept]
        if kept
        else [parse_range(text, UNITS[kind]) for kind, text in zip(kinds, ranges, strict=True)]
    )
    return Slot(
        name=name,
        place=place,
        form=form,
        optional=optional,
        kept=kept,
        ranges=tuple(ValueRange(low=low, high=high) for low, high in limits),
    )


def _place_of(form: Form) -> Place:
    """Where a form stands; the line comes first."""
    return next(place for place, name in NAMED_FORMS if name == form)


def keep(name: str, what: str, *parts: tuple[str, float]) -> Slot:
    """Build a slot whose parts stay: ``keep("L1", "series inductor", ("3.3 mH", 0.3))``."""
    form = what.split()[-1]
    kinds = form_of(form, _place_of(form)).kinds
    return slot(
        name,
        what,
        kept=tuple(
            Part(kind=kind, value=parse_quantity(value, UNITS[kind]), loss_ohm=loss, origin="kept")
            for kind, (value, loss) in zip(kinds, parts, strict=True)
        ),
    )


def way(name: str, *slots: Slot, free: bool = False) -> Way:
    """Build a way that feeds the driver of the same name; `free` lets its polarity be chosen."""
    return Way(name=name, driver=name, slots=slots, polarity="free" if free else "normal")
