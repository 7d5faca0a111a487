"""Ladders of slots as expressions: what stands in front of each driver, form by form."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from optimizer.network.expression.forms import NamedForm
from optimizer.network.expression.nodes import DriverLeaf, Node, Parallel, PartLeaf, Series
from optimizer.network.expression.plan import Joint
from optimizer.network.network import FittedGroup, FittedLadder, FittedSlot, FittedWay, Network
from optimizer.network.topology import Group, Ladder, Slot, Topology
from optimizer.parts import Part


@dataclass(frozen=True, slots=True)
class Placed:
    """A form in a ladder.

    Parameters
    ----------
    form : NamedForm
        What it is.
    name : str
        Name of its place.
    parts : sequence of PartLeaf or None
        See `NamedForm.around`.
    across : str
        Name of the place that it lies across, in parallel with what that has in the line.
    """

    form: NamedForm
    name: str
    parts: Sequence[PartLeaf] | None = None
    across: str = ""


def ladder(driver: Node, places: Sequence[Placed]) -> Node:
    """Put forms in front of a driver.

    Parameters
    ----------
    driver : Node
        What is driven: a driver, or several joined.
    places : sequence of Placed
        Source first.

    Returns
    -------
    Node
    """
    node = driver
    for place in reversed(places):
        if not place.across:
            beside = [
                one.form.fill_alone(one.form.name_leaves(one.name, one.parts))
                for one in places
                if one.across == place.name
            ]
            node = place.form.around(node, place.name, place.parts, beside)
    return node


def from_topology(topology: Topology) -> Node:
    """Turn ladders of slots into one expression of the whole speaker.

    Parameters
    ----------
    topology : Topology
        The ladders.

    Returns
    -------
    Node
        Names of places begin with their ladder ("tweeter.P1"); leaves and places come in the order
        of the slots of `Topology.ladders`, drivers are called as their ways.
    """

    def places(ladder: Ladder) -> Iterator[Placed]:
        for slot in ladder.slots:
            kept: Sequence[Part | None] = slot.kept or (None,) * len(slot.kinds)
            parts = [
                PartLeaf(
                    kind,
                    slot.name,
                    optional=slot.optional,
                    low=limits.low,
                    high=limits.high,
                    part=part,
                    fixed=slot.fixed,
                )
                for kind, limits, part in zip(slot.kinds, slot.ranges, kept, strict=True)
            ]
            yield _place(slot, parts, f"{ladder.name}.")

    built = {ladder.name: list(places(ladder)) for ladder in topology.ladders}
    leaves = {way.name: DriverLeaf(way.driver, way.name, way.polarity) for way in topology.ways}
    return _together([_join(one.name, topology.groups, leaves, built) for one in topology.branches])


def from_network(network: Network, branch: str | None = None) -> Node:
    """Turn a network as built into an expression.

    Parameters
    ----------
    network : Network
        The network.
    branch : str, optional
        One of its `Network.branches` alone; the whole when left out.

    Returns
    -------
    Node
        Parts are called by their ladder and as `FittedSlot.named_parts` calls them
        ("tweeter.P1.Rs"), and come in the order of `Network.places`; drivers are called as their
        ways.
    """
    built = {
        ladder.name: [_place(slot, _parts_of(slot), f"{ladder.name}.") for slot in ladder.slots]
        for ladder in network.ladders
    }
    leaves = {
        way.name: DriverLeaf(way.driver, way.name, "normal" if way.polarity > 0 else "inverted")
        for way in network.ways
    }
    tops = [one.name for one in network.branches if branch in (None, one.name)]
    return _together([_join(top, network.groups, leaves, built) for top in tops])


def _place(slot: Slot | FittedSlot, parts: Sequence[PartLeaf], prefix: str = "") -> Placed:
    across = f"{prefix}{slot.across}" if slot.across else ""
    return Placed(slot.circuit, f"{prefix}{slot.name}", parts, across)


def _parts_of(slot: FittedSlot) -> list[PartLeaf]:
    return [PartLeaf(part.kind, slot.name, part=part, fixed=True) for part in slot.parts]


def from_ladder(one: FittedLadder) -> Node:
    """Turn one way or group as built into an expression, by itself.

    Parameters
    ----------
    one : FittedWay or FittedGroup
        The ladder.

    Returns
    -------
    Node
        Parts are called as `FittedSlot.named_parts` calls them, and the driver as the way; what a
        group feeds stands there as a driver that is called as the group.
    """
    if isinstance(one, FittedWay):
        leaf = DriverLeaf(one.driver, one.name, "normal" if one.polarity > 0 else "inverted")
    else:
        leaf = DriverLeaf(one.name)
    return ladder(leaf, [_place(slot, _parts_of(slot)) for slot in one.slots])


def _together(nodes: Sequence[Node], joint: Joint = "parallel") -> Node:
    if len(nodes) == 1:
        return nodes[0]
    return Series(tuple(nodes)) if joint == "series" else Parallel(tuple(nodes))


def _join(
    name: str,
    groups: Sequence[Group | FittedGroup],
    leaves: Mapping[str, DriverLeaf],
    built: Mapping[str, Sequence[Placed]],
) -> Node:
    """Expression of a way or group with everything below it."""
    if name in leaves:
        return ladder(leaves[name], built[name])
    group = next(group for group in groups if group.name == name)
    members = [_join(member, groups, leaves, built) for member in group.members]
    return ladder(_together(members, group.joint), built[name])
