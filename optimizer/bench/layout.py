"""A network on the bench: itself as the present point of a space of everything one could change.

The slots are those of the network, whatever they are, and the empty optional ones of the design.
Every part may become what the stock offers for its place, and may always stay what it is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.acoustics.curves import Field
from optimizer.goals.prepared import PreparedGoal
from optimizer.network.bank import Gene, LadderBank
from optimizer.network.ladder import FittedSlot, FittedWay, Network, Slot, Topology, ValueRange, Way
from optimizer.parts import Part
from optimizer.problem.problem import Evaluator, Problem
from optimizer.problem.space import GeneOptions, Genome, Space, gene_options

REACH = 4.0
"""How far the value of a part that the design does not know may move, as a factor either way."""

PartKey = tuple[str, str, int]
"""Way, slot and part within the slot."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """A network with everything it may be changed to.

    Parameters
    ----------
    problem : Problem
        Drivers, stock, goals.
    network : Network
        As it stands.
    bank : LadderBank
        Its slots and the empty ones of the design on the problem's grid.
    space : Space
        What each part may become.
    genome : Genome
        The network as a point of the space.
    """

    problem: Problem
    network: Network
    bank: LadderBank
    space: Space
    genome: Genome

    def evaluator(self, curve_names: Sequence[str], goals: Sequence[PreparedGoal]) -> Evaluator:
        """Evaluate networks of the space for goals on some of the problem's named curves."""
        field = self.problem.report_field
        weights = field.weights[[field.index[name] for name in curve_names]]
        return Evaluator(self.bank, Field(curve_names, field.pressure, weights), goals)

    def gene_label(self, g: int) -> str:
        """Name of a part as reports give it: "tweeter.P1.Rs"."""
        gene = self.space.genes[g]
        return f"{self.bank.topology.ways[gene.way].name}.{gene.name}"

    def find_gene(self, label: str) -> int | None:
        """Gene of a label as given by `gene_label`; None when there is none."""
        labels = [self.gene_label(g) for g in range(len(self.space.genes))]
        return labels.index(label) if label in labels else None

    def part(self, genome: Genome, g: int) -> Part | None:
        """Part of a gene in a genome; None where its slot is empty."""
        if not genome.present[self.space.gene_slot[g]]:
            return None
        chosen: Part = self.space.options[g].parts[int(genome.choice[g])]
        return chosen


def lay_out(
    problem: Problem, network: Network, *, extra: Mapping[PartKey, Part] | None = None
) -> Bench:
    """Lay a network out on the bench.

    Parameters
    ----------
    problem : Problem
        Drivers, stock, goals.
    network : Network
        Any network with the problem's ways.
    extra : mapping of PartKey to Part, optional
        Parts at hand that are offered in one place besides those of the stock.

    Returns
    -------
    Bench

    Raises
    ------
    InputError
        When the stock holds nothing a goal on prices could count with.
    """
    ways = []
    for way, fitted in zip(problem.topology.ways, network.ways, strict=True):
        slots = [_free_slot(way, slot) for slot in fitted.slots]
        ways.append(
            replace(
                way,
                slots=_add_empty(way, slots),
                polarity="normal" if fitted.polarity > 0 else "inverted",
            )
        )
    topology = Topology(ways=tuple(ways))
    loads = [1.0 / y for y in problem.evaluator.bank.load_admittance]
    bank = LadderBank(topology, problem.frequency_hz, loads)
    own = {
        (way.name, slot.name, i): part
        for way in network.ways
        for slot in way.slots
        for i, part in enumerate(slot.parts)
    }
    options, choice = [], []
    for gene in bank.genes:
        way_name, slot = topology.ways[gene.way].name, bank.slots[gene.slot]
        key = (way_name, slot.name, gene.part)
        found, at = _options(problem, gene, way_name, own.get(key), (extra or {}).get(key))
        options.append(found)
        choice.append(at)
    space = Space(topology, bank, options)
    filled = {(way.name, slot.name) for way in network.ways for slot in way.slots}
    genome = Genome(
        choice=np.array(choice, dtype=np.intp),
        present=np.array(
            [
                (topology.ways[w].name, slot.name) in filled
                for w, slot in zip(bank.slot_way, bank.slots, strict=True)
            ],
            dtype=bool,
        ),
        polarity=np.array([float(way.polarity) for way in network.ways]),
    )
    return Bench(problem=problem, network=network, bank=bank, space=space, genome=genome)


def _free_slot(way: Way, fitted: FittedSlot) -> Slot:
    """Slot of the design that a filled slot sits in, or one of its own."""
    known = next(
        (
            slot
            for slot in way.slots
            if (slot.name, slot.place, slot.form) == (fitted.name, fitted.place, fitted.form)
        ),
        None,
    )
    if known is not None and (not known.fixed or known.kept == fitted.parts):
        return known
    on_board = all(part.origin == "kept" for part in fitted.parts)
    return Slot(
        name=fitted.name,
        place=fitted.place,
        form=fitted.form,
        ranges=tuple(
            ValueRange(low=part.value / REACH, high=part.value * REACH) for part in fitted.parts
        ),
        kept=fitted.parts if on_board else None,
    )


def _add_empty(way: Way, slots: list[Slot]) -> tuple[Slot, ...]:
    """Add the optional slots of the design that are empty, each after its neighbour there."""
    out = list(slots)
    after = 0
    for slot in way.slots:
        names = [s.name for s in out]
        if slot.name in names:
            after = names.index(slot.name) + 1
        elif slot.optional:
            out.insert(after, slot)
            after += 1
    return tuple(out)


def _options(
    problem: Problem, gene: Gene, way: str, own: Part | None, extra: Part | None
) -> tuple[GeneOptions, int]:
    """Everything a part may become, and where it stands among that."""
    if gene.kept is not None:
        return gene_options(gene, (), problem.specs, way), 0
    offered = list(problem.stock.options(gene.kind, gene.low, gene.high))
    for part in (own, extra):
        if part is not None and part not in offered:
            offered.append(part)
    offered.sort(key=lambda part: part.value)
    options = gene_options(gene, offered, problem.specs, way)
    return options, 0 if own is None else offered.index(own)


def change_network(network: Network, changes: Mapping[PartKey, Part]) -> Network:
    """Return a network with some of its parts replaced.

    Parameters
    ----------
    network : Network
        The network.
    changes : mapping of PartKey to Part
        Only parts that the network has.
    """
    ways: list[FittedWay] = []
    for way in network.ways:
        slots = tuple(
            replace(
                slot,
                parts=tuple(
                    changes.get((way.name, slot.name, i), part) for i, part in enumerate(slot.parts)
                ),
            )
            for slot in way.slots
        )
        ways.append(replace(way, slots=slots))
    return Network(ways=tuple(ways))
