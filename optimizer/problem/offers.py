"""What each part of a topology may be, as far as the stock tells alternatives apart."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

import numpy as np

from optimizer.parts import Part
from optimizer.stock.lots import BOUGHT, SHELF
from optimizer.stock.stock import Stock

_SAME = 1e-11
"""Relative distance of two values that are one: lots of equal pieces are named by the last digits of
their values (`optimizer.stock.lots.name_lots`), and lists hold twelve."""

MOST_COMPARED = 256
"""Parts of one place up to which all are compared around a network that stands on the bench."""

STEPS_COMPARED = 128
"""Of more, how many: every pair of changes is valued there, and pairs grow with the square."""

LotName = tuple[str, str, float]
"""Kind, origin and value."""


def merge_alike(
    parts: Sequence[Part], pieces: Mapping[LotName, int | None], wanted: int
) -> list[Part]:
    """Leave out single pieces of which others of the same kind do as well and suffice.

    Parameters
    ----------
    parts : sequence of Part
        Sorted by value.
    pieces : mapping
        Pieces of each lot for one speaker, None for any number, see `count_pieces`.
    wanted : int
        Most pieces of this kind that one network can hold.

    Returns
    -------
    list of Part
        In the same order.

    Notes
    -----
    Alike are pieces of one origin with the same value, loss, tolerance and rating. Of these the
    cheapest stay, the first of equally cheap ones, until their lots hold as many pieces as a network
    can want. Counts stay right: a network with a piece that was left out uses fewer than `wanted`
    others, so one of the pieces that stay is still free, does the same and costs no more. What costs
    most of all stays too, since parts without a price count as that.
    """
    values = np.array([part.value for part in parts])
    near = np.flatnonzero(np.diff(values) <= _SAME * values[1:])
    if not len(near):
        return list(parts)
    groups: dict[tuple[object, ...], list[int]] = defaultdict(list)
    run = 0
    for k in sorted({*near.tolist(), *(near + 1).tolist()}):
        run += k == 0 or values[k] - values[k - 1] > _SAME * values[k]
        part = parts[k]
        if part.piece_count == 1 and part.origin in (SHELF, BOUGHT):
            known = part.price is not None
            alike = (run, part.origin, part.loss_ohm, part.tolerance, part.rating, known)
            groups[alike].append(k)
    dearest = max(range(len(parts)), key=lambda k: parts[k].price or 0.0)
    gone: set[int] = set()
    for group in groups.values():
        gone |= set(_spare([parts[k] for k in group], group, pieces, wanted)) - {dearest}
    return [part for k, part in enumerate(parts) if k not in gone]


def _spare(
    parts: Sequence[Part], places: Sequence[int], pieces: Mapping[LotName, int | None], wanted: int
) -> list[int]:
    """Places of alike parts that are not needed beside cheaper ones."""
    spare = []
    held = 0
    for k in sorted(range(len(parts)), key=lambda k: (parts[k].price or 0.0, k)):
        if held >= wanted:
            spare.append(places[k])
            continue
        count = pieces[parts[k].kind, parts[k].origin, parts[k].value]
        held += wanted if count is None else count
    return spare


def count_pieces(stock: Stock) -> dict[LotName, int | None]:
    """Pieces of each lot that one speaker may use, by the name of the lot; None for any number."""
    return {
        (lot.part.kind, lot.part.origin, lot.part.value): stock.per_speaker(lot)
        for lot in stock.lots
    }


def spread_values(
    parts: Sequence[Part], most: int = MOST_COMPARED, steps: int = STEPS_COMPARED
) -> list[Part]:
    """Take one part of each of so many equal steps of the logarithm of the value.

    Parameters
    ----------
    parts : sequence of Part
        Sorted by value.
    most : int
        Up to so many parts are all taken.
    steps : int
        How many are taken of more.

    Returns
    -------
    list of Part
        Of each step the cheapest part, unknown prices last, and of these the one that loses least.
    """
    if len(parts) <= most:
        return list(parts)
    logs = np.log([part.value for part in parts])
    step = np.minimum(((logs - logs[0]) / np.ptp(logs) * steps).astype(int), steps - 1)
    best: dict[int, Part] = {}
    for at, part in zip(step.tolist(), parts, strict=True):
        known = best.get(at)
        if known is None or _worth(part) < _worth(known):
            best[at] = part
    return list(best.values())


def _worth(part: Part) -> tuple[bool, float, float]:
    return part.price is None, part.price or 0.0, part.loss_ohm
