"""Which piece goes where: exact assignment of counted pieces to the slots of a network."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.errors import InputError, Subject
from optimizer.parts import Part
from optimizer.stock.assign import Assignment, LotDraws
from optimizer.stock.combine import describe_part
from optimizer.stock.ledger import Ledger
from optimizer.stock.lots import SHELF
from optimizer.stock.stock import Stock


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotChoice:
    """One way to fill a slot.

    Parameters
    ----------
    parts : tuple of Part
        One for each part of the slot's form; empty to leave an optional slot empty.
    cost : float
        What this choice adds to the cost of the network; finite, may be negative.
    """

    parts: tuple[Part, ...]
    cost: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotDemand:
    """A slot with the choices that would do, and what would be ideal.

    Parameters
    ----------
    slot : str
        Name shown in messages ("woofer.L1").
    choices : tuple of SlotChoice
        In any order; may be empty.
    ideal : tuple of Part
        Parts to look for in a shop when the stock cannot serve; the cheapest choice when empty.
    """

    slot: str
    choices: tuple[SlotChoice, ...]
    ideal: tuple[Part, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Unserved:
    """A slot the stock cannot serve once the others are.

    Parameters
    ----------
    slot : str
        Name of the slot.
    lacking : tuple of Part
        Parts of the wish that are not to be had.
    purchase : tuple of Part
        Nearest parts a shop keeps, one for each lacking part; may be shorter.
    message : str
        The same in one sentence.
    """

    slot: str
    lacking: tuple[Part, ...]
    purchase: tuple[Part, ...]
    message: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Allocation:
    """Outcome of `allocate`.

    Parameters
    ----------
    picks : tuple of int or None
        Index of the choice taken for each wish; None where it cannot be served.
    cost : float
        Sum of the costs of the choices taken.
    unserved : tuple of Unserved
        Empty when every slot is served. As few slots as possible stay unserved, and among
        those outcomes the cost is the least.
    proved : bool
        False when a time limit ended the search for something better.
    """

    picks: tuple[int | None, ...]
    cost: float
    unserved: tuple[Unserved, ...]
    proved: bool


def allocate(
    wishes: Sequence[SlotDemand],
    stock: Stock,
    *,
    shop: Stock | None = None,
    seconds: float | None = None,
) -> Allocation:
    """Fill every slot at the least total cost without using a piece twice.

    Parameters
    ----------
    wishes : sequence of SlotDemand
        Slots of one speaker.
    stock : Stock
        Its counts and its number of speakers set the limits.
    shop : Stock, optional
        Where to look for what is lacking.
    seconds : float, optional
        Time limit for the solver.

    Returns
    -------
    Allocation

    Raises
    ------
    InputError
        If a cost is not finite, or a choice is made of pieces the stock does not hold.

    Notes
    -----
    An integer program, see `optimizer.stock.assign`. Slots that share no scarce lot cost nothing:
    if every slot in turn finds one of its cheapest choices left, these are the answer and no solver
    runs.
    """
    ledger = Ledger(stock)
    for wish in wishes:
        if not all(math.isfinite(choice.cost) for choice in wish.choices):
            raise InputError(
                "the cost of a choice must be finite", subject=Subject("slot", wish.slot)
            )
    first = _first_come(wishes, ledger)
    if first is not None:
        return _report(wishes, first, ledger, shop, proved=True)
    model = Assignment(
        [np.array([choice.cost for choice in wish.choices]) for wish in wishes],
        [_draws(wish, ledger) for wish in wishes],
        ledger.available,
    )
    picks, proved = model.solve(unserved=0, seconds=seconds)
    if picks is None:
        least, count_proved = model.count_unserved(seconds)
        picks, proved = model.solve(unserved=least, seconds=seconds)
        proved = proved and count_proved
    if picks is None:
        picks = [None] * len(wishes)
    return _report(wishes, picks, ledger, shop, proved=proved)


def _first_come(wishes: Sequence[SlotDemand], ledger: Ledger) -> list[int | None] | None:
    """Give each slot one of its cheapest choices that is still there; None where one has none.

    What comes of it is the least there can be, since no slot pays more than its least.
    """
    picks: list[int | None] = []
    ledger.clear()
    for wish in wishes:
        least = min((choice.cost for choice in wish.choices), default=0.0)
        pick = next(
            (
                k
                for k, choice in enumerate(wish.choices)
                if choice.cost == least and _take_all(choice, ledger)
            ),
            None,
        )
        if pick is None:
            return None
        picks.append(pick)
    return picks


def _take_all(choice: SlotChoice, ledger: Ledger) -> bool:
    taken: list[Part] = []
    for part in choice.parts:
        if not ledger.take(part):
            for earlier in taken:
                ledger.give_back(earlier)
            return False
        taken.append(part)
    return True


def _draws(wish: SlotDemand, ledger: Ledger) -> LotDraws:
    """Pieces that the choices of a slot take from each lot."""
    of_part = np.repeat(np.arange(len(wish.choices)), [len(c.parts) for c in wish.choices])
    part, lot, pieces = ledger.draws([part for choice in wish.choices for part in choice.parts])
    both, at = np.unique(of_part[part] * len(ledger.lots) + lot, return_inverse=True)
    total = np.bincount(at, weights=pieces, minlength=len(both)).astype(np.int64)
    row, lot = np.divmod(both, max(1, len(ledger.lots)))
    return row, lot, total


def _report(
    wishes: Sequence[SlotDemand],
    picks: Sequence[int | None],
    ledger: Ledger,
    shop: Stock | None,
    *,
    proved: bool,
) -> Allocation:
    ledger.clear()
    cost = 0.0
    for wish, pick in zip(wishes, picks, strict=True):
        if pick is not None:
            cost += wish.choices[pick].cost
            for part in wish.choices[pick].parts:
                ledger.take(part)
    unserved = tuple(
        _explain(wish, ledger, shop)
        for wish, pick in zip(wishes, picks, strict=True)
        if pick is None
    )
    return Allocation(picks=tuple(picks), cost=cost, unserved=unserved, proved=proved)


def _explain(wish: SlotDemand, ledger: Ledger, shop: Stock | None) -> Unserved:
    """Say what is lacking for a slot after the others were served, and what to buy."""
    best = min(wish.choices, key=lambda choice: choice.cost, default=None)
    wanted = wish.ideal or (best.parts if best else ())
    lacking = []
    taken = []
    for part in wanted:
        if ledger.take(part):
            taken.append(part)
        else:
            lacking.append(part)
    for part in taken:
        ledger.give_back(part)
    lacking = lacking or list(wanted)
    purchase = [near for part in lacking if (near := find_nearest(part, shop)) is not None]
    text = f"{wish.slot} cannot be served from the stock"
    if lacking:
        text += ": no " + ", no ".join(describe_part(part) for part in lacking) + " left"
    if purchase:
        text += "; nearest purchase: " + ", ".join(
            f"{ledger.speakers} x {describe_part(part)} ({part.origin})" for part in purchase
        )
    return Unserved(slot=wish.slot, lacking=tuple(lacking), purchase=tuple(purchase), message=text)


def find_nearest(part: Part, shop: Stock | None) -> Part | None:
    """Return the single or joined part of a shop nearest in value, measured as a ratio.

    Parameters
    ----------
    part : Part
        What is wanted.
    shop : Stock or None
        Where to look, within a factor of two of the value.

    Returns
    -------
    Part or None
        None when the shop keeps nothing there. Fewer pieces win among equally near ones.
    """
    options = shop.options(part.kind, part.value / 2, part.value * 2) if shop else ()
    return min(
        (option for option in options if option.origin != SHELF),
        default=None,
        key=lambda option: (round(abs(math.log(option.value / part.value)), 9), option.piece_count),
    )
