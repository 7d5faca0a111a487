"""The search space: what each part may be, which slots may stay empty, which polarity is free."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from optimizer.arrays import Flags, Real
from optimizer.errors import InputError, Subject
from optimizer.goals.economy import NO_BOARD, option_costs
from optimizer.goals.goal import Goal
from optimizer.network.bank import Gene, LadderBank, Population
from optimizer.network.network import FittedSlot, Network, PartKey
from optimizer.network.rework import BoardPlace, place_on_board, work_of_emptying
from optimizer.network.topology import Topology
from optimizer.parts import KEPT, UNIT_OF_KIND, Part
from optimizer.problem.alternatives import Alternatives
from optimizer.problem.genome import Genome
from optimizer.problem.rules import Rules
from optimizer.problem.supply import Supply


@dataclass(frozen=True, slots=True, kw_only=True)
class GeneOptions:
    """Everything that one gene may be.

    Parameters
    ----------
    parts : tuple of Part, length O
        Sorted by value.
    values, loss_ohm, cost : ndarray, shape (O,)
        Value, series loss, and what choosing it adds to the cost (pieces, price).
    """

    parts: tuple[Part, ...]
    values: Real
    loss_ohm: Real
    cost: Real

    def find(self, part: Part) -> int | None:
        """Return which option a part is, None when it is none."""
        first, last = np.searchsorted(self.values, [part.value, np.nextafter(part.value, np.inf)])
        return next((k for k in range(int(first), int(last)) if self.parts[k] == part), None)


class Space:
    """Options of a topology.

    Parameters
    ----------
    topology : Topology
        Slots of all ways and groups.
    bank : LadderBank
        Supplies the order of genes and slots.
    options : sequence of GeneOptions
        One per gene.
    supply : Supply
        Counts that choices must respect.
    labour : float
        Cost of one operation at the iron where that puts no part in: taking parts off a board,
        closing the line with a wire, turning a driver round.
    absent_cost : ndarray, shape (K,), optional
        Cost of leaving each slot empty, where it is not that of such work.

    Attributes
    ----------
    emptying : ndarray, shape (K,)
        Operations of leaving each slot empty.
    """

    def __init__(
        self,
        topology: Topology,
        bank: LadderBank,
        options: Sequence[GeneOptions],
        supply: Supply,
        labour: float = 0.0,
        absent_cost: Real | None = None,
    ) -> None:
        self.topology = topology
        self.bank = bank
        self.genes: list[Gene] = bank.genes
        self.gene_slot = bank.gene_slot
        self.options = list(options)
        self.supply = supply
        self.slots = bank.slots
        self.free = bank.free
        self.free_genes = np.flatnonzero(bank.free)
        self.optional = np.array([s.optional for s in self.slots], dtype=bool)
        self.slot_genes = [np.flatnonzero(self.gene_slot == k) for k in range(len(self.slots))]
        ladders = topology.ladders
        self.labour = labour
        self.emptying: Real = np.array(
            [
                work_of_emptying(topology, ladders[at].name, slot)
                for at, slot in zip(bank.slot_ladder, self.slots, strict=True)
            ],
            dtype=np.float64,
        )
        self.absent_cost: Real = labour * self.emptying if absent_cost is None else absent_cost
        self.alternatives = Alternatives(
            topology.choices,
            [
                (ladders[at].name, s.name)
                for at, s in zip(bank.slot_ladder, self.slots, strict=True)
            ],
        )
        self.rules = Rules(
            supply, self.alternatives, self.gene_slot, [len(o.values) for o in self.options]
        )
        self.polarity_free = np.array([w.polarity == "free" for w in topology.ways], dtype=bool)
        # One overall sign cannot be heard or measured: the first way stays as it is when all float.
        if len(self.polarity_free) and self.polarity_free.all():
            self.polarity_free[0] = False
        self._soldered = np.array([float(w.soldered or 0) for w in topology.ways])
        self.polarity_start = np.array(
            [
                -1.0
                if w.polarity == "inverted"
                else float(w.soldered or 1)
                if w.polarity == "free"
                else 1.0
                for w in topology.ways
            ]
        )
        self._least_cost = np.array([o.cost.min() for o in self.options])
        self.log_low = np.log([o.values[0] for o in self.options])
        self.log_high = np.log([o.values[-1] for o in self.options])

    def size_log10(self) -> float:
        """Decimal logarithm of the number of networks in the space."""
        total = float(np.count_nonzero(self.polarity_free)) * np.log10(2.0)
        ways = [np.prod([float(len(self.options[g].values)) for g in gs]) for gs in self.slot_genes]
        for count in self.alternatives.counts(np.array(ways), self.optional):
            total += np.log10(count)
        return float(total)

    def structures(self) -> float:
        """Count the choices of filled slots and polarities."""
        counts = self.alternatives.counts(np.ones(len(self.slots)), self.optional)
        return float(np.prod([*counts, 2.0 ** np.count_nonzero(self.polarity_free)]))

    def population(self, genomes: Sequence[Genome]) -> Population:
        """Arrays of the chosen parts, leading axis P."""
        choice = np.array([g.choice for g in genomes])
        values = np.empty(choice.shape)
        loss = np.empty(choice.shape)
        for g, option in enumerate(self.options):
            values[:, g] = option.values[choice[:, g]]
            loss[:, g] = option.loss_ohm[choice[:, g]]
        return Population(
            values=values,
            loss_ohm=loss,
            present=np.array([g.present for g in genomes]),
            polarity=np.array([g.polarity for g in genomes]),
        )

    def log_values(self, genome: Genome) -> Real:
        """Logarithms of the chosen values, shape (G,)."""
        return np.log([o.values[c] for o, c in zip(self.options, genome.choice, strict=True)])

    def economies(self, genomes: Sequence[Genome]) -> Real:
        """Cost of the chosen parts themselves, shape (P,)."""
        choice = np.array([g.choice for g in genomes])
        filled = np.array([g.present for g in genomes])[:, self.gene_slot]
        cost = np.empty(choice.shape)
        for g, option in enumerate(self.options):
            cost[:, g] = option.cost[choice[:, g]]
        absent = ~np.array([g.present for g in genomes])
        turned = self.turned_cost(np.array([g.polarity for g in genomes]))
        return np.asarray((cost * filled).sum(axis=1) + absent @ self.absent_cost + turned)

    def economy(self, genome: Genome) -> float:
        """Cost of the chosen parts themselves."""
        return float(self.economies([genome])[0])

    def relaxed_economy(self, present: Flags, polarity: Real) -> Real:
        """Smallest cost of parts for filled slots and polarities, and of limits they break, (P,)."""
        filled = present[:, self.gene_slot]
        return np.asarray(
            (filled * self._least_cost).sum(axis=-1)
            + ~present @ self.absent_cost
            + self.turned_cost(polarity)
            + self.rules.least_penalties(filled)
        )

    def above_board(self, genome: Genome) -> float:
        """Cost of what a network changes at the filled places of a board.

        Left out of `relaxed_economy`, for which every place of a board may hold its part for nothing.
        """
        return float(
            sum(
                self.options[g].cost[genome.choice[g]] - self._least_cost[g]
                for g, gene in enumerate(self.genes)
                if gene.original is not None and genome.present[gene.slot]
            )
        )

    def turned(self, polarity: Real) -> Real:
        """Count the drivers that are connected otherwise than on the board, shape (...,)."""
        return np.asarray((polarity * self._soldered < 0.0).sum(axis=-1), dtype=np.float64)

    def turned_cost(self, polarity: Real) -> Real:
        """Cost of turning drivers round, shape (...,)."""
        return self.labour * self.turned(polarity)

    def board_place(self, g: int) -> BoardPlace:
        """Say what a board has where a gene's part sits."""
        gene = self.genes[g]
        return place_on_board(self.topology, self.slots[gene.slot], gene.part)

    def board(self) -> Genome | None:
        """Return the network of the parts on the board; None when it holds too few."""
        kept = np.array([s.kept is not None for s in self.slots], dtype=bool)
        present = self.alternatives.kept(kept) if self.alternatives else kept
        if present is None or not (present.any() and (present | self.optional).all()):
            return None
        choice = np.array(
            [next((k for k, p in enumerate(o.parts) if p.origin == KEPT), 0) for o in self.options],
            dtype=np.intp,
        )
        return Genome(choice=choice, present=present, polarity=self.polarity_start.copy())

    def frugal(self) -> Genome:
        """Return the network that takes least of what is limited: where nothing fits it is near."""
        empty = np.zeros(len(self.slots))
        present = self.alternatives.settle(~self.optional, empty)
        return Genome(
            choice=self.supply.frugal(), present=present, polarity=self.polarity_start.copy()
        )

    def snap(self, log_values: Real, present: Flags, polarity: Real) -> Genome:
        """Take the nearest option, in log value, of every gene.

        Parameters
        ----------
        log_values : ndarray, shape (G,)
        present : ndarray of bool, shape (K,)
        polarity : ndarray, shape (W,)
        """
        choice = np.array(
            [
                int(np.argmin(np.abs(np.log(o.values) - v)))
                for o, v in zip(self.options, log_values, strict=True)
            ],
            dtype=np.intp,
        )
        return Genome(choice=choice, present=present.copy(), polarity=polarity.copy())

    def locate(self, network: Network) -> Genome:
        """Find a network among those of the space.

        Parameters
        ----------
        network : Network
            With the ways of the topology; each of its slots and parts must be one of the space's.

        Returns
        -------
        Genome

        Raises
        ------
        LookupError
            When the space does not hold it.
        """
        own = network.places
        choice = np.zeros(len(self.genes), dtype=np.intp)
        present = np.zeros(len(self.slots), dtype=bool)
        for g, gene in enumerate(self.genes):
            part = own.pop(self.place(g), None)
            if part is not None:
                row = self.options[g].find(part)
                if row is None:
                    raise LookupError(f"{self.label(g)} cannot be {part}")
                choice[g] = row
                present[gene.slot] = True
        if own or not (present | self.optional).all():
            raise LookupError(f"the space has no network with {sorted(own)}")
        if not self.alternatives.fits(present):
            raise LookupError("the space has no network of several alternatives")
        polarity = np.array([float(way.polarity) for way in network.ways])
        return Genome(choice=choice, present=present, polarity=polarity)

    def part(self, genome: Genome, g: int) -> Part | None:
        """Part of a gene in a network; None where its slot is empty."""
        if not genome.present[self.gene_slot[g]]:
            return None
        return self.options[g].parts[int(genome.choice[g])]

    def place(self, g: int) -> PartKey:
        """Where a gene's part sits in a network."""
        gene = self.genes[g]
        ladder = self.topology.ladders[gene.ladder]
        return ladder.name, self.slots[gene.slot].name, gene.part

    def label(self, g: int) -> str:
        """Name of a gene as reports give it: "tweeter.P1.Rs"."""
        return f"{self.topology.ladders[self.genes[g].ladder].name}.{self.genes[g].name}"

    def find(self, label: str) -> int | None:
        """Gene of a label as given by `label`; None when there is none."""
        return next((g for g in range(len(self.genes)) if self.label(g) == label), None)

    def priced(self, costs: Sequence[Real], absent_cost: Real) -> Space:
        """Return the space with other costs of its options.

        Parameters
        ----------
        costs : sequence of ndarray, one (O,) per gene
        absent_cost : ndarray, shape (K,)
            Cost of leaving each slot empty.
        """
        return Space(
            self.topology,
            self.bank,
            [replace(o, cost=c) for o, c in zip(self.options, costs, strict=True)],
            self.supply,
            absent_cost=absent_cost,
        )

    def network(self, genome: Genome) -> Network:
        """Build the network that a genome stands for."""
        filled: dict[str, tuple[FittedSlot, ...]] = {}
        k = 0
        for ladder in self.topology.ladders:
            fitted = []
            for slot in ladder.slots:
                if not slot.kinds:
                    fitted.append(slot.fill(()))
                    continue
                if genome.present[k]:
                    parts = tuple(
                        self.options[g].parts[genome.choice[g]] for g in self.slot_genes[k]
                    )
                    fitted.append(slot.fill(parts))
                k += 1
            filled[ladder.name] = tuple(fitted)
        signs: dict[str, Literal[1, -1]] = {
            way.name: 1 if sign > 0 else -1
            for way, sign in zip(self.topology.ways, genome.polarity, strict=True)
        }
        return self.topology.fill(filled, signs)


def gene_options(
    gene: Gene,
    parts: Sequence[Part],
    goals: Mapping[str, Goal],
    ladder: str,
    place: BoardPlace = NO_BOARD,
) -> GeneOptions:
    """Arrange the parts that a gene may be.

    Parameters
    ----------
    gene : Gene
        The gene.
    parts : sequence of Part
        What it may be, sorted by value.
    goals : mapping of str to Goal
        Those on pieces, price and copper give each option its cost.
    ladder : str
        Name of its way or group, for the message.
    place : BoardPlace, optional
        What is on the board there.

    Returns
    -------
    GeneOptions

    Raises
    ------
    InputError
        When nothing is offered.
    """
    if not parts:
        raise InputError(
            f"the stock must hold a {gene.kind} for the slot",
            subject=Subject("slot", f"{ladder}.{gene.name}"),
            value=f"range {gene.low:g} to {gene.high:g} {UNIT_OF_KIND[gene.kind]}",
            remedy="widen the range or choose a finer series",
        )
    return GeneOptions(
        parts=tuple(parts),
        values=np.array([p.value for p in parts]),
        loss_ohm=np.array([p.loss_ohm for p in parts]),
        cost=(np.zeros(1) if gene.kept is not None else option_costs(goals, parts, place)),
    )
