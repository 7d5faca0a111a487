"""Goals that add up over the parts: pieces, price, copper. Kept parts are free.

Their cost is known for each option of each slot before anything is solved, so the search adds it
up instead of computing residuals.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.errors import InputError, Subject
from optimizer.goals.specs import (
    ChangesGoalSpec,
    CopperGoalSpec,
    GoalSpec,
    PartsGoalSpec,
    PriceGoalSpec,
)
from optimizer.network.ladder import Network, Topology
from optimizer.parts import Part
from optimizer.stock.coil import BROOKS_H_PER_M, COPPER_KG_PER_M3, COPPER_OHM_M
from optimizer.stock.lots import SHELF

KEPT = "kept"
"""Origin of a part that is on the board already."""

COPPER_FILL = 0.70
"""Copper in the winding's section, square packing of 1 mm enamelled wire: (pi/4) / 1.062^2."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EconomyFigure:
    """What one economy goal says of a network; fields as in a goal figure of a candidate."""

    name: str
    value: float
    unit: str
    weight: float
    cost: float
    detail: str


def copper_kg(part: Part) -> float:
    """Estimate the copper in a part.

    Parameters
    ----------
    part : Part
        Any part.

    Returns
    -------
    float
        Mass in kg; 0 for anything but an inductor with resistance.

    Notes
    -----
    For an air-core coil of Brooks shape inductance and resistance fix the size: L = K c N^2 and
    R = 3 pi rho N^2 / (fill c) give c, and the copper is 3 pi fill c^3. A coil with a core needs
    less than this.
    """
    if part.kind != "inductor" or part.loss_ohm <= 0.0:
        return 0.0
    # Pieces in series share the resistance as they share the inductance.
    pieces = part.pieces or (part.value,)
    total = 0.0
    for piece in pieces:
        resistance = part.loss_ohm * piece / sum(pieces)
        side = np.sqrt(
            3.0 * np.pi * COPPER_OHM_M * piece / (COPPER_FILL * BROOKS_H_PER_M * resistance)
        )
        total += 3.0 * np.pi * COPPER_FILL * COPPER_KG_PER_M3 * side**3
    return float(total)


def option_costs(specs: Mapping[str, GoalSpec], parts: Sequence[Part]) -> np.ndarray:
    """Cost of each part that one place may hold.

    Parameters
    ----------
    specs : mapping of str to GoalSpec
        All goals; the others are passed over.
    parts : sequence of Part, length O
        Options of one gene. Where one of them is on the board already, taking another is a
        change.

    Returns
    -------
    ndarray, shape (O,)
        0 for kept parts. A part without a price counts as the dearest of the others, so that not
        knowing is never an advantage.

    Raises
    ------
    InputError
        When a price is asked for and no part here has one.
    """
    cost = np.zeros(len(parts))
    on_board = [p.origin == KEPT for p in parts]
    for name, spec in specs.items():
        if isinstance(spec, PartsGoalSpec):
            cost += spec.each * np.array([p.piece_count for p in parts])
        elif isinstance(spec, PriceGoalSpec) and spec.each:
            known = [p.price for p in parts if p.price is not None]
            # That owned pieces cost nothing says nothing of what new ones do; a part of an old
            # board ("given") need not be bought.
            bought = [p for p in parts if p.origin not in (KEPT, SHELF, "given")]
            if bought and not any(known):
                raise InputError(
                    f"the goal needs prices, and no {bought[0].kind} in stock has one",
                    subject=Subject("goal", name),
                    remedy="give prices in the stock or remove the goal",
                )
            cost += spec.each * np.array(
                [max(known, default=0.0) if p.price is None else p.price for p in parts]
            )
        elif isinstance(spec, CopperGoalSpec):
            cost += spec.each * np.array([copper_kg(p) for p in parts])
        elif isinstance(spec, ChangesGoalSpec) and any(on_board):
            cost += spec.each
    cost[on_board] = 0.0
    return cost


def removal_cost(specs: Mapping[str, GoalSpec], count: int) -> float:
    """Cost of taking kept parts off the board.

    Parameters
    ----------
    specs : mapping of str to GoalSpec
        All goals; the others are passed over.
    count : int
        Parts taken off.
    """
    return float(
        sum(spec.each * count for spec in specs.values() if isinstance(spec, ChangesGoalSpec))
    )


def count_changes(topology: Topology, network: Network) -> tuple[int, int]:
    """Count the parts of a board that a network alters and those it takes off.

    Parameters
    ----------
    topology : Topology
        Its slots say what is on the board.
    network : Network
        As built.

    Returns
    -------
    altered, removed : int
    """
    built = {(way.name, slot.name): slot.parts for way in network.ways for slot in way.slots}
    altered = removed = 0
    for way in topology.ways:
        for slot in way.slots:
            if slot.kept is None:
                continue
            parts = built.get((way.name, slot.name))
            if parts is None:
                removed += len(slot.kept)
            else:
                altered += sum(part.origin != KEPT for part in parts)
    return altered, removed


def economy_figures(
    specs: Mapping[str, GoalSpec],
    network: Network,
    cost: float | None = None,
    currency: str = "",
    *,
    topology: Topology | None = None,
) -> list[EconomyFigure]:
    """Say what each economy goal makes of a network.

    Parameters
    ----------
    specs : mapping of str to GoalSpec
        All goals; the others are passed over.
    network : Network
        As built.
    cost : float, optional
        Sum that the search counted; what the other figures leave of it goes to the price, in
        which parts without a price count as the dearest.
    currency : str
        Currency of the stock.
    topology : Topology, optional
        Says which parts are on the board, for the goal on changes.

    Returns
    -------
    list of EconomyFigure
        In the order of `specs`.
    """
    parts = [
        part
        for way in network.ways
        for slot in way.slots
        for part in slot.parts
        if part.origin != "kept"
    ]
    out: list[EconomyFigure] = []
    for name, spec in specs.items():
        if isinstance(spec, PartsGoalSpec) and spec.each:
            count = network.piece_count
            out.append(
                EconomyFigure(
                    name=name,
                    value=float(count),
                    unit="pieces",
                    weight=spec.each,
                    cost=spec.each * count,
                    detail=f"each piece must earn {spec.each:g} dB",
                )
            )
        elif isinstance(spec, PriceGoalSpec) and spec.each:
            known = [p.price for p in parts if p.price is not None]
            out.append(
                EconomyFigure(
                    name=name,
                    value=float(sum(known)),
                    unit=currency or "money",
                    weight=spec.each,
                    cost=spec.each * float(sum(known)),
                    detail=(
                        f"{len(parts) - len(known)} parts without a price count as the dearest"
                        if len(known) < len(parts)
                        else "of all pieces"
                    ),
                )
            )
        elif isinstance(spec, CopperGoalSpec) and spec.each:
            mass = sum(copper_kg(p) for p in parts)
            out.append(
                EconomyFigure(
                    name=name,
                    value=float(mass),
                    unit="kg",
                    weight=spec.each,
                    cost=spec.each * float(mass),
                    detail="in coils, estimated as air-core",
                )
            )
        elif isinstance(spec, ChangesGoalSpec) and spec.each and topology is not None:
            altered, removed = count_changes(topology, network)
            out.append(
                EconomyFigure(
                    name=name,
                    value=float(altered + removed),
                    unit="changes",
                    weight=spec.each,
                    cost=spec.each * (altered + removed),
                    detail=f"{altered} altered and {removed} removed of the parts on the board",
                )
            )
    if cost is not None:
        rest = cost - sum(f.cost for f in out if not isinstance(specs[f.name], PriceGoalSpec))
        out = [
            replace(f, cost=rest) if isinstance(specs[f.name], PriceGoalSpec) else f for f in out
        ]
    return out
