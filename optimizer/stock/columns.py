"""Columns of a list of parts: which heading means what, and how a cell is read."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from optimizer.errors import InputError
from optimizer.parts import KIND_WORDS, UNIT_OF_KIND, Kind
from optimizer.text.units import parse_quantity

HEADINGS: dict[str, tuple[str, ...]] = {
    "kind": ("kind", "part", "component", "what"),
    "type": ("type", "dielectric", "technology", "construction", "core"),
    "value": ("value", "nominal", "nominal value", "size"),
    "unit": ("unit", "units"),
    "measured": ("measured", "measured value", "actual", "actual value"),
    "count": ("count", "quantity", "qty", "pieces", "pcs", "number", "have"),
    "tolerance": ("tolerance", "tol"),
    "dcr": ("dcr", "dc resistance", "rdc"),
    "esr": ("esr", "series resistance"),
    "loss": ("loss", "losses", "dcr esr", "esr dcr", "dcr or esr"),
    "tangent": ("loss tangent", "tan", "tan d", "tan delta", "tangent", "df", "dissipation factor"),
    "wire": ("wire", "wire diameter", "wire gauge", "gauge"),
    "height": ("height", "high"),
    "rating": ("rating", "rated", "limit", "max", "maximum"),
    "voltage": ("voltage", "volt", "volts", "v"),
    "power": ("power", "watt", "watts", "w"),
    "current": ("current", "amp", "amps", "ampere", "amperes", "a"),
    "price": ("price", "cost", "price each", "unit price"),
    "note": ("note", "notes", "comment", "comments", "remark", "remarks"),
    "label": ("label", "tag", "mark", "id"),
}
"""Accepted headings of each column, lower case; a unit may follow, as in "value (uF)"."""

COLUMNS_TOLD: dict[str, tuple[str, str]] = {
    "kind": ("what the part is; told by the unit of its value when left out", "capacitor"),
    "type": ("what it is made of: film, electrolytic, air core, iron core", "film"),
    "value": ("nominal value, with its unit here, in the heading or in a column", "4.7 uF"),
    "unit": ("unit of the value, where neither heading nor cell has it", "uF"),
    "measured": ("measured value of one piece, which then counts; a row for each piece", "4.63 uF"),
    "count": ("pieces; one on a shelf, any number in a shop when left out", "4"),
    "tolerance": ("how far the value may be off", "5 %"),
    "dcr": ("resistance of a coil; needed with a core, else computed from the wire", "0.35 ohm"),
    "esr": ("series resistance of a capacitor; else by what it is made of", "0.05 ohm"),
    "loss": ("the one or the other, in one column", "0.35 ohm"),
    "tangent": ("loss tangent of a capacitor, at 1 kHz", "0.001"),
    "wire": ("diameter of the wire of an air-core coil, or its gauge", "1.0 mm"),
    "height": ("how high a coil is that lies flat; in mm where no unit is written", "24 mm"),
    "rating": ("what it stands: volts, watts or amperes by its kind", "250 V"),
    "voltage": ("what a capacitor stands", "250 VAC"),
    "power": ("what a resistor stands", "10 W"),
    "current": ("what a coil stands; of one with a core, before it saturates", "6 A"),
    "price": ("of one piece, with its currency", "2.50 EUR"),
    "note": ("free text, shown with the part", "old stock"),
    "label": ("what is written on a measured piece", "C7"),
}
"""What each column means, and a cell of it."""

_UNITS_OF_COLUMN: dict[str, tuple[str, ...]] = {
    "value": ("F", "H", "ohm"),
    "measured": ("F", "H", "ohm"),
    "tolerance": ("%",),
    "dcr": ("ohm",),
    "esr": ("ohm",),
    "loss": ("ohm",),
    "tangent": ("%",),
    "wire": ("m",),
    "height": ("m",),
    "rating": ("V", "W", "A"),
    "voltage": ("V",),
    "power": ("W",),
    "current": ("A",),
}

_PLAIN = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
_COUNT = re.compile(r"(\d{1,6})\s*(x|pc|pcs|pieces?)?", re.IGNORECASE)
_MONEY = re.compile(r"([^\d\s.,+-]{0,3})\s*(\d{1,9}(?:[.,]\d*)?|[.,]\d+)\s*([^\d\s.,+-]{0,3})")


@dataclass(frozen=True, slots=True, kw_only=True)
class ListColumn:
    """One recognised column: its meaning, its place in the row, its unit if the heading has one."""

    name: str
    index: int
    heading: str
    unit: str = ""


def read_headings(cells: Sequence[str]) -> tuple[tuple[ListColumn, ...], tuple[str, ...]]:
    """Recognise the columns of a heading row.

    Parameters
    ----------
    cells : sequence of str
        The heading row.

    Returns
    -------
    tuple
        The recognised columns, and the headings that mean nothing here.

    Raises
    ------
    InputError
        If no column gives the value, or two columns give the same.
    """
    columns: dict[str, ListColumn] = {}
    unknown = []
    for index, heading in enumerate(cells):
        column = _recognise(heading, index)
        if column is None:
            if heading.strip():
                unknown.append(heading.strip())
            continue
        if column.name in columns:
            raise InputError(
                f"two columns give the {column.name}",
                value=f"{columns[column.name].heading!r} and {heading.strip()!r}",
                remedy="remove or rename one of them",
            )
        columns[column.name] = column
    if not {"value", "measured"} & set(columns):
        raise InputError(
            "the first row must name the columns, one of them the value",
            value=repr(", ".join(cell.strip() for cell in cells)),
            remedy='write for instance "kind, value, count, tolerance, dcr, esr, rating, price"',
        )
    return tuple(columns.values()), tuple(unknown)


def _recognise(heading: str, index: int) -> ListColumn | None:
    words = re.sub(r"[_()\[\]/,:]", " ", heading).split()
    if "in" in words:
        words.remove("in")
    for length in range(len(words), 0, -1):
        start = " ".join(words[:length]).casefold()
        rest = "".join(words[length:])
        for name, headings in HEADINGS.items():
            if start in headings and (not rest or _is_unit(name, rest)):
                return ListColumn(name=name, index=index, heading=heading.strip(), unit=rest)
    return None


def _is_unit(column: str, text: str) -> bool:
    if column == "price":
        return len(text) <= 3
    if column == "wire" and text.casefold() == "awg":
        return True
    return any(_reads_as(f"1 {text}", unit) for unit in _UNITS_OF_COLUMN.get(column, ()))


def _reads_as(text: str, unit: str) -> bool:
    try:
        parse_quantity(text, unit)
    except InputError:
        return False
    return True


def add_unit(text: str, unit: str) -> str:
    """Put the unit of the heading behind a number that has none of its own."""
    return f"{text} {unit}" if unit and _PLAIN.fullmatch(text) else text


def read_kind(text: str, value_text: str) -> tuple[Kind, str]:
    """Return the kind of part and the other words of its cell ("film capacitor" -> "film").

    Parameters
    ----------
    text : str
        Cell of the kind; may be empty when the unit of the value tells.
    value_text : str
        Cell of the value with its unit.

    Raises
    ------
    InputError
        If the kind is unknown or cannot be told.
    """
    words = text.replace("-", " ").split()
    for word in words:
        plain = word.casefold()
        kind = KIND_WORDS.get(plain) or KIND_WORDS.get(plain.removesuffix("s"))
        if kind:
            return kind, " ".join(other for other in words if other != word)
    if text:
        raise InputError("the kind must be inductor, capacitor or resistor", value=repr(text))
    kinds: list[Kind] = (
        []
        if _PLAIN.fullmatch(value_text)
        else [kind for kind, unit in UNIT_OF_KIND.items() if _reads_as(value_text, unit)]
    )
    if len(kinds) != 1:
        raise InputError(
            "neither a kind nor the unit of the value says what the part is",
            value=repr(value_text),
            remedy='add a column "kind", or write the unit, as in "4.7 uF"',
        )
    return kinds[0], ""


def read_count(text: str) -> int:
    """Read a number of pieces: "4", "4 x", "4 pcs"."""
    match = _COUNT.fullmatch(text)
    if not match:
        raise InputError("the count must be a whole number, 0 to 999999", value=repr(text))
    return int(match[1])


def read_share(text: str, unit: str, what: str) -> float:
    """Read a tolerance as a share: "5 %", "5" and "0.05" are all 5 %.

    Raises
    ------
    InputError
        If it is no number, not below 1, or a bare number between 0.5 and 1, which could be
        meant either way.
    """
    text = add_unit(text.removeprefix("±").removeprefix("+/-").strip(), unit)
    if _PLAIN.fullmatch(text):
        number = float(text.replace(",", "."))
        if 0.5 <= number < 1.0:
            raise InputError(
                f"the {what} can be meant in two ways",
                value=repr(text),
                remedy=f'write "{text} %" or "{100 * number:g} %"',
            )
        share = number if number < 0.5 else number / 100.0
    else:
        share = parse_quantity(text, "%")
    if not 0.0 <= share < 1.0:
        raise InputError(f"the {what} must lie between 0 and 100 %", value=repr(text))
    return share


def read_tangent(text: str, unit: str) -> float:
    """Read a loss tangent: "0.001" or "0.1 %"."""
    text = add_unit(text, unit)
    tangent = float(text.replace(",", ".")) if _PLAIN.fullmatch(text) else parse_quantity(text, "%")
    if not 0.0 <= tangent < 1.0:
        raise InputError(
            "the loss tangent must lie between 0 and 1",
            value=repr(text),
            remedy='write "0.05" or "5 %"',
        )
    return tangent


def read_wire(text: str, unit: str) -> tuple[float | None, int | None]:
    """Read a wire as a bare diameter in m, or as an AWG size ("AWG 18"): one of the two."""
    named = f"AWG {text}" if unit.casefold() == "awg" and _PLAIN.fullmatch(text) else text
    match = re.fullmatch(r"(?:AWG\s*#?\s*(\d{1,2})|(\d{1,2})\s*AWG)", named, re.IGNORECASE)
    if match:
        size = int(match[1] or match[2])
        if not 8 <= size <= 30:
            raise InputError("the wire of a coil lies between AWG 8 and AWG 30", value=repr(text))
        return None, size
    # A bare number is a diameter in mm: nobody writes wire in metres.
    diameter = parse_quantity(add_unit(named, unit or "mm"), "m")
    if not 0.1e-3 <= diameter <= 5e-3:
        raise InputError("the wire of a coil is 0.1 mm to 5 mm thick", value=repr(text))
    return diameter, None


def read_price(text: str, unit: str) -> tuple[float, str]:
    """Read a price, with or without a currency: "2.50", "2.50 EUR", "€ 2,50"."""
    match = _MONEY.fullmatch(text.strip())
    if not match:
        raise InputError(
            "the price must be a number, 0 or more",
            value=repr(text),
            remedy='write for instance "2.50" or "2.50 EUR"',
        )
    return float(match[2].replace(",", ".")), match[1] or match[3] or unit
