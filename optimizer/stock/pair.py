"""Left or right: sharing measured pieces out so that two speakers come out alike."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optimizer.errors import InputError
from optimizer.parts import UNIT_OF_KIND, Part
from optimizer.stock.combine import describe_part
from optimizer.stock.ledger import Ledger
from optimizer.stock.lots import Lot
from optimizer.stock.stock import Stock
from optimizer.units import format_quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class PickedPiece:
    """One physical piece: its measured value and what is written on it, "" if nothing is."""

    value: float
    label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchedSlot:
    """Pieces of one slot in both speakers.

    Parameters
    ----------
    slot : str
        Name of the slot.
    left, right : tuple of PickedPiece
        Pieces to use; unmeasured ones with their nominal value.
    left_value, right_value : float
        Values that result, in SI units.
    measured : bool
        False when at least one piece was not measured, so that the values are nominal.
    """

    slot: str
    left: tuple[PickedPiece, ...]
    right: tuple[PickedPiece, ...]
    left_value: float
    right_value: float
    measured: bool

    @property
    def difference(self) -> float:
        """Left minus right, relative to their mean."""
        return 2.0 * (self.left_value - self.right_value) / (self.left_value + self.right_value)


@dataclass(frozen=True, slots=True, kw_only=True)
class PairMatch:
    """Outcome of `match_pair`.

    Parameters
    ----------
    slots : tuple of MatchedSlot
        In the order asked for.
    proved : bool
        False when a time limit ended the search for something better.
    """

    slots: tuple[MatchedSlot, ...]
    proved: bool

    @property
    def worst_difference(self) -> float:
        """Largest relative difference between left and right, without sign."""
        return max((abs(slot.difference) for slot in self.slots), default=0.0)


def match_pair(
    parts: Mapping[str, Part],
    stock: Stock,
    *,
    weights: Mapping[str, float] | None = None,
    nearness: float = 0.1,
    seconds: float | None = 5.0,
) -> PairMatch:
    """Choose which measured piece goes left and which right.

    Parameters
    ----------
    parts : mapping of str to Part
        Part of each slot of one speaker, from `stock`; slots that hold nothing from a measured
        lot pass through with nominal values.
    stock : Stock
        Stock for two speakers.
    weights : mapping, optional
        How much a relative difference in a slot matters, for instance the sensitivity of the
        response to it; 1 where left out.
    nearness : float
        Weight of the distance to the value the network was designed with, against that of the
        difference between left and right.
    seconds : float, optional
        Time limit for the solver.

    Returns
    -------
    PairMatch

    Raises
    ------
    InputError
        If the stock is not for a pair, or a lot has too few pieces.

    Notes
    -----
    Joined values are sums of the pieces' values or of their reciprocals, so the relative
    difference of a slot is linear in the choice of pieces, to first order. Minimise
    sum w (|left - right| + nearness (|left - wanted| + |right - wanted|) / 2) / wanted over
    binaries "piece i goes to slot j left/right" (HiGHS); every measured piece is used at most
    once.
    """
    if stock.speakers != 2:
        raise InputError("left and right can only be chosen for a pair", key="speakers",
                         value=stock.speakers)
    ledger = Ledger(stock)
    short = ledger.overdrawn(parts.values())
    if short:
        raise InputError("the shelf has too few pieces for the pair", value=short[0],
                         remedy="choose other parts or add pieces to the list")
    seats = [
        _Seat(slot=slot, lot=lot, count=count, adds=_values_add(part), whole=part.value)
        for slot, part in parts.items()
        for index, count in ledger.usage(part) or ()
        if (lot := ledger.lots[index]).measured
    ]
    picked, proved = _share_out(seats, weights or {}, nearness, seconds)
    return PairMatch(slots=tuple(_build(slot, part, picked, ledger)
                                 for slot, part in parts.items()), proved=proved)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seat:
    """Some pieces of one lot in one slot of each speaker."""

    slot: str
    lot: Lot
    count: int
    adds: bool
    whole: float

    def terms(self) -> NDArray[np.float64]:
        """Relative change of the whole by each measured piece, against the lot's own value."""
        value = np.asarray(self.lot.measured)
        if self.adds:
            return np.asarray((value - self.lot.part.value) / self.whole)
        return np.asarray(self.whole * (1.0 / self.lot.part.value - 1.0 / value))


def _values_add(part: Part) -> bool:
    return part.joined == "" or (part.kind == "capacitor") == (part.joined == "parallel")


Picks = dict[str, tuple[dict[Lot, list[int]], dict[Lot, list[int]]]]


def _share_out(
    seats: Sequence[_Seat], weights: Mapping[str, float], nearness: float,
    seconds: float | None,
) -> tuple[Picks, bool]:
    """Solve the integer program; return for each slot the pieces left and right, by lot."""
    if not seats:
        return {}, True
    from scipy.optimize import Bounds, LinearConstraint, milp  # slow to import

    slots = list(dict.fromkeys(seat.slot for seat in seats))
    sizes = [len(seat.lot.measured) for seat in seats]
    starts = np.concatenate([[0], np.cumsum([2 * size for size in sizes])]).astype(np.int64)
    # Columns: pieces of seat 0 left, right, of seat 1 ..., then |L-R|, |L-w|, |R-w| per slot.
    bits = int(starts[-1])
    width = bits + 3 * len(slots)
    counts, count_limits = [], []
    left, right = np.zeros((len(slots), width)), np.zeros((len(slots), width))
    shared: dict[Lot, NDArray[np.float64]] = {}
    for seat, start, size in zip(seats, starts, sizes, strict=False):
        j = slots.index(seat.slot)
        for side, offset in ((left, start), (right, start + size)):
            row = np.zeros(width)
            row[offset:offset + size] = 1.0
            counts.append(row)
            count_limits.append(seat.count)
            # Differences are parts in a thousand, the solver's margins absolute: hence per mille.
            side[j, offset:offset + size] = 1e3 * seat.terms()
            once = shared.setdefault(seat.lot, np.zeros((size, width)))
            once[np.arange(size), offset + np.arange(size)] = 1.0
    bounds = []
    for place, deviation in enumerate((left - right, left, right)):
        for sign in (1.0, -1.0):
            limit = sign * deviation
            limit[np.arange(len(slots)), bits + place * len(slots) + np.arange(len(slots))] = -1.0
            bounds.append(limit)
    weight = np.array([weights.get(slot, 1.0) for slot in slots])
    cost = np.concatenate([np.zeros(bits), weight, 0.5 * nearness * weight,
                           0.5 * nearness * weight])
    options: dict[str, object] = {"mip_rel_gap": 0.0}
    if seconds is not None:
        options["time_limit"] = seconds
    highs = np.concatenate([np.ones(bits), np.full(width - bits, np.inf)])
    result = milp(
        cost,
        integrality=np.concatenate([np.ones(bits), np.zeros(width - bits)]),
        bounds=Bounds(0.0, highs),
        constraints=[
            LinearConstraint(np.array(counts), count_limits, count_limits),
            LinearConstraint(np.concatenate(list(shared.values())), -np.inf, 1.0),
            LinearConstraint(np.concatenate(bounds), -np.inf, 0.0),
        ],
        options=options,
    )
    if result.x is None:
        raise InputError("the pieces could not be shared out in the time given",
                         value=f"{seconds} s", remedy="allow more time")
    picked: Picks = {slot: ({}, {}) for slot in slots}
    for seat, start, size in zip(seats, starts, sizes, strict=False):
        for hand in (0, 1):
            chosen = result.x[start + hand * size:start + (hand + 1) * size] > 0.5
            picked[seat.slot][hand][seat.lot] = np.flatnonzero(chosen).tolist()
    return picked, result.status == 0


def _build(slot: str, part: Part, picked: Picks, ledger: Ledger) -> MatchedSlot:
    """Turn the picks of one slot into pieces and values."""
    sides: list[tuple[PickedPiece, ...]] = []
    for hand in (0, 1):
        waiting = {lot: list(indices) for lot, indices in
                   (picked[slot][hand] if slot in picked else {}).items()}
        pieces = []
        for value in part.pieces or (part.value,):
            lot = ledger.find_lot(part, value)
            if lot is None or not lot.measured:
                pieces.append(PickedPiece(value=value))
            else:
                index = waiting[lot].pop(0)
                pieces.append(PickedPiece(value=lot.measured[index], label=lot.labels[index]))
        sides.append(tuple(pieces))
    values = []
    for pieces_of_side in sides:
        all_values = np.array([piece.value for piece in pieces_of_side])
        values.append(float(all_values.sum() if _values_add(part)
                            else 1.0 / (1.0 / all_values).sum()))
    used = sum(count for index, count in ledger.usage(part) or () if ledger.lots[index].measured)
    return MatchedSlot(slot=slot, left=sides[0], right=sides[1], left_value=values[0],
                       right_value=values[1], measured=used == part.piece_count)


def describe_match(match: PairMatch, parts: Mapping[str, Part]) -> tuple[str, ...]:
    """Return one line for each slot with the pieces for left and right."""
    lines = []
    for slot in match.slots:
        part = parts[slot.slot]
        unit = UNIT_OF_KIND[part.kind]
        sides = [" + ".join(
            f"{format_quantity(piece.value, unit)}{f' ({piece.label})' if piece.label else ''}"
            for piece in pieces) for pieces in (slot.left, slot.right)]
        told = (f"left {sides[0]}, right {sides[1]}, difference {100 * slot.difference:+.2f} %"
                if slot.measured else "not measured, either way")
        lines.append(f"{slot.slot}: {describe_part(part)}: {told}")
    return tuple(lines)
