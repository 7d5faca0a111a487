"""The ways of a network file, of a finished network or an old board: slots and parts as built."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from optimizer.design.read.ladder import FORM_OF_SLOT, TAP_KEY, locate_slot, read_place
from optimizer.errors import InputError
from optimizer.network.expression.forms import (
    NAMED_FORMS,
    NamedForm,
    say_with_article,
)
from optimizer.network.ladder import Place, order_slots
from optimizer.network.network import FittedGroup, FittedSlot, FittedWay
from optimizer.network.topology import Group, Ladder, Way
from optimizer.parts import (
    LOSS_OF_KIND,
    NO_TERMS,
    RATING_UNIT_OF_KIND,
    UNIT_OF_KIND,
    Joined,
    Kind,
    Part,
    Terms,
)
from optimizer.text.keys import Key, KeyBlock, NumberForm, OwnForm, QuantityForm, TextForm, WordForm
from optimizer.text.units import parse_quantity
from optimizer.text.yamltext import Entry, suggest


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedPart:
    """What a network file says of one part; None where it says nothing.

    Parameters
    ----------
    kind : {"inductor", "capacitor", "resistor"}
        What it is.
    value : float
        In H, F or ohm.
    loss_ohm, tolerance, origin, pieces, joined, price, rating, note, made_of, wire_m, height_m
        As in `optimizer.parts.Part`.
    """

    kind: Kind
    value: float
    loss_ohm: float | None = None
    tolerance: float | None = None
    origin: str | None = None
    pieces: tuple[float, ...] | None = None
    joined: Joined | None = None
    price: float | None = None
    rating: float | None = None
    note: str | None = None
    made_of: str | None = None
    wire_m: float | None = None
    height_m: float | None = None


Settle = Callable[[StatedPart, str, Part | None, Terms], tuple[Part, str]]
"""Makes a part of what is stated of it, given its name, the part that the design keeps there and what
its place asks for; and says what it assumed, if anything."""

_OF_THE_PART = OwnForm("value in the unit of the part")
_KEYS_OF_FORMS = tuple(dict.fromkeys(key for form in NAMED_FORMS.values() for key in form.keys))

_EXAMPLES = {
    "inductor": "{value: 0.33 mH, dcr: 0.2 ohm}",
    "capacitor": "{value: 10 uF, tolerance: 5 %}",
}
"""Parts of compounds as they are written; what is left are resistors."""

PART_KEYS = KeyBlock(
    noun=StatedPart,
    keys=(
        Key(
            name="value", form=_OF_THE_PART, example="3.3 mH", meaning="what is soldered in",
            needed="a part needs its value",
        ),
        Key(
            name="dcr", field="loss_ohm", form=QuantityForm("ohm", least=0.0), example="0.4 ohm",
            meaning="resistance of an inductor; as the stock's law has it when not written",
        ),
        Key(
            name="esr", field="loss_ohm", form=QuantityForm("ohm", least=0.0), example="0.05 ohm",
            meaning="series resistance of a capacitor; as the stock's law has it when not written",
        ),
        Key(
            name="tolerance", form=QuantityForm("%", least=0.0), example="5 %",
            meaning="how far the value may be off",
        ),
        Key(
            name="origin", form=TextForm(), example="E12",
            meaning="where it comes from: a series, shelf, stock, kept or given",
        ),
        Key(
            name="pieces", form=_OF_THE_PART, example="2.2 uF + 1.8 uF",
            meaning="values of the pieces that are joined to make it",
        ),
        Key(
            name="joined", form=WordForm(("parallel", "series")), example="parallel",
            meaning="how they are joined",
        ),
        Key(name="price", form=NumberForm(least=0.0), example="2.50", meaning="of all its pieces"),
        Key(
            name="rating", form=_OF_THE_PART, example="250 V",
            meaning="what it stands: watts of a resistor, volts of a capacitor, amperes of a coil",
        ),
        Key(
            name="made_of", form=TextForm(), example="polypropylene",
            meaning="dielectric of a capacitor, core of a coil; as the stock has it when not written",
        ),
        Key(
            name="wire", field="wire_m", form=QuantityForm("m", above=0.0), example="1.4 mm",
            meaning="bare wire of a coil; as the stock has it when not written",
        ),
        Key(
            name="height", field="height_m", form=QuantityForm("m", above=0.0), example="24 mm",
            meaning="height of a coil that lies flat; as the stock has it when not written",
        ),
        Key(name="note", form=TextForm(), example="old board", meaning="free text"),
    ),
)  # fmt: skip
"""What may be said of one part; only its value is needed."""

_SLOT_KEYS = (
    Key(
        name="name", form=TextForm(), example="L1", meaning="its name, unique within its way",
        needed='the key "name" is missing',
    ),
    Key(
        name="series", form=FORM_OF_SLOT, example="inductor",
        meaning="what sits in the line; told by the design where it has a place of this name",
    ),
    Key(
        name="shunt", form=FORM_OF_SLOT, example="capacitor",
        meaning="what sits across the line; told by the design likewise",
    ),
    Key(
        name="across", form=TextForm(), example="P1",
        meaning="another place, with whose part in the line this one lies in parallel; told by the "
        "design likewise",
    ),
    TAP_KEY,
)  # fmt: skip

BUILT_SLOT_KEYS = KeyBlock(
    noun=FittedSlot,
    keys=(
        *_SLOT_KEYS,
        *(replace(key, needed="") for key in PART_KEYS.keys),
        *(
            Key(
                name=name, form=OwnForm("value, or a block of what is said of the part", block=PART_KEYS),
                example=_EXAMPLES.get(name, "{value: 8.2 ohm, rating: 10 W}"),
                meaning=f"the {name.replace('_', ' ')} of a compound",
            )
            for name in _KEYS_OF_FORMS
        ),
    ),
)  # fmt: skip
"""The keys of a place: of a single part beside its name, of a compound part by part."""

BUILT_WAY_KEYS = KeyBlock(
    noun=FittedWay,
    keys=(
        Key(
            name="driver", form=TextForm(), example="woofer",
            meaning="the driver, that of the design when not written",
        ),
        Key(
            name="polarity", form=WordForm(("normal", "inverted")), example="inverted",
            meaning="how the driver is connected; as the design has it when not written",
        ),
        Key(
            name="ladder", field="slots",
            form=OwnForm("list of places", block=BUILT_SLOT_KEYS, inside="[0]"),
            example="[{name: L1, value: 3.3 mH}]", meaning="the parts, source first",
            needed='the key "ladder" is missing',
        ),
    ),
)  # fmt: skip
"""The keys of a way."""

BUILT_GROUP_KEYS = KeyBlock(noun=FittedGroup, keys=(BUILT_WAY_KEYS.keys[-1],))
"""The keys of a section that ways share."""


def read_way(way: Way, entry: Entry, settle: Settle, notes: list[str]) -> FittedWay:
    """Read one way of a network file.

    Parameters
    ----------
    way : Way
        The way of the design: it completes what is left out.
    entry : Entry
        The block of the way.
    settle : Settle
        Completes the parts.
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
    fields = BUILT_WAY_KEYS.open(entry)
    if "driver" in fields and fields["driver"].text() != way.driver:
        raise fields["driver"].error(
            f"in the design this way feeds the driver {way.driver}",
            value=repr(fields["driver"].text()),
            remedy="correct it or leave it out",
        )
    # Where nothing is said a board that the design begins from is as it was.
    inverted = way.polarity == "inverted" or way.soldered == -1
    if "polarity" in fields:
        inverted = fields["polarity"].choice(("normal", "inverted")) == "inverted"
    elif way.polarity == "free" and way.soldered is None:
        raise entry.error(
            "the design leaves the polarity of this way open",
            remedy='add "polarity: normal" or "polarity: inverted"',
        )
    return FittedWay(
        name=way.name,
        driver=way.driver,
        slots=_read_slots(way, fields["ladder"], settle, notes),
        polarity=-1 if inverted else 1,
    )


def read_group(group: Group, entry: Entry, settle: Settle, notes: list[str]) -> FittedGroup:
    """Read one shared section of a network file; parameters and errors as those of `read_way`.

    What it feeds, and how, is as the design says.
    """
    fields = BUILT_GROUP_KEYS.open(entry)
    return FittedGroup(
        name=group.name,
        members=group.members,
        joint=group.joint,
        slots=_read_slots(group, fields["ladder"], settle, notes),
    )


def _read_slots(
    ladder: Ladder, entry: Entry, settle: Settle, notes: list[str]
) -> tuple[FittedSlot, ...]:
    slots: dict[str, FittedSlot] = {}
    for inner in entry.items():
        slot = _read_slot(ladder, inner, settle, notes)
        if slot.name in slots:
            raise inner.error(
                "two slots of one way cannot share a name",
                value=repr(slot.name),
                remedy="rename one of them",
            )
        slots[slot.name] = slot
    try:
        return order_slots(tuple(slots.values()), ladder.name)
    except InputError as error:
        raise locate_slot(error, entry.items(), ladder.name) from None


def _read_slot(ladder: Ladder, entry: Entry, settle: Settle, notes: list[str]) -> FittedSlot:
    place, form = _read_place(ladder, entry)
    fields = BUILT_SLOT_KEYS.open(entry, form.keys)
    name = fields["name"].text()
    known = next(
        (slot for slot in ladder.slots if (slot.name, slot.form) == (name, form.name)), None
    )
    kept = (known.kept if known else None) or (None,) * len(form.kinds)
    written = (_take_single if len(form.keys) == 1 else _take_compound)(
        ladder, name, form, entry, fields
    )
    terms = known.terms if known else NO_TERMS
    parts = [
        _read_part(kind, said, settle, label, old, terms, notes)
        for (label, said), kind, old in zip(written, form.kinds, kept, strict=True)
    ]
    across = known.across if known is not None else ""
    if "across" in fields:
        across = fields["across"].text()
    return FittedSlot(name=name, place=place, form=form.name, parts=tuple(parts), across=across)


_Written = list[tuple[str, dict[str, Entry]]]
"""Label of each part of a slot, and what is written of it by key."""


def _take_single(
    ladder: Ladder, name: str, form: NamedForm, entry: Entry, fields: dict[str, Entry]
) -> _Written:
    """Take what is said of the part of a slot that is no compound."""
    stray = next((key for key in fields if key in _KEYS_OF_FORMS), None)
    if stray:
        raise fields[stray].error(
            f"this key does not belong to {say_with_article(form.name)}",
            value=repr(stray),
            remedy='write its value as "value: ..."',
        )
    if "value" not in fields:
        raise entry.error(
            f"{ladder.name} {name} needs its value", remedy='add "value: ..." with its unit'
        )
    return [(f"{ladder.name} {name}", fields)]


def _take_compound(
    ladder: Ladder, name: str, form: NamedForm, entry: Entry, fields: dict[str, Entry]
) -> _Written:
    """Take what is said of each part of a compound: a value, or a block."""
    keys = form.keys
    for key, inner in fields.items():
        if key not in (*keys, *(own.name for own in _SLOT_KEYS)):
            raise inner.error(
                f"this key does not belong to {say_with_article(form.name)}",
                value=repr(key),
                remedy=f"its parts are {', '.join(keys)}, each with a value, or with a block "
                '"{value: ..., ...}"'
                if keys
                else "remove it: a transformer has no parts",
            )
    missing = next((key for key in keys if key not in fields), None)
    if missing:
        raise entry.error(
            f"{ladder.name} {name} needs its {missing.replace('_', ' ')}",
            remedy=f'add "{missing}: ..." with its unit',
        )
    return [
        (
            f"{ladder.name} {name} {key.replace('_', ' ')}",
            PART_KEYS.open(fields[key]) if fields[key].is_mapping else {"value": fields[key]},
        )
        for key in keys
    ]


def _read_place(ladder: Ladder, entry: Entry) -> tuple[Place, NamedForm]:
    fields = entry.fields()
    if {"series", "shunt", "tap"} & set(fields):
        return read_place(entry, BUILT_SLOT_KEYS)
    name = fields["name"].text() if "name" in fields else ""
    known = next((slot for slot in ladder.slots if slot.name == name), None)
    if known is not None:
        return known.place, known.circuit
    BUILT_SLOT_KEYS.open(entry)
    names = [slot.name for slot in ladder.slots]
    if not names:
        raise entry.error(
            f"each place of {ladder.name} says what sits there",
            value=repr(name),
            remedy='add for instance "series: inductor" or "shunt: capacitor"',
        )
    raise entry.error(
        f"the design has no slot of this name in {ladder.name}",
        value=repr(name),
        remedy=f"{suggest(name, names) if names else ''}; or say what it is, for "
        'instance "series: inductor"'.lstrip("; "),
    )


def _read_part(
    kind: Kind,
    fields: dict[str, Entry],
    settle: Settle,
    label: str,
    kept: Part | None,
    terms: Terms,
    notes: list[str],
) -> Part:
    unit, loss = UNIT_OF_KIND[kind], LOSS_OF_KIND[kind]
    for key in ("dcr", "esr"):
        if key in fields and key != loss:
            raise fields[key].error(
                f"{key} does not belong to {say_with_article(kind)}", remedy="remove it"
            )
    said = PART_KEYS.take(fields)
    said["value"] = fields["value"].quantity(unit, above=0.0)
    if "pieces" in fields:
        said["pieces"] = _read_pieces(fields["pieces"], unit)
    if "rating" in fields:
        said["rating"] = fields["rating"].quantity(RATING_UNIT_OF_KIND[kind], least=0.0)
    try:
        part, note = settle(StatedPart(kind=kind, **said), label, kept, terms)
    except InputError as error:
        raise fields["value"].where.locate(error) from None
    if note:
        notes.append(note)
    return part


def _read_pieces(entry: Entry, unit: str) -> tuple[float, ...]:
    written = entry.text()
    try:
        pieces = tuple(parse_quantity(piece, unit) for piece in written.split("+"))
    except InputError as error:
        raise entry.where.locate(error) from None
    if min(pieces) <= 0.0:
        raise entry.error("each piece must be above 0", value=written)
    return pieces
