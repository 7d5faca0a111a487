"""From an old board to a new network, step by step: what comes off, what goes on, in which order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal

from optimizer.bench.build.wiring import Wiring
from optimizer.network.network import FittedSlot, Network
from optimizer.network.rework import PlaceWork, Rework, board_of, has_board, lies_in_line, rework_of
from optimizer.network.topology import Topology
from optimizer.parts import BOARD, Part
from optimizer.text.brief import brief

Act = Literal["take off", "close", "open", "put on", "turn"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """A part of a board by name: its ladder and what reports call it."""

    ladder: str
    label: str

    def __str__(self) -> str:
        return f"{self.ladder}.{self.label}"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReworkStep:
    """One thing done with the iron.

    Parameters
    ----------
    act : {"take off", "close", "open", "put on", "turn"}
        Taking a part off, closing the line with a wire, opening it, putting a part on, turning a
        driver.
    spot : Spot
        Where.
    part : Part or None
        What comes off or goes on.
    other : tuple of Spot
        Where a part that comes off goes to, or one that goes on comes from, on the same board.
    points : tuple of str
        Between which points of the wiring list it lies afterwards; empty for what comes off.
    behind : str
        For what goes in where nothing was: the place of the new network that it follows, empty at
        the end of the source.
    across : str
        For the same: what place it lies across, empty in the line or across that.
    """

    act: Act
    spot: Spot
    part: Part | None = None
    other: tuple[Spot, ...] = ()
    points: tuple[str, ...] = ()
    behind: str = ""
    across: str = ""

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True)
class ReworkPlan:
    """The rework of a board.

    Parameters
    ----------
    board : Network
        What is soldered in before.
    rework : Rework
        What is done at each place.
    steps : tuple of ReworkStep
        In the order in which they are done.
    left : tuple of (Spot, Part)
        What comes off and serves nowhere on this board.
    stays : tuple of Spot
        What is not touched.
    """

    board: Network
    rework: Rework
    steps: tuple[ReworkStep, ...]
    left: tuple[tuple[Spot, Part], ...]
    stays: tuple[Spot, ...]

    __repr__ = brief


def plan_rework(topology: Topology, network: Network, wiring: Wiring) -> ReworkPlan | None:
    """Plan the work that makes a network of the board of a topology.

    Parameters
    ----------
    topology : Topology
        Its kept parts are the board.
    network : Network
        What is to be built.
    wiring : Wiring
        Its points.

    Returns
    -------
    ReworkPlan or None
        None where there is no board.
    """
    if not has_board(topology):
        return None
    board = board_of(topology, network)
    rework = rework_of(topology, network)
    homes: dict[tuple[str, float], Spot] = {
        (part.kind, part.value): Spot(ladder=one.name, label=label)
        for one in board.ladders
        for slot in one.slots
        for label, _, part in slot.named_parts
    }
    goes = _find_uses(rework, homes)
    off = [
        ReworkStep(act="take off", spot=spot, part=part, other=tuple(goes.get(spot, ())))
        for place in rework.places
        for spot, part in _named(place, place.was, place.off)
    ]
    close = [
        ReworkStep(act="close", spot=Spot(ladder=place.ladder, label=place.slot))
        for place in rework.places
        if place.jumper
    ]
    on = [
        step
        for line in (True, False)
        for place in rework.places
        if place.now is not None and lies_in_line(place.now) == line
        for step in _put_on(place, network, wiring, homes)
    ]
    turned = [ReworkStep(act="turn", spot=Spot(ladder=way, label="")) for way in rework.turned]
    touched = {step.spot for step in off}
    return ReworkPlan(
        board=board,
        rework=rework,
        steps=(*off, *close, *on, *turned),
        left=tuple(
            (step.spot, step.part) for step in off if step.part is not None and not step.other
        ),
        stays=tuple(
            spot for spot in homes.values() if spot not in touched and _is_used(spot, network)
        ),
    )


def _is_used(spot: Spot, network: Network) -> bool:
    """Tell whether a network has the place of a spot: what a choice left out is on no board."""
    return any(
        one.name == spot.ladder and label == spot.label
        for one in network.ladders
        for slot in one.slots
        for label, _, _ in slot.named_parts
    )


def _named(
    place: PlaceWork, slot: FittedSlot | None, index: Sequence[int]
) -> list[tuple[Spot, Part]]:
    if slot is None:
        return []
    named = slot.named_parts
    return [(Spot(ladder=place.ladder, label=named[i][0]), named[i][2]) for i in index]


def _find_uses(rework: Rework, homes: Mapping[tuple[str, float], Spot]) -> dict[Spot, list[Spot]]:
    """Say where each part of the board goes that serves elsewhere on it."""
    goes: dict[Spot, list[Spot]] = {}
    for place in rework.places:
        for spot, part in _named(place, place.now, place.on):
            for home in find_homes(part, homes):
                goes.setdefault(home, []).append(spot)
    return goes


def find_homes(part: Part, homes: Mapping[tuple[str, float], Spot]) -> tuple[Spot, ...]:
    """Find where on the board the pieces of a part come from; none for a part from elsewhere.

    Parameters
    ----------
    part : Part
    homes : mapping of (str, float) to Spot
        Parts of the board by kind and value, which names each.
    """
    if part.origin != BOARD:
        return ()
    found = []
    for piece in part.pieces or (part.value,):
        # By a file that was written by hand only nearly.
        own = [value for kind, value in homes if kind == part.kind]
        if own:
            near = min(own, key=partial(_distance, piece))
            found.append(homes[part.kind, near])
    return tuple(found)


def _distance(a: float, b: float) -> float:
    return abs(a - b)


def _put_on(
    place: PlaceWork, network: Network, wiring: Wiring, homes: Mapping[tuple[str, float], Spot]
) -> list[ReworkStep]:
    assert place.now is not None
    behind = ""
    fresh = place.was is None
    if fresh:
        ladder = next(one for one in network.ladders if one.name == place.ladder)
        names = [slot.name for slot in ladder.slots if not slot.across]
        at = names.index(place.slot) if place.slot in names else 0
        behind = names[at - 1] if at else ""
    steps = [
        ReworkStep(
            act="put on",
            spot=spot,
            part=part,
            other=find_homes(part, homes),
            points=_points_of(wiring, spot),
            behind=behind,
            across=place.now.across if fresh else "",
        )
        for spot, part in _named(place, place.now, place.on)
    ]
    if place.reroute:
        spot = Spot(ladder=place.ladder, label=place.slot)
        steps.insert(0, ReworkStep(act="open", spot=spot, behind=behind, points=steps[0].points))
    return steps


def _points_of(wiring: Wiring, spot: Spot) -> tuple[str, ...]:
    """Points between which a part lies: the first and the last of its pieces in series."""
    pieces = [p for p in wiring.pieces if (p.way, p.of) == (spot.ladder, spot.label)]
    return (pieces[0].start, pieces[-1].end) if pieces else ()
