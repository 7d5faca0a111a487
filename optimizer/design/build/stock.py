"""The stock of a design file, and whether it can serve the ladders at all."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path, PurePath

from optimizer.design.keys import key_of_ladder, keys_of_slots, locate
from optimizer.design.nouns import Design
from optimizer.errors import InputError
from optimizer.network.topology import Ladder, Slot, Topology, ValueRange
from optimizer.parts import BOARD, SORTS, UNIT_OF_KIND, Kind
from optimizer.stock.allocate import SlotChoice, SlotDemand, allocate
from optimizer.stock.lots import Lot
from optimizer.stock.prices import estimate_price
from optimizer.stock.shelf import LARGEST_LIST_BYTES, PartsList, parse_parts_list, read_parts_list
from optimizer.stock.stock import Stock, assemble_stock, series_rules, series_stock
from optimizer.text.reading import read_file
from optimizer.text.units import format_quantity

SHOP_SERIES = "E24"
"""Where the nearest purchase is looked up when the design names no series: common practice, no
source."""


def build_stock(design: Design) -> Stock:
    """Make the stock that a design chooses.

    Parameters
    ----------
    design : Design
        As read.

    Returns
    -------
    Stock
        Series, shelf and bought list together, for one speaker or a pair.

    Raises
    ------
    InputError
        A list cannot be read, lists differ in currency, or a number is out of bounds.
    """
    choice = design.stock
    lists: list[PartsList] = []
    for key, paths, owned in (("shelf", choice.shelf, True), ("bought", choice.bought, False)):
        for path in paths:
            try:
                lists.append(_read_list(path, choice.counted.get(path), owned=owned))
            except InputError as error:
                raise design.where(f"stock.{key}").locate(error) from None
    board = list_board(design)
    currencies = [found.currency for found in lists if found.currency]
    if len(set(currencies)) > 1:
        raise design.where("stock").error(
            "all lists of parts must be in one currency", value=" and ".join(currencies)
        )
    currency = _choose_currency(design, currencies)
    lots: list[Lot] = [lot for found in lists for lot in found.lots]
    laws = {kind: estimate_price(lots, kind) for kind in choice.series}
    prices = {kind: law for kind, law in laws.items() if law is not None}
    notes = [note for found in lists for note in _note_list(found)]
    if prices:
        notes.append(
            f"stock: prices of {', '.join(f'{kind}s' for kind in prices)} of a series are "
            "estimated from those on the lists"
        )
    try:
        return assemble_stock(
            rules=series_rules(choice.series, wire_m=choice.wire_m, prices=prices,
                               dielectric=choice.dielectric),
            lots=[*lots, *board], join=choice.join, speakers=2 if choice.pair else 1,
            currency=currency, notes=[*notes, *_note_terms(design, lots)], terms=design.limits.terms,
        )  # fmt: skip
    except InputError as error:
        raise locate(design, error, "stock.series") from None


def list_board(design: Design) -> list[Lot]:
    """List the pieces of a design's board: what comes off may serve elsewhere on it.

    Parameters
    ----------
    design : Design

    Returns
    -------
    list of Lot
        One piece each, of every cabinet's own board; several that are joined move as they are.
    """
    if design.board is None:
        return []
    return [
        Lot(
            part=replace(
                part, origin=BOARD, price=0.0, pieces=(part.value,), joined="",
                note=", ".join(filter(None, (f"from {ladder.name}.{label}", part.note))),
            ),
            count=1,
            nominal=part.value,
        )
        for ladder in design.topology.ladders
        for slot in ladder.slots
        for label, part in zip(slot.labels, slot.kept or (), strict=False)
    ]  # fmt: skip


def _choose_currency(design: Design, currencies: Sequence[str]) -> str:
    """Take the currency of the lists, else that of the largest price."""
    found = currencies[0] if currencies else ""
    wanted = "" if design.limits.price is None else design.limits.price[1]
    if wanted and found and wanted != found:
        raise design.where("limits.price").error(
            "the largest price is in the currency of the lists",
            value=wanted,
            remedy=f"write {found}",
        )
    return found or wanted


def _note_terms(design: Design, lots: Sequence[Lot]) -> Iterator[str]:
    """Say of how many pieces it is not known whether they keep the terms of the speaker."""
    terms = design.limits.terms
    coils = [lot for lot in lots if lot.part.kind == "inductor"]
    unknown = [lot for lot in coils if lot.part.height_m is None]
    if terms.height_m is not None and unknown:
        yield (
            f"limits.height: {len(unknown)} of {len(coils)} coils of the lists state no height and are "
            "passed over (column height)"
        )
    kinds = {SORTS[sort][0] for sort in terms.without}
    silent = [lot for lot in lots if lot.part.kind in kinds and not lot.part.made_of]
    if silent:
        yield (
            f"limits.without: {len(silent)} parts of the lists do not say what they are made of and "
            "are taken (column type)"
        )


def _read_list(path: Path, counted: str | None, *, owned: bool) -> PartsList:
    if counted is None or not owned:
        return read_parts_list(path, owned=owned)
    read_file(path, "list of parts", largest=LARGEST_LIST_BYTES)  # nothing is written over it
    return parse_parts_list(counted, file=str(path), owned=owned)


def _note_list(found: PartsList) -> list[str]:
    """Say what a list left open: columns passed over, losses that had to be estimated."""
    name = PurePath(found.file).name
    notes = []
    if found.ignored:
        columns = ", ".join(f'"{heading}"' for heading in found.ignored)
        notes.append(f"{name}: passed over, as the heading means nothing here: {columns}")
    for kind, loss in (("inductor", "DCR"), ("capacitor", "ESR")):
        of_kind = [lot for lot in found.lots if lot.part.kind == kind]
        guessed = [lot for lot in of_kind if f"{loss} estimated" in lot.part.note]
        if guessed:
            notes.append(
                f"{name}: {loss} estimated for {len(guessed)} of {len(of_kind)} {kind} "
                "lots, as none is stated"
            )
    return notes


def build_shop(design: Design, stock: Stock) -> Stock:
    """Make the stock in which the nearest purchase is looked up.

    Parameters
    ----------
    design : Design
        Its bought list and series are taken where it names any.
    stock : Stock
        The stock of the design.
    """
    if stock.rules:
        return replace(stock, lots=tuple(lot for lot in stock.lots if not lot.owned), join=1)
    return series_stock(SHOP_SERIES, wire_m=design.stock.wire_m, dielectric=design.stock.dielectric)


def check_stock(design: Design, stock: Stock) -> tuple[Topology, tuple[str, ...]]:
    """Check that the stock can serve the slots, and leave out optional ones it cannot.

    Parameters
    ----------
    design : Design
        As read.
    stock : Stock
        Its stock.

    Returns
    -------
    Topology, tuple of str
        The slots that can be served, and a note for each that is left out.

    Raises
    ------
    InputError
        When the stock holds nothing for a slot, or not enough for all of them at once; it names
        the slot and the nearest purchase.
    """
    slots = [slot for ladder in design.topology.ladders for slot in ladder.slots]
    kinds = {kind for slot in slots if slot.kept is None for kind in slot.kinds}
    try:
        stock.check_joins(kinds)
    except InputError as error:
        raise locate(design, error, "stock.join") from None
    notes: list[str] = []
    lost: dict[tuple[str, str], InputError] = {}
    shop = build_shop(design, stock)

    def serve(ladder: Ladder) -> tuple[Slot, ...]:
        slots = []
        for slot, key in zip(ladder.slots, keys_of_slots(design.topology, ladder), strict=True):
            error = _find_empty_range(design, stock, shop, key, slot)
            if error is None:
                slots.append(slot)
            elif slot.optional and (stock.lots or design.board or _say_terms_any(stock, slot)):
                lost[ladder.name, slot.name] = error
                notes.append(
                    f"{ladder.name}.{slot.name} stays empty: {error.rule}"
                    + (f"; {error.remedy}" if error.remedy else "")
                )
            else:
                raise error
        return tuple(slots)

    topology = _drop_alternatives(design.topology.map_slots(serve), lost, notes)
    _check_counts(design, topology, stock, shop)
    return topology, (*stock.notes, *notes)


def _drop_alternatives(
    topology: Topology, lost: Mapping[tuple[str, str], InputError], notes: list[str]
) -> Topology:
    """Leave out alternatives that need a slot which nothing can fill, with all their slots."""
    if not topology.choices or not lost:
        return topology
    choices = []
    gone: set[tuple[str, str]] = set()
    for choice in topology.choices:
        own = {name: error for (ladder, name), error in lost.items() if ladder == choice.ladder}
        left = choice.without(own)
        if not left.alternatives:
            raise next(own[name] for name in choice.slots if name in own)
        choices.append(left)
        gone |= {(choice.ladder, name) for name in choice.slots if name not in left.slots}
        notes += [
            f"{choice.ladder}: the alternative {one.name} is left out"
            for one in choice.alternatives
            if one.name not in [still.name for still in left.alternatives]
        ]
    kept = topology.map_slots(
        lambda ladder: tuple(s for s in ladder.slots if (ladder.name, s.name) not in gone)
    )
    return replace(kept, choices=tuple(choices))


def _ranges(slot: Slot) -> Iterator[tuple[str, Kind, ValueRange]]:
    return zip(slot.circuit.keys, slot.kinds, slot.ranges, strict=True)


def _say_terms_any(stock: Stock, slot: Slot) -> bool:
    """Whether it is terms that leave nothing for some part of a place."""
    return any(
        _say_terms(stock, slot, kind, span)
        for _, kind, span in _ranges(slot)
        if not stock.options(kind, span.low, span.high, slot.terms)
    )


def _find_empty_range(
    design: Design, stock: Stock, shop: Stock, key: str, slot: Slot
) -> InputError | None:
    """Error for the first part of a slot that nothing can fill; None when all can be filled."""
    if slot.kept is not None:
        return None  # what is on the board can stay
    for name, kind, span in _ranges(slot):
        if not stock.options(kind, span.low, span.high, slot.terms):
            if not slot.optional and stock.nearest(kind, span.low, span.high, slot.terms):
                continue  # the search shows the nearest miss
            spot = design.where(
                f"{key}.{name}" if f"{key}.{name}" in design.spots else f"{key}.from"
            )
            unit = UNIT_OF_KIND[kind]
            return spot.error(
                f"the stock must hold at least one {kind} for slot {slot.name}",
                value=f"none from {format_quantity(span.low, unit, 4)} to "
                f"{format_quantity(span.high, unit, 4)}",
                remedy=_say_terms(stock, slot, kind, span) or _say_remedy(stock, shop, kind, span),
            )  # fmt: skip
    return None


def _say_terms(stock: Stock, slot: Slot, kind: Kind, span: ValueRange) -> str:
    """Say which terms leave nothing for a place; empty where it is not they."""
    near = stock.nearest(kind, span.low, span.high, slot.terms)
    if not near:
        return ""
    value = format_quantity(near[0].value, UNIT_OF_KIND[kind], 4)
    return f"the nearest, {value}, {(stock.terms & slot.terms).faults(near[0])[0]}"


def _say_remedy(stock: Stock, shop: Stock, kind: Kind, span: ValueRange) -> str:
    """Name what is nearest in stock, and what a shop keeps within the range."""
    unit = UNIT_OF_KIND[kind]
    singles = replace(stock, join=1)
    # A thousandfold either way is beyond any sensible neighbour of the range.
    below = singles.options(kind, span.low / 1e3, span.low)
    above = singles.options(kind, span.high, span.high * 1e3)
    near = [format_quantity(p.value, unit, 4) for p in (*below[-1:], *above[:1])]
    told = f"the nearest in stock: {' and '.join(near)}; " if near else ""
    few = [
        f"{format_quantity(lot.part.value, unit, 4)} ({lot.count} there, {stock.speakers} needed)"
        for lot in stock.lots
        if lot.part.kind == kind
        and stock.per_speaker(lot) == 0
        and span.low <= lot.part.value <= span.high
    ]
    if few:
        told = f"too few of {', '.join(few)}; {told}"
    if not stock.lots:
        return told + "widen the range or choose a finer series under stock"
    middle = math.sqrt(span.low * span.high)
    purchase = min(
        shop.options(kind, span.low, span.high),
        default=None,
        key=lambda part: abs(math.log(part.value / middle)),
    )
    if purchase is None:
        return told + "widen the range"
    return (
        f"{told}widen the range, or buy for instance {stock.speakers} x "
        f"{format_quantity(purchase.value, unit)} ({purchase.origin})"
    )


def _check_counts(design: Design, topology: Topology, stock: Stock, shop: Stock) -> None:
    """Refuse a stock that holds too few pieces for the slots that must be filled."""
    if not any(lot.count is not None and lot.part.origin != BOARD for lot in stock.lots):
        return
    wishes = [
        SlotDemand(
            slot=f"{ladder.name}.{slot.name}",
            choices=tuple(
                SlotChoice(parts=(part,), cost=0.0)
                for part in stock.options(kind, span.low, span.high, slot.terms)
                or stock.nearest(kind, span.low, span.high, slot.terms)
            ),
        )
        for ladder in topology.ladders
        for slot in ladder.slots
        if slot.kept is None and not slot.optional
        for _, kind, span in _ranges(slot)
    ]
    unserved = allocate(wishes, stock, shop=shop).unserved
    if unserved:
        first = unserved[0]
        name = first.slot.partition(".")[0]
        ladder = next(one for one in topology.ladders if one.name == name)
        raise design.where(key_of_ladder(ladder)).error(
            "the stock holds too few pieces to fill all slots at once"
            + (" in both speakers" if stock.speakers == 2 else ""),
            value="; ".join(lack.message for lack in unserved),
            remedy="buy these, widen ranges, or let slots be optional",
        )
