"""A topology compiled for whole populations: values in, transfers, admittances and slopes out.

The circuit is an expression and solved as one, see `optimizer.network.expression`. Here slots and
genes are numbered as its places and parts are.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Complex, Index, Real
from optimizer.errors import InputError, Subject
from optimizer.network.expression.bank import Bank, Solution, SolutionSlopes, loss_slopes
from optimizer.network.expression.bank import LossLaw as LossLaw
from optimizer.network.expression.bank import LossLaws as LossLaws
from optimizer.network.expression.ladders import from_topology
from optimizer.network.expression.plan import NetworkPlan
from optimizer.network.expression.plan import Population as Population
from optimizer.network.topology import Group, Slot, Topology, Way
from optimizer.parts import NO_TERMS, Kind, Part, Terms


@dataclass(frozen=True, slots=True, kw_only=True)
class Gene:
    """One part of one slot: the unit in which a search thinks.

    Parameters
    ----------
    name : str
        "L1" for a single part, "N1.L" inside a compound, "P1.Rs" and "P1.Rp" for a pad.
    ladder, slot, part : int
        Index of the ladder among `Topology.ladders`, of the slot among all slots of the topology,
        of the part in its slot.
    kind : Kind
        What it is.
    low, high : float
        Allowed values, SI.
    kept : Part or None
        The part that stays on the board; such a gene is never changed.
    original : Part or None
        The part on the board that may stay or be replaced.
    terms : Terms
        What another part must keep.
    """

    name: str
    ladder: int
    slot: int
    part: int
    kind: Kind
    low: float
    high: float
    kept: Part | None = None
    original: Part | None = None
    terms: Terms = NO_TERMS


class LadderBank:
    """A topology on a frequency grid with its loads, ready to be solved many times.

    Parameters
    ----------
    topology : Topology
        Slots of all ways and groups.
    frequency_hz : ndarray, shape (F,)
        Grid in Hz.
    load_ohm : sequence of ndarray (F,), one per way
        Impedance of the driver of each way; ways of one driver have the same.

    Attributes
    ----------
    solver : Bank
        The ladders as an expression: its parts are the genes, its places the slots that hold
        parts, its drivers the ways, all in the same order.
    way_of_ladder : list of int
        The way of each ladder; of a group the first one that is behind it.
    """

    def __init__(self, topology: Topology, frequency_hz: Real, load_ohm: Sequence[Complex]) -> None:
        self.topology = topology
        self.slots: list[Slot] = []
        self.slot_ladder: list[int] = []
        self.genes: list[Gene] = []
        for at, ladder in enumerate(topology.ladders):
            seen: set[str] = set()
            for slot in ladder.slots:
                if slot.name in seen:
                    noun = "way" if isinstance(ladder, Way) else "group"
                    raise InputError(
                        f"slot names are unique within a {noun}",
                        subject=Subject(noun, ladder.name),
                        value=slot.name,
                    )
                seen.add(slot.name)
                if not slot.kinds:
                    continue
                k = len(self.slots)
                self.slots.append(slot)
                self.slot_ladder.append(at)
                for i, kind in enumerate(slot.kinds):
                    kept = slot.kept[i] if slot.kept and slot.fixed else None
                    original = slot.kept[i] if slot.kept and not slot.fixed else None
                    low, high = (
                        (kept.value, kept.value)
                        if kept
                        else (slot.ranges[i].low, slot.ranges[i].high)
                    )
                    self.genes.append(
                        Gene(
                            name=slot.labels[i],
                            ladder=at,
                            slot=k,
                            part=i,
                            kind=kind,
                            low=low,
                            high=high,
                            kept=kept,
                            original=original,
                            terms=slot.terms,
                        )
                    )
        number = {way.name: w for w, way in enumerate(topology.ways)}
        for group in reversed([x for x in topology.ladders if isinstance(x, Group)]):
            number[group.name] = number[group.members[0]]
        self.way_of_ladder = [number[ladder.name] for ladder in topology.ladders]
        self.gene_slot = np.array([g.slot for g in self.genes], dtype=np.intp)
        self.free = np.array([g.kept is None for g in self.genes], dtype=bool)
        drivers = (way.driver for way in topology.ways)
        self.solver = Bank(
            NetworkPlan(from_topology(topology), [way.name for way in topology.ways]),
            frequency_hz,
            dict(zip(drivers, load_ohm, strict=True)),
            topology.source,
        )

    @property
    def frequency_hz(self) -> Real:
        """Grid in Hz, shape (F,)."""
        return self.solver.frequency_hz

    @property
    def omega(self) -> Real:
        """Angular frequency in rad/s, shape (F,)."""
        return self.solver.omega

    def thinned(self, index: Index) -> LadderBank:
        """Return the same bank on a subset of its frequencies.

        Parameters
        ----------
        index : ndarray of int
            Grid points to keep.
        """
        thin = copy(self)
        thin.solver = self.solver.thinned(index)
        return thin

    def solve(self, population: Population) -> Solution:
        """Solve every network of a population.

        Parameters
        ----------
        population : Population
            Leading axes of any shape.

        Returns
        -------
        Solution
            Transfers of the ways, in their order.
        """
        return self.solver.solve(population)

    def solve_with_tangents(
        self, population: Population, loss_laws: LossLaws
    ) -> tuple[Solution, SolutionSlopes]:
        """Solve a population and differentiate it with respect to log values.

        Parameters
        ----------
        population : Population
            Leading axis P only.
        loss_laws : mapping of kind, or of gene, to callable
            Smooth loss in ohm as a function of value; losses follow it while values move.

        Returns
        -------
        Solution, SolutionSlopes
        """
        slopes = loss_slopes(loss_laws, self.solver.cells.kinds, population.values)
        return self.solver.solve_with_slopes(population, slopes)
