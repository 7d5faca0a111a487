"""Goals that add up over the parts: pieces, price, copper, changes. Kept parts are free.

Their cost is known for each option of each place before anything is solved, so the search adds it
up instead of computing residuals.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, ClassVar

import numpy as np

from optimizer.arrays import Real
from optimizer.goals.goal import Goal
from optimizer.goals.options import option
from optimizer.network.network import Network
from optimizer.network.topology import Topology
from optimizer.parts import GIVEN, KEPT, Part
from optimizer.stock.coil import BROOKS_H_PER_M, COPPER_KG_PER_M3, COPPER_OHM_M
from optimizer.stock.lots import SHELF

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


class EconomyGoal(Goal, family="economy"):
    """A goal whose figure adds up over the parts of a network: no curve is needed for it."""

    adds_up: ClassVar[bool] = True
    """Whether the cost is weight times the figure shown, for every network."""

    def amounts(self, parts: Sequence[Part]) -> Real:
        """Say what each part that one place may hold adds to the figure.

        Parameters
        ----------
        parts : sequence of Part, length O
            Options of one place. Those on the board already are counted as 0 afterwards.

        Returns
        -------
        ndarray, shape (O,)
        """
        return np.array([self.measure(part) for part in parts])

    def measure(self, part: Part) -> float:
        """Amount of one part that is not on the board."""
        raise NotImplementedError

    def removal(self, count: int) -> float:
        """Amount of taking some parts off the board."""
        return 0.0

    def sum_up(self, parts: Sequence[Part], network: Network, topology: Topology | None) -> float:
        """Figure of a whole network.

        Parameters
        ----------
        parts : sequence of Part
            Those of the network that were not on the board.
        network : Network
            As built.
        topology : Topology or None
            Says which parts are on the board; None when nothing is known of one.
        """
        return float(sum(self.measure(part) for part in parts))

    def detail(self, parts: Sequence[Part], network: Network, topology: Topology | None) -> str:
        """Say what the figure is made of; the arguments are those of `sum_up`."""
        raise NotImplementedError

    def unit_in(self, currency: str) -> str:
        """Return the unit of the figure where the stock has prices in a currency."""
        return self.unit


def _each(of_what: str, default: float) -> Any:
    return option("each", f"cost of {of_what}", default=default, least=0.0)


class Parts(EconomyGoal, name="parts", unit="pieces", counted=True, sells="more", buys="fewer"):
    """What each piece costs: a part must earn its place."""

    weight: float = _each("one piece", 0.03)

    def measure(self, part: Part) -> float:
        """See `EconomyGoal.measure`."""
        return part.piece_count

    def detail(self, parts: Sequence[Part], network: Network, topology: Topology | None) -> str:
        """See `EconomyGoal.detail`."""
        return f"each piece must earn {self.weight:g} dB"


class Price(EconomyGoal, name="price", unit="money", sells="more", buys="less"):
    """What money costs; needs prices in the stock.

    Notes
    -----
    A part without a price counts as the dearest of its place, so that not knowing is never an
    advantage; the figure that is shown leaves it out.
    """

    adds_up = False
    weight: float = _each("one unit of the stock's currency", 0.003)

    def amounts(self, parts: Sequence[Part]) -> Real:
        """See `EconomyGoal.amounts`.

        Raises
        ------
        InputError
            When the price counts and no part here has one.
        """
        if not self.weight:
            return np.zeros(len(parts))
        known = [p.price for p in parts if p.price is not None]
        # That owned pieces cost nothing says nothing of what new ones do; a part of an old board
        # ("given") need not be bought.
        bought = [p for p in parts if p.origin not in (KEPT, SHELF, GIVEN)]
        if bought and not any(known):
            raise self.refuse(
                f"the goal needs prices, and no {bought[0].kind} in stock has one",
                remedy="give prices in the stock or remove the goal",
            )
        dearest = max(known, default=0.0)
        return np.array([dearest if p.price is None else p.price for p in parts])

    def measure(self, part: Part) -> float:
        """See `EconomyGoal.measure`."""
        return part.price or 0.0

    def detail(self, parts: Sequence[Part], network: Network, topology: Topology | None) -> str:
        """See `EconomyGoal.detail`."""
        unknown = sum(part.price is None for part in parts)
        if unknown:
            return f"{unknown} parts without a price count as the dearest"
        return "of all pieces"

    def unit_in(self, currency: str) -> str:
        """See `EconomyGoal.unit_in`."""
        return currency or self.unit


class Copper(EconomyGoal, name="copper", unit="kg", sells="of copper more", buys="of copper less"):
    """What the copper of coils costs, estimated as air-core from inductance and resistance."""

    weight: float = _each("one kilogram", 0.1)

    def measure(self, part: Part) -> float:
        """See `EconomyGoal.measure`."""
        return copper_kg(part)

    def detail(self, parts: Sequence[Part], network: Network, topology: Topology | None) -> str:
        """See `EconomyGoal.detail`."""
        return "in coils, estimated as air-core"


class Changes(
    EconomyGoal, name="changes", unit="changes", counted=True, sells="more", buys="fewer"
):
    """What it costs to alter or remove a part of an existing board: change as little as possible."""

    weight: float = _each("one part altered or removed", 0.1)

    def amounts(self, parts: Sequence[Part]) -> Real:
        """See `EconomyGoal.amounts`: a place that holds nothing on the board has none to alter."""
        return np.full(len(parts), float(any(part.origin == KEPT for part in parts)))

    def removal(self, count: int) -> float:
        """See `EconomyGoal.removal`."""
        return float(count)

    def sum_up(self, parts: Sequence[Part], network: Network, topology: Topology | None) -> float:
        """See `EconomyGoal.sum_up`."""
        return 0.0 if topology is None else float(sum(count_changes(topology, network)))

    def detail(self, parts: Sequence[Part], network: Network, topology: Topology | None) -> str:
        """See `EconomyGoal.detail`."""
        altered, removed = (0, 0) if topology is None else count_changes(topology, network)
        return f"{altered} altered and {removed} removed of the parts on the board"


def economy_goals(goals: Mapping[str, Goal]) -> dict[str, EconomyGoal]:
    """Those of some goals that add up over the parts."""
    return {name: goal for name, goal in goals.items() if isinstance(goal, EconomyGoal)}


def option_amounts(goal: EconomyGoal, parts: Sequence[Part]) -> Real:
    """Amounts of the parts that one place may hold, shape (O,); 0 for those on the board."""
    amounts = goal.amounts(parts)
    amounts[[part.origin == KEPT for part in parts]] = 0.0
    return amounts


def option_costs(goals: Mapping[str, Goal], parts: Sequence[Part]) -> Real:
    """Cost of each part that one place may hold.

    Parameters
    ----------
    goals : mapping of str to Goal
        All goals; those with residuals are passed over.
    parts : sequence of Part, length O
        Options of one place. Where one of them is on the board already, taking another is a
        change.

    Returns
    -------
    ndarray, shape (O,)
        0 for kept parts.

    Raises
    ------
    InputError
        When a price is asked for and no part here has one.
    """
    cost = np.zeros(len(parts))
    for goal in economy_goals(goals).values():
        cost += goal.weight * option_amounts(goal, parts)
    return cost


def removal_cost(goals: Mapping[str, Goal], count: int) -> float:
    """Cost of taking some kept parts off the board; goals with residuals are passed over."""
    return float(sum(g.weight * g.removal(count) for g in economy_goals(goals).values()))


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
    built = {(one.name, slot.name): slot.parts for one in network.ladders for slot in one.slots}
    at_hand = topology.at_hand
    altered = removed = 0
    for ladder in topology.ladders:
        for slot in ladder.slots:
            if slot.kept is None:
                continue
            parts = built.get((ladder.name, slot.name))
            if parts is None:
                removed += len(slot.kept) * ((ladder.name, slot.name) not in at_hand)
            else:
                altered += sum(part.origin != KEPT for part in parts)
    return altered, removed


def economy_figures(
    goals: Mapping[str, Goal],
    network: Network,
    cost: float | None = None,
    currency: str = "",
    *,
    topology: Topology | None = None,
) -> list[EconomyFigure]:
    """Say what each economy goal with a weight makes of a network.

    Parameters
    ----------
    goals : mapping of str to Goal
        All goals; those with residuals are passed over.
    network : Network
        As built.
    cost : float, optional
        Sum that the search counted; what the other figures leave of it goes to the goal whose
        figure does not say all of it: the price, in which parts without one count as the dearest.
    currency : str
        Currency of the stock.
    topology : Topology, optional
        Says which parts are on the board.

    Returns
    -------
    list of EconomyFigure
        In the order of `goals`.
    """
    chosen = {name: goal for name, goal in economy_goals(goals).items() if goal.weight}
    parts = [part for part in network.parts if part.origin != KEPT]
    out = []
    for name, goal in chosen.items():
        value = goal.sum_up(parts, network, topology)
        out.append(
            EconomyFigure(
                name=name,
                value=value,
                unit=goal.unit_in(currency),
                weight=goal.weight,
                cost=goal.weight * value,
                detail=goal.detail(parts, network, topology),
            )
        )
    if cost is not None:
        rest = cost - sum(f.cost for f in out if chosen[f.name].adds_up)
        out = [f if chosen[f.name].adds_up else replace(f, cost=rest) for f in out]
    return out
