"""The ways of a network file: slots and parts as built."""

from __future__ import annotations

from optimizer.bench.networks.stated_part import LOSS_KEYS, Joining, StatedPart, settle_part
from optimizer.design.read.ladder import FORMS, KEYS_OF_FORM
from optimizer.errors import InputError
from optimizer.network.ladder import (
    PARTS_OF_FORM,
    PLACES_OF_FORM,
    FittedSlot,
    FittedWay,
    Form,
    Place,
    Way,
)
from optimizer.parts import UNIT_OF_KIND, Kind, Part
from optimizer.problem.problem import Problem
from optimizer.text.units import parse_quantity
from optimizer.text.yamltext import Entry, suggest

RATING_UNITS: dict[Kind, str] = {"inductor": "A", "capacitor": "V", "resistor": "W"}
"""Unit of the rating of each kind."""

_PART_KEYS = ("dcr", "esr", "tolerance", "origin", "pieces", "joined", "price", "rating", "note")


def read_way(way: Way, entry: Entry, problem: Problem, notes: list[str]) -> FittedWay:
    """Read one way of a network file.

    Parameters
    ----------
    way : Way
        The way of the design: it completes what is left out.
    entry : Entry
        The block of the way.
    problem : Problem
        Its stock completes the parts.
    notes : list of str
        Gets a line for everything assumed.

    Returns
    -------
    FittedWay

    Raises
    ------
    InputError
        With file, line, rule and remedy.
    """
    fields = entry.fields(("driver", "polarity", "ladder"), needed=("ladder",))
    if "driver" in fields and fields["driver"].text() != way.driver:
        raise fields["driver"].error(
            f"in the design this way feeds the driver {way.driver}",
            value=repr(fields["driver"].text()),
            remedy="correct it or leave it out",
        )
    inverted = way.polarity == "inverted"
    if "polarity" in fields:
        inverted = fields["polarity"].choice(("normal", "inverted")) == "inverted"
    elif way.polarity == "free":
        raise entry.error(
            "the design leaves the polarity of this way open",
            remedy='add "polarity: normal" or "polarity: inverted"',
        )
    slots: dict[str, FittedSlot] = {}
    for inner in fields["ladder"].items():
        slot = _read_slot(way, inner, problem, notes)
        if slot.name in slots:
            raise inner.error(
                "two slots of one way cannot share a name",
                value=repr(slot.name),
                remedy="rename one of them",
            )
        slots[slot.name] = slot
    return FittedWay(
        name=way.name,
        driver=way.driver,
        slots=tuple(slots.values()),
        polarity=-1 if inverted else 1,
    )


def _read_slot(way: Way, entry: Entry, problem: Problem, notes: list[str]) -> FittedSlot:
    every = dict.fromkeys(
        (
            "name",
            "series",
            "shunt",
            "value",
            *_PART_KEYS,
            *(key for form in FORMS for key in KEYS_OF_FORM[form]),
        )
    )
    fields = entry.fields(every, needed=("name",))
    name = fields["name"].text()
    place, form = _read_place(way, name, entry, fields)
    known = next((slot for slot in way.slots if slot.name == name and slot.form == form), None)
    kept = (known.kept if known else None) or (None,) * len(PARTS_OF_FORM[form])
    keys = KEYS_OF_FORM[form]
    if len(keys) == 1:
        stray = next((key for key in fields if key in FORMS or "resistor_" in key), None)
        if stray:
            raise fields[stray].error(
                f"this key does not belong to {_article(form)}",
                value=repr(stray),
                remedy='write its value as "value: ..."',
            )
        if "value" not in fields:
            raise entry.error(
                f"{way.name} {name} needs its value", remedy='add "value: ..." with its unit'
            )
        parts = [
            _read_part(
                PARTS_OF_FORM[form][0],
                fields["value"],
                fields,
                problem,
                f"{way.name} {name}",
                kept[0],
                notes,
            )
        ]
    else:
        for key, inner in fields.items():
            if key in ("value", *_PART_KEYS) or (
                key not in keys and key not in ("name", "series", "shunt")
            ):
                raise inner.error(
                    f"this key does not belong to {_article(form)}",
                    value=repr(key),
                    remedy=f"its parts are {', '.join(keys)}, each with a value, or with a block "
                    '"{value: ..., ...}"',
                )
        missing = next((key for key in keys if key not in fields), None)
        if missing:
            raise entry.error(
                f"{way.name} {name} needs its {missing.replace('_', ' ')}",
                remedy=f'add "{missing}: ..." with its unit',
            )
        parts = []
        for key, kind, old in zip(keys, PARTS_OF_FORM[form], kept, strict=True):
            own = fields[key]
            inner_fields: dict[str, Entry] = {}
            if own.is_mapping:
                inner_fields = own.fields(("value", *_PART_KEYS), needed=("value",))
                own = inner_fields["value"]
            parts.append(
                _read_part(
                    kind,
                    own,
                    inner_fields,
                    problem,
                    f"{way.name} {name} {key.replace('_', ' ')}",
                    old,
                    notes,
                )
            )
    return FittedSlot(name=name, place=place, form=form, parts=tuple(parts))


def _read_place(way: Way, name: str, entry: Entry, fields: dict[str, Entry]) -> tuple[Place, Form]:
    known = next((slot for slot in way.slots if slot.name == name), None)
    written: list[Place] = [p for p in ("series", "shunt") if p in fields]
    if len(written) > 1:
        raise entry.error(
            "a slot is either in series or in shunt", value="both", remedy="remove one of them"
        )
    if not written:
        if known is None:
            names = [slot.name for slot in way.slots]
            raise entry.error(
                f"the design has no slot of this name in {way.name}",
                value=repr(name),
                remedy=f"{suggest(name, names) if names else ''}; or say what it is, for "
                'instance "series: inductor"'.lstrip("; "),
            )
        return known.place, known.form
    place = written[0]
    form = fields[place].choice(FORMS)
    if place not in PLACES_OF_FORM[form]:
        raise fields[place].error(
            f"{_article(form)} cannot stand in {place}",
            value=repr(form),
            remedy=f'write "{PLACES_OF_FORM[form][0]}: {form}"',
        )
    return place, form


def _read_part(
    kind: Kind,
    value: Entry,
    fields: dict[str, Entry],
    problem: Problem,
    label: str,
    kept: Part | None,
    notes: list[str],
) -> Part:
    unit = UNIT_OF_KIND[kind]
    loss = LOSS_KEYS[kind]
    for key in ("dcr", "esr"):
        if key in fields and key != loss:
            raise fields[key].error(
                f"{key} does not belong to {_article(kind)}", remedy="remove it"
            )
    pieces = None
    if "pieces" in fields:
        written = fields["pieces"].text()
        try:
            pieces = tuple(parse_quantity(piece, unit) for piece in written.split("+"))
        except InputError as error:
            raise fields["pieces"].where.locate(error) from None
        if min(pieces) <= 0.0:
            raise fields["pieces"].error("each piece must be above 0", value=written)
    joinings: tuple[Joining, ...] = ("parallel", "series")
    joined = fields["joined"].choice(joinings) if "joined" in fields else None
    stated = StatedPart(
        kind=kind,
        value=value.quantity(unit, above=0.0),
        loss_ohm=fields[loss].quantity("ohm", least=0.0) if loss and loss in fields else None,
        tolerance=fields["tolerance"].quantity("%", least=0.0) if "tolerance" in fields else None,
        origin=fields["origin"].text() if "origin" in fields else None,
        pieces=pieces,
        joined=joined,
        price=fields["price"].number(least=0.0) if "price" in fields else None,
        rating=(
            fields["rating"].quantity(RATING_UNITS[kind], least=0.0) if "rating" in fields else None
        ),
        note=fields["note"].text() if "note" in fields else None,
    )
    try:
        part, note = settle_part(stated, problem, label, kept)
    except InputError as error:
        raise value.where.locate(error) from None
    if note:
        notes.append(note)
    return part


def _article(form: str) -> str:
    return f"{'an' if form[0] in 'aeiou' else 'a'} {form}"
