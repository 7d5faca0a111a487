"""Goals that add up over the parts: pieces, price, copper, work at the iron. Kept parts are free.

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
from optimizer.network.rework import BoardPlace, Rework, rework_of
from optimizer.network.topology import Topology
from optimizer.parts import BOARD, GIVEN, KEPT, Part
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

    def amounts(self, parts: Sequence[Part], place: BoardPlace) -> Real:
        """Say what each part that one place may hold adds to the figure.

        Parameters
        ----------
        parts : sequence of Part, length O
            Options of one place. Those on the board already are counted as 0 afterwards.
        place : BoardPlace
            What is on the board there.

        Returns
        -------
        ndarray, shape (O,)
        """
        return np.array([self.measure(part) for part in parts])

    def measure(self, part: Part) -> float:
        """Amount of one part that is not on the board."""
        raise NotImplementedError

    def labour(self, operations: float) -> float:
        """Amount of work at the iron that puts no part in: taking off, wires, turning a driver."""
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

    def amounts(self, parts: Sequence[Part], place: BoardPlace) -> Real:
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
        bought = [p for p in parts if p.origin not in (KEPT, BOARD, SHELF, GIVEN)]
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
    EconomyGoal, name="changes", unit="operations", counted=True, sells="more", buys="fewer"
):
    """What work at the iron costs on an existing board: pieces off, pieces on, jumpers, re-routes."""

    weight: float = _each("one operation at the iron", 0.05)

    def amounts(self, parts: Sequence[Part], place: BoardPlace) -> Real:
        """See `EconomyGoal.amounts`."""
        return np.array([float(place.work(part)) for part in parts])

    def labour(self, operations: float) -> float:
        """See `EconomyGoal.labour`."""
        return operations

    def sum_up(self, parts: Sequence[Part], network: Network, topology: Topology | None) -> float:
        """See `EconomyGoal.sum_up`."""
        return float(_rework(network, topology).count)

    def detail(self, parts: Sequence[Part], network: Network, topology: Topology | None) -> str:
        """See `EconomyGoal.detail`."""
        return f"work on the board: {_rework(network, topology)}"


def _rework(network: Network, topology: Topology | None) -> Rework:
    return Rework() if topology is None else rework_of(topology, network)


def economy_goals(goals: Mapping[str, Goal]) -> dict[str, EconomyGoal]:
    """Those of some goals that add up over the parts."""
    return {name: goal for name, goal in goals.items() if isinstance(goal, EconomyGoal)}


NO_BOARD = BoardPlace()
"""A place of a network that is built from nothing."""


def option_amounts(goal: EconomyGoal, parts: Sequence[Part], place: BoardPlace = NO_BOARD) -> Real:
    """Amounts of the parts that one place may hold, shape (O,); 0 for those on the board."""
    amounts = goal.amounts(parts, place)
    amounts[[part.origin == KEPT for part in parts]] = 0.0
    return amounts


def option_costs(
    goals: Mapping[str, Goal], parts: Sequence[Part], place: BoardPlace = NO_BOARD
) -> Real:
    """Cost of each part that one place may hold.

    Parameters
    ----------
    goals : mapping of str to Goal
        All goals; those with residuals are passed over.
    parts : sequence of Part, length O
        Options of one place.
    place : BoardPlace, optional
        What is on the board there; nothing when left out.

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
        cost += goal.weight * option_amounts(goal, parts, place)
    return cost


def labour_cost(goals: Mapping[str, Goal], operations: float = 1.0) -> float:
    """Cost of work at the iron that puts no part in; goals with residuals are passed over."""
    return float(sum(g.weight * g.labour(operations) for g in economy_goals(goals).values()))


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
