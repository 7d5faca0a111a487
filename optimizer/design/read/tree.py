"""A whole network as one expression: "L0 + ((L1 + (C1 || woofer)) || (C2 + tweeter))"."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import count

from optimizer.design.read.kept import LOSS_KEYS, note_missing_loss, read_kept_part
from optimizer.design.read.ladder import note_step_up
from optimizer.errors import InputError
from optimizer.network.expression.forms import TAP, form_of
from optimizer.network.expression.nodes import (
    DriverLeaf,
    Node,
    Parallel,
    PartLeaf,
    Series,
    Tap,
    has_driver,
    part_leaves,
    render,
    say_gain,
    walk_nodes,
)
from optimizer.network.expression.notation import parse, read_leaf
from optimizer.network.expression.plan import Joint
from optimizer.network.ladder import Place
from optimizer.network.topology import Group, Slot, Topology, ValueRange, Way
from optimizer.parts import LOSS_OF_KIND, UNIT_OF_KIND, Part
from optimizer.text.keys import Key, KeyBlock, OwnForm
from optimizer.text.yamltext import Entry, suggest


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kept:
    """A part that stays: where its value is written, in the unit of its kind, and its loss."""

    keep: Entry
    loss_ohm: float = 0.0


KEPT_KEYS = KeyBlock(
    noun=_Kept,
    keys=(
        Key(
            name="keep", form=OwnForm("value in the unit of the part", lambda entry: entry),
            example="3.3 mH", meaning="the part that is on the board and stays",
            needed="a part that stays needs its value",
        ),
        *LOSS_KEYS,
    ),
)  # fmt: skip
"""What may be said of a part of an expression instead of its range."""


def read_tree(
    entry: Entry, values: Entry | None, drivers: Sequence[str], notes: list[str]
) -> Topology:
    """Read a network that is written as one expression.

    Parameters
    ----------
    entry : Entry
        The expression, see `optimizer.network.expression.notation`.
    values : Entry or None
        The range of each part, or the part that stays.
    drivers : sequence of str
        Known drivers; any other name stands for a part.
    notes : list of str
        Gets a line for everything assumed.

    Returns
    -------
    Topology
        Every series/parallel expression is a set of ladders and of groups of them: what lies
        beside the only thing that holds a driver is a place of a ladder; where several hold one,
        they are a group.

    Raises
    ------
    InputError
        With the line: a slip in the expression, a driver that is unknown or stands there twice, a
        part without a range, a range without its part.
    """
    text = entry.text()

    def leaf(name: str) -> Node:
        if name in drivers:
            return DriverLeaf(name)
        node = read_leaf(name)
        if isinstance(node, DriverLeaf):
            raise InputError(
                "a name is a driver that is listed under drivers, or a part that begins with R, L "
                "or C",
                value=repr(name),
                remedy=suggest(name, drivers),
            )
        return node

    try:
        node = parse(text, leaf)
    except InputError as error:
        raise entry.where.locate(error) from None
    _check_names(node, entry)
    ranges = _read_values(values, entry, part_leaves(node), notes)
    notes += [
        note_step_up(f"network.{one.name}" if one.name else "network", one.gain)
        for one in walk_nodes(node)
        if isinstance(one, Tap) and one.gain > 1.0
    ]
    taken = {getattr(one, "place", None) or getattr(one, "name", "") for one in walk_nodes(node)}
    reader = _Unfolding(entry, ranges, (n for n in (f"A{k}" for k in count(1)) if n not in taken))
    reader.unfold_source(node)
    return Topology(ways=tuple(reader.ways), groups=tuple(reader.groups))


def _check_names(node: Node, entry: Entry) -> None:
    seen: set[str] = set()
    for one in walk_nodes(node):
        if isinstance(one, Tap) and not has_driver(one):
            raise entry.error(
                "a tap stands in front of a driver", value=render(one),
                remedy='write for instance "tap(-6 dB, C1 + tweeter)"',
            )  # fmt: skip
        if isinstance(one, PartLeaf | DriverLeaf | Tap) and one.name:
            if one.name in seen:
                raise entry.error(
                    "every part and driver stands once in a network", value=repr(one.name),
                    remedy="give the second part a name of its own; list a second driver under "
                    "drivers",
                )  # fmt: skip
            seen.add(one.name)
    if not has_driver(node):
        raise entry.error("a network needs a driver", value=repr(render(node)))


@dataclass(frozen=True, slots=True)
class _Stated:
    """What is written of one part: its range, and the part itself where it stays."""

    limits: ValueRange
    part: Part | None = None


def _read_values(
    values: Entry | None, entry: Entry, leaves: Sequence[PartLeaf], notes: list[str]
) -> dict[str, _Stated]:
    written = {} if values is None else values.fields([leaf.name for leaf in leaves])
    stated = {}
    for leaf in leaves:
        unit = UNIT_OF_KIND[leaf.kind]
        if leaf.name not in written:
            raise (values or entry).error(
                f"every part of the network needs its range or its value, as {leaf.name} does",
                remedy=f'add "{leaf.name}: LOW .. HIGH {unit}" under values',
            )
        inner = written[leaf.name]
        if not inner.is_mapping:
            low, high = inner.range(unit, above=0.0)
            stated[leaf.name] = _Stated(ValueRange(low=low, high=high))
            continue
        fields = KEPT_KEYS.open(inner)
        for key in ("dcr", "esr"):
            if key in fields and key != LOSS_OF_KIND[leaf.kind]:
                raise fields[key].error(f"{key} does not belong to {leaf.name}", remedy="remove it")
        if leaf.kind == "inductor" and "dcr" not in fields:
            notes.append(note_missing_loss(leaf.name))
        part = read_kept_part(leaf.kind, fields["keep"], fields)
        stated[leaf.name] = _Stated(ValueRange(low=part.value, high=part.value), part)
    return stated


@dataclass(slots=True)
class _Unfolding:
    """Ladders and groups of an expression, as they are met."""

    entry: Entry
    stated: Mapping[str, _Stated]
    free: Iterator[str]
    ways: list[Way] = field(default_factory=list)
    groups: list[Group] = field(default_factory=list)

    def unfold_source(self, node: Node) -> None:
        """Take the whole network: what hangs on the source in parallel needs no group."""
        if isinstance(node, Parallel) and all(has_driver(item) for item in node.items):
            for item in node.items:
                self.unfold(item)
        else:
            self.unfold(node)

    def unfold(self, node: Node) -> str:
        """Take a node that holds a driver, and return the name of its way or group."""
        slots: list[Slot] = []
        while not isinstance(node, DriverLeaf):
            if isinstance(node, Tap):
                slots.append(self._tap(node))
                node = node.item
                continue
            assert isinstance(node, Series | Parallel)
            place: Place = "series" if isinstance(node, Series) else "shunt"
            slots += [self._slot(item, place) for item in node.items if not has_driver(item)]
            feeds = [item for item in node.items if has_driver(item)]
            if len(feeds) > 1:
                return self._group(feeds, "series" if place == "series" else "parallel", slots)
            node = feeds[0]
        self.ways.append(
            Way(name=node.name, driver=node.driver, slots=tuple(slots), polarity=node.polarity)
        )
        return node.name

    def _group(self, feeds: Sequence[Node], joint: Joint, slots: Sequence[Slot]) -> str:
        taken = {group.name for group in self.groups}
        name = next(n for n in (f"shared{k}" for k in range(1, 1000)) if n not in taken)
        self.groups.append(Group(name=name, members=("",), joint=joint, slots=tuple(slots)))
        at = len(self.groups) - 1
        members = tuple(self.unfold(item) for item in feeds)
        self.groups[at] = Group(name=name, members=members, joint=joint, slots=tuple(slots))
        return name

    def _tap(self, node: Tap) -> Slot:
        """Place of a transformer; one without a name gets one that no part has."""
        form = f"{TAP}{say_gain(node.gain)}"
        return Slot(name=node.name or next(self.free), place="series", form=form, ranges=())

    def _slot(self, node: Node, place: Place) -> Slot:
        """Place of a part or of several joined."""
        leaves = part_leaves(node)
        known = [self.stated[leaf.name] for leaf in leaves]
        parts = [one.part for one in known if one.part is not None]
        if parts and len(parts) < len(leaves):
            raise self.entry.error(
                "of parts that are joined all stay or none", value=repr(render(node)),
                remedy="state a range for each of them, or keep each",
            )  # fmt: skip
        name, form, optional = self._describe(node, leaves)
        try:
            circuit = form_of(form, place)
        except InputError as error:
            raise self.entry.where.locate(error) from None
        return Slot(
            name=name,
            place=place,
            form=circuit.name,
            ranges=tuple(one.limits for one in known),
            optional=optional,
            kept=tuple(parts) or None,
            alterable=optional and bool(parts),
        )

    def _describe(self, node: Node, leaves: Sequence[PartLeaf]) -> tuple[str, str, bool]:
        """Name, form and whether it may be left out."""
        if isinstance(node, PartLeaf):
            return node.name, node.kind, node.optional
        if any(leaf.optional for leaf in leaves):
            raise self.entry.error(
                "parts that are joined are left out together", value=repr(render(node)),
                remedy='write for instance "B1: (R1 || C1)?"',
            )  # fmt: skip
        assert isinstance(node, Series | Parallel)
        joint = " + " if isinstance(node, Series) else " || "
        inside = [render(item) for item in node.items]
        text = joint.join(
            one if isinstance(item, PartLeaf) else f"({one})"
            for one, item in zip(inside, node.items, strict=True)
        )
        return node.place or "_".join(leaf.name for leaf in leaves), text, node.optional
