"""Lists of parts as CSV: the shelf, where pieces are counted, and what a shop keeps."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from optimizer.errors import InputError
from optimizer.parts import (
    LOSS_OF_KIND,
    RATING_UNIT_OF_KIND,
    UNIT_OF_KIND,
    Kind,
    Part,
    name_sort,
)
from optimizer.stock.coil import DEFAULT_WIRE_M, air_coil_dcr, awg_diameter_m
from optimizer.stock.columns import (
    ListColumn,
    add_unit,
    read_count,
    read_headings,
    read_kind,
    read_price,
    read_share,
    read_tangent,
    read_wire,
)
from optimizer.stock.lots import BOUGHT, SHELF, Lot, name_lots
from optimizer.stock.stock import (
    DEFAULT_DIELECTRIC,
    DEFAULT_TOLERANCE,
    LOSS_TANGENTS,
    loss_tangent_to_esr,
)
from optimizer.text.quoting import find_unprintable
from optimizer.text.reading import decode_text, read_file
from optimizer.text.units import format_quantity, parse_quantity

LARGEST_LIST_BYTES = 50_000_000

MEASURED_TOLERANCE = 0.01
"""Uncertainty of a hand-held meter when nothing is said; common practice, no source."""

ELECTROLYTIC_TOLERANCE = 0.10
"""Bipolar electrolytics of the better kind; from memory."""

PLAUSIBLE: dict[Kind, tuple[float, float]] = {
    "inductor": (1e-6, 1.0),
    "capacitor": (1e-9, 0.05),
    "resistor": (0.005, 1e5),
}
"""Limits beyond which a value is surely a slip of the unit."""

_BREAKS = re.compile(r"[\r\n\t]+")
"""Within a cell; a spreadsheet allows it lines."""

_RATING_COLUMN: dict[Kind, str] = {
    "capacitor": "voltage",
    "resistor": "power",
    "inductor": "current",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PartsList:
    """A list of parts as read from a file.

    Parameters
    ----------
    lots : tuple of Lot
        Like pieces together, in the order of the file.
    currency : str
        Currency of the prices, empty when none is named.
    ignored : tuple of str
        Headings of columns that mean nothing here.
    file : str
        Where it was read.
    """

    lots: tuple[Lot, ...]
    currency: str = ""
    ignored: tuple[str, ...] = ()
    file: str = ""


def read_parts_list(path: str | Path, *, owned: bool = True) -> PartsList:
    """Read a shelf or a bought-in list.

    Parameters
    ----------
    path : path-like
        CSV file with a row of headings (`optimizer.stock.columns.HEADINGS`), separated by
        comma, semicolon or tab; the order of the columns is free and most may be absent.
    owned : bool
        True for a shelf: a row without a count is one piece, and pieces cost nothing more.
        False for a shop: a row without a count can be bought in any number.

    Returns
    -------
    PartsList

    Raises
    ------
    InputError
        With file, line, column, value, rule and remedy.
    """
    raw = read_file(path, "list of parts", largest=LARGEST_LIST_BYTES)
    try:
        text = decode_text(
            raw, "list of parts", remedy="save it as CSV from the spreadsheet", legacy=True
        )
    except InputError as error:
        raise error.located(file=str(path)) from None
    return parse_parts_list(text, file=str(path), owned=owned)


def parse_parts_list(text: str, *, file: str = "", owned: bool = True) -> PartsList:
    """Read a list of parts from text, see `read_parts_list`."""
    rows = _split_rows(text, file)
    line, headings = next(rows, (1, []))
    try:
        columns, ignored = read_headings(headings)
    except InputError as error:
        raise error.located(file=file, line=line) from None
    currency = next((c.unit for c in columns if c.name == "price"), "")
    pools: dict[tuple[object, ...], _Pool] = {}
    for line, cells in rows:
        if any(cell.strip() for cell in cells[len(headings) :]):
            raise InputError(
                "a row has more cells than the headings",
                file=file,
                line=line,
                value=len(cells),
                remedy="separate by semicolons if numbers have a decimal comma, or put "
                "such cells in quotes",
            )
        row = _Row(columns=columns, cells=cells, owned=owned)
        try:
            lot = row.read(line)
        except InputError as error:
            raise error.located(file=file, line=line, key=row.reading) from None
        if row.currency and currency and row.currency != currency:
            raise InputError(
                "all prices of a list must be in one currency",
                file=file,
                line=line,
                value=f"{row.currency} after {currency}",
            )
        currency = row.currency or currency
        if lot is not None:
            pools.setdefault(_alike(lot), _Pool(lot)).add(lot)
    lots = name_lots(pool.lot() for pool in pools.values())
    return PartsList(lots=lots, currency=currency, ignored=ignored, file=file)


def _split_rows(text: str, file: str) -> Iterator[tuple[int, list[str]]]:
    """Yield line number and cells of each row that is neither empty nor a comment."""
    lines = list(io.StringIO(text, newline=""))
    separator = find_separator(lines)
    reader = csv.reader(lines, delimiter=separator, skipinitialspace=True)
    start = 1
    try:
        for cells in reader:
            line, start = start, reader.line_num + 1
            plain = any(cell.strip() for cell in cells)
            if plain and not cells[0].startswith("#") and not re.match("sep=", cells[0]):
                yield line, cells
    except csv.Error as error:
        raise InputError(
            "the file is no proper CSV", file=file, line=start, value=str(error)
        ) from None


def find_separator(lines: Sequence[str]) -> str:
    """Find what separates the cells of a list, from its row of headings."""
    first = next(
        (line for line in lines if line.strip() and not line.startswith(("#", "sep="))), ""
    )
    counts = {mark: first.count(mark) for mark in (";", "\t", ",")}
    return max(counts, key=lambda mark: counts[mark])


def list_rows(text: str, *, file: str = "") -> tuple[tuple[Lot, Lot], ...]:
    """List the rows of a shelf that hold pieces, each with the lot that it is part of.

    Parameters
    ----------
    text, file
        As of `parse_parts_list`, which has read them without an error.

    Returns
    -------
    tuple of (Lot, Lot)
        What the row alone holds, with its line, and all like pieces together.
    """
    rows = _split_rows(text, file)
    _, headings = next(rows, (1, []))
    columns, _ = read_headings(headings)
    pools: dict[tuple[object, ...], _Pool] = {}
    members: dict[tuple[object, ...], list[Lot]] = {}
    for line, cells in rows:
        lot = _Row(columns=columns, cells=cells, owned=True).read(line)
        if lot is not None:
            pools.setdefault(_alike(lot), _Pool(lot)).add(lot)
            members.setdefault(_alike(lot), []).append(lot)
    lots = name_lots(pool.lot() for pool in pools.values())
    return tuple(
        (row, lot) for lot, some in zip(lots, members.values(), strict=True) for row in some
    )


class _Row:
    """One row while it is read; `reading` is the heading of the cell at work, for errors."""

    def __init__(self, *, columns: tuple[ListColumn, ...], cells: list[str], owned: bool) -> None:
        self.columns: Mapping[str, ListColumn] = {column.name: column for column in columns}
        self.cells = cells
        self.owned = owned
        self.reading: str | None = None
        self.currency = ""

    def text(self, name: str) -> str:
        """Return the cell of a column, empty when the column or the cell is missing."""
        column = self.columns.get(name)
        self.reading = column.heading if column else None
        if column is None or column.index >= len(self.cells):
            return ""
        text = _BREAKS.sub(" ", self.cells[column.index]).strip()
        wrong = find_unprintable(text)
        if wrong:
            raise InputError(
                "a cell has characters that can be seen",
                value=repr(text[:60]),
                remedy=f"remove the character {wrong!r}",
            )
        return text

    def unit(self, name: str) -> str:
        """Return the unit in the heading of a column."""
        column = self.columns.get(name)
        return column.unit if column else ""

    def quantity(self, name: str, unit: str) -> float | None:
        text = self.text(name)
        return parse_quantity(add_unit(text, self.unit(name)), unit) if text else None

    def read(self, line: int) -> Lot | None:
        """Return the lot of this row; None when its count is 0."""
        unit = self.text("unit") or self.unit("value") or self.unit("measured")
        value_text = add_unit(self.text("value") or self.text("measured"), unit)
        kind_text = self.text("kind")
        if not kind_text:
            self.text("value")
        kind, words = read_kind(kind_text, value_text)
        nominal, measured = self.values(kind, unit)
        count = self.count(measured)
        sort = " ".join(filter(None, (self.text("type"), words)))
        value = measured if measured is not None else nominal
        made_of = name_sort(sort, kind)
        wire = self.wire() if kind == "inductor" else None
        loss, remark = self.loss(kind, value, made_of, wire)
        label = self.text("label")
        price = None
        text = self.text("price")
        if text:
            price, self.currency = read_price(text, self.unit("price"))
        note = ", ".join(filter(None, (sort, self.text("note"), remark, self.current_kind())))
        if measured is None and label:
            note = ", ".join(filter(None, (label, note)))
        part = Part(
            kind=kind,
            value=value,
            loss_ohm=loss,
            tolerance=self.tolerance(made_of, measured),
            origin=SHELF if self.owned else BOUGHT,
            pieces=(value,),
            price=0.0 if self.owned else price,
            rating=self.rating(kind),
            note=note,
            made_of=made_of or ("air" if remark and kind == "inductor" else ""),
            wire_m=wire,
            height_m=self.height(kind),
        )
        return (
            None
            if count == 0
            else Lot(
                part=part,
                count=count,
                nominal=nominal,
                replacement_price=price,
                line=line,
                measured=() if measured is None else (measured,),
                labels=() if measured is None else (label,),
            )
        )

    def values(self, kind: Kind, unit: str) -> tuple[float, float | None]:
        """Nominal and measured value."""
        found: list[float | None] = []
        for name in ("value", "measured"):
            text = self.text(name)
            own = self.text("unit") or self.unit(name) or unit
            self.text(name)
            value = parse_quantity(add_unit(text, own), UNIT_OF_KIND[kind]) if text else None
            if value is not None:
                low, high = PLAUSIBLE[kind]
                if not low <= value <= high:
                    limits = " to ".join(
                        format_quantity(x, UNIT_OF_KIND[kind]) for x in (low, high)
                    )
                    raise InputError(
                        f"a crossover {kind} lies within {limits}",
                        value=repr(text),
                        remedy="check the unit",
                    )
                # 4.7 * 1e-6 is not the float 4.7e-6; the 12th digit settles it.
                value = float(f"{value:.12g}")
            found.append(value)
        nominal, measured = found
        if nominal is None:
            nominal = measured
        if nominal is None:
            self.text("value")
            raise InputError("every row needs a value", remedy="fill in the cell")
        return nominal, measured

    def count(self, measured: float | None) -> int | None:
        text = self.text("count")
        if not text:
            return 1 if self.owned or measured is not None else None
        count = read_count(text)
        if measured is not None and count > 1:
            raise InputError(
                "a measured value belongs to one piece",
                value=repr(text),
                remedy="give every measured piece a row of its own",
            )
        return count

    def tolerance(self, made_of: str, measured: float | None) -> float:
        text = self.text("tolerance")
        if measured is not None:
            # The tolerance printed on the piece no longer matters once it was measured.
            return MEASURED_TOLERANCE
        if text:
            return read_share(text, self.unit("tolerance"), "tolerance")
        return ELECTROLYTIC_TOLERANCE if made_of == "electrolytic" else DEFAULT_TOLERANCE

    def loss(
        self, kind: Kind, value: float, made_of: str, wire_m: float | None
    ) -> tuple[float, str]:
        """Loss in ohm, and a remark when it is estimated rather than stated."""
        if kind == "resistor":
            return 0.0, ""
        stated = self.quantity(LOSS_OF_KIND[kind], "ohm")
        if stated is None:
            stated = self.quantity("loss", "ohm")
        if stated is not None:
            if stated < 0.0:
                raise InputError("a loss cannot be negative", value=f"{stated:g} ohm")
            return stated, ""
        if kind == "inductor":
            return self.coil_loss(value, made_of, wire_m)
        text = self.text("tangent")
        # What is not said, or has no typical loss, is taken for the usual film.
        taken = made_of if made_of in LOSS_TANGENTS else DEFAULT_DIELECTRIC
        tangent = read_tangent(text, self.unit("tangent")) if text else LOSS_TANGENTS[taken]
        return (
            loss_tangent_to_esr(tangent, value),
            "" if text else f"ESR estimated for {taken}",
        )

    def coil_loss(self, value: float, made_of: str, wire_m: float | None) -> tuple[float, str]:
        if made_of not in ("", "air"):
            self.text("dcr")
            raise InputError(
                "a coil with a core needs its DCR",
                remedy="measure it with an ohmmeter and fill in the cell",
            )
        diameter = DEFAULT_WIRE_M if wire_m is None else wire_m
        remark = f"DCR estimated for an air core of {1e3 * diameter:.3g} mm wire"
        return float(air_coil_dcr(value, diameter)), remark

    def wire(self) -> float | None:
        """Return the bare wire of a coil, where it is stated."""
        text = self.text("wire")
        if not text:
            return None
        diameter, awg = read_wire(text, self.unit("wire"))
        return awg_diameter_m(awg or 18) if diameter is None else diameter

    def height(self, kind: Kind) -> float | None:
        """Return the height of a coil that lies flat, where it is stated."""
        text = self.text("height") if kind == "inductor" else ""
        if not text:
            return None
        # A bare number is in mm: nobody writes a coil in metres.
        height = parse_quantity(add_unit(text, self.unit("height") or "mm"), "m")
        if not 1e-3 <= height <= 0.5:
            raise InputError("the height of a coil lies within 1 mm and 0.5 m", value=repr(text))
        return height

    def rating(self, kind: Kind) -> float | None:
        name = _RATING_COLUMN[kind] if self.text(_RATING_COLUMN[kind]) else "rating"
        text = self.text(name)
        if not text:
            return None
        # "250 VAC", "400 V DC": the note keeps which it was, see `read`.
        text = re.sub(r"(?i)(?<=v)\s*(ac|dc|~|=)$", "", text)
        rating = parse_quantity(add_unit(text, self.unit(name)), RATING_UNIT_OF_KIND[kind])
        if rating <= 0.0:
            raise InputError("a rating must be positive", value=repr(text))
        return rating

    def current_kind(self) -> str:
        """Return "rated for AC" or "rated for DC" when the voltage rating says so, else ""."""
        text = (self.text("voltage") or self.text("rating")).casefold()
        for ends, remark in ((("ac", "~"), "rated for AC"), (("dc", "="), "rated for DC")):
            if text.endswith(ends):
                return remark
        return ""


def _alike(lot: Lot) -> tuple[object, ...]:
    """Return what like pieces share: all but the count, or but the measured value."""
    part = lot.part
    return (
        part.kind,
        lot.nominal,
        part.tolerance,
        part.rating,
        lot.replacement_price,
        part.note,
        part.wire_m,
        part.height_m,
        bool(lot.measured),
        None if lot.measured else part.loss_ohm,
    )


class _Pool:
    """Like pieces, put together row by row: a long list is never held as rows."""

    def __init__(self, first: Lot) -> None:
        self.first = first
        self.rows = 0
        self.count: int | None = 0
        self.loss = 0.0
        self.measured: list[float] = []
        self.labels: list[str] = []

    def add(self, lot: Lot) -> None:
        """Put a row to the others."""
        self.loss = (self.loss * self.rows + lot.part.loss_ohm) / (self.rows + 1)
        self.rows += 1
        none = self.count is None or lot.count is None
        self.count = None if none else (self.count or 0) + (lot.count or 0)
        self.measured += lot.measured
        self.labels += lot.labels

    def lot(self) -> Lot:
        """Make one lot of them."""
        if self.rows == 1:
            return self.first
        if not self.measured:
            return replace(self.first, count=self.count)
        mean = float(f"{sum(self.measured) / len(self.measured):.12g}")
        spread = max(abs(value / mean - 1.0) for value in self.measured)
        part = replace(
            self.first.part,
            value=mean,
            pieces=(mean,),
            loss_ohm=self.loss,
            tolerance=MEASURED_TOLERANCE + spread,
        )
        return replace(
            self.first,
            part=part,
            count=len(self.measured),
            measured=tuple(self.measured),
            labels=tuple(self.labels),
        )
