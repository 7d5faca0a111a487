"""Left or right: sharing measured pieces out so that two speakers come out alike."""

from __future__ import annotations

import math
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from optimizer.arrays import Real
from optimizer.errors import InputError, Subject
from optimizer.parts import UNIT_OF_KIND, Part
from optimizer.stock.combine import describe_part
from optimizer.stock.ledger import Ledger
from optimizer.stock.stock import Stock
from optimizer.text.units import format_quantity


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
    Minimise sum w (|left - right| + nearness (|left - wanted| + |right - wanted|) / 2) / wanted
    with every measured piece used at most once. For each slot all ways to fill both sides are
    valued exactly; choosing one way for each slot is a set-packing problem (HiGHS). Only the
    best ways of a slot enter at first. The result is proved once no way left out can be part
    of anything better (by more than `RESOLUTION`); until then more are let in.
    """
    if stock.speakers != 2:
        raise InputError(
            "left and right can only be chosen for a pair",
            subject=Subject("stock", part="speakers"),
            value=stock.speakers,
        )
    ledger = Ledger(stock)
    short = ledger.overdrawn(parts.values())
    if short:
        raise InputError(
            "the shelf has too few pieces for the pair",
            value=short[0],
            remedy="choose other parts or add pieces to the list",
        )
    ways = []
    complete = True
    for slot, part in parts.items():
        if any(ledger.lots[index].measured for index, _ in ledger.usage(part) or ()):
            found, all_of_them = _list_ways(
                slot, part, ledger, (weights or {}).get(slot, 1.0), nearness
            )
            ways.append(found)
            complete = complete and all_of_them
    picked, proved = _choose(ways, seconds)
    return PairMatch(
        slots=tuple(_build(slot, part, picked.get(slot), ledger) for slot, part in parts.items()),
        proved=proved and complete,
    )


RESOLUTION = 1e-5
"""Gain in cost not worth looking for: no hand-held meter resolves 0.001 %."""

LotPiece = tuple[int, int]
"""Lot and number of a measured piece within it."""

_MOST_WAYS = 100_000
_FIRST_WAYS = 300


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ways:
    """All ways to fill one slot left and right, cheapest first."""

    slot: str
    cost: Real
    left: list[tuple[LotPiece, ...]]
    right: list[tuple[LotPiece, ...]]


def _values_add(part: Part) -> bool:
    return part.joined == "" or (part.kind == "capacitor") == (part.joined == "parallel")


def _list_ways(
    slot: str, part: Part, ledger: Ledger, weight: float, nearness: float
) -> tuple[_Ways, bool]:
    """List the ways of one slot; also say whether none had to be left out."""
    sums = not _values_add(part)
    rest = 0.0
    for value in part.pieces or (part.value,):
        lot = ledger.find_lot(part, value)
        if lot is None or not lot.measured:
            rest += 1.0 / value if sums else value
    ways: list[tuple[tuple[LotPiece, ...], tuple[LotPiece, ...]]] = [((), ())]
    complete = True
    for index, count in ledger.usage(part) or ():
        measured = ledger.lots[index].measured
        if not measured:
            continue
        numbers = sorted(
            range(len(measured)), key=lambda i: abs(measured[i] - ledger.lots[index].part.value)
        )
        while (
            len(numbers) > 2 * count and len(ways) * _count_splits(len(numbers), count) > _MOST_WAYS
        ):
            numbers.pop()
            complete = False
        first = len(ways[0][0]) == 0
        splits = [
            (tuple((index, i) for i in left), tuple((index, i) for i in right))
            for left in combinations(sorted(numbers), count)
            for right in combinations([i for i in sorted(numbers) if i not in left], count)
            # Swapping left and right as a whole changes nothing: one of the two is enough.
            if not first or left < right
        ]
        ways = [(a + left, b + right) for a, b in ways for left, right in splits]

    def total(side: tuple[LotPiece, ...]) -> float:
        values = [ledger.lots[lot].measured[i] for lot, i in side]
        whole = rest + sum(1.0 / v if sums else v for v in values)
        return 1.0 / whole if sums else whole

    lefts = np.array([total(left) for left, _ in ways])
    rights = np.array([total(right) for _, right in ways])
    cost = (
        weight
        / part.value
        * (
            abs(lefts - rights)
            + 0.5 * nearness * (abs(lefts - part.value) + abs(rights - part.value))
        )
    )
    order = np.argsort(cost, kind="stable")
    return _Ways(
        slot=slot,
        cost=cost[order],
        left=[ways[i][0] for i in order],
        right=[ways[i][1] for i in order],
    ), complete


def _count_splits(pieces: int, count: int) -> int:
    return math.comb(pieces, count) * math.comb(pieces - count, count)


Picks = dict[str, tuple[tuple[LotPiece, ...], tuple[LotPiece, ...]]]


def _choose(ways: Sequence[_Ways], seconds: float | None) -> tuple[Picks, bool]:
    """Choose one way for each slot so that no piece is used twice, at the least cost."""
    if not ways:
        return {}, True
    deadline = None if seconds is None else time.monotonic() + seconds
    limit = _FIRST_WAYS
    best: list[int] | None = None
    while True:
        sizes = [min(limit, len(way.cost)) for way in ways]
        left_over = None if deadline is None else max(0.1, deadline - time.monotonic())
        found, proved = _pack(ways, sizes, left_over)
        best = found or best
        late = deadline is not None and time.monotonic() > deadline
        if best is not None:
            costs = [float(way.cost[k]) for way, k in zip(ways, best, strict=True)]
            floor = sum(float(way.cost[0]) for way in ways)
            enough = sum(costs) - RESOLUTION
            proved = proved and all(
                size == len(way.cost) or floor - way.cost[0] + way.cost[size] >= enough
                for way, size in zip(ways, sizes, strict=True)
            )
            if proved or late or sizes == [len(way.cost) for way in ways]:
                return {
                    way.slot: (way.left[k], way.right[k]) for way, k in zip(ways, best, strict=True)
                }, proved
        elif late or sizes == [len(way.cost) for way in ways]:
            raise InputError(
                "the pieces could not be shared out in the time given",
                value=f"{seconds} s",
                remedy="allow more time",
            )
        limit *= 4


def _pack(
    ways: Sequence[_Ways], sizes: Sequence[int], seconds: float | None
) -> tuple[list[int] | None, bool]:
    """Solve the set-packing problem over the first ways of each slot."""
    from scipy.optimize import Bounds, LinearConstraint, milp  # slow to import
    from scipy.sparse import csr_array

    starts = np.concatenate([[0], np.cumsum(sizes)])
    pieces: dict[LotPiece, int] = {}
    rows, columns = [], []
    for j, (way, size) in enumerate(zip(ways, sizes, strict=True)):
        for k in range(size):
            for piece in (*way.left[k], *way.right[k]):
                rows.append(len(ways) + pieces.setdefault(piece, len(pieces)))
                columns.append(int(starts[j]) + k)
        rows += [j] * size
        columns += range(int(starts[j]), int(starts[j + 1]))
    total = int(starts[-1])
    matrix = csr_array(
        (np.ones(len(rows)), (rows, columns)), shape=(len(ways) + len(pieces), total)
    )
    lows = np.concatenate([np.ones(len(ways)), np.full(len(pieces), -np.inf)])
    cost = np.concatenate([way.cost[:size] for way, size in zip(ways, sizes, strict=True)])
    options: dict[str, object] = {"mip_rel_gap": 0.0}
    if seconds is not None:
        options["time_limit"] = seconds
    # Differences are parts in a thousand, the solver's margins absolute: hence per mille.
    result = milp(
        1e3 * cost,
        integrality=np.ones(total),
        bounds=Bounds(0.0, 1.0),
        constraints=LinearConstraint(matrix, lows, 1.0),
        options=options,
    )
    if result.x is None:
        return None, False
    return [int(np.argmax(result.x[starts[j] : starts[j + 1]])) for j in range(len(ways))], (
        result.status == 0
    )


def _build(
    slot: str,
    part: Part,
    picked: tuple[tuple[LotPiece, ...], tuple[LotPiece, ...]] | None,
    ledger: Ledger,
) -> MatchedSlot:
    """Turn the picks of one slot into pieces and values."""
    sides: list[tuple[PickedPiece, ...]] = []
    for side in picked or ((), ()):
        waiting = list(side)
        pieces = []
        for value in part.pieces or (part.value,):
            lot = ledger.find_lot(part, value)
            if lot is None or not lot.measured:
                pieces.append(PickedPiece(value=value))
            else:
                place = next(p for p, (index, _) in enumerate(waiting) if ledger.lots[index] is lot)
                _, number = waiting.pop(place)
                pieces.append(PickedPiece(value=lot.measured[number], label=lot.labels[number]))
        sides.append(tuple(pieces))
    values = []
    for pieces_of_side in sides:
        all_values = np.array([piece.value for piece in pieces_of_side])
        values.append(
            float(all_values.sum() if _values_add(part) else 1.0 / (1.0 / all_values).sum())
        )
    used = sum(count for index, count in ledger.usage(part) or () if ledger.lots[index].measured)
    return MatchedSlot(
        slot=slot,
        left=sides[0],
        right=sides[1],
        left_value=values[0],
        right_value=values[1],
        measured=used == part.piece_count,
    )


def describe_match(match: PairMatch, parts: Mapping[str, Part]) -> tuple[str, ...]:
    """Return one line for each slot with the pieces for left and right."""
    lines = []
    for slot in match.slots:
        part = parts[slot.slot]
        unit = UNIT_OF_KIND[part.kind]
        sides = [
            " + ".join(
                f"{format_quantity(piece.value, unit)}{f' ({piece.label})' if piece.label else ''}"
                for piece in pieces
            )
            for pieces in (slot.left, slot.right)
        ]
        told = (
            f"left {sides[0]}, right {sides[1]}, difference {100 * slot.difference:+z.2f} %"
            if slot.measured
            else "not measured, either way"
        )
        lines.append(f"{slot.slot}: {describe_part(part)}: {told}")
    return tuple(lines)
