"""Slots written in one line each, for topologies that are built in Python.

>>> series_inductor("L1", "1 mH", "6 mH")
<Slot name='L1', place='series', form='inductor', ranges=1 x ValueRange, optional=False, kept=None...>
>>> pad("P1", series_resistor="0.5 .. 10 ohm", optional=True).ranges[0]
ValueRange(low=0.5, high=10.0)
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from optimizer.errors import InputError, Subject
from optimizer.network.expression.forms import form_of, form_of_tap, say_with_article
from optimizer.network.ladder import Form, Place
from optimizer.network.topology import Slot, ValueRange
from optimizer.parts import KEPT, UNIT_OF_KIND, Part
from optimizer.text.units import parse_quantity, parse_range

Stated = str | float
"""A value with its unit ("4.7 uF"), or a number in H, F or ohm."""

Range = str | tuple[Stated | None, Stated | None]
"""Both ends of a range: "1 mH .. 6 mH", or two values; None leaves an end to the usual range."""


def series_inductor(
    name: str, low: Stated | None = None, high: Stated | None = None, *, optional: bool = False
) -> Slot:
    """Coil in the line; see `make_slot` for the parameters of all these functions."""
    return make_slot(name, "series", "inductor", {"inductor": (low, high)}, optional=optional)


def shunt_inductor(
    name: str, low: Stated | None = None, high: Stated | None = None, *, optional: bool = False
) -> Slot:
    """Coil across the line."""
    return make_slot(name, "shunt", "inductor", {"inductor": (low, high)}, optional=optional)


def series_capacitor(
    name: str, low: Stated | None = None, high: Stated | None = None, *, optional: bool = False
) -> Slot:
    """Capacitor in the line."""
    return make_slot(name, "series", "capacitor", {"capacitor": (low, high)}, optional=optional)


def shunt_capacitor(
    name: str, low: Stated | None = None, high: Stated | None = None, *, optional: bool = False
) -> Slot:
    """Capacitor across the line."""
    return make_slot(name, "shunt", "capacitor", {"capacitor": (low, high)}, optional=optional)


def series_resistor(
    name: str, low: Stated | None = None, high: Stated | None = None, *, optional: bool = False
) -> Slot:
    """Resistor in the line."""
    return make_slot(name, "series", "resistor", {"resistor": (low, high)}, optional=optional)


def shunt_resistor(
    name: str, low: Stated | None = None, high: Stated | None = None, *, optional: bool = False
) -> Slot:
    """Resistor across the line."""
    return make_slot(name, "shunt", "resistor", {"resistor": (low, high)}, optional=optional)


def notch(
    name: str,
    *,
    inductor: Range | None = None,
    capacitor: Range | None = None,
    resistor: Range | None = None,
    optional: bool = False,
) -> Slot:
    """Coil, capacitor and resistor in series, across the line."""
    ranges = {"inductor": inductor, "capacitor": capacitor, "resistor": resistor}
    return make_slot(name, "shunt", "notch", ranges, optional=optional)


def trap(
    name: str,
    *,
    inductor: Range | None = None,
    capacitor: Range | None = None,
    resistor: Range | None = None,
    optional: bool = False,
) -> Slot:
    """Coil, capacitor and resistor in parallel, in the line."""
    ranges = {"inductor": inductor, "capacitor": capacitor, "resistor": resistor}
    return make_slot(name, "series", "trap", ranges, optional=optional)


def equaliser(
    name: str,
    *,
    resistor: Range | None = None,
    capacitor: Range | None = None,
    optional: bool = False,
) -> Slot:
    """Resistor and capacitor in series, across the driver, against its rising impedance."""
    ranges = {"resistor": resistor, "capacitor": capacitor}
    return make_slot(name, "shunt", "equaliser", ranges, optional=optional)


def pad(
    name: str,
    *,
    series_resistor: Range | None = None,
    shunt_resistor: Range | None = None,
    optional: bool = False,
) -> Slot:
    """Resistor in the line, then one across the driver, to lower its level."""
    ranges = {"series_resistor": series_resistor, "shunt_resistor": shunt_resistor}
    return make_slot(name, "series", "pad", ranges, optional=optional)


def autotransformer(name: str, gain: str | float) -> Slot:
    """Ideal transformer in front of what follows.

    Parameters
    ----------
    name : str
        As in `Slot`.
    gain : str or float
        Volts after it over volts before it: 0.5, or "-6 dB".
    """
    try:
        form = form_of_tap(str(gain))
    except InputError as error:
        raise error.about(Subject("slot", name)) from None
    return Slot(name=name, place="series", form=form.name, ranges=())


def make_slot(
    name: str,
    place: Place,
    form: Form,
    ranges: Mapping[str, Range | None],
    *,
    optional: bool = False,
) -> Slot:
    """Make a slot of any form.

    Parameters
    ----------
    name, place, form
        As in `Slot`.
    ranges : mapping of str to range
        By the key of the part ("series_resistor" of a pad, "R" of an expression): "1 mH .. 6 mH",
        or two values with or without unit; an end that is None, or a part left out, gets the usual
        range of its form.
    optional : bool
        Whether it may stay empty.

    Returns
    -------
    Slot

    Raises
    ------
    InputError
        A form that cannot stand there, a value that cannot be read, a range that does not rise.
    """
    try:
        made = form_of(form, place)
    except InputError as error:
        raise error.about(Subject("slot", name)) from None
    stray = next((key for key in ranges if key not in made.keys), None)
    if stray is not None:
        raise InputError(
            f"{say_with_article(form)} has no part of this name",
            subject=Subject("slot", name),
            value=repr(stray),
            remedy=f"its parts are {', '.join(made.keys)}",
        )
    return Slot(
        name=name,
        place=place,
        form=made.name,
        ranges=tuple(
            _read_range(name, ranges.get(key), UNIT_OF_KIND[kind], usual)
            for key, kind, usual in zip(made.keys, made.kinds, made.usual_ranges, strict=True)
        ),
        optional=optional,
    )


def keep(slot: Slot, *values: Stated, loss: Stated = 0.0, alter: bool = False) -> Slot:
    """Say what is on the board in a slot already.

    Parameters
    ----------
    slot : Slot
        Its ranges count only with `alter`.
    *values : str or float
        One for each part of the form.
    loss : str or float
        Resistance of the coil, or of a capacitor where there is no coil, in ohm.
    alter : bool
        Whether other parts within the ranges may replace it.

    Returns
    -------
    Slot

    Raises
    ------
    InputError
        Too few or too many values, or one that cannot be read.

    Examples
    --------
    >>> keep(series_inductor("L1"), "2.2 mH", loss="0.2 ohm").kept[0].loss_ohm
    0.2
    """
    if len(values) != len(slot.kinds):
        raise InputError(
            f"a kept {slot.form} needs {len(slot.kinds)} values",
            subject=Subject("slot", slot.name),
            value=len(values),
        )
    lossy = next((k for k in ("inductor", "capacitor") if k in slot.kinds), "")
    parts = []
    for kind, value in zip(slot.kinds, values, strict=True):
        number = _read_value(slot.name, value, UNIT_OF_KIND[kind])
        ohm = parse_quantity(loss, "ohm") if kind == lossy else 0.0
        parts.append(Part(kind=kind, value=number, loss_ohm=ohm, origin=KEPT, pieces=(number,)))
    spans = tuple(ValueRange(low=part.value, high=part.value) for part in parts)
    return replace(
        slot,
        ranges=slot.ranges if alter else spans,
        kept=tuple(parts),
        alterable=alter or slot.optional,
    )


def _read_range(
    name: str,
    text: Range | None,
    unit: str,
    assumed: tuple[float, float],
) -> ValueRange:
    if isinstance(text, str):
        try:
            low, high = parse_range(text, unit)
        except InputError as error:
            raise error.about(Subject("slot", name)) from None
    else:
        ends = (None, None) if text is None else text
        low, high = (
            plain if end is None else _read_value(name, end, unit)
            for end, plain in zip(ends, assumed, strict=True)
        )
    if not 0.0 < low <= high:
        raise InputError(
            "a range runs from a value above 0 to one that is no smaller",
            subject=Subject("slot", name),
            value=f"{low:g} .. {high:g} {unit}",
        )
    return ValueRange(low=low, high=high)


def _read_value(name: str, value: Stated, unit: str) -> float:
    if not isinstance(value, str):
        return float(value)
    try:
        return parse_quantity(value, unit)
    except InputError as error:
        raise error.about(Subject("slot", name)) from None
