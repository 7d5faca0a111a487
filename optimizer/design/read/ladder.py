"""The ways of a design file: ladders of slots with their ranges and kept parts."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from optimizer.design.read.choices import CHOICE_KEYS, read_choice
from optimizer.design.read.kept import LOSS_KEYS, note_missing_loss, read_kept_part
from optimizer.design.read.terms import SORT_KEYS, TERM_KEYS, read_terms, read_way_terms, within
from optimizer.errors import InputError, Subject
from optimizer.measure.driver import Wired, WiredDrivers
from optimizer.network.choices import LadderChoice
from optimizer.network.expression.forms import NamedForm, form_of, form_of_tap, say_with_article
from optimizer.network.expression.nodes import say_gain
from optimizer.network.ladder import Place, order_slots
from optimizer.network.topology import OneOf, Slot, Topology, ValueRange, Way, lay_out
from optimizer.parts import KINDS, LOSS_OF_KIND, UNIT_OF_KIND, Part
from optimizer.text.keys import FlagForm, Key, KeyBlock, OwnForm, TextForm, WordForm
from optimizer.text.units import format_quantity
from optimizer.text.yamltext import Entry, Where, suggest

ALTERED_REACH = 4.0
"""How far the value of a kept part that may be altered can move, as a factor either way, when no
range is written: two octaves, beyond which the slot would have another purpose."""

NOTCH_REACH = 1.06
"""How far the resonance of a notch may lie from a stated frequency, as a factor either way: products
of two values of E12 are at most 5 % of frequency from any."""

_OF_THE_PART = OwnForm("value in the unit of the part")
_RANGE = OwnForm("range in the unit of the part")
FORM_OF_SLOT = OwnForm("name of a part or compound, or an expression of parts")

TAP_KEY = Key(
    name="tap", form=OwnForm("volts after it over volts before it, or the same in dB"), example="-6 dB",
    meaning="a transformer in front of what follows, instead of parts: what is behind it gets that "
    "much of the volts, and shows the amplifier its impedance by the square of them",
)  # fmt: skip
"""The key of a transformer."""

SLOT_KEYS = KeyBlock(
    noun=Slot,
    keys=(
        Key(
            name="name", form=TextForm(), example="L1", meaning="its name, unique within its way",
            needed='the key "name" is missing',
        ),
        Key(
            name="series", form=FORM_OF_SLOT, example="inductor",
            meaning='what sits in the line: a part, a compound, or parts joined as in "R || C", '
            "each of them with its range under its name",
        ),
        Key(
            name="shunt", form=FORM_OF_SLOT, example="capacitor",
            meaning='what sits across the line: likewise, as in "L + C"',
        ),
        Key(
            name="across", form=TextForm(), example="P1",
            meaning="another place, with whose part in the line this one lies in parallel; the kind "
            "with its range says what it is (capacitor: 1 .. 10 uF), or series",
        ),
        TAP_KEY,
        Key(
            name="optional", form=FlagForm(), example="yes",
            meaning="whether the place may stay empty",
        ),
        Key(
            name="keep", form=OwnForm("value, or one for each part of a compound, or yes"),
            example="2.2 mH",
            meaning="what is on the board already; yes for a place of the file that board names, which "
            "then stays as it is",
        ),
        Key(
            name="alter", form=FlagForm(), example="yes",
            meaning="whether a kept part may be replaced by another value",
        ),
        *LOSS_KEYS,
        Key(
            name="value", form=OwnForm("value, or one for each part of a compound"), example="4.7 uF",
            meaning="what the new part must be, instead of a range; what is there already is kept",
        ),
        Key(
            name="notch at", form=OwnForm("frequency, within 6 % of which it must lie, or a range"),
            example="5.5 kHz",
            meaning="where the one coil and the one capacitor of the place must resonate",
        ),
        *TERM_KEYS.keys,
        Key(name="from", form=_OF_THE_PART, example="1 mH", meaning="smallest value looked at"),
        Key(name="to", form=_OF_THE_PART, example="6 mH", meaning="largest value looked at"),
        *(
            Key(name=name, form=_RANGE, example=example, meaning=f"values of the {part}")
            for name, part, example in (
                ("inductor", "inductor", "0.1 mH .. 2 mH"),
                ("capacitor", "capacitor", "1 uF .. 100 uF"),
                ("resistor", "resistor", "0.5 .. 10 ohm"),
                ("series_resistor", "resistor in the line", "0.5 .. 10 ohm"),
                ("shunt_resistor", "resistor across the line", "2.2 .. 47 ohm"),
            )
        ),
        *CHOICE_KEYS,
    ),
)  # fmt: skip
"""The keys of a place in a ladder; those of a range and of compounds depend on what sits there."""

_TERMS = tuple(key.name for key in TERM_KEYS.keys)
_COMMON = (
    "name", "series", "shunt", "across", "optional", "keep", "alter", "dcr", "esr", "value",
    "notch at", *_TERMS,
)  # fmt: skip

WAY_KEYS = KeyBlock(
    noun=Way,
    keys=(
        Key(
            name="driver", says=("way", "driver"), form=TextForm(), example="woofer",
            meaning="the driver at its end; the one of the same name when not written",
        ),
        Key(
            name="drivers", form=OwnForm("list of drivers"), example="[upper, lower]",
            meaning="several drivers at its end, instead of one",
        ),
        Key(
            name="wired", form=WordForm(("parallel", "series")), example="series",
            meaning="how several drivers are wired together; in parallel when not written",
        ),
        Key(
            name="polarity", form=WordForm(("normal", "inverted", "free")), example="free",
            meaning="how the driver is connected, or that either will do",
        ),
        Key(
            name="fixed", form=FlagForm(), example="yes",
            meaning="whether all of it stays as it is while other ways are fitted: each place has keep "
            "or value, and nothing is altered",
        ),
        *SORT_KEYS,
        Key(
            name="ladder", field="slots", form=OwnForm("list of places", block=SLOT_KEYS, inside="[0]"),
            example="[{name: L1, series: inductor, from: 1 mH, to: 6 mH}]",
            meaning="what may sit where, source first",
            needed='the key "ladder" is missing',
        ),
    ),
)  # fmt: skip
"""The keys of a way."""


def read_ways(
    entry: Entry, drivers: Sequence[str], notes: list[str]
) -> tuple[Topology, tuple[WiredDrivers, ...]]:
    """Read all ways.

    Parameters
    ----------
    entry : Entry
        The block of ways.
    drivers : sequence of str
        Known drivers.
    notes : list of str
        Gets a line for every range that was assumed.

    Returns
    -------
    topology : Topology
        In the order of the file.
    wired : tuple of WiredDrivers
        Drivers that one way feeds together.
    """
    wired: list[WiredDrivers] = []
    choices: list[LadderChoice] = []
    ways = tuple(
        read_new_way(name, inner, drivers, wired, choices, notes)
        for name, inner in entry.fields().items()
    )
    if not ways:
        raise entry.error("at least one way is needed",
                          remedy='add "woofer:" with its ladder')  # fmt: skip
    return Topology(ways=ways, choices=tuple(choices)), tuple(wired)


def read_new_way(
    name: str,
    entry: Entry,
    drivers: Sequence[str],
    wired: list[WiredDrivers],
    choices: list[LadderChoice],
    notes: list[str],
) -> Way:
    """Read one way with its ladder; parameters and errors as those of `read_ways`."""
    fields = WAY_KEYS.open(entry)
    several = read_several(fields, drivers)
    if several is not None:
        wired.append(several)
        driver = several.together
    else:
        driver = fields["driver"].text() if "driver" in fields else name
        check_driver(driver, fields.get("driver", entry), drivers)
    said = WAY_KEYS.take({k: v for k, v in fields.items() if k not in _READ_APART})
    slots = read_slots(fields["ladder"], name, choices, notes)
    if "fixed" in fields and fields["fixed"].flag():
        slots = fix_slots(fields, slots)
    terms = read_way_terms(fields)
    slots = tuple(within(terms, slot) for slot in slots)
    return Way(**{**said, "name": name, "driver": driver, "slots": slots})


_READ_APART = ("drivers", "wired", "fixed", "only", "without")


def fix_slots(fields: Mapping[str, Entry], slots: Sequence[Slot]) -> tuple[Slot, ...]:
    """Take the freedom out of the places of a way that stays as it is.

    Parameters
    ----------
    fields : mapping of str to Entry
        The keys of the way.
    slots : sequence of Slot

    Raises
    ------
    InputError
        When a part or the polarity is not known.
    """
    open_ones = [
        slot.name
        for slot in slots
        if slot.kept is None and any(span.low < span.high for span in slot.ranges)
    ]
    if open_ones:
        raise fields["fixed"].error(
            "of a way that stays as it is every part is known", value=f"a range at {open_ones[0]}",
            remedy="write keep: VALUE for what is on the board, value: VALUE for what is new",
        )  # fmt: skip
    if "polarity" in fields and fields["polarity"].text() == "free":
        raise fields["polarity"].error(
            "a way that stays as it is has one polarity", value="free",
            remedy="write normal or inverted",
        )  # fmt: skip
    return tuple(replace(slot, optional=False, alterable=False) for slot in slots)


def check_driver(driver: str, spot: Entry, drivers: Sequence[str]) -> None:
    """Refuse a driver that is not listed, at the spot where it is named."""
    if driver not in drivers:
        raise spot.error("a way needs a driver that is listed under drivers",
                         value=repr(driver), remedy=suggest(driver, drivers))  # fmt: skip


def read_several(fields: Mapping[str, Entry], drivers: Sequence[str]) -> WiredDrivers | None:
    """Read the drivers that a way feeds together; None for one driver."""
    if "drivers" not in fields:
        if "wired" in fields:
            raise fields["wired"].error(
                "only several drivers are wired together", remedy='add "drivers: [upper, lower]"'
            )
        return None
    entry = fields["drivers"]
    if "driver" in fields:
        raise entry.error("a way feeds one driver or several", remedy='remove "driver"')
    names = []
    for inner in entry.items():
        names.append(inner.text())
        check_driver(names[-1], inner, drivers)
    if len(names) < 2:
        raise entry.error(
            "at least two drivers are wired together",
            value=", ".join(names) or "none", remedy='write "driver: NAME" for a single one',
        )  # fmt: skip
    how: Wired = "parallel"
    if "wired" in fields:
        how = fields["wired"].choice(("parallel", "series"))
    return WiredDrivers(names=tuple(names), wired=how)


def read_slots(
    entry: Entry, ladder: str, choices: list[LadderChoice], notes: list[str]
) -> tuple[Slot, ...]:
    """Read the list of places of a way or of a shared section.

    Parameters
    ----------
    entry : Entry
        The list.
    ladder : str
        Name of the way or section.
    choices : list of LadderChoice
        Gets the alternatives among them.
    notes : list of str
        Gets a line for every range that was assumed.

    Raises
    ------
    InputError
        With the line.
    """
    spots: dict[str, Entry] = {}

    def claim(name: str, inner: Entry) -> None:
        if name in spots:
            raise inner.error(
                f"two slots of one way cannot share a name; the first is in line "
                f"{spots[name].where.line}",
                value=repr(name), remedy="rename one of them",
            )  # fmt: skip
        spots[name] = inner

    def read_one(inner: Entry) -> Slot:
        slot = read_slot(inner, ladder, notes)
        claim(slot.name, inner)
        return slot

    entries: list[Slot | OneOf] = []
    for inner in entry.items():
        choice = read_choice(inner, read_one)
        if choice is not None and choice.control:
            claim(choice.control, inner)
        entries.append(read_one(inner) if choice is None else choice)
    try:
        slots, found = lay_out(entries, ladder)
        choices.extend(found)
        return order_slots(slots, ladder)
    except InputError as error:
        raise locate_slot(error, list(spots.values()), ladder) from None


def locate_slot(error: InputError, slots: Sequence[Entry], ladder: str) -> InputError:
    """Say in which line of a ladder an error about one of its slots lies.

    Parameters
    ----------
    error : InputError
        Raised by `order_slots`.
    slots : sequence of Entry
        The ladder.
    ladder : str
        Its name.
    """
    for entry in slots:
        fields = entry.fields()
        if error.subject == Subject("slot", f"{ladder}.{fields['name'].text()}"):
            return fields.get("across", entry).where.locate(error)
    return error


def read_slot(entry: Entry, way: str, notes: list[str]) -> Slot:
    """Read one slot of a ladder; see `read_ways`."""
    place, form = read_place(entry, SLOT_KEYS)
    fields = SLOT_KEYS.open(entry, form.keys)
    name = fields["name"].text()
    if form.gain is not None:
        return _read_tap(fields, name, form, f"{way}.{name}", notes)
    keys = form.keys
    single = len(keys) == 1
    allowed = (*_COMMON, *(("from", "to") if single else ()), *keys)
    for key, inner in fields.items():
        if key not in allowed:
            raise inner.error(
                f"this key does not belong to {say_with_article(form.name)}", value=repr(key),
                remedy=f"its own keys are {', '.join(allowed[len(_COMMON):])}",
            )  # fmt: skip
    optional = fields["optional"].flag() if "optional" in fields else False
    across = fields["across"].text() if "across" in fields else ""
    terms = read_terms(fields, form.kinds)
    if "keep" in fields:
        if "value" in fields:
            raise fields["value"].error(
                "a place keeps what is on the board or gets a new part of one value",
                remedy='remove "value", or "keep"',
            )
        kept = _read_kept_slot(fields, name, place, form, optional, f"{way}.{name}", notes)
        return replace(kept, across=across, terms=terms, notch_hz=_read_notch(fields, form))
    if "alter" in fields:
        raise fields["alter"].error("only a kept part can be altered", remedy="add keep: VALUE")
    for loss in ("dcr", "esr"):
        if loss in fields:
            raise fields[loss].error(
                "only a kept part states its own loss", remedy="remove it, or add keep: VALUE; "
                "the loss of bought parts is set under stock",
            )  # fmt: skip
    if "value" in fields:
        ranges = _read_values(fields, form)
    else:
        ranges = tuple(
            _read_slot_range(fields, form, index, entry.where, f"{way}.{name}", notes)
            for index in range(len(keys))
        )
    return Slot(
        name=name, place=place, form=form.name, ranges=ranges, optional=optional, across=across,
        terms=terms, notch_hz=_read_notch(fields, form),
    )  # fmt: skip


def _read_notch(fields: Mapping[str, Entry], form: NamedForm) -> tuple[float, float] | None:
    """Read where the coil and the capacitor of a place resonate."""
    if "notch at" not in fields:
        return None
    entry = fields["notch at"]
    if sorted(kind for kind in form.kinds if kind != "resistor") != ["capacitor", "inductor"]:
        raise entry.error(
            "a notch is made by one coil and one capacitor", value=form.name,
            remedy='write it at a place of both: "series: trap" or "shunt: L + C + R"',
        )  # fmt: skip
    if ".." in entry.text():
        return entry.range("Hz", above=0.0)
    middle = entry.quantity("Hz", above=0.0)
    return middle / NOTCH_REACH, middle * NOTCH_REACH


def _read_values(fields: Mapping[str, Entry], form: NamedForm) -> tuple[ValueRange, ...]:
    """Read what the new parts of a place must be."""
    for key in ("from", "to", *form.keys):
        if key in fields:
            raise fields[key].error("a part of one value has no range", remedy=f'remove "{key}"')
    entry = fields["value"]
    keys = form.keys
    each = {keys[0]: entry} if len(keys) == 1 else entry.fields(keys, needed=keys)
    values = [
        each[key].quantity(UNIT_OF_KIND[kind], above=0.0)
        for key, kind in zip(keys, form.kinds, strict=True)
    ]
    return tuple(ValueRange(low=value, high=value) for value in values)


def _read_tap(
    fields: Mapping[str, Entry], name: str, form: NamedForm, label: str, notes: list[str]
) -> Slot:
    """Read a transformer: nothing of it is to be chosen."""
    for key, inner in fields.items():
        if key not in ("name", "tap", "series"):
            raise inner.error(
                "a transformer has a name and its tap, and nothing to choose", value=repr(key),
                remedy=f'remove "{key}"; a coil or resistance of it is a place in front of it',
            )  # fmt: skip
    if form.gain is not None and form.gain > 1.0:
        notes.append(note_step_up(label, form.gain))
    return Slot(name=name, place="series", form=form.name, ranges=())


def note_step_up(label: str, gain: float) -> str:
    """Say what a transformer does that steps up, which few speakers have.

    Parameters
    ----------
    label : str
        Where it stands.
    gain : float
        Volts after it over volts before it, above 1.
    """
    return (
        f"{label}: a tap of {say_gain(gain)} raises the level, by {20.0 * math.log10(gain):.1f} dB, "
        f"and the amplifier sees the load behind it {gain**2:.3g} times as hard (a minus sign "
        "forgotten?)"
    )


def _read_kept_slot(
    fields: dict[str, Entry],
    name: str,
    place: Place,
    form: NamedForm,
    optional: bool,
    label: str,
    notes: list[str],
) -> Slot:
    """Read a slot whose parts are on the board; a range or `alter: yes` lets them change."""
    keys, kinds = form.keys, form.kinds
    kept, stated = _read_kept(fields, form)
    if "inductor" in kinds and not stated:
        notes.append(note_missing_loss(label))
    ranged = [k for k in ("from", "to", *keys) if k in fields]
    alter = fields["alter"].flag() if "alter" in fields else bool(ranged)
    if ranged and not alter:
        raise fields[ranged[0]].error("a part that must not be altered has no range",
                                      remedy=f'remove "{ranged[0]}" or "alter: no"')  # fmt: skip
    ranges = []
    for key, kind, part in zip(keys, kinds, kept, strict=True):
        low, high = part.value, part.value
        if alter:
            low, high = part.value / ALTERED_REACH, part.value * ALTERED_REACH
            unit = UNIT_OF_KIND[kind]
            if key in fields and not {"from", "to"} & set(fields):
                low, high = fields[key].range(unit, above=0.0)
            elif "from" in fields or "to" in fields:
                low = fields["from"].quantity(unit, above=0.0) if "from" in fields else low
                high = fields["to"].quantity(unit, above=0.0) if "to" in fields else high
                if low > high:
                    raise fields["from" if "from" in fields else "to"].error(
                        '"from" must not be above "to"',
                        value=f"{format_quantity(low, unit)} .. {format_quantity(high, unit)}",
                    )  # fmt: skip
            else:
                notes.append(f"{label}: a replacement within {format_quantity(low, unit, 3)} .. "
                             f"{format_quantity(high, unit, 3)} is looked for")  # fmt: skip
        ranges.append(ValueRange(low=low, high=high))
    # A part that must stay cannot be left out either.
    return Slot(
        name=name,
        place=place,
        form=form.name,
        ranges=tuple(ranges),
        kept=kept,
        optional=optional,
        alterable=alter or optional,
    )


def read_place(entry: Entry, block: KeyBlock[Any]) -> tuple[Place, NamedForm]:
    """Read where a slot is, and what.

    Parameters
    ----------
    entry : Entry
        The slot.
    block : KeyBlock
        Its keys, told when there is neither.

    Raises
    ------
    InputError
        Both places or neither, or a form that cannot stand there.
    """
    fields = entry.fields()
    written: list[Place] = [p for p in ("series", "shunt") if p in fields]
    if "tap" in fields:
        return "series", _read_gain(fields["tap"], (*written, *(["across"] * ("across" in fields))))
    if "across" in fields:
        kinds = [kind for kind in KINDS if kind in fields]
        if not written and len(kinds) == 1:
            return "series", form_of(kinds[0], "series")
        if written != ["series"]:
            raise entry.error(
                "what lies across another place is one part, or what could be in the line",
                value=" and ".join([*written, *kinds]) or "nothing",
                remedy='write for instance "across: P1, capacitor: 1 uF .. 10 uF" or '
                '"across: P1, series: R + C"',
            )  # fmt: skip
    if not written:
        block.open(entry)  # a key that is misspelt is the likelier mistake
    if len(written) != 1:
        raise entry.error(
            "a slot is either in series or in shunt",
            value="both" if written else "neither",
            remedy='write for instance "series: inductor" or "shunt: capacitor"',
        )  # fmt: skip
    spot = fields[written[0]]
    try:
        return written[0], form_of(spot.text(), written[0])
    except InputError as error:
        raise spot.where.locate(error) from None


def _read_gain(entry: Entry, others: Sequence[str]) -> NamedForm:
    if others:
        raise entry.error("a transformer stands in the line by itself", value=f"also {others[0]}",
                          remedy=f'remove "{others[0]}", or give it a place of its own')  # fmt: skip
    try:
        return form_of_tap(entry.text())
    except InputError as error:
        raise entry.where.locate(error) from None


def _read_slot_range(
    fields: dict[str, Entry],
    form: NamedForm,
    index: int,
    where: Where,
    label: str,
    notes: list[str],
) -> ValueRange:
    key, unit = form.keys[index], UNIT_OF_KIND[form.kinds[index]]
    low, high = form.usual_ranges[index]
    if key in fields:
        if "from" in fields or "to" in fields:
            raise fields[key].error(
                f'a range is written once: "{key}: LOW .. HIGH" or "from:" and "to:"'
            )
        low, high = fields[key].range(unit, above=0.0)
        return ValueRange(low=low, high=high)
    assumed = [end for end in ("from", "to") if end not in fields]
    if "from" in fields:
        low = fields["from"].quantity(unit, above=0.0)
    if "to" in fields:
        high = fields["to"].quantity(unit, above=0.0)
    if low > high:
        spot = fields.get("from", fields.get("to"))
        assert spot is not None  # the assumed ranges rise by themselves
        raise spot.error(
            f'"from" must not be above "to"{" (assumed)" if assumed else ""}',
            value=f"{format_quantity(low, unit)} .. {format_quantity(high, unit)}",
            remedy="exchange the two values" if not assumed else f'add "{assumed[0]}"',
        )  # fmt: skip
    if assumed:
        part = "" if key == form.name else f" {key.replace('_', ' ')}"
        notes.append(
            f"{label}{part}: range {format_quantity(low, unit)} .. {format_quantity(high, unit)} "
            f"assumed (line {where.line} states none)"
        )
    return ValueRange(low=low, high=high)


def _read_kept(fields: dict[str, Entry], form: NamedForm) -> tuple[tuple[Part, ...], bool]:
    """Read the parts on the board, and whether the loss of every coil is stated."""
    keys, kinds = form.keys, form.kinds
    entry = fields["keep"]
    values = {keys[0]: entry} if len(keys) == 1 else entry.fields(keys, needed=keys)
    parts = []
    stated = True
    for key, kind in zip(keys, kinds, strict=True):
        loss_key = LOSS_OF_KIND[kind]
        said = {"value": values[key]}
        if loss_key in fields and kinds.count(kind) == 1:
            said[loss_key] = fields[loss_key]
        if values[key].is_mapping:
            said |= values[key].fields(list(filter(None, ("value", loss_key))), needed=("value",))
        stated &= kind != "inductor" or loss_key in said
        parts.append(read_kept_part(kind, said["value"], said))
    for loss_key, kind in (("dcr", "inductor"), ("esr", "capacitor")):
        if loss_key in fields and kind not in kinds:
            raise fields[loss_key].error(
                f"{loss_key} belongs to {'an inductor' if kind == 'inductor' else 'a capacitor'}, "
                f"not to {say_with_article(form.name)}",
                remedy="remove it",
            )  # fmt: skip
        if loss_key in fields and kinds.count(kind) > 1:
            raise fields[loss_key].error(
                f"it must be clear which {kind} is meant", value=f"{kinds.count(kind)} of them",
                remedy=f'write it beside the value: "keep: {{{keys[kinds.index(kind)]}: '
                f'{{value: ..., {loss_key}: ...}}, ...}}"',
            )  # fmt: skip
    return tuple(parts), stated
