"""Where parts come from: the stock block of a design file."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from optimizer.errors import InputError
from optimizer.parts import KINDS, Kind
from optimizer.stock.coil import DEFAULT_WIRE_M
from optimizer.stock.series import check_series
from optimizer.stock.stock import LOSS_TANGENTS
from optimizer.text.units import format_quantity
from optimizer.text.yamltext import Entry

DEFAULT_SERIES = "E12"


@dataclass(frozen=True, slots=True, kw_only=True)
class StockChoice:
    """Where parts come from.

    Parameters
    ----------
    series : mapping of kind to str
        Preferred-value series of each kind ("E12"); a kind left out is not bought by series.
    wire_m : float
        Bare wire diameter of coils bought by series.
    dielectric : str
        What capacitors bought by series are made of, see `optimizer.stock.stock.LOSS_TANGENTS`.
    join : int
        Most pieces joined to one part.
    shelf : tuple of Path
        Lists of pieces that are owned.
    bought : tuple of Path
        Lists of what a shop keeps.
    pair : bool
        Whether the pieces must serve two speakers built alike.
    """

    series: Mapping[Kind, str] = field(default_factory=lambda: dict.fromkeys(KINDS, DEFAULT_SERIES))
    wire_m: float = DEFAULT_WIRE_M
    dielectric: str = "polypropylene"
    join: int = 1
    shelf: tuple[Path, ...] = ()
    bought: tuple[Path, ...] = ()
    pair: bool = False


def read_stock(entry: Entry | None, folder: Path, notes: list[str]) -> StockChoice:
    """Read the stock block.

    Parameters
    ----------
    entry : Entry or None
        The block; without one everything is bought in the series E12.
    folder : Path
        Folder of the design file.
    notes : list of str
        Gets what was assumed.

    Returns
    -------
    StockChoice

    Raises
    ------
    InputError
        An unknown key or series, a value out of bounds, or nothing to take parts from.
    """
    if entry is None:
        return StockChoice()
    fields = entry.fields(("series", "wire", "capacitors", "join", "shelf", "bought", "pair"))
    plain = StockChoice()
    shelf = _read_files(fields["shelf"], folder) if "shelf" in fields else ()
    bought = _read_files(fields["bought"], folder) if "bought" in fields else ()
    series = {} if shelf or bought else dict(plain.series)
    if "series" in fields:
        series = _read_series(fields["series"], series)
    if not (series or shelf or bought):
        raise fields["series"].error("the stock must hold something",
                                     remedy="name a series, a shelf or a bought list")  # fmt: skip
    pair = fields["pair"].flag() if "pair" in fields else False
    if shelf and "pair" not in fields:
        notes.append("stock: the shelf need serve one speaker only (pair: yes asks for two)")
    return StockChoice(
        series=series,
        wire_m=_read_wire(fields["wire"]) if "wire" in fields else plain.wire_m,
        dielectric=(
            fields["capacitors"].choice(LOSS_TANGENTS) if "capacitors" in fields
            else plain.dielectric
        ),
        join=fields["join"].whole_number(least=1) if "join" in fields else plain.join,
        shelf=shelf, bought=bought, pair=pair,
    )  # fmt: skip


def _read_series(entry: Entry, others: dict[Kind, str]) -> dict[Kind, str]:
    """Read one series for all kinds, one for each, or "no"."""
    if entry.is_off:
        return {}
    if not entry.is_mapping:
        return dict.fromkeys(KINDS, _read_one_series(entry))
    found = dict(others)
    for name, inner in entry.fields(KINDS).items():
        kind = next(kind for kind in KINDS if kind == name)
        if inner.is_off:
            found.pop(kind, None)
        else:
            found[kind] = _read_one_series(inner)
    return found


def _read_one_series(entry: Entry) -> str:
    try:
        return check_series(entry.text())
    except InputError as error:
        raise entry.where.locate(error) from None


def _read_files(entry: Entry, folder: Path) -> tuple[Path, ...]:
    if entry.is_off:
        return ()
    found = []
    for inner in entry.items() if entry.is_list else [entry]:
        text = inner.text()
        if not text.strip() or "\0" in text:
            raise inner.error("a file name is expected here", value=repr(text))
        found.append(folder / os.path.expanduser(text))
    return tuple(found)


def _read_wire(entry: Entry) -> float:
    diameter = entry.quantity("m")
    # Below 0.2 mm a coil cannot carry a loudspeaker's current, above 5 mm it cannot be wound; a
    # bare "1.0" was meant in mm.
    if not 0.2e-3 <= diameter <= 5e-3:
        raise entry.error(
            "the wire of a coil is between 0.2 mm and 5 mm thick",
            value=format_quantity(diameter, "m"), remedy='write for instance "1.0 mm"',
        )  # fmt: skip
    return diameter
