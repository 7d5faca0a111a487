"""What a person will not have: terms of places, ways and the whole speaker, and largest sums."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from optimizer.design.nouns import LimitsChoice
from optimizer.errors import InputError
from optimizer.network.topology import Slot
from optimizer.parts import NO_TERMS, SORTS, Kind, Terms, name_sort
from optimizer.stock.columns import read_price
from optimizer.stock.combine import JOININGS
from optimizer.text.keys import Key, KeyBlock, NumberForm, OwnForm, QuantityForm, WordForm
from optimizer.text.yamltext import Entry

_CORES = tuple(sort for sort, (kind, _) in SORTS.items() if kind == "inductor")


def _read_sorts(entry: Entry) -> tuple[str, ...]:
    """Read what parts are made of: one word, several after commas, or a list."""
    each = entry.items() if entry.is_list else [entry]
    found = []
    for inner in each:
        for word in inner.text().split(","):
            sort = name_sort(word)
            if not sort:
                raise inner.error(
                    "what parts are made of is said by a known word", value=repr(word.strip()),
                    remedy=f"use {', '.join(SORTS)}",
                )  # fmt: skip
            found.append(sort)
    return tuple(dict.fromkeys(found))


_SORTS_FORM = OwnForm(f"one or several of {', '.join(SORTS)}", _read_sorts)

# Thinner wire cannot carry a loudspeaker's current, thicker cannot be wound; a bare "1.4" was meant
# in mm.
WIRE_FORM = QuantityForm(
    "m", least=0.2e-3, most=5e-3, rule="the wire of a coil is between 0.2 mm and 5 mm thick"
)

SORT_KEYS = (
    Key(
        name="only", form=_SORTS_FORM, example="film",
        meaning="what capacitors (or coils) must be made of, as the lists say it in their column type; "
        "those that do not say it are refused",
    ),
    Key(
        name="without", form=_SORTS_FORM, example="electrolytic",
        meaning="what no part may be made of; those that do not say it are taken",
    ),
)  # fmt: skip
"""For a place, a way and the whole speaker."""

TERM_KEYS = KeyBlock(
    noun=Terms,
    keys=(
        *SORT_KEYS,
        Key(
            name="core", field="only", form=WordForm(_CORES), example="iron",
            meaning="core of the coil: those with iron or ferrite come from lists, with their dcr, as "
            "no law tells it",
        ),
        Key(
            name="wire", field="wire_m", form=WIRE_FORM, example="1.4 mm",
            meaning="bare wire of the coil: bought by series it has the resistance of this wire, from "
            "lists it must state it",
        ),
        Key(
            name="join", field="joined", form=WordForm(("none", "parallel", "series")),
            example="parallel",
            meaning="how pieces may be joined here: one alone, or at least two in this way",
        ),
    ),
)  # fmt: skip
"""What a place asks of its parts."""


def _read_money(entry: Entry) -> tuple[float, str]:
    try:
        amount, currency = read_price(entry.text(), "")
    except InputError as error:
        raise entry.where.locate(error) from None
    return amount, currency


LIMIT_KEYS = KeyBlock(
    noun=LimitsChoice,
    keys=(
        Key(
            name="price", says=("limits", "price"), example="60 EUR",
            form=OwnForm("price, with its currency or in that of the lists", _read_money),
            meaning="largest price of the new parts of one speaker; owned and kept ones cost nothing",
        ),
        Key(
            name="pieces", form=NumberForm(least=0, whole=True), example="12",
            meaning="largest number of new pieces of one speaker, joined ones counted each",
        ),
        Key(
            name="copper", field="copper_kg", form=NumberForm(above=0.0), example="0.9",
            meaning="most copper in its new coils in kg, estimated as air-core",
        ),
        Key(
            name="height", field="height_m", form=QuantityForm("m", above=0.0), example="30 mm",
            meaning="largest height of coils that lie flat: as lists state it, and that of the winding "
            "of those bought by series; coils of lists that do not state it are refused",
        ),
        *SORT_KEYS,
    ),
)  # fmt: skip
"""What one speaker may have at most, or not at all."""


def read_limits(entry: Entry | None) -> LimitsChoice:
    """Read the block of limits."""
    return LIMIT_KEYS.read(entry)


def read_way_terms(fields: Mapping[str, Entry]) -> Terms:
    """Read what a way asks of all its parts; other keys are passed over."""
    return Terms(**_take(fields, ("only", "without")))


def read_terms(fields: Mapping[str, Entry], kinds: tuple[Kind, ...]) -> Terms:
    """Read what a place asks of its parts.

    Parameters
    ----------
    fields : mapping of str to Entry
        All keys of the place.
    kinds : tuple of Kind
        What it holds.

    Raises
    ------
    InputError
        With the line: it asks for what its parts cannot have.
    """
    said = _take(fields, ("only", "without", "wire", "join"))
    if "core" in fields:
        said["only"] = (*said.get("only", ()), *_take(fields, ("core",))["only"].split())
    for key, kind in (("wire", "inductor"), ("core", "inductor")):
        if key in fields and kind not in kinds:
            raise fields[key].error(
                f"only a coil has a {key}", value=" and ".join(kinds), remedy=f'remove "{key}"'
            )
    for sort in (*said.get("only", ()), *said.get("without", ())):
        if SORTS[sort][0] not in kinds:
            raise fields["only" if "only" in fields else "without"].error(
                f"{sort} is said of {SORTS[sort][0]}s", value=" and ".join(dict.fromkeys(kinds)),
                remedy="remove it here",
            )  # fmt: skip
    joined = said.get("joined", "none")
    if joined != "none" and not any(joined in JOININGS[kind] for kind in kinds):
        raise fields["join"].error(
            f"coils in {joined} are not offered: what each takes of the current depends on frequency",
            remedy="write join: series, or none",
        )
    return Terms(**said) if said else NO_TERMS


def _take(fields: Mapping[str, Entry], names: tuple[str, ...]) -> dict[str, Any]:
    return TERM_KEYS.take({name: fields[name] for name in names if name in fields})


def within(terms: Terms, slot: Slot) -> Slot:
    """Return a slot that keeps to the terms of its way as well."""
    return slot if terms == NO_TERMS else replace(slot, terms=terms & slot.terms)
