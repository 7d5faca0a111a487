"""Random networks as series/parallel expressions, with values and loads to go with them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from optimizer.arrays import Complex, Real
from optimizer.network.equivalent import DriverEquivalent, Resonance
from optimizer.network.expression.nodes import (
    DriverLeaf,
    Node,
    Parallel,
    PartLeaf,
    Series,
    Tap,
    change,
)
from optimizer.network.expression.notation import parse
from optimizer.network.expression.plan import NetworkPlan, Population
from optimizer.parts import KINDS, Kind, Part

SPAN: dict[Kind, tuple[float, float]] = {
    "inductor": (1e-4, 1e-2),
    "capacitor": (1e-6, 1.5e-4),
    "resistor": (0.5, 47.0),
}
"""Values drawn, SI."""

LOSS: dict[Kind, float] = {"inductor": 0.3, "capacitor": 0.02, "resistor": 0.0}
"""Loss in ohm at the middle of the span; it grows with the square root of the value."""


def built(text: str, **values: float | tuple[float, float]) -> Node:
    """Make a network of an expression in words.

    Parameters
    ----------
    text : str
        See `optimizer.network.expression.notation`.
    **values : float or (float, float)
        Value, or value and loss in ohm, of each part by its name.

    Examples
    --------
    >>> built("L1 + (C1 || woofer)", L1=(1e-3, 0.2), C1=1e-5)
    <L1 + (C1 || woofer)>
    """

    def fill(leaf: PartLeaf | DriverLeaf) -> Node:
        if isinstance(leaf, DriverLeaf):
            return leaf
        stated = values[leaf.name]
        value, loss = stated if isinstance(stated, tuple) else (stated, 0.0)
        part = Part(kind=leaf.kind, value=value, loss_ohm=loss)
        return replace(leaf, part=part, fixed=True, optional=False)

    made = change(parse(text), fill)
    assert made is not None
    return made


def random_expression(
    rng: np.random.Generator, drivers: int, parts: int, *, taps: bool = True
) -> Node:
    """Draw an expression.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    drivers, parts : int
        How many of each; drivers are called d0, d1 and so on, parts L1, C2 and so on.
    taps : bool
        Whether transformers may occur.

    Returns
    -------
    Node
        With series and parallel junctions of drivers, nested groups, optional parts and groups,
        parts that share a place, and drivers of either polarity.
    """
    return _Draw(rng, taps).tree([f"d{i}" for i in range(drivers)], parts)


class _Draw:
    def __init__(self, rng: np.random.Generator, taps: bool) -> None:
        self.rng = rng
        self.taps = taps
        self.count = 0
        self.shared = 0

    def chance(self, share: float) -> bool:
        return bool(self.rng.random() < share)

    def part(self) -> Node:
        self.count += 1
        kind = KINDS[int(self.rng.integers(3))]
        name = f"{'LCR'[KINDS.index(kind)]}{self.count}"
        if self.chance(0.1):
            # Some parts share a place, wherever they sit.
            return PartLeaf(kind, name, place="together", optional=True)
        return PartLeaf(kind, name, optional=self.chance(0.3))

    def group(self, items: tuple[Node, ...], *, optional: bool = False) -> Node:
        kind = Series if self.chance(0.5) else Parallel
        if optional:
            self.shared += 1
            return kind(items, place=f"G{self.shared}", optional=True)
        return kind(items)

    def branch(self, parts: int) -> Node:
        if parts <= 1:
            return self.part()
        first = int(self.rng.integers(1, parts))
        items = (self.branch(first), self.branch(parts - first))
        node = self.group(items, optional=self.chance(0.2))
        return self.tap(node, 0.05)

    def tap(self, node: Node, share: float) -> Node:
        if self.taps and self.chance(share):
            return Tap(float(self.rng.uniform(0.5, 2.0)), node)
        return node

    def tree(self, drivers: list[str], parts: int) -> Node:
        if len(drivers) == 1:
            node: Node = DriverLeaf(
                drivers[0], polarity="inverted" if self.chance(0.5) else "normal"
            )
        else:
            cut = int(self.rng.integers(1, len(drivers)))
            first, second = (int(n) for n in self.rng.integers(0, parts // 2 + 1, 2))
            node = self.group((self.tree(drivers[:cut], first), self.tree(drivers[cut:], second)))
            parts -= first + second
        while parts > 0:
            own = min(parts, int(self.rng.integers(1, 4)))
            branch = self.branch(own)
            # What follows may be written before or after what it follows.
            items = (branch, node) if self.chance(0.8) else (node, branch)
            node = self.tap(self.group(items), 0.08)
            parts -= own
        return node


def random_loads(rng: np.random.Generator, drivers: int) -> dict[str, DriverEquivalent]:
    """Draw equivalent circuits for drivers d0, d1 and so on.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    drivers : int
        How many.

    Returns
    -------
    dict of str to DriverEquivalent
    """
    loads = {}
    for i in range(drivers):
        radian = 2.0 * np.pi * 10.0 ** rng.uniform(1.3, 3.0)
        r, q = float(rng.uniform(5.0, 60.0)), float(rng.uniform(0.5, 8.0))
        loads[f"d{i}"] = DriverEquivalent(
            re_ohm=float(rng.uniform(3.0, 7.0)),
            le_h=float(10.0 ** rng.uniform(-5.0, -3.0)),
            resonances=(
                Resonance(r_ohm=r, l_h=float(r / (radian * q)), c_f=float(q / (radian * r))),
            ),
        )
    return loads


def random_population(
    rng: np.random.Generator, plan: NetworkPlan, count: int, *, filled: float = 0.6
) -> tuple[Population, Real]:
    """Draw networks of an expression.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    plan : NetworkPlan
        The expression.
    count : int
        How many networks.
    filled : float
        Share of optional places that are filled.

    Returns
    -------
    Population
        Leading axis P.
    ndarray, shape (P, G)
        Derivative of each loss by log value, in ohm.
    """
    kinds = [leaf.kind for leaf in plan.leaves]
    low, high = (np.array([SPAN[k][end] for k in kinds]) for end in (0, 1))
    shape = (count, len(kinds))
    values = low * (high / low) ** rng.random(shape)
    loss = np.array([LOSS[k] for k in kinds]) * np.sqrt(values / np.sqrt(low * high))
    present = np.ones((count, len(plan.places)), dtype=bool)
    present[:, plan.optional] = rng.random((count, int(plan.optional.sum()))) < filled
    polarity = rng.choice([-1.0, 1.0], (count, len(plan.drivers)))
    population = Population(values=values, loss_ohm=loss, present=present, polarity=polarity)
    return population, 0.5 * loss


def impedances(loads: dict[str, DriverEquivalent], frequency_hz: Real) -> dict[str, Complex]:
    """Impedance of each load on a grid."""
    return {name: circuit.impedance(frequency_hz) for name, circuit in loads.items()}
