"""Ladders of slots as expressions: what stands in front of each driver, form by form."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from optimizer.network.expression.forms import NamedForm
from optimizer.network.expression.nodes import DriverLeaf, Node, Parallel, PartLeaf, Series
from optimizer.network.expression.plan import Joint
from optimizer.network.ladder import (
    FittedGroup,
    FittedLadder,
    FittedSlot,
    FittedWay,
    Group,
    Ladder,
    Network,
    Topology,
)
from optimizer.parts import Part

_Placed = tuple[NamedForm, str, Sequence[PartLeaf] | None]


def ladder(driver: Node, places: Sequence[_Placed]) -> Node:
    """Put forms in front of a driver.

    Parameters
    ----------
    driver : Node
        What is driven: a driver, or several joined.
    places : sequence of (NamedForm, str, sequence of PartLeaf or None)
        Form, name and parts of each place, source first, see `NamedForm.around`.

    Returns
    -------
    Node
    """
    node = driver
    for form, name, parts in reversed(places):
        node = form.around(node, name, parts)
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

    def places(ladder: Ladder) -> Iterator[_Placed]:
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
            yield slot.circuit, f"{ladder.name}.{slot.name}", parts

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
        ladder.name: [
            (slot.circuit, f"{ladder.name}.{slot.name}", _parts_of(slot)) for slot in ladder.slots
        ]
        for ladder in network.ladders
    }
    leaves = {
        way.name: DriverLeaf(way.driver, way.name, "normal" if way.polarity > 0 else "inverted")
        for way in network.ways
    }
    tops = [one.name for one in network.branches if branch in (None, one.name)]
    return _together([_join(top, network.groups, leaves, built) for top in tops])


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
    return ladder(leaf, [(slot.circuit, slot.name, _parts_of(slot)) for slot in one.slots])


def _together(nodes: Sequence[Node], joint: Joint = "parallel") -> Node:
    if len(nodes) == 1:
        return nodes[0]
    return Series(tuple(nodes)) if joint == "series" else Parallel(tuple(nodes))


def _join(
    name: str,
    groups: Sequence[Group | FittedGroup],
    leaves: Mapping[str, DriverLeaf],
    built: Mapping[str, Sequence[_Placed]],
) -> Node:
    """Expression of a way or group with everything below it."""
    if name in leaves:
        return ladder(leaves[name], built[name])
    group = next(group for group in groups if group.name == name)
    members = [_join(member, groups, leaves, built) for member in group.members]
    return ladder(_together(members, group.joint), built[name])
