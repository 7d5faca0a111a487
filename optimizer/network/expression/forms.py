"""What may stand between an amplifier and a driver, by name: each form is one expression.

A form is written once, in the notation of `optimizer.network.expression.notation`, with the word
``rest`` for what follows it towards the driver. Everything else that a program does with a form
(solving, drawing, writing it to a simulator, wiring it) follows from that expression.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from optimizer.errors import InputError
from optimizer.network.expression.nodes import (
    DriverLeaf,
    Node,
    Parallel,
    PartLeaf,
    Series,
    change,
    driver_leaves,
    part_leaves,
)
from optimizer.network.expression.notation import parse, read_leaf
from optimizer.network.expression.plan import Joint
from optimizer.network.ladder import FittedGroup, Form, Group, Ladder, Network, Place, Topology
from optimizer.parts import Part

REST = "rest"


@dataclass(frozen=True, slots=True)
class NamedForm:
    """A named expression around the rest of a network.

    Parameters
    ----------
    name : str
        What the trade calls it.
    text : str
        The expression, with the word ``rest`` once: ``Rs + (Rp || rest)``.
    does : str
        What it is for, in a few words.
    """

    name: str
    text: str
    does: str = ""
    node: Node = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        node = parse(self.text, lambda word: DriverLeaf(REST) if word == REST else _part(word))
        if len(driver_leaves(node)) != 1:
            raise InputError(f'the word "{REST}" stands once in a form', value=self.text)
        object.__setattr__(self, "node", node)

    @classmethod
    def in_line(cls, text: str, name: str = "in the line") -> NamedForm:
        """Make a form of an expression of parts in the line, as in ``series: "R || C"``.

        Parameters
        ----------
        text : str
            Parts only.
        name : str
            What to call it.
        """
        return cls(name, f"({text}) + {REST}")

    @classmethod
    def across(cls, text: str, name: str = "across the line") -> NamedForm:
        """Make a form of an expression of parts across the line, as in ``shunt: "L + C"``.

        Parameters are those of `in_line`.
        """
        return cls(name, f"({text}) || {REST}")

    @property
    def parts(self) -> tuple[PartLeaf, ...]:
        """Its parts in the order in which all lists of its parts run."""
        return part_leaves(self.node)

    def around(self, rest: Node, name: str, parts: Sequence[PartLeaf] | None = None) -> Node:
        """Put the form in front of a network.

        Parameters
        ----------
        rest : Node
            What follows it.
        name : str
            Name of the place ("P1").
        parts : sequence of PartLeaf, optional
            What is known of each of its parts (ranges, what is kept, whether it is optional), in
            the order of `parts`; their names and places are set here. Their kinds are those of the
            form, except on a board where parts were mixed up.

        Returns
        -------
        Node
            A single part is called as the place ("L1"), others "P1.Rs", "P1.Rp".
        """
        own = self.parts
        known = dict(zip((p.name for p in own), parts or own, strict=True))

        def leaf(node: PartLeaf | DriverLeaf) -> Node:
            if isinstance(node, DriverLeaf):
                return rest
            called = name if len(own) == 1 else f"{name}.{node.name}"
            stated = known[node.name]
            return replace(stated, name=called, place=name)

        made = change(self.node, leaf)
        assert made is not None
        return made


def _part(word: str) -> Node:
    node = read_leaf(word)
    if isinstance(node, PartLeaf):
        return node
    raise InputError("parts of a form begin with R, L or C", value=word)


NAMED_FORMS: dict[str, NamedForm] = {
    form.name: form
    for form in (
        NamedForm("series inductor", "L + rest", "takes the treble away"),
        NamedForm("series capacitor", "C + rest", "takes the bass away"),
        NamedForm("series resistor", "R + rest", "lowers the level"),
        NamedForm("shunt inductor", "L || rest", "takes the bass away"),
        NamedForm("shunt capacitor", "C || rest", "takes the treble away"),
        NamedForm("shunt resistor", "R || rest", "steadies the load"),
        NamedForm("notch", "(L + C + R) || rest", "takes a narrow band away"),
        NamedForm("trap", "(L || C || R) + rest", "takes a narrow band away"),
        NamedForm("equaliser", "(R + C) || rest", "steadies a load that rises with frequency"),
        NamedForm("pad", "Rs + (Rp || rest)", "lowers the level and keeps the load"),
        NamedForm("bypassed pad", "(Rs || C) + (Rp || rest)", "lowers the level, less at the top"),
        NamedForm("contour", "(L || R) + rest", "steps the level down above a frequency"),
    )
}
"""Named forms. A form that is added here works everywhere."""


def form_of(form: Form, place: Place) -> NamedForm:
    """Find the form that a slot has.

    Parameters
    ----------
    form, place
        As in `optimizer.network.ladder.Slot`.
    """
    return NAMED_FORMS.get(form) or NAMED_FORMS[f"{place} {form}"]


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
            yield form_of(slot.form, slot.place), f"{ladder.name}.{slot.name}", parts

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
        Parts are called by their ladder and as `optimizer.network.names.name_parts` calls them
        ("tweeter.P1.Rs"), and come in the order of `Network.places`; drivers are called as their
        ways.
    """
    built = {
        ladder.name: [
            (
                form_of(slot.form, slot.place),
                f"{ladder.name}.{slot.name}",
                [PartLeaf(part.kind, slot.name, part=part, fixed=True) for part in slot.parts],
            )
            for slot in ladder.slots
        ]
        for ladder in network.ladders
    }
    leaves = {
        way.name: DriverLeaf(way.driver, way.name, "normal" if way.polarity > 0 else "inverted")
        for way in network.ways
    }
    tops = [one.name for one in network.branches if branch in (None, one.name)]
    return _together([_join(top, network.groups, leaves, built) for top in tops])


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
