"""Pieces that look alike in a list of values: which make of a printed value is meant."""

from __future__ import annotations

from optimizer.network.network import Network
from optimizer.parts import LOSS_OF_KIND, RATING_UNIT_OF_KIND, UNIT_OF_KIND, Part
from optimizer.stock.lots import Lot
from optimizer.stock.stock import Stock
from optimizer.text.units import format_quantity

_SAME_PRINT = 1e-6


def tell_alike(stock: Stock, network: Network) -> tuple[str, ...]:
    """Say which pieces are meant where a list holds several makes of one value.

    Parameters
    ----------
    stock : Stock
        Shelf and bought-in lists.
    network : Network
        What is built.

    Returns
    -------
    tuple of str
        "tweeter C2: 33 uF polypropylene, 250 V (not bipolar electrolytic, 100 V)".
    """
    said = []
    for ladder in network.ladders:
        for slot in ladder.slots:
            for name, _, part in slot.named_parts:
                for value in dict.fromkeys(part.pieces or (part.value,)):
                    lots = [
                        lot
                        for lot in stock.lots
                        if (lot.part.kind, lot.part.origin) == (part.kind, part.origin)
                    ]
                    lot = next((lot for lot in lots if lot.part.value == value), None)
                    others = (
                        []
                        if lot is None
                        else [
                            o
                            for o in lots
                            if o is not lot and abs(o.nominal / lot.nominal - 1.0) < _SAME_PRINT
                        ]
                    )
                    if lot is not None and others:
                        printed = format_quantity(lot.nominal, UNIT_OF_KIND[part.kind])
                        said.append(
                            f"{ladder.name} {name}: {printed} {_describe(lot)} (not "
                            f"{'; not '.join(_describe(o) for o in others)})"
                        )
    return tuple(said)


def _describe(lot: Lot) -> str:
    part: Part = lot.part
    make = ", ".join(word for word in part.note.split(", ") if "estimated" not in word)
    loss = LOSS_OF_KIND[part.kind]
    words = [
        make,
        "" if part.rating is None else f"{part.rating:g} {RATING_UNIT_OF_KIND[part.kind]}",
        "" if not loss or make else f"{loss} {format_quantity(part.loss_ohm, 'ohm', 2)}",
    ]
    return ", ".join(filter(None, words)) or "plain"
