"""Drivers x topology x stock x goals: an immutable value, and everything derived from it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from functools import cached_property
from typing import Any

import numpy as np

from optimizer.acoustics.averages import Average, Reading, direction_averages, named_averages
from optimizer.acoustics.completion import complete_driver
from optimizer.acoustics.curves import Field
from optimizer.arrays import Complex, Real
from optimizer.errors import InputError, Subject
from optimizer.goals import CrossoverRange, GoalSet, PreparedGoal, Scene
from optimizer.goals.economy import labour_cost
from optimizer.goals.goal import Wanted
from optimizer.measure.curve import Direction
from optimizer.measure.driver import Driver
from optimizer.network.amplifier import Amplifier
from optimizer.network.bank import Gene, LadderBank, LossLaw, LossLaws
from optimizer.network.network import Network
from optimizer.network.rework import BoardPlace, place_on_board
from optimizer.network.topology import Topology
from optimizer.parts import BOARD, KEPT, KINDS, NO_TERMS, Kind, Part, Terms
from optimizer.problem.evaluator import Evaluator
from optimizer.problem.fingerprint import fingerprint
from optimizer.problem.genome import Genome
from optimizer.problem.landscape import Landscape
from optimizer.problem.limits import NO_LIMITS, NetworkLimits
from optimizer.problem.offers import (
    MOST_COMPARED,
    STEPS_COMPARED,
    count_pieces,
    merge_alike,
    spread_values,
)
from optimizer.problem.space import Space, gene_options
from optimizer.problem.supply import Supply
from optimizer.problem.tables import Tables
from optimizer.problem.ties import list_ties
from optimizer.stock.stock import Stock
from optimizer.text.brief import clip

BOUND_POINTS = (24,)
"""Grid points of the lower bounds by which changes are ruled out before they are computed."""

_SPREAD = (
    f"of places with more than {MOST_COMPARED} parts to choose from, {STEPS_COMPARED} were compared: "
    "the cheapest of every step in value"
)

_DERIVED = {
    "_of_way": {"drivers", "topology"},
    "averages": {"drivers", "topology", "mirror", "reading"},
    "single_directions": {"drivers", "topology"},
    "pressure": {"drivers", "topology", "mirror"},
    "bank": {"drivers", "topology"},
    "report_field": {"drivers", "topology", "mirror", "reading"},
    "offers": {"drivers", "topology", "stock", "built"},
    "supply": {"drivers", "topology", "stock", "built", "limits"},
    "loss_laws": {"drivers", "topology", "stock"},
}
"""What may be shared with a changed copy, and the fields each follows from.

Everything else that is derived follows from the goals too, and is never handed on.
"""


@dataclass(frozen=True, init=False, eq=False, repr=False)
class Problem:
    """What is searched: drivers, topology, stock and goals. A value: nothing in it changes.

    Arrays that follow from it are computed when first needed, stay with the instance, and are not
    pickled. `replace` gives another problem.

    Parameters
    ----------
    title : str
        The speaker.
    drivers : tuple of Driver
        On one grid with the same directions.
    topology : Topology
        Ways name their drivers.
    stock : Stock
        What may fill a slot.
    goals : GoalSet, or mapping of str to Goal, mapping or float
        What is wanted, see `GoalSet.stated`.
    mirror : bool
        Whether the user states left-right symmetry.
    reading : {"pooled", "bounces"}
        How early reflections are averaged.
    assumed : tuple of str
        Assumptions made before this point.
    crossings : tuple of CrossoverRange
        Where ways may meet; between the limits of their drivers where it is not stated.
    amplifier : Amplifier, optional
        What ratings are computed for, where it is stated.
    built : Network, optional
        A network that stands on the bench: its parts may stay what they are, whatever the stock
        offers, and its pieces are at hand. Its ways and slots are those of the topology.
    limits : NetworkLimits
        What a network may have at most; what no part may be stands in the stock, see `Terms`.

    Raises
    ------
    InputError
        When the stock is empty in a range, a goal cannot be computed, or names do not match.

    Examples
    --------
    >>> from optimizer.testing import small_problem
    >>> problem = small_problem()
    >>> problem.replace(goals=problem.goals.weighted(on_axis=3.0)).goals["on_axis"].weight
    3.0
    >>> problem.goals["on_axis"].weight
    1.0
    """

    title: str
    drivers: tuple[Driver, ...]
    topology: Topology
    stock: Stock
    goals: GoalSet
    mirror: bool
    reading: Reading
    assumed: tuple[str, ...]
    crossings: tuple[CrossoverRange, ...]
    amplifier: Amplifier | None
    built: Network | None
    limits: NetworkLimits

    def __init__(
        self,
        *,
        title: str = "speaker",
        drivers: Sequence[Driver],
        topology: Topology,
        stock: Stock,
        goals: Mapping[str, Wanted],
        mirror: bool = False,
        reading: Reading = "pooled",
        assumed: Sequence[str] = (),
        crossings: Sequence[CrossoverRange] = (),
        amplifier: Amplifier | None = None,
        built: Network | None = None,
        limits: NetworkLimits = NO_LIMITS,
    ) -> None:
        # Whatever sequence or mapping came in, what is kept cannot change under the caches.
        self.__setstate__(
            {
                "title": title,
                "drivers": tuple(drivers),
                "topology": topology,
                "stock": stock,
                "goals": GoalSet.stated(goals),
                "mirror": mirror,
                "reading": reading,
                "assumed": tuple(assumed),
                "crossings": tuple(crossings),
                "amplifier": amplifier,
                "built": built,
                "limits": limits,
            }
        )
        self._require()

    def _require(self) -> None:
        """Raise errors here, not when a search is under way."""
        _ = self.evaluator, self.space

    def __repr__(self) -> str:
        return clip(
            f"<Problem {self.title}: {len(self.drivers)} drivers, {len(self.space.genes)} parts, "
            f"about 10^{self.space.size_log10():.1f} networks, goals {', '.join(self.goals)}>"
        )

    def replace(self, **changes: Any) -> Problem:
        """Return a problem with some fields changed; this one stays as it is.

        Parameters
        ----------
        **changes
            New values by the name of the field.

        Returns
        -------
        Problem
            What does not follow from the changed fields is shared, not computed again.

        Raises
        ------
        TypeError
            When a problem has no such field.
        InputError
            See `Problem`.
        """
        unknown = changes.keys() - {f.name for f in fields(self)}
        if unknown:
            raise TypeError(f"a problem has no {', '.join(sorted(unknown))}")
        if "goals" in changes:
            changes["goals"] = GoalSet.stated(changes["goals"])
        new = object.__new__(Problem)
        new.__setstate__(self.__getstate__() | changes)
        for name, needs in _DERIVED.items():
            if name in self.__dict__ and not needs & changes.keys():
                new.__dict__[name] = self.__dict__[name]
        new._require()
        return new

    def __getstate__(self) -> dict[str, Any]:
        """Fields alone: derived arrays do not travel."""
        return {f.name: getattr(self, f.name) for f in fields(self)}

    def __setstate__(self, state: dict[str, Any]) -> None:
        """Take the fields; what follows from them is computed when first needed."""
        self.__dict__.update(state)

    @cached_property
    def _of_way(self) -> tuple[Driver, ...]:
        by_name = {d.name: d for d in self.drivers}
        for way in self.topology.ways:
            if way.driver not in by_name:
                raise InputError(
                    "a way must name a driver",
                    subject=Subject("way", way.name, "driver"),
                    value=way.driver,
                    remedy=f"use one of {', '.join(by_name)}",
                )
        return tuple(by_name[w.driver] for w in self.topology.ways)

    @property
    def frequency_hz(self) -> Real:
        """Grid of all curves, shape (F,)."""
        return self._of_way[0].frequency_hz

    @property
    def directions(self) -> tuple[Direction, ...]:
        """Directions of the drivers' responses, length A."""
        return self._of_way[0].directions

    @cached_property
    def averages(self) -> dict[str, Average]:
        """Named curves that the directions allow."""
        return named_averages(self.directions, self.mirror, reading=self.reading)

    @cached_property
    def axis(self) -> int:
        """Row of the reference axis among all directions."""
        return int(np.argmax(self.averages["on_axis"].weights))

    @cached_property
    def single_directions(self) -> dict[str, Average]:
        """Curves of single directions."""
        return direction_averages(self.directions)

    @cached_property
    def prepared(self) -> tuple[PreparedGoal, ...]:
        """Goals on the grid."""
        return self.goals.prepare(self.scene)

    @cached_property
    def scene(self) -> Scene:
        """What goals are prepared for."""
        return Scene(
            frequency_hz=self.frequency_hz,
            curves={**self.averages, **self.single_directions},
            ways=[(w.name, d) for w, d in zip(self.topology.ways, self._of_way, strict=True)],
            crossings=self.crossings,
        )

    @cached_property
    def bank(self) -> LadderBank:
        """Solver of the topology with the drivers as its loads."""
        return LadderBank(self.topology, self.frequency_hz, [d.impedance for d in self._of_way])

    def evaluate(self, goals: Sequence[PreparedGoal]) -> Evaluator:
        """Return the costs of networks under some prepared goals.

        Parameters
        ----------
        goals : sequence of PreparedGoal
            On the grid of this problem; the curves they look at are computed.
        """
        names = dict.fromkeys(n for goal in goals for n in goal.curve_names)
        return Evaluator(self.bank, self.field_of(tuple(names) or ("on_axis",)), goals)

    def field_of(self, names: Sequence[str]) -> Field:
        """Return the acoustic side of some named curves."""
        curves = {**self.single_directions, **self.averages}
        return Field(tuple(names), self.pressure, np.stack([curves[n].weights for n in names]))

    @cached_property
    def pressure(self) -> Complex:
        """Pressure of each way's driver in all directions, (W, B, F), see `all_directions`.

        Those that were measured come first, as `directions`.
        """
        return np.stack([complete_driver(d, self.mirror) for d in self._of_way])

    @cached_property
    def evaluator(self) -> Evaluator:
        """Costs of networks under the goals."""
        return self.evaluate(self.prepared)

    @cached_property
    def report_field(self) -> Field:
        """Every curve that a report may show."""
        return self.field_of(tuple(self.averages))

    @cached_property
    def offers(self) -> tuple[tuple[Part, ...], ...]:
        """Parts that each gene may be, sorted by value; empty where the stock holds none.

        Of pieces that do the same there are as many as a network can use, see `merge_alike`. Around
        a network on the bench, where every change of two parts is valued, see `spread_values`.
        Where no part keeps the terms of a place, those that break them least stand in: a network
        with them is a miss, and says so.
        """
        free = Counter(gene.kind for gene in self.bank.genes if gene.kept is None)
        self.stock.check_joins(free.keys())
        pieces = count_pieces(self.stock)
        offered: dict[tuple[Kind, float, float, Terms, bool], list[Part]] = {}
        for gene in self.bank.genes:
            if gene.kept is None:
                span = (gene.kind, gene.low, gene.high, gene.terms)
                # What is on the board may stay: nothing need stand in for it.
                alone = gene.original is None
                found = self.stock.options(*span)
                if alone and not found:
                    found = self.stock.nearest(*span)
                wanted = free[gene.kind] * self.stock.suiting(gene.terms).join
                parts = merge_alike(found, pieces, wanted)
                offered[*span, alone] = parts if self.built is None else spread_values(parts)
        return tuple(
            (gene.kept,)
            if gene.kept is not None
            else _with_own(
                offered[gene.kind, gene.low, gene.high, gene.terms, gene.original is None],
                (gene.original, own),
            )
            for gene, own in self._genes()
        )

    @cached_property
    def supply(self) -> Supply:
        """Counts of the stock's pieces; those of a built network are at hand."""
        built = [
            None if own is None else offered.index(own)
            for offered, (_, own) in zip(self.offers, self._genes(), strict=True)
        ]
        bank = self.bank
        ties = list_ties(bank.slots, bank.gene_slot, self.offers)
        needed = [not bank.slots[gene.slot].optional for gene in bank.genes]
        return Supply(self.stock, self.offers, bank.gene_slot, built, self.limits, ties, needed)

    def _genes(self) -> Iterator[tuple[Gene, Part | None]]:
        """Genes, each with its part in the built network."""
        built = {} if self.built is None else self.built.places
        for gene in self.bank.genes:
            ladder, slot = self._ladder_of(gene), self.bank.slots[gene.slot].name
            yield gene, built.get((ladder, slot, gene.part))

    def _ladder_of(self, gene: Gene) -> str:
        return self.topology.ladders[gene.ladder].name

    def _place_of(self, gene: Gene) -> BoardPlace:
        return place_on_board(self.topology, self.bank.slots[gene.slot], gene.part)

    @cached_property
    def space(self) -> Space:
        """What each part may be, and what choosing it costs."""
        return Space(
            self.topology,
            self.bank,
            [
                gene_options(gene, parts, self.goals, self._ladder_of(gene), self._place_of(gene))
                for gene, parts in zip(self.bank.genes, self.offers, strict=True)
            ],
            self.supply,
            labour_cost(self.goals),
        )

    def around(self, network: Network) -> Problem:
        """Return the problem of changing one network: whatever it is, it is a point of the space.

        Parameters
        ----------
        network : Network
            With the ways of this problem and any slots and parts.

        Returns
        -------
        Problem
            Its slots are those of the network and the empty optional ones of this problem; every
            part may become what the stock offers for its place, or stay. The network itself is
            ``problem.space.locate(problem.built)``.
        """
        return self.replace(topology=self.topology.around(network), built=network)

    @cached_property
    def loss_laws(self) -> LossLaws:
        """Loss of a part as a function of its value, by kind, and by gene where its place has terms."""
        laws: dict[Kind | int, LossLaw] = {kind: self.stock.loss_law(kind) for kind in KINDS}
        for g, gene in enumerate(self.bank.genes):
            if gene.kept is None and gene.terms != NO_TERMS:
                laws[g] = self.stock.loss_law(gene.kind, gene.terms)
        return laws

    @cached_property
    def landscape(self) -> Landscape:
        """Tables of all options, on the full grid and on fewer points for bounds."""
        few = [n for n in BOUND_POINTS if n < len(self.frequency_hz) // 2]
        return Landscape(
            self.space, [*(self.evaluator.spread(n, bound=True) for n in few), self.evaluator]
        )

    @property
    def tables(self) -> Tables:
        """Immittances of every option on the full grid."""
        return self.landscape.full

    @cached_property
    def fingerprints(self) -> dict[str, str]:
        """Tell of data, places, stock and goals whether they are those of another problem."""
        return {
            "data": fingerprint((self._of_way, self.mirror, self.reading, self.pressure)),
            "places": fingerprint((self.topology, self.built)),
            "stock": fingerprint(self.stock),
            "goals": fingerprint((self.goals, self.crossings, self.limits)),
        }

    @property
    def notes(self) -> tuple[str, ...]:
        """Assumptions, those of the averages included."""
        used = [self.averages[n] for n in self.evaluator.field.names if n in self.averages]
        said = dict.fromkeys(words for one in used for words in one.assumed)
        bands = [one.band_words for one in used if one.band_words]
        return (*self.assumed, *said, *bands)

    @property
    def compared(self) -> tuple[str, ...]:
        """What is left out where a network on the bench is compared with others, see `around`."""
        longest = max(
            (
                len(self.stock.options(gene.kind, gene.low, gene.high, gene.terms))
                for gene in self.bank.genes
                if gene.kept is None
            ),
            default=0,
        )
        return (_SPREAD,) if longest > MOST_COMPARED else ()

    @property
    def estimated(self) -> bool:
        """Whether some directions were estimated from geometry instead of measured."""
        return any(d.estimated for d in self.drivers)

    def cost(self, genomes: Sequence[Genome]) -> Real:
        """Full cost of buildable networks, economy included, shape (P,)."""
        economy = self.space.economies(genomes) + self.space.rules.penalties(genomes)
        costs = self.tables.costs(
            np.array([g.choice for g in genomes]),
            np.array([g.present for g in genomes]),
            np.array([g.polarity for g in genomes]),
        )
        return np.asarray(costs + economy)


def _with_own(parts: Sequence[Part], own: Sequence[Part | None]) -> tuple[Part, ...]:
    """Add what a place holds already to what it may become."""
    more = [part for part in own if part is not None and part not in parts]
    # The piece of an old board that sits here already is no other one.
    here = {part.value for part in more if part.origin == KEPT}
    others = [part for part in parts if part.origin != BOARD or part.value not in here]
    return tuple(sorted((*others, *more), key=lambda part: part.value))
