"""Two or three pieces joined in parallel or series to reach a value no single piece has."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from optimizer.arrays import Counts, Real
from optimizer.errors import InputError, Subject
from optimizer.parts import UNIT_OF_KIND, Kind, Part, join_sorts
from optimizer.text.units import format_quantity

Joining = Literal["parallel", "series"]

JOININGS: dict[Kind, tuple[Joining, ...]] = {
    "inductor": ("series",),
    "capacitor": ("parallel", "series"),
    "resistor": ("parallel", "series"),
}
"""How pieces of each kind may be joined. Coils in parallel are left out: their currents divide
by their resistances at low frequencies and by their inductances at high ones."""

ALMOST_EQUAL_LOSS = (1.1, 0.02)
"""Losses count as equal up to this factor plus this many ohm when parts are thinned."""

MOST_SETS = 500_000
"""Sets of pieces up to which they are joined: their number grows with the square of the pieces."""

_SETS_AT_ONCE = 1 << 15


def join_pieces(joined: Joining, pieces: Sequence[Part]) -> Part:
    """Return the part that two or more pieces make.

    Parameters
    ----------
    joined : {"parallel", "series"}
        How they are joined; inductors in series only.
    pieces : sequence of Part
        Single pieces of one kind and origin.

    Returns
    -------
    Part
        Value, loss, rating, price and tolerance of the whole.

    Raises
    ------
    InputError
        If the kinds differ or the kind cannot be joined so.

    Notes
    -----
    Capacitors in parallel share the current as their capacitances, which gives the ESR
    sum (C_i / C)^2 ESR_i as long as every ESR is small against the reactance; in series their
    ESR add. Coils in series are taken as uncoupled: they must be mounted apart, axes crossed.

    The rating is what the whole may see before the first piece reaches its own: the voltage
    over capacitors in series divides as 1/C, the power in resistors as R in series and as 1/R
    in parallel, the current through coils in series is common. It is unknown when one piece's
    rating is. The tolerance is the worst case, all pieces off in the same direction, because
    pieces of one batch usually are.
    """
    kind = pieces[0].kind
    if any(piece.kind != kind for piece in pieces):
        raise InputError(
            "only pieces of one kind can be joined", value=", ".join(piece.kind for piece in pieces)
        )
    if joined not in JOININGS[kind]:
        raise InputError(
            f"{kind}s are not joined in {joined}",
            remedy=f"join them in {' or '.join(JOININGS[kind])}",
        )
    value = np.array([[piece.value for piece in pieces]])
    loss = np.array([[piece.loss_ohm for piece in pieces]])
    total, total_loss = _join_arrays(kind, joined, value, loss)
    whole = float(total[0])
    share = _shares(kind, joined, value, total[:, None])[0]
    prices = [piece.price for piece in pieces if piece.price is not None]
    heights = [piece.height_m for piece in pieces]
    return Part(
        kind=kind,
        value=whole,
        loss_ohm=float(total_loss[0]),
        tolerance=float(share @ [piece.tolerance for piece in pieces]),
        origin=pieces[0].origin,
        pieces=tuple(piece.value for piece in pieces),
        joined=joined,
        price=sum(prices) if len(prices) == len(pieces) else None,
        rating=_join_ratings(kind, joined, pieces, share),
        made_of=join_sorts(pieces),
        wire_m=pieces[0].wire_m if len({piece.wire_m for piece in pieces}) == 1 else None,
        # They lie side by side.
        height_m=None if None in heights else max(filter(None, heights), default=None),
    )


def _adds(kind: Kind, joined: Joining) -> bool:
    """Whether the values add as they are, rather than their reciprocals."""
    return (kind == "capacitor") == (joined == "parallel")


def _join_arrays(kind: Kind, joined: Joining, value: Real, loss: Real) -> tuple[Real, Real]:
    """Values and losses, shape (N, pieces), of N joined parts -> their totals, shape (N,)."""
    total = value.sum(axis=1) if _adds(kind, joined) else 1.0 / (1.0 / value).sum(axis=1)
    if kind != "inductor" and joined == "parallel":
        # Current shares: C_i / C for capacitors, R / R_i for resistors.
        share = value / total[:, None] if kind == "capacitor" else total[:, None] / value
        return total, np.asarray((share**2 * loss).sum(axis=1))
    return total, loss.sum(axis=1)


def _shares(kind: Kind, joined: Joining, value: Real, whole: Real) -> Real:
    """Share of each piece, shape (N, pieces), in its whole, shape (N, 1); they add up to 1.

    It is at once the relative sensitivity of the whole to the piece, the share of the power
    (resistors), and of the voltage (capacitors in series) or current (in parallel).
    """
    return value / whole if _adds(kind, joined) else whole / value


def _join_ratings(kind: Kind, joined: Joining, pieces: Sequence[Part], share: Real) -> float | None:
    ratings = [piece.rating for piece in pieces if piece.rating is not None]
    if len(ratings) < len(pieces):
        return None
    if kind == "inductor" or (kind == "capacitor" and joined == "parallel"):
        return min(ratings)
    return float(min(np.asarray(ratings) / share))


def list_joined(
    pieces: Sequence[Part],
    counts: Sequence[int | None],
    *,
    most: int = 2,
    low: float = 0.0,
    high: float = math.inf,
    within: float = 0.005,
    alternates: int = 1,
    least_share: float = 0.0,
) -> tuple[Part, ...]:
    """Return the useful parts that up to `most` of the pieces make, sorted by value.

    Parameters
    ----------
    pieces : sequence of Part
        Single pieces of one kind and origin.
    counts : sequence of int or None
        How many of each may go into one part; None for any number.
    most : int
        Most pieces in one part, 1 to 3.
    low, high : float
        Range of the values in SI units.
    within : float
        Relative distance within which parts count as the same value, see `thin_parts`.
    alternates : int
        How many parts of the same value to keep.
    least_share : float
        Smallest share in the whole that every piece must have.

    Returns
    -------
    tuple of Part
        Joined parts only; the single pieces themselves are not repeated.

    Raises
    ------
    InputError
        If `most` is out of range or the pieces make more sets than can be handled.
    """
    if most not in (1, 2, 3):
        raise InputError(
            "one to three pieces can be joined",
            subject=Subject("stock", part="joined pieces"),
            value=most,
        )
    if not pieces or most == 1:
        return ()
    kind = pieces[0].kind
    check_joins(kind, len(pieces), most)
    table = _Table(
        value=np.array([piece.value for piece in pieces]),
        loss=np.array([piece.loss_ohm for piece in pieces]),
        price=np.array([np.nan if piece.price is None else piece.price for piece in pieces]),
        size=np.ones(len(pieces), dtype=np.int64),
    )
    limits = np.array([most if count is None else count for count in counts])
    sets: list[tuple[Joining, Counts]] = []
    tables = [table]
    for joined in JOININGS[kind]:
        for size in range(2, most + 1):
            for index in _index_blocks(limits, size):
                value, loss = _join_arrays(kind, joined, table.value[index], table.loss[index])
                share = _shares(kind, joined, table.value[index], value[:, None])
                inside = (value >= low) & (value <= high) & (share.min(axis=1) >= least_share)
                index = index[inside]
                sets.append((joined, index))
                tables.append(
                    _Table(
                        value=value[inside],
                        loss=loss[inside],
                        price=table.price[index].sum(axis=1),
                        size=np.full(len(index), size),
                    )
                )
    keep = _thin(tables, fixed=len(pieces), within=within, alternates=alternates)
    starts = np.cumsum([len(pieces), *(len(index) for _, index in sets)])
    parts = []
    for row in keep[keep >= len(pieces)]:
        which = int(np.searchsorted(starts, row, side="right")) - 1
        joined, index = sets[which]
        parts.append(join_pieces(joined, [pieces[i] for i in index[row - starts[which]]]))
    return tuple(sorted(parts, key=lambda part: part.value))


def thin_parts(
    parts: Sequence[Part], *, within: float = 0.005, alternates: int = 1
) -> tuple[Part, ...]:
    """Return a list without redundant parts, sorted by value.

    Parameters
    ----------
    parts : sequence of Part
        Parts of one kind.
    within : float
        Relative distance within which two values count as the same.
    alternates : int
        How many parts of the same value to keep.

    Returns
    -------
    tuple of Part
        For every part left out, the list holds `alternates` parts within the distance that
        have no more pieces, cost no more (unknown prices count as equal) and lose no more
        than `ALMOST_EQUAL_LOSS` allows.
    """
    table = _Table(
        value=np.array([part.value for part in parts], dtype=np.float64),
        loss=np.array([part.loss_ohm for part in parts], dtype=np.float64),
        price=np.array(
            [np.nan if part.price is None else part.price for part in parts], dtype=np.float64
        ),
        size=np.array([part.piece_count for part in parts], dtype=np.int64),
    )
    keep = _thin([table], fixed=0, within=within, alternates=alternates)
    return tuple(sorted((parts[i] for i in keep), key=lambda part: part.value))


def describe_part(part: Part) -> str:
    """Say what a part is made of: "4 uF = 2 x 2 uF in parallel", or the value alone."""
    unit = UNIT_OF_KIND[part.kind]
    whole = format_quantity(part.value, unit)
    if part.piece_count < 2:
        return whole
    names = Counter(format_quantity(value, unit) for value in part.pieces)
    listed = " + ".join(
        name if count == 1 else f"{count} x {name}" for name, count in names.items()
    )
    return f"{whole} = {listed} in {part.joined}"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Table:
    """Columns of many parts; the price is NaN where unknown."""

    value: Real
    loss: Real
    price: Real
    size: Counts


def check_joins(kind: Kind, values: int, most: int) -> None:
    """Refuse to join pieces where these make more sets than fit; costs nothing.

    Parameters
    ----------
    kind : str
        Kind of the pieces.
    values : int
        How many pieces differ.
    most : int
        Most pieces in one part.

    Raises
    ------
    InputError
        With the number of sets, and how many pieces could be joined.
    """
    for size in range(2, most + 1):
        sets = math.comb(values + size - 1, size)
        if sets > MOST_SETS:
            fit = next(
                n for n in range(values, 0, -1) if math.comb(n + size - 1, size) <= MOST_SETS
            )
            raise InputError(
                f"{kind}s that are joined in sets of {size} must make at most {MOST_SETS:,} sets",
                subject=Subject("stock", part="joined pieces"),
                value=f"{sets:,} of {values:,} different {kind}s",
                remedy=f"join fewer pieces in one part, or keep at most {fit:,} different {kind}s "
                "in the list or series",
            )


def _index_blocks(limits: Counts, size: int) -> Iterator[Counts]:
    """All sets of `size` pieces, as rising indices, that use no piece more often than allowed."""
    begin, held = 0, 0
    for first in range(len(limits)):
        held += math.comb(len(limits) - first + size - 2, size - 1)
        if held >= _SETS_AT_ONCE or first == len(limits) - 1:
            index = np.concatenate(
                [_sets_from(i, len(limits), size) for i in range(begin, first + 1)]
            )
            uses = (index[:, :, None] == index[:, None, :]).sum(axis=2)
            yield np.asarray(index[(uses <= limits[index]).all(axis=1)])
            begin, held = first + 1, 0


def _sets_from(first: int, end: int, size: int) -> Counts:
    """List the sets of two or three whose lowest index is `first`."""
    if size == 2:
        others = np.arange(first, end)[:, None]
    else:
        others = first + np.column_stack(np.triu_indices(end - first))
    return np.column_stack([np.full(len(others), first), others]).astype(np.int64)


def _thin(tables: Sequence[_Table], *, fixed: int, within: float, alternates: int) -> Counts:
    """Rows of the stacked tables to keep; the first `fixed` rows stay whatever they are."""
    value = np.concatenate([table.value for table in tables])
    loss = np.concatenate([table.loss for table in tables])
    price = np.nan_to_num(np.concatenate([table.price for table in tables]), nan=0.0)
    size = np.concatenate([table.size for table in tables])
    if any(np.isnan(table.price).any() for table in tables):
        price = np.zeros_like(price)
    log_value = np.log(value)
    reach = math.log1p(within)
    cell = np.floor(log_value / reach).astype(np.int64)
    later = fixed + np.lexsort((value[fixed:], loss[fixed:], price[fixed:], size[fixed:]))
    order = np.concatenate([np.arange(fixed), later])
    factor, slack = ALMOST_EQUAL_LOSS
    allowed = factor * loss + slack
    near: dict[int, list[tuple[float, float, float]]] = {}
    keep = []
    for begin in range(0, len(order), _SETS_AT_ONCE):
        some = order[begin : begin + _SETS_AT_ONCE]
        columns = (some, log_value[some], price[some], loss[some], allowed[some], cell[some])
        rows = zip(*(column.tolist() for column in columns), strict=True)
        for place, (row, x, cost, lost, most_lost, key) in enumerate(rows, start=begin):
            if place >= fixed:
                # Pieces need no test: they are in order of their number, kept parts have as few.
                as_good = 0
                for neighbour in (key, key - 1, key + 1):
                    for kept_x, kept_cost, kept_loss in near.get(neighbour, ()):
                        if (
                            abs(kept_x - x) <= reach
                            and kept_cost <= cost
                            and kept_loss <= most_lost
                        ):
                            as_good += 1
                if as_good >= alternates:
                    continue
            near.setdefault(key, []).append((x, cost, lost))
            keep.append(row)
    return np.array(keep, dtype=np.int64)
