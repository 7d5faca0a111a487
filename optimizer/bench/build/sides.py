"""Left and right: which piece of the shelf goes into which speaker, and how alike they will be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from optimizer.bench.tolerance.board import Board
from optimizer.bench.tolerance.tolerance import SIGMA_OF_LIMIT
from optimizer.network.network import Network
from optimizer.parts import Part
from optimizer.problem.problem import Problem
from optimizer.stock.ledger import Ledger
from optimizer.stock.pair import MatchedSlot, match_pair

LEAST_WEIGHT = 1e-3
"""dB by which a part without any influence on the axis still counts, so that it is matched too."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sides:
    """Measured pieces shared out between the two speakers of a pair, with what that leads to.

    Parameters
    ----------
    slots : tuple of MatchedSlot
        Parts that hold a measured piece, named "way.part", in the order of the network.
    parts : mapping of str to Part
        The part of each.
    rms_db, worst_db, worst_hz : float
        Left minus right on the axis over the band of the on-axis goal, from the measured pieces
        alone, all others taken as alike.
    band_hz : tuple of float
        That band.
    left_cost, right_cost : float
        What each speaker costs by the goals of the design.
    others_db : float
        What the other parts add: root of the mean square of left minus right over the band and
        over all pairs built, each part evenly within its tolerance; to first order.
    proved : bool
        False when time ended the search for a better sharing out.
    """

    slots: tuple[MatchedSlot, ...]
    parts: Mapping[str, Part]
    rms_db: float
    worst_db: float
    worst_hz: float
    band_hz: tuple[float, float]
    left_cost: float
    right_cost: float
    others_db: float
    proved: bool


def share_out(problem: Problem, network: Network, *, seconds: float = 3.0) -> Sides | None:
    """Choose which measured piece goes left and which right.

    Parameters
    ----------
    problem : Problem
        Its stock holds the measured pieces.
    network : Network
        What is built twice.
    seconds : float
        Time limit.

    Returns
    -------
    Sides or None
        None when the stock is not for a pair, no measured piece is used, or the shelf has too few
        pieces.

    Notes
    -----
    A relative difference in a part counts by what it does to the level on the axis, from the exact
    derivative: the pieces of a part that hardly matters may differ if that brings others together.
    """
    ledger = Ledger(problem.stock)
    parts = {
        f"{ladder.name}.{name}": part
        for ladder in network.ladders
        for slot in ladder.slots
        for name, _, part in slot.named_parts
    }
    measured = [
        label
        for label, part in parts.items()
        if any(ledger.lots[index].measured for index, _ in ledger.usage(part) or ())
    ]
    if problem.stock.speakers != 2 or not measured or ledger.overdrawn(parts.values()):
        return None
    board = Board(problem, network, {})
    # dB rms over the band for a whole neper: a difference of 1 % does a hundredth of it.
    slopes = board.differentiate().level["on_axis"][:, board.inside]
    effect = dict(zip(board.labels, np.sqrt((slopes**2).mean(axis=1)).tolist(), strict=False))
    match = match_pair(
        {label: parts[label] for label in measured},
        problem.stock,
        seconds=seconds,
        weights={k: max(LEAST_WEIGHT, v) for k, v in effect.items()},
    )
    factor = np.ones((2, len(board.labels)))
    for slot in match.slots:
        at = board.labels.index(slot.slot)
        factor[:, at] = np.array([slot.left_value, slot.right_value]) / parts[slot.slot].value
    levels, figures = board.evaluate(factor, np.zeros((2, len(network.ways))))
    difference = (levels["on_axis"][0] - levels["on_axis"][1])[board.inside]
    frequency = problem.frequency_hz[board.inside]
    worst = int(np.argmax(np.abs(difference)))
    known = {slot.slot for slot in match.slots if slot.measured}
    sigma = SIGMA_OF_LIMIT["uniform"]
    spread = [
        effect[label] * tolerance * sigma
        for label, tolerance in zip(board.labels, board.tolerance.tolist(), strict=True)
        if label not in known
    ]
    return Sides(
        slots=match.slots,
        parts=parts,
        rms_db=float(np.sqrt((difference**2).mean())),
        worst_db=float(difference[worst]),
        worst_hz=float(frequency[worst]),
        band_hz=(float(frequency[0]), float(frequency[-1])),
        left_cost=float(figures["cost"][0]),
        right_cost=float(figures["cost"][1]),
        others_db=float(np.sqrt(2.0 * np.square(spread).sum())),
        proved=match.proved,
    )
