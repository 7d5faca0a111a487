"""Work at the iron: what it takes to make one network of another, counted in one place.

Goal, tables, fronts, voicing and the build sheet all count by `compare_work`; the search, which adds up
what each place costs before anything is solved, takes its amounts from `BoardPlace`, which follows
the same rules:

* a piece that comes off, or goes on, is one operation each, so another value is two;
* what is taken out of the line leaves a gap that a wire closes (one more): it is not left bridged in
  its place, as a shorted coil would load its neighbours, and as it may serve elsewhere;
* what is put into the line where nothing was opens the line first (one more, a re-route);
* a driver turned round is one re-route.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

from optimizer.network.network import FittedGroup, FittedLadder, FittedSlot, FittedWay, Network
from optimizer.network.topology import Slot, Topology
from optimizer.parts import KEPT, Part

_SAME_VALUE = 1e-6  # relative; values in files have nine digits
_SAME_LOSS = 1e-4  # relative to one ohm at least


def stays(was: Part, now: Part) -> bool:
    """Tell whether a part is the one that was there.

    Parameters
    ----------
    was, now : Part
        Of one place. Another piece of the same value is another part.
    """
    if now == was:
        return True
    return (
        now.kind == was.kind
        and now.origin in (was.origin, KEPT)
        and abs(now.value - was.value) <= _SAME_VALUE * was.value
        and abs(now.loss_ohm - was.loss_ohm) <= _SAME_LOSS * max(1.0, was.loss_ohm)
    )


def lies_in_line(slot: FittedSlot | Slot) -> bool:
    """Tell whether current to the driver flows through a part of a place."""
    return not slot.across and "series" in slot.circuit.places


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceWork:
    """What is done at one place.

    Parameters
    ----------
    ladder, slot : str
        Where.
    was, now : FittedSlot or None
        What sat there and what sits there afterwards; None for nothing.
    off, on : tuple of int
        Which parts of `was` come off, and which of `now` go on.
    jumper, reroute : bool
        Whether a wire closes the line, or the line is opened.
    """

    ladder: str
    slot: str
    was: FittedSlot | None
    now: FittedSlot | None
    off: tuple[int, ...] = ()
    on: tuple[int, ...] = ()
    jumper: bool = False
    reroute: bool = False

    @property
    def taken_off(self) -> tuple[Part, ...]:
        """Parts that come off."""
        return () if self.was is None else tuple(self.was.parts[i] for i in self.off)

    @property
    def put_on(self) -> tuple[Part, ...]:
        """Parts that go on."""
        return () if self.now is None else tuple(self.now.parts[i] for i in self.on)

    @property
    def count(self) -> int:
        """Operations."""
        return sum_pieces(self.taken_off) + sum_pieces(self.put_on) + self.jumper + self.reroute


@dataclass(frozen=True, slots=True, kw_only=True)
class Rework:
    """Everything that sets one network apart from another, as work.

    Parameters
    ----------
    places : tuple of PlaceWork
        Those where something is done, source first.
    turned : tuple of str
        Ways whose driver is connected the other way round.
    """

    places: tuple[PlaceWork, ...] = ()
    turned: tuple[str, ...] = ()

    @property
    def off(self) -> int:
        """Pieces taken off."""
        return sum(sum_pieces(place.taken_off) for place in self.places)

    @property
    def on(self) -> int:
        """Pieces put on."""
        return sum(sum_pieces(place.put_on) for place in self.places)

    @property
    def jumpers(self) -> int:
        """Wires put in."""
        return sum(place.jumper for place in self.places)

    @property
    def reroutes(self) -> int:
        """Lines opened and drivers turned round."""
        return sum(place.reroute for place in self.places) + len(self.turned)

    @property
    def count(self) -> int:
        """Operations in all."""
        return self.off + self.on + self.jumpers + self.reroutes

    def __str__(self) -> str:
        if not self.count:
            return "nothing to do"
        jumpers = "1 jumper" if self.jumpers == 1 else f"{self.jumpers} jumpers"
        routes = "1 re-route" if self.reroutes == 1 else f"{self.reroutes} re-routes"
        said = (
            (self.off, f"{self.off} off"),
            (self.on, f"{self.on} on"),
            (self.jumpers, jumpers),
            (self.reroutes, routes),
        )
        return ", ".join(words for count, words in said if count)


def sum_pieces(parts: Collection[Part]) -> int:
    """Count the pieces of some parts."""
    return sum(part.piece_count for part in parts)


def compare_work(
    was: Network,
    now: Network,
    *,
    spare: Collection[tuple[str, str]] = frozenset(),
    by_hand: Collection[tuple[str, str]] = frozenset(),
) -> Rework:
    """Say what work makes one network of another.

    Parameters
    ----------
    was, now : Network
        Of the same ways and groups.
    spare : collection of (str, str)
        Ladder and slot of what `was` has at hand rather than on the board: where it is not used
        nothing comes off.
    by_hand : collection of (str, str)
        Likewise what is changed without an iron: the positions of a control.

    Returns
    -------
    Rework
    """
    before = {one.name: one for one in was.ladders}
    places = []
    for ladder in now.ladders:
        old = {slot.name: slot for slot in before[ladder.name].slots}
        new = {slot.name: slot for slot in ladder.slots}
        for name in _in_order(before[ladder.name], ladder):
            place = (ladder.name, name)
            if place in by_hand or (name not in new and place in spare):
                continue
            work = _compare_place(ladder.name, name, old.get(name), new.get(name))
            if work.count:
                places.append(work)
    signs = {way.name: way.polarity for way in was.ways}
    return Rework(
        places=tuple(places),
        turned=tuple(way.name for way in now.ways if way.polarity != signs[way.name]),
    )


def _in_order(was: FittedLadder, now: FittedLadder) -> list[str]:
    """Names of all slots of a ladder, source first, those that are gone where they were."""
    names = [slot.name for slot in now.slots]
    after = 0
    for slot in was.slots:
        if slot.name in names:
            after = names.index(slot.name) + 1
        else:
            names.insert(after, slot.name)
            after += 1
    return names


def _compare_place(
    ladder: str, name: str, was: FittedSlot | None, now: FittedSlot | None
) -> PlaceWork:
    off = list(range(len(was.parts))) if was is not None else []
    on = list(range(len(now.parts))) if now is not None else []
    if was is not None and now is not None and _shape(was) == _shape(now):
        same = [stays(a, b) for a, b in zip(was.parts, now.parts, strict=True)]
        off = [i for i in off if not same[i]]
        on = [i for i in range(len(now.parts)) if not same[i]]
    opened = now is not None and lies_in_line(now) and bool(on)
    closed = was is not None and lies_in_line(was)
    return PlaceWork(
        ladder=ladder,
        slot=name,
        was=was,
        now=now,
        off=tuple(off),
        on=tuple(on),
        jumper=closed and (now is None or not lies_in_line(now)),
        reroute=opened and not closed,
    )


def _shape(slot: FittedSlot) -> tuple[str, str, str]:
    return slot.place, slot.form, slot.across


@dataclass(frozen=True, slots=True)
class BoardPlace:
    """What a board has where one part of a slot may sit: the work of each part that could.

    Parameters
    ----------
    known : bool
        Whether there is a board at all.
    was : Part or None
        The part on it.
    opens : bool
        Whether a part that is put here opens the line. Of a compound its first part tells.
    """

    known: bool = False
    was: Part | None = None
    opens: bool = False

    def work(self, part: Part) -> int:
        """Operations until this part sits here."""
        if not self.known or part.origin == KEPT or (self.was and stays(self.was, part)):
            return 0
        off = self.was.piece_count if self.was is not None else 0
        return off + part.piece_count + self.opens


def has_board(topology: Topology) -> bool:
    """Tell whether anything is soldered in before the work begins."""
    return any(slot.kept is not None for one in topology.ladders for slot in one.slots) or any(
        way.soldered for way in topology.ways
    )


def place_on_board(topology: Topology, slot: Slot, index: int) -> BoardPlace:
    """Say what a board has at one part of a slot.

    Parameters
    ----------
    topology : Topology
        Its slots say what is on the board.
    slot : Slot
        One of them.
    index : int
        Which part of the slot.
    """
    return BoardPlace(
        has_board(topology),
        None if slot.kept is None else slot.kept[index],
        slot.kept is None and index == 0 and lies_in_line(slot),
    )


def work_of_emptying(topology: Topology, ladder: str, slot: Slot) -> int:
    """Count the operations of leaving a slot empty: taking its parts off, closing the line."""
    if slot.kept is None or (ladder, slot.name) in topology.at_hand:
        return 0
    return sum_pieces(slot.kept) + lies_in_line(slot)


def board_of(topology: Topology, like: Network) -> Network:
    """Return the network on a board: the kept parts of a topology.

    Parameters
    ----------
    topology : Topology
    like : Network
        Of the same ways. A driver of which it is not known how it was connected counts as
        connected as it is here.
    """
    signs = {way.name: way.polarity for way in like.ways}
    slots: dict[str, tuple[FittedSlot, ...]] = {
        one.name: tuple(slot.fill(slot.kept) for slot in one.slots if slot.kept is not None)
        for one in topology.ladders
    }

    def fill(ladder: FittedWay | FittedGroup) -> tuple[FittedSlot, ...]:
        return slots[ladder.name]

    board = like.map_slots(fill)
    soldered = {way.name: way.soldered for way in topology.ways}
    return replace(
        board,
        ways=tuple(
            replace(way, polarity=soldered[way.name] or signs[way.name]) for way in board.ways
        ),
    )


def rework_of(topology: Topology, network: Network) -> Rework:
    """Say what work makes a network of the board that a topology describes.

    Parameters
    ----------
    topology : Topology
        Without any kept part there is no board, and no work.
    network : Network
        Of the same ways and groups.
    """
    if not has_board(topology):
        return Rework()
    return compare_work(board_of(topology, network), network, spare=topology.at_hand)
