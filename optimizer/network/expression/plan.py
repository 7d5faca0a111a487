"""An expression compiled: leaves, places and drivers numbered, drivers hung on spines.

A *spine* runs from a driver, or from a junction of several spines, towards the source. On it two
numbers are carried, a voltage and a current: a series step adds ``z i`` to the voltage, a parallel
step adds ``y v`` to the current, a tap scales both. Nothing is divided on a spine, so a ladder is
walked as ladders always were. Only a *junction* (a series or parallel group with several
driver-holding items) divides, once for each of its spines.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from optimizer.arrays import Flags, Index, Real
from optimizer.errors import InputError, Subject
from optimizer.network.expression.nodes import (
    DriverLeaf,
    Node,
    PartLeaf,
    Series,
    Tap,
    driver_leaves,
    has_driver,
    name_leaves,
    part_leaves,
)

Joint = Literal["series", "parallel"]


@dataclass(frozen=True, slots=True, eq=False)
class PartsBranch:
    """An expression of parts that hangs on a step.

    Parameters
    ----------
    kind : {"part", "series", "parallel", "tap"}
        What it is.
    leaves : tuple of int
        All its parts, by number, source first.
    items : tuple of PartsBranch
        What it is made of.
    ratio : float
        Of a tap.
    """

    kind: Literal["part", "series", "parallel", "tap"]
    leaves: tuple[int, ...]
    items: tuple[PartsBranch, ...] = ()
    ratio: float = 1.0

    def numbered(self, numbers: Mapping[int, int]) -> PartsBranch:
        """Return the branch with other numbers of its parts.

        Parameters
        ----------
        numbers : mapping of int to int
            New number of each part by its old one.
        """
        return replace(
            self,
            leaves=tuple(numbers[g] for g in self.leaves),
            items=tuple(item.numbered(numbers) for item in self.items),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """One step of a spine.

    Parameters
    ----------
    index : int
        Number among all steps.
    kind : {"series", "parallel", "tap"}
        Whether it adds to the voltage, to the current, or scales both.
    branches : tuple of PartsBranch
        What is added; none for a tap.
    below : tuple of int
        Drivers that hang below it.
    ratio : float
        Of a tap.
    tap : Tap or None
        The tap itself.
    """

    index: int
    kind: Literal["series", "parallel", "tap"]
    branches: tuple[PartsBranch, ...]
    below: tuple[int, ...]
    ratio: float = 1.0
    tap: Tap | None = None

    @property
    def leaves(self) -> tuple[int, ...]:
        """Its parts, by number."""
        return tuple(g for b in self.branches for g in b.leaves)


@dataclass(frozen=True, slots=True, eq=False)
class Junction:
    """Where several spines meet.

    Parameters
    ----------
    index : int
        Number among all junctions.
    kind : {"series", "parallel"}
        How they are joined.
    spines : tuple of Spine
        At least two.
    """

    index: int
    kind: Joint
    spines: tuple[Spine, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Spine:
    """Steps from the source to a foot.

    Parameters
    ----------
    steps : tuple of Step
        Source first.
    foot : int or Junction
        The driver, by number, or the junction it ends at.
    drivers : tuple of int
        Drivers at its foot and below.
    """

    steps: tuple[Step, ...]
    foot: int | Junction
    drivers: tuple[int, ...]

    def upward(self) -> Iterator[Step]:
        """Yield the steps of the spine and of all below it, as they are met on the way up."""
        if isinstance(self.foot, Junction):
            for spine in self.foot.spines:
                yield from spine.upward()
        yield from reversed(self.steps)


@dataclass(frozen=True, slots=True, kw_only=True)
class Port:
    """A branch as a whole: what one number per frequency describes.

    Parameters
    ----------
    step : Step
        Where it hangs; the number is an impedance in a series step, else an admittance.
    branch : PartsBranch
        What hangs there.
    spines : tuple of int
        Numbers of the spines from the root down to its own.
    junctions : tuple of Junction
        Junctions between them.
    """

    step: Step
    branch: PartsBranch
    spines: tuple[int, ...]
    junctions: tuple[Junction, ...]


class NetworkPlan:
    """A compiled expression.

    Parameters
    ----------
    node : Node
        The expression, with at least one driver.
    drivers : sequence of str, optional
        Names of the driver leaves in the order of all results.

    Attributes
    ----------
    leaves : tuple of PartLeaf, length G
        Source first.
    drivers : tuple of DriverLeaf, length W
        In the order stated, else in that in which they are written.
    places : tuple of str, length K
        Every place, also of groups, in the order of its first part.
    optional : ndarray of bool, shape (K,)
        Whether it may be left out.
    leaf_place : ndarray of int, shape (G,)
        Place of each part.
    needs : tuple of tuple of int, length G
        Places that are all filled when a part is there: its own and those of groups around it.
    root : Spine
        The spine at the source.
    steps : tuple of Step
        By number.
    ports : tuple of Port
        Every branch of every step, in the order of the parts.
    port_of_leaf : ndarray of int, shape (G,)
        The port that a part belongs to.
    path : list of tuple of int, length W
        Numbers of the spines from the root down to each driver.
    partings : tuple of dict
        For each port where the ways to it and to drivers part that do not hang below it, and these.

    Raises
    ------
    InputError
        When there is no driver, a name appears twice, or parts of one place are partly optional.
    """

    def __init__(self, node: Node, drivers: Sequence[str] | None = None) -> None:
        self.node = node
        self.leaves: tuple[PartLeaf, ...] = part_leaves(node)
        self.drivers: tuple[DriverLeaf, ...] = driver_leaves(node)
        if drivers is not None:
            self.drivers = tuple(sorted(self.drivers, key=lambda leaf: drivers.index(leaf.name)))
        if not self.drivers:
            raise InputError("a network holds a driver", value=f"{node!r}")
        self.leaf_index = name_leaves(self.leaves)
        self.driver_index = name_leaves(self.drivers)
        self._number_places()
        self.steps: tuple[Step, ...] = ()
        self.spines: tuple[Spine, ...] = ()
        self._junctions = 0
        self.root = self._spine(node)
        self.ports: tuple[Port, ...] = tuple(
            sorted(self._ports(self.root, (), ()), key=lambda port: port.branch.leaves)
        )
        self.path: list[tuple[int, ...]] = [()] * len(self.drivers)
        self._trace(self.root, ())
        self.partings = tuple(map(self._part, self.ports))
        self.port_of_leaf: Index = np.zeros(len(self.leaves), dtype=np.intp)
        for p, port in enumerate(self.ports):
            self.port_of_leaf[list(port.branch.leaves)] = p

    def _number_places(self) -> None:
        places: dict[str, bool] = {}
        needs: list[tuple[int, ...]] = []

        def number(name: str, optional: bool) -> int:
            if places.setdefault(name, optional) != optional:
                raise InputError(
                    "parts of one place are left out together: all of them are optional or none",
                    subject=Subject("place", name),
                )
            return list(places).index(name)

        def visit(node: Node, around: tuple[int, ...]) -> None:
            if isinstance(node, PartLeaf):
                own = number(node.place, node.optional)
                needs.append(around if own in around else (*around, own))
            elif isinstance(node, Tap):
                visit(node.item, around)
            elif not isinstance(node, DriverLeaf):
                if node.optional:
                    around = (*around, number(node.place, True))
                for item in node.items:
                    visit(item, around)

        visit(self.node, ())
        self.places = tuple(places)
        self.optional: Flags = np.array(list(places.values()), dtype=bool)
        self.needs = tuple(needs)
        self.leaf_place: Index = np.array([n[-1] for n in needs], dtype=np.intp)

    def mask(self, present: Flags) -> Flags:
        """Whether each part is there, shape (..., G).

        Parameters
        ----------
        present : ndarray of bool, shape (..., K)
            Whether each place is filled.
        """
        out = present[..., self.leaf_place]
        for g, needs in enumerate(self.needs):
            for k in needs[:-1]:
                out[..., g] &= present[..., k]
        return out

    def _step(
        self,
        kind: Literal["series", "parallel", "tap"],
        branches: tuple[PartsBranch, ...],
        below: tuple[int, ...],
        tap: Tap | None = None,
    ) -> Step:
        ratio = 1.0 if tap is None else tap.ratio
        step = Step(len(self.steps), kind, branches, below, ratio, tap)
        self.steps += (step,)
        return step

    def _spine(self, node: Node) -> Spine:
        steps: list[Step] = []
        below = tuple(self.driver_index[d.name] for d in driver_leaves(node))
        foot: int | Junction | None = None
        while foot is None:
            if isinstance(node, DriverLeaf):
                foot = self.driver_index[node.name]
            elif isinstance(node, Tap):
                steps.append(self._step("tap", (), below, node))
                node = node.item
            else:
                assert not isinstance(node, PartLeaf)
                kind: Joint = "series" if isinstance(node, Series) else "parallel"
                parts, loads = _flat(node)
                branches = tuple(b for p in parts for b in self._flat_branches(p, kind))
                if branches and steps and steps[-1].kind == kind:
                    last = steps.pop()
                    self.steps = self.steps[:-1]
                    branches = last.branches + branches
                if branches:
                    steps.append(self._step(kind, branches, below))
                if len(loads) > 1:
                    self._junctions += 1
                    foot = Junction(
                        self._junctions - 1, kind, tuple(self._spine(load) for load in loads)
                    )
                else:
                    node = loads[0]
        spine = Spine(tuple(steps), foot, below)
        self.spines += (spine,)
        return spine

    def _flat_branches(self, node: Node, kind: Joint) -> tuple[PartsBranch, ...]:
        branch = _branch(node, self.leaf_index)
        return branch.items if branch.kind == kind else (branch,)

    def _trace(self, spine: Spine, path: tuple[int, ...]) -> None:
        path = (*path, self.spines.index(spine))
        if isinstance(spine.foot, int):
            self.path[spine.foot] = path
        else:
            for below in spine.foot.spines:
                self._trace(below, path)

    def _part(self, port: Port) -> dict[Step | Junction, list[int]]:
        found: dict[Step | Junction, list[int]] = {}
        for w, path in enumerate(self.path):
            if w not in port.step.below:
                found.setdefault(part_ways(port, path, None), []).append(w)
        return found

    def _ports(
        self, spine: Spine, spines: tuple[int, ...], junctions: tuple[Junction, ...]
    ) -> Iterator[Port]:
        spines = (*spines, self.spines.index(spine))
        for step in spine.steps:
            for branch in step.branches:
                yield Port(step=step, branch=branch, spines=spines, junctions=junctions)
        if isinstance(spine.foot, Junction):
            for below in spine.foot.spines:
                yield from self._ports(below, spines, (*junctions, spine.foot))


def part_ways(port: Port, spines: tuple[int, ...], step: Step | None) -> Step | Junction:
    """Say where the ways to a port and to another port or driver part.

    Parameters
    ----------
    port : Port
        The one.
    spines : tuple of int
        Numbers of the spines from the root down to the other.
    step : Step or None
        Where the other hangs; None for a driver.
    """
    shared = 0
    for a, b in zip(port.spines, spines, strict=False):
        if a != b:
            return port.junctions[shared - 1]
        shared += 1
    if len(spines) > shared or step is None:
        return port.step
    if len(port.spines) > shared:
        return step
    return min(port.step, step, key=lambda s: s.index)


def _branch(node: Node, index: Mapping[str, int]) -> PartsBranch:
    if isinstance(node, PartLeaf):
        return PartsBranch("part", (index[node.name],))
    if isinstance(node, Tap):
        item = _branch(node.item, index)
        return PartsBranch("tap", item.leaves, (item,), node.ratio)
    assert not isinstance(node, DriverLeaf)
    kind: Joint = "series" if isinstance(node, Series) else "parallel"
    items: list[PartsBranch] = []
    for child in node.items:
        item = _branch(child, index)
        # Groups in groups of their kind add nothing: what is left out is known by the part.
        items.extend(item.items if item.kind == kind else (item,))
    if len(items) == 1:
        return items[0]
    return PartsBranch(kind, tuple(g for b in items for g in b.leaves), tuple(items))


def _flat(node: Node) -> tuple[list[Node], list[Node]]:
    """Items of a group, those with drivers apart; groups in groups of their kind are opened."""
    parts: list[Node] = []
    loads: list[Node] = []
    for item in node.items:  # type: ignore[union-attr]
        if not has_driver(item):
            parts.append(item)
        elif type(item) is type(node):
            inner, more = _flat(item)
            parts += inner
            loads += more
        else:
            loads.append(item)
    return parts, loads


@dataclass(frozen=True, slots=True, kw_only=True)
class Population:
    """Networks of one expression as arrays; leading axes broadcast against each other.

    Parameters
    ----------
    values, loss_ohm : ndarray, shape (..., G)
        Value (SI) and series loss of every part.
    present : ndarray of bool, shape (..., K)
        Whether each place is filled.
    polarity : ndarray, shape (..., W)
        1.0 or -1.0.
    """

    values: Real
    loss_ohm: Real
    present: Flags
    polarity: Real

    def __len__(self) -> int:
        return len(self.values)

    def __getitem__(self, index: Any) -> Population:
        return Population(
            values=self.values[index],
            loss_ohm=self.loss_ohm[index],
            present=self.present[index],
            polarity=self.polarity[index],
        )

    def flatten(self) -> tuple[tuple[int, ...], Population]:
        """Leading axes, and the same networks with one such axis."""
        fields = (self.values, self.loss_ohm, self.present, self.polarity)
        lead = self.values.shape[:-1]
        if len(lead) == 1 and all(x.shape[:-1] == lead for x in fields):
            return lead, self
        lead = np.broadcast_shapes(*(x.shape[:-1] for x in fields))
        count = math.prod(lead)

        def flat(x: NDArray[Any]) -> NDArray[Any]:
            return np.broadcast_to(x, (*lead, x.shape[-1])).reshape(count, x.shape[-1])

        values, loss, present, polarity = map(flat, fields)
        return lead, Population(values=values, loss_ohm=loss, present=present, polarity=polarity)
