"""The language of passive networks: parts and drivers joined in series and in parallel.

A network is an expression. Its leaves are parts and drivers; `Series` and `Parallel` join them, and
`Tap` puts an ideal transformer in front of what follows. A ladder is such an expression (a coil in
series with a capacitor in parallel to the rest), the ways of a speaker are a parallel of
expressions, a series crossover is a series of them.

A node that is left out is the identity of its parent: a wire in a series, open in a parallel. A
group all of whose parts are left out is itself left out.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Literal, TypeVar

from optimizer.errors import InputError, Subject
from optimizer.parts import Kind, Part
from optimizer.text.units import db_to_ratio

Polarity = Literal["normal", "inverted", "free"]

_PLAIN = re.compile(r"[^\W\d]\w*(?:\.\w+)*")


class _Node:
    """What all nodes can do."""

    __slots__ = ()

    def __add__(self, other: Node) -> Series:
        return Series((*_items(self, Series), *_items(other, Series)))

    def __or__(self, other: Node) -> Parallel:
        return Parallel((*_items(self, Parallel), *_items(other, Parallel)))

    def __repr__(self) -> str:
        return f"<{render(self)}>"  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True, repr=False)
class PartLeaf(_Node):
    """Where one part sits.

    Parameters
    ----------
    kind : Kind
        What it is.
    name : str
        Unique in an expression ("L1", "tweeter.P1.Rs").
    place : str
        What is filled and emptied together with it ("P1" for both resistors of a pad); its own
        name when left out.
    optional : bool
        Whether its place may stay empty.
    low, high : float or None
        Allowed values, SI; None where nothing is to be chosen.
    part : Part or None
        The part that sits there.
    fixed : bool
        Whether that part stays.
    """

    kind: Kind
    name: str
    place: str = ""
    optional: bool = False
    low: float | None = None
    high: float | None = None
    part: Part | None = None
    fixed: bool = False

    def __post_init__(self) -> None:
        if not self.place:
            object.__setattr__(self, "place", self.name)
        if self.fixed and self.part is None:
            raise InputError(
                "a place that is kept as it is needs its part", subject=Subject("place", self.name)
            )
        if self.part is not None and self.part.kind != self.kind:
            raise InputError(
                f"this place is for a part of the kind {self.kind}",
                subject=Subject("place", self.name),
                value=self.part.kind,
            )


@dataclass(frozen=True, slots=True, repr=False)
class DriverLeaf(_Node):
    """Where a driver is connected.

    Parameters
    ----------
    driver : str
        Name of the driver.
    name : str
        Unique in an expression: the way, or which of two equal drivers; the driver's name when
        left out.
    polarity : {"normal", "inverted", "free"}
        How it is connected.
    """

    driver: str
    name: str = ""
    polarity: Polarity = "normal"

    def __post_init__(self) -> None:
        if not self.name:
            object.__setattr__(self, "name", self.driver)

    @property
    def sign(self) -> int:
        """-1 for an inverted driver, else 1."""
        return -1 if self.polarity == "inverted" else 1


@dataclass(frozen=True, slots=True, repr=False)
class _Group(_Node):
    """Nodes joined in one way.

    Parameters
    ----------
    items : tuple of Node
        At least one.
    place : str
        Name under which the group is filled and emptied as a whole; empty where it is not.
    optional : bool
        Whether it may be left out; then it has a name and holds no driver.
    """

    items: tuple[Node, ...]
    place: str = ""
    optional: bool = False

    def __post_init__(self) -> None:
        if not self.items:
            raise InputError(f"a {self.word} joins at least one thing")
        if self.optional and not self.place:
            raise InputError("an optional group needs a name", value=f"{self!r}")
        if self.optional and has_driver(self):
            raise InputError("what holds a driver cannot be left out", value=f"{self!r}")

    @property
    def word(self) -> str:
        """What it is called."""
        return type(self).__name__.lower()


@dataclass(frozen=True, slots=True, repr=False)
class Series(_Group):
    """One after the other: the same current through all, voltages add."""


@dataclass(frozen=True, slots=True, repr=False)
class Parallel(_Group):
    """Side by side: the same voltage across all, currents add."""


@dataclass(frozen=True, slots=True, repr=False)
class Tap(_Node):
    """An ideal transformer in front of a node, as of an autotransformer.

    Parameters
    ----------
    gain : float
        Volts after it over volts before it; positive, 0.5 or -6 dB.
    item : Node
        What follows.
    name : str
        What it is called ("A1"); empty where it has no name.

    Notes
    -----
    Magnetising inductance, wire and leakage of a real one are parts around it.
    """

    gain: float
    item: Node
    name: str = ""

    def __post_init__(self) -> None:
        if not (0.0 < self.gain < math.inf and 1.0 / self.gain < math.inf):
            raise InputError(
                "a tap needs the volts after it over those before it, above 0",
                value=self.gain,
                remedy="write for instance 0.5 or -6 dB",
            )

    @property
    def ratio(self) -> float:
        """Volts before it over volts after it: its turns as they are counted.

        The impedance of what follows appears ``ratio**2`` as large.
        """
        return 1.0 / self.gain


Node = PartLeaf | DriverLeaf | Series | Parallel | Tap
_Leaf = TypeVar("_Leaf", PartLeaf, DriverLeaf)


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceResistance:
    """What feeds a network: an ideal voltage behind two resistances.

    Parameters
    ----------
    output_ohm : float
        Output resistance of the amplifier.
    cable_ohm : float
        Both conductors of the cable together. The amplifier sees the cable as part of its load.
    """

    output_ohm: float = 0.0
    cable_ohm: float = 0.0

    def __post_init__(self) -> None:
        for part, ohm in (("output", self.output_ohm), ("cable", self.cable_ohm)):
            if not 0.0 <= ohm < float("inf"):
                raise InputError(
                    "a resistance is not negative",
                    subject=Subject("amplifier", part=part),
                    value=ohm,
                )

    @property
    def ohm(self) -> float:
        """Both together."""
        return self.output_ohm + self.cable_ohm


IDEAL = SourceResistance()


def _items(node: object, group: type[_Group]) -> tuple[Node, ...]:
    """Items that a node gives to a group of a kind: its own when it is one without a name."""
    if isinstance(node, group) and not node.place:
        return node.items
    return (node,)  # type: ignore[return-value]


def children(node: Node) -> tuple[Node, ...]:
    """Nodes right below a node."""
    if isinstance(node, _Group):
        return node.items
    return (node.item,) if isinstance(node, Tap) else ()


def render(node: Node) -> str:
    """Write an expression in the notation that `optimizer.network.expression.notation` reads.

    Parameters
    ----------
    node : Node
        What to write.

    Returns
    -------
    str
        ``L1 + (C1 || woofer)``. Ranges and parts are not written.
    """
    if isinstance(node, PartLeaf):
        return _quoted(node.name) + ("?" if node.optional else "")
    if isinstance(node, DriverLeaf):
        signs: dict[Polarity, str] = {"normal": "", "inverted": "-", "free": "±"}
        return signs[node.polarity] + _quoted(node.name)
    if isinstance(node, Tap):
        name = f"{_quoted(node.name)}: " if node.name else ""
        return f"{name}tap({say_gain(node.gain)}, {render(node.item)})"
    text = (" + " if isinstance(node, Series) else " || ").join(map(_inner, node.items))
    if not node.place:
        return text
    return f"{_quoted(node.place)}: ({text}){'?' if node.optional else ''}"


def say_gain(gain: float) -> str:
    """Write the gain of a tap so that reading it gives the same number: in dB where that is round.

    Parameters
    ----------
    gain : float
        Volts after it over volts before it.

    Returns
    -------
    str
        "-6 dB" or "0.5".
    """
    level = round(20.0 * math.log10(gain), 3)
    if level and db_to_ratio(level) == gain:
        return f"{level:.10g} dB"
    return repr(gain)


def _inner(node: Node) -> str:
    text = render(node)
    return f"({text})" if isinstance(node, Series | Parallel) and not node.place else text


def _quoted(name: str) -> str:
    return name if _PLAIN.fullmatch(name) and name != "tap" else f'"{name}"'


def walk_nodes(node: Node) -> Iterator[Node]:
    """Every node of an expression, each before those below it, source first."""
    yield node
    for child in children(node):
        yield from walk_nodes(child)


def part_leaves(node: Node) -> tuple[PartLeaf, ...]:
    """Places of parts, source first."""
    return tuple(n for n in walk_nodes(node) if isinstance(n, PartLeaf))


def driver_leaves(node: Node) -> tuple[DriverLeaf, ...]:
    """Drivers in the order in which they are written."""
    return tuple(n for n in walk_nodes(node) if isinstance(n, DriverLeaf))


def taps_of(node: Node) -> tuple[Tap, ...]:
    """Taps, source first."""
    return tuple(n for n in walk_nodes(node) if isinstance(n, Tap))


def has_driver(node: Node | _Group) -> bool:
    """Whether a node holds a driver."""
    return any(isinstance(n, DriverLeaf) for n in walk_nodes(node))  # type: ignore[arg-type]


def change(node: Node, leaf: Callable[[PartLeaf | DriverLeaf], Node | None]) -> Node | None:
    """Build an expression with other leaves.

    Parameters
    ----------
    node : Node
        The expression.
    leaf : callable
        What becomes of each leaf; None leaves it out.

    Returns
    -------
    Node or None
        None when nothing is left. Groups of one are gone, and so are groups within groups of
        their kind, unless they have a name.
    """
    if isinstance(node, PartLeaf | DriverLeaf):
        return leaf(node)
    if isinstance(node, Tap):
        item = change(node.item, leaf)
        return None if item is None else replace(node, item=item)
    items: list[Node] = []
    for child in node.items:
        changed = change(child, leaf)
        if changed is not None:
            items.extend(_items(changed, type(node)))
    if not items:
        return None
    if len(items) == 1 and not node.place:
        return items[0]
    return replace(node, items=tuple(items))


def name_leaves(leaves: tuple[_Leaf, ...]) -> dict[str, int]:
    """Index of each leaf by its name.

    Raises
    ------
    InputError
        When a name appears twice.
    """
    index: dict[str, int] = {}
    for leaf in leaves:
        if leaf.name in index:
            raise InputError("names are unique within a network", value=leaf.name)
        index[leaf.name] = len(index)
    return index
