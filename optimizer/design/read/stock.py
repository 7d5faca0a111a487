"""Where parts come from: the stock block of a design file."""

from __future__ import annotations

from dataclasses import replace

from optimizer.design.nouns import StockChoice
from optimizer.design.read.terms import WIRE_FORM
from optimizer.errors import InputError
from optimizer.parts import KINDS, Kind
from optimizer.stock.series import check_series
from optimizer.stock.stock import LOSS_TANGENTS
from optimizer.text.keys import (
    FilesForm,
    FlagForm,
    Key,
    KeyBlock,
    NumberForm,
    OwnForm,
    WordForm,
)
from optimizer.text.yamltext import Entry


def _read_one_series(entry: Entry) -> str:
    try:
        return check_series(entry.text())
    except InputError as error:
        raise entry.where.locate(error) from None


def _read_series(entry: Entry) -> dict[Kind, str | None]:
    """Read one series for all kinds, one for each, or "no" (None)."""
    if entry.is_off:
        return dict.fromkeys(KINDS)
    if not entry.is_mapping:
        return dict.fromkeys(KINDS, _read_one_series(entry))
    return {
        kind: None if inner.is_off else _read_one_series(inner)
        for name, inner in entry.fields(KINDS).items()
        for kind in KINDS
        if kind == name
    }


STOCK_KEYS = KeyBlock(
    noun=StockChoice,
    keys=(
        Key(
            name="series", says=("stock", "series"), example="E24",
            form=OwnForm("name of a series, one for each kind of part, or no", _read_series),
            meaning="preferred values that can be bought; without lists all kinds in E12",
        ),
        Key(
            name="wire", field="wire_m", form=WIRE_FORM, example="1.0 mm",
            meaning="bare wire of the coils bought by series, which gives their resistance",
        ),
        Key(
            name="capacitors", field="dielectric", form=WordForm(tuple(LOSS_TANGENTS)),
            example="polyester",
            meaning="what capacitors bought by series are made of, which gives their losses",
        ),
        Key(
            name="join", says=("stock", "joined pieces"),
            form=NumberForm(
                least=1, most=3, whole=True, rule="one to three pieces can be joined"
            ),
            example="2", meaning="most pieces joined to make one part",
        ),
        Key(
            name="shelf", form=FilesForm(), example="shelf.csv",
            meaning="lists of pieces that are owned, with their counts",
        ),
        Key(
            name="bought", form=FilesForm(), example="shop.csv",
            meaning="lists of what a shop keeps, with prices",
        ),
        Key(
            name="pair", says=("stock", "speakers"), form=FlagForm(), example="yes",
            meaning="whether the pieces must serve two speakers built alike",
        ),
    ),
)  # fmt: skip
"""The keys of the stock block."""


def read_stock(entry: Entry | None, notes: list[str]) -> StockChoice:
    """Read the stock block.

    Parameters
    ----------
    entry : Entry or None
        The block; without one everything is bought in the series E12.
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
    written = STOCK_KEYS.open(entry)
    values = STOCK_KEYS.take(written)
    named: dict[Kind, str | None] = values.pop("series", {})
    choice = StockChoice(**values)
    listed = choice.shelf or choice.bought
    series = {**({} if listed else choice.series), **named}
    choice = replace(choice, series={kind: name for kind, name in series.items() if name})
    if not (choice.series or listed):
        raise written["series"].error("the stock must hold something",
                                      remedy="name a series, a shelf or a bought list")  # fmt: skip
    if choice.shelf and "pair" not in written:
        notes.append("stock: the shelf need serve one speaker only (pair: yes asks for two)")
    return choice
