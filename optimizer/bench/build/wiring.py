"""What is soldered to what: every piece between two numbered points, and what meets at each."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import count, pairwise

from optimizer.network.expression.circuit import place_elements
from optimizer.network.expression.ladders import from_ladder
from optimizer.network.expression.nodes import DriverLeaf, PartLeaf, Tap
from optimizer.network.network import FittedGroup, FittedWay, Network
from optimizer.parts import Part
from optimizer.text.brief import brief

AMP_PLUS = "IN+"
AMP_MINUS = "IN-"
"""The two terminals of the cabinet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """One physical piece between two points.

    Parameters
    ----------
    way, name : str
        Its way, and its reference name ("L1", "C1a" for a piece of C1).
    of : str
        What its ladder calls the part it belongs to ("P1.Rs").
    part : Part
        The piece by itself, with its share of the part's loss.
    start, end : str
        Points it is soldered to.
    """

    way: str
    name: str
    of: str
    part: Part
    start: str
    end: str

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverLead:
    """How a driver is connected.

    Parameters
    ----------
    way, driver : str
        Names.
    plus, minus : str
        Points of its marked and its unmarked terminal.
    inverted : bool
        Whether its marked terminal lies on the common return.
    """

    way: str
    driver: str
    plus: str
    minus: str
    inverted: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TapLead:
    """How an autotransformer is connected.

    Parameters
    ----------
    way, name : str
        Its way, and its reference name ("T1").
    gain : float
        Volts after it over volts before it.
    before, after, common : str
        Points of its input, its output, and the end of its winding that both share. The higher of
        input and output is the other end of the winding, the lower one its tap.
    """

    way: str
    name: str
    gain: float
    before: str
    after: str
    common: str

    @property
    def ends(self) -> tuple[tuple[str, str], ...]:
        """What each terminal is called, and its point."""
        whole, tap = (self.before, self.after) if self.gain <= 1.0 else (self.after, self.before)
        return (("end", whole), ("tap", tap), ("common end", self.common))


@dataclass(frozen=True, slots=True, kw_only=True)
class Wiring:
    """Everything that is soldered.

    Parameters
    ----------
    pieces : tuple of Piece
        Way by way, source first.
    drivers : tuple of DriverLead
        Way by way.
    taps : tuple of TapLead
        Way by way, source first.
    begins, ends : mapping of str to (str, str)
        Upper and lower point at which each way and shared section begins, and at which what the
        section feeds, or the driver, is connected.
    """

    pieces: tuple[Piece, ...]
    drivers: tuple[DriverLead, ...]
    taps: tuple[TapLead, ...]
    begins: Mapping[str, tuple[str, str]]
    ends: Mapping[str, tuple[str, str]]

    __repr__ = brief

    def points(self) -> dict[str, tuple[str, ...]]:
        """List what meets at each point, in order of first use."""
        found: dict[str, list[str]] = {AMP_PLUS: ["amplifier (+)"], AMP_MINUS: ["amplifier (-)"]}
        for piece in self.pieces:
            for point in (piece.start, piece.end):
                found.setdefault(point, []).append(piece.name)
        for tap in self.taps:
            for name, point in tap.ends:
                found.setdefault(point, []).append(f"{tap.name} ({name})")
        for lead in self.drivers:
            found.setdefault(lead.plus, []).append(f"{lead.driver} (+)")
            found.setdefault(lead.minus, []).append(f"{lead.driver} (-)")
        return {point: tuple(things) for point, things in found.items()}


def split_loss(part: Part) -> tuple[float, ...]:
    """Share the loss of a joined part over its pieces.

    Parameters
    ----------
    part : Part
        With two or more pieces.

    Returns
    -------
    tuple of float
        Series losses in ohm which, joined as the part is, give its loss again: by value for coils
        in series, by reactance for capacitors. Only the sum is known; the split is the usual one
        for pieces of one make.
    """
    pieces = part.pieces
    if part.kind == "capacitor":
        # One loss tangent for all: ESR is inversely as the capacitance, joined or not.
        return tuple(part.loss_ohm * part.value / piece for piece in pieces)
    if part.joined == "series":
        return tuple(part.loss_ohm * piece / sum(pieces) for piece in pieces)
    return tuple(part.loss_ohm * piece / part.value for piece in pieces)


def split_pieces(name: str, part: Part) -> tuple[tuple[str, Part], ...]:
    """Split a joined part into its pieces, each a part of its own with a lettered name."""
    if len(part.pieces) < 2 or not part.joined:
        return ((name, part),)
    return tuple(
        (
            f"{name}{letter}",
            replace(
                part,
                value=piece,
                loss_ohm=loss,
                pieces=(piece,),
                joined="",
                price=None,
                rating=None,
            ),
        )
        for letter, piece, loss in zip("abcdefgh", part.pieces, split_loss(part), strict=False)
    )


def wire_network(network: Network) -> Wiring:
    """List what is soldered between which numbered points.

    Parameters
    ----------
    network : Network
        What is to be built.

    Returns
    -------
    Wiring
    """
    pieces: list[Piece] = []
    drivers: list[DriverLead] = []
    taps: list[TapLead] = []
    references = network.references
    # Every ladder comes after the group that it belongs to.
    begins = {one.name: (AMP_PLUS, AMP_MINUS) for one in network.branches}
    ends: dict[str, tuple[str, str]] = {}
    new = map(str, count(1)).__next__
    for ladder in network.ladders:
        for element in place_elements(from_ladder(ladder), *begins[ladder.name], new):
            what, nodes = element.what, element.nodes
            if isinstance(what, PartLeaf) and what.part is not None:
                name = references[ladder.name, what.name]
                _wire_part(pieces, (ladder.name, what.name), name, what.part, nodes, new)
            elif isinstance(what, Tap):
                before, after, common = nodes
                taps.append(
                    TapLead(
                        way=ladder.name,
                        name=references[ladder.name, what.name],
                        gain=what.gain,
                        before=before,
                        after=after,
                        common=common,
                    )
                )
            elif isinstance(what, DriverLeaf):
                ends[ladder.name] = nodes[0], nodes[1]
        if isinstance(ladder, FittedGroup):
            begins |= _share_out(ladder, *ends[ladder.name], new)
        else:
            drivers.append(_connect(ladder, *ends[ladder.name]))
    return Wiring(
        pieces=tuple(pieces),
        drivers=tuple(drivers),
        taps=tuple(taps),
        begins=begins,
        ends=ends,
    )


def _share_out(
    group: FittedGroup, top: str, bottom: str, new: Callable[[], str]
) -> dict[str, tuple[str, str]]:
    """Points between which each member of a group lies."""
    if group.joint == "parallel":
        return dict.fromkeys(group.members, (top, bottom))
    points = [top, *(new() for _ in group.members[1:]), bottom]
    return dict(zip(group.members, pairwise(points), strict=True))


def _connect(way: FittedWay, top: str, bottom: str) -> DriverLead:
    plus, minus = (top, bottom) if way.polarity > 0 else (bottom, top)
    return DriverLead(
        way=way.name, driver=way.driver, plus=plus, minus=minus, inverted=way.polarity < 0
    )


def _wire_part(
    pieces: list[Piece],
    label: tuple[str, str],
    name: str,
    part: Part,
    nodes: Sequence[str],
    new: Callable[[], str],
) -> None:
    way, of = label
    start, end = nodes
    split = split_pieces(name, part)
    at = start
    for k, (piece_name, piece) in enumerate(split):
        stop = end
        if part.joined == "series" and k < len(split) - 1:
            stop = new()
        begin = at if part.joined == "series" else start
        pieces.append(Piece(way=way, name=piece_name, of=of, part=piece, start=begin, end=stop))
        at = stop
