"""What changing one or two parts of a network would do: the one engine that every verb asks.

A move gives one place something else: a part takes another value, an optional part is put in or
left out, a whole compound is put in or left out, a free way is turned, two parts change places,
another alternative is taken as a whole, a control is set to another position.
Moves are valued exactly, from one walk through the network. Pairs of moves are first bounded from
below on a few frequencies: what a bound rules out need not be computed in full.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

import numpy as np

from optimizer.arrays import Flags, Index, Real
from optimizer.problem.genome import Genome, Move, slots_between
from optimizer.problem.landscape import Landscape
from optimizer.problem.scan import BlockKey, PairBlock, Rows, Scan

EPSILON = 1e-9
"""An improvement below this is rounding."""

MANY_OPTIONS = 512
"""Options of one part above which a search that proves nothing passes over most of them."""

_PROBES = 32  # changes of one part that are computed first, to rule out others by their bounds
_PROMISING = (
    512  # changes of one part that go beyond the cheapest bound where options are very many
)

Costed = tuple[Genome, float]
"""A network and its full cost."""


@dataclass(slots=True)
class Tally:
    """How many networks were valued or ruled out."""

    networks: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Singles:
    """Every change of one part of a network with its exact cost, overdrawn or not."""

    rows: Rows
    cost: Real


@dataclass(frozen=True, slots=True, kw_only=True)
class BestMove:
    """The best that one place alone can do.

    Parameters
    ----------
    places : frozenset of int
        Genes that change, see `Neighbourhood.places_of`; empty for a turn.
    move : Move
        What to do.
    cost : float
        Cost of the network after it.
    """

    places: frozenset[int]
    move: Move
    cost: float


@dataclass(frozen=True, slots=True)
class Pairs:
    """Changes of two parts that were not ruled out, with their exact costs.

    Parameters
    ----------
    first, second : Rows
        Alternatives of the two axes.
    i, j : ndarray of int, shape (N,)
        Rows of either axis.
    cost : ndarray, shape (N,)
        On the level where they were left.
    """

    first: Rows
    second: Rows
    i: Index
    j: Index
    cost: Real

    def __getitem__(self, index: Index | Flags) -> Pairs:
        return Pairs(self.first, self.second, self.i[index], self.j[index], self.cost[index])

    def changes(self, k: int) -> tuple[tuple[int, int], tuple[int, int]]:
        """Gene and alternative of both parts of one pair."""
        i, j = self.i[k], self.j[k]
        return (
            (int(self.first.gene[i]), int(self.first.row[i])),
            (int(self.second.gene[j]), int(self.second.row[j])),
        )


Narrow = Callable[[Pairs, PairBlock, Real], None]
"""Told what a bound left over, the exact costs of its block, and the cap, which it may lower."""


class Neighbourhood:
    """Everything one or two moves away from one network, valued exactly.

    Parameters
    ----------
    landscape : Landscape
        The space and the costs in it.
    genome : Genome
        The network.
    tally : Tally, optional
        Counts what is valued.
    held : frozenset of int
        Genes that do not move.
    """

    def __init__(
        self,
        landscape: Landscape,
        genome: Genome,
        *,
        tally: Tally | None = None,
        held: frozenset[int] = frozenset(),
    ) -> None:
        self.landscape = landscape
        self.space = landscape.space
        self.genome = genome
        self.tally = Tally() if tally is None else tally
        self.held = held

    def around(self, genome: Genome) -> Neighbourhood:
        """Return the neighbourhood of another network of the same space."""
        return Neighbourhood(self.landscape, genome, tally=self.tally, held=self.held)

    @cached_property
    def scan(self) -> Scan:
        """Exact values of single changes."""
        return Scan(self.landscape.full, self.genome)

    @cached_property
    def scans(self) -> tuple[Scan, ...]:
        """Bounds, the cheapest first, and the exact values last."""
        return (*(Scan(t, self.genome) for t in self.landscape.levels[:-1]), self.scan)

    @cached_property
    def economy(self) -> float:
        """Cost of the network's parts themselves."""
        return self.space.economy(self.genome)

    @cached_property
    def cost(self) -> float:
        """Full cost of the network as it stands."""
        return self.scan.cost() + self.economy + self.space.rules.penalty(self.genome)

    def cost_of(self, genome: Genome) -> float:
        """Full cost of another network."""
        self.tally.networks += 1
        return self.around(genome).cost

    # -- moves

    def move(self, *changes: tuple[int, int]) -> Move:
        """Return the move that sets genes to some of their alternatives.

        Parameters
        ----------
        *changes : (int, int)
            Gene and row; the row past its options leaves the slot empty, see `Tables`.
        """
        options, slots = [], []
        for g, row in changes:
            filled = row < len(self.space.options[g].values)
            slots.append((int(self.space.gene_slot[g]), filled))
            if filled:
                options.append((g, row))
        return Move(options=tuple(options), slots=tuple(slots))

    def genes(self) -> list[list[int]]:
        """Genes of each area that may move, source first."""
        return [[g for g in genes if g not in self.held] for genes in self.scan.genes_of_area]

    def turns(self) -> Iterator[Move]:
        """Turn free ways round."""
        for w in np.flatnonzero(self.space.polarity_free):
            yield Move(turned=(int(w),))

    def compounds_out(self) -> Iterator[Move]:
        """Leave out optional compounds."""
        for k in self.compounds(filled=True):
            yield Move(slots=((k, False),))

    def switches(self, *, of_values: bool) -> Iterator[Move]:
        """Take other alternatives as a whole, each with no more parts than it needs.

        Parameters
        ----------
        of_values : bool
            Whether those are wanted whose parts may have several values, which stand in the middle
            of their ranges; else those of kept parts alone, or of nothing.
        """
        space = self.space
        for _, changed in space.alternatives.others(self.genome.present):
            slots = slots_between(self.genome.present, changed)
            if not self.held.isdisjoint(int(g) for k, _ in slots for g in space.slot_genes[k]):
                continue
            free = [
                (int(g), len(space.options[g].values) // 2)
                for k, filled in slots
                for g in space.slot_genes[k]
                if filled and space.free[g]
            ]
            if bool(free) == of_values:
                yield Move(options=tuple(free), slots=slots)

    def toggles(self) -> Iterator[Move]:
        """Make the moves that leave no value open.

        A way turned, a compound left out, an alternative of kept parts or of nothing taken.
        """
        yield from self.turns()
        yield from self.compounds_out()
        yield from self.switches(of_values=False)

    def block_keys(self) -> Iterator[BlockKey]:
        """Blocks that together hold every pair of changes of parts that may move."""
        yield from self.scan.block_keys(self.held)

    def places_of(self, move: Move) -> frozenset[int]:
        """Genes that a move changes; a control counts as one place, whatever its resistors.

        Places that are no genes are numbered downwards from -1.
        """
        space = self.space
        changed = {g for g, _ in move.options}
        changed |= {int(g) for k, _ in move.slots for g in space.slot_genes[k]}
        for c, choice in enumerate(space.alternatives.controls):
            own = {int(g) for k in choice for g in space.slot_genes[k]}
            if changed & own:
                changed = changed - own | {-1 - c}
        return frozenset(changed)

    def swaps(self) -> Iterator[Move]:
        """Let two parts of one kind change places, where each is an option of the other's."""
        space = self.space
        genes = [g for way in self.genes() for g in way if space.part(self.genome, g) is not None]
        for g, h in combinations(genes, 2):
            mine, other = space.part(self.genome, g), space.part(self.genome, h)
            if mine is None or other is None or mine == other or mine.kind != other.kind:
                continue
            to_other, to_mine = space.options[g].find(other), space.options[h].find(mine)
            if to_other is not None and to_mine is not None:
                yield self.move((g, to_other), (h, to_mine))

    def compounds(self, *, filled: bool) -> Iterator[int]:
        """List optional slots of several parts, either filled or empty, that may move as a whole."""
        for k, genes in enumerate(self.space.slot_genes):
            moves = self.space.optional[k] and len(genes) > 1 and self.held.isdisjoint(genes)
            if moves and self.genome.present[k] == filled and self._stands_alone(k):
                yield k

    def _stands_alone(self, k: int) -> bool:
        """Whether a slot is filled or emptied by itself, not as an alternative or a position."""
        alternatives = self.space.alternatives
        if not alternatives or not alternatives.member[k]:
            return True
        if any(k in control for control in alternatives.controls):
            return False
        return bool(
            alternatives.allowed(self.genome.present)[(2 * k + (not self.genome.present[k]),) * 2]
        )

    # -- single moves

    def singles(self, *, few: bool = False) -> Singles:
        """Value every change of one part, whether or not the pieces suffice.

        Parameters
        ----------
        few : bool
            Whether to pass over most options of parts that have very many, see `few_of`.
        """
        found = []
        for area, genes in enumerate(self.scan.genes_of_area):
            if not genes:
                continue
            rows = self.scan.rows(genes)
            some = self.few_of(rows) if few else rows
            whole = some is rows
            found.append(
                (some, self.scan.singles(area) if whole else self.scan.some_singles(area, some))
            )
        if not found:
            none = np.empty(0, dtype=np.intp)
            return Singles(rows=Rows(gene=none, row=none, price=np.empty(0)), cost=np.empty(0))
        rows = Rows(
            gene=np.concatenate([r.gene for r, _ in found]),
            row=np.concatenate([r.row for r, _ in found]),
            price=np.concatenate([r.price for r, _ in found]),
        )
        cost = np.concatenate([c for _, c in found]) + rows.price + self.economy
        self.tally.networks += len(cost)
        return Singles(rows=rows, cost=cost)

    def few_of(self, rows: Rows) -> Rows:
        """Pass over most options of parts with more than `MANY_OPTIONS`.

        What is left of such a part are those next to what it is now, and others spread evenly.
        """
        tables, keep = self.landscape.full, np.ones(len(rows.gene), dtype=bool)
        for g in np.unique(rows.gene):
            mine = np.flatnonzero(rows.gene == g)
            if len(mine) <= MANY_OPTIONS:
                continue
            keep[mine] = False
            now = int(np.searchsorted(rows.row[mine], tables.row_of(self.genome, int(g))))
            beside = MANY_OPTIONS // 4
            keep[mine[max(0, now - beside) : now + beside]] = True
            keep[mine[np.linspace(0, len(mine) - 1, MANY_OPTIONS // 2).astype(np.intp)]] = True
        return rows if keep.all() else rows[keep]

    def best_single(self, *, structure_only: bool = False, few: bool = False) -> Costed | None:
        """Return the best network that differs in exactly one part, if it is a better one.

        Parameters
        ----------
        structure_only : bool
            Whether only putting in and leaving out is tried.
        few : bool
            Whether to pass over most options of parts that have very many, see `few_of`.
        """
        best: tuple[int, int] | None = None
        best_cost = self.cost
        for area, genes in enumerate(self.genes()):
            if not genes:
                continue
            rows = self.scan.rows(genes)
            some = self.few_of(rows) if few else rows
            most = None if some is rows else _PROMISING
            rows = some
            if structure_only:
                rows = rows[self._changes_structure(rows)]
            self.tally.networks += len(rows.gene)
            rows = rows[self.space.rules.fitting_singles(self.genome, rows)]
            rows, costs = self._narrowed(area, rows, best_cost, most)
            if len(costs):
                k = int(np.argmin(costs))
                best_cost = float(costs[k])
                best = (int(rows.gene[k]), int(rows.row[k]))
        return None if best is None else (self.move(best).apply(self.genome), best_cost)

    def _narrowed(self, area: int, rows: Rows, below: float, most: int | None) -> tuple[Rows, Real]:
        """Go from level to level with the changes of one part that cost less than a limit.

        Only the `most` that promise most are kept where that is stated; else what cannot be the
        best is left behind. The costs at the end are exact.
        """
        costs = np.full(len(rows.gene), -np.inf)
        for level, scan in enumerate(self.scans):
            if level and len(rows.gene) > 2 * _PROBES and most is None:
                rows = rows[costs <= self._probe(area, rows, costs) + EPSILON]
            price = rows.price + self.economy
            costs = scan.some_singles(area, rows, below - price) + price
            keep = costs < below - EPSILON
            if most is not None and scan is not self.scan and keep.sum() > most:
                keep &= costs <= np.partition(costs, most)[most]
                most = max(_PROBES, most // 8)
            rows, costs = rows[keep], costs[keep]
        return rows, costs

    def _probe(self, area: int, rows: Rows, bound: Real) -> float:
        """Least exact cost of the changes whose bounds promise most: what others must undercut."""
        probes = rows[np.sort(np.argpartition(bound, _PROBES)[:_PROBES])]
        exact = self.scan.some_singles(area, probes) + probes.price + self.economy
        return float(exact.min())

    def _changes_structure(self, rows: Rows) -> Flags:
        sizes = np.array([len(o.values) for o in self.space.options])
        leaves = rows.row == sizes[rows.gene]
        return np.asarray(leaves | ~self.genome.present[self.space.gene_slot[rows.gene]])

    def best_toggle(self) -> Costed | None:
        """Return the best network with one way turned or one compound left out, better or not."""
        moved = [m.apply(self.genome) for m in self.toggles()]
        return min(((g, self.cost_of(g)) for g in moved), key=lambda x: x[1], default=None)

    # -- double moves

    def pairs(self, key: BlockKey, cap: Real | float, narrow: Narrow | None = None) -> Pairs:
        """Value all changes of two parts of a block, ruling out what cannot fall below a cap.

        Parameters
        ----------
        key : BlockKey
            Which pairs, see `Scan.block_keys`.
        cap : float or ndarray, shape (N, M)
            Only what costs less matters.
        narrow : callable, optional
            Asked after each bound: what it finds to be good lowers the cap for the rest.

        Returns
        -------
        Pairs
            Those below the cap, with their exact costs.
        """
        first, second = self.scan.sides(key)
        price = first.price[:, None] + second.price + self.economy
        limit: Real = np.broadcast_to(np.asarray(cap, dtype=np.float64), price.shape)
        if narrow is not None:
            limit = limit.copy()
        self.tally.networks += price.size
        possible = price < limit  # the price of the parts alone may already rule it out
        if self.space.rules.limited:
            possible = possible & self.space.rules.fitting_pairs(self.genome, first, second)
        i, j = np.nonzero(possible)
        left = Pairs(first, second, i, j, np.full(len(i), -np.inf))
        exact = PairBlock(self.scan, key) if narrow is not None and len(i) else None
        for level, scan in enumerate(self.scans):
            if not len(left.i):
                break
            block = exact if exact is not None and scan is self.scan else PairBlock(scan, key)
            if level == 0:
                costs = block.all(limit - price)[left.i, left.j]
            else:
                costs = block.some(left.i, left.j, (limit - price)[left.i, left.j])
            total = costs + price[left.i, left.j]
            left = Pairs(first, second, left.i, left.j, total)[total < limit[left.i, left.j]]
            if narrow is not None and exact is not None and scan is not self.scan:
                narrow(left, exact, limit)
                left = left[left.cost < limit[left.i, left.j]]
        return left

    def best_pair(self, key: BlockKey, below: float) -> Costed | None:
        """Return the best network of a block of pairs, if it costs less than `below`."""
        left = self.pairs(key, below - EPSILON)
        if not len(left.i):
            return None
        k = int(np.argmin(left.cost))
        return self.move(*left.changes(k)).apply(self.genome), float(left.cost[k])

    def fillings(self, slot: int) -> Iterator[tuple[Neighbourhood, BlockKey]]:
        """Every way to fill an empty compound, as blocks of pairs of its first two parts.

        Parameters
        ----------
        slot : int
            An empty slot of two parts or more.

        Yields
        ------
        Neighbourhood, BlockKey
            Of a network in which further parts of the compound have one of their values.
        """
        genes = [int(g) for g in self.space.slot_genes[slot]]
        tables = self.landscape.full
        a, b = genes[:2]
        key = BlockKey(
            first=(a,),
            second=(b,),
            areas=(tables.area_of_gene[a],) * 2,
            one_port=tables.port_of_gene[a] == tables.port_of_gene[b],
        )
        sizes = [range(len(self.space.options[g].values)) for g in genes[2:]]
        for rows in np.ndindex(*(len(s) for s in sizes)):
            move = Move(options=tuple(zip(genes[2:], rows, strict=True)), slots=((slot, True),))
            other = self.around(move.apply(self.genome))
            for tile in key.tiles(tables):
                yield other, tile

    def best_added_compound(
        self, below: float, *, stop: Callable[[], bool] = lambda: False
    ) -> Costed | None:
        """Fill one empty optional compound in the best way, if that costs less than `below`.

        Parameters
        ----------
        below : float
        stop : callable
            Asked now and then; True ends the work.
        """
        for slot in self.compounds(filled=False):
            best = self.best_filling(slot, below, stop=stop)
            if best is not None:
                return best
        return None

    def best_filling(
        self, slot: int, below: float, *, stop: Callable[[], bool] = lambda: False
    ) -> Costed | None:
        """Fill one empty compound in the best way, if that costs less than `below`."""
        best: Costed | None = None
        for hood, key in self.fillings(slot):
            if stop():
                break
            best = hood.best_pair(key, below if best is None else best[1]) or best
        return best

    # -- alternatives

    def switched(self, *, stop: Callable[[], bool] = lambda: False) -> Iterator[tuple[Move, float]]:
        """Take each other alternative that has values, with the best ones found for it.

        Parameters
        ----------
        stop : callable
            Asked now and then; True ends the work.

        Yields
        ------
        Move, float
            What to do, and the cost after it. Everything else stays as it is. Of one or two parts
            the values are the best there are, of more no change of two of them betters them.
        """
        for move in self.switches(of_values=True):
            if stop():
                return
            entered = {g for g, _ in move.options}
            entered |= {
                int(g)
                for k, filled in move.slots
                if filled
                for j in self.space.alternatives.beside(k)
                for g in self.space.slot_genes[j]
            }
            held = frozenset(range(len(self.space.genes))) - entered
            genome, cost = Neighbourhood(
                self.landscape, move.apply(self.genome), tally=self.tally, held=held
            )._descend()
            yield self._between(genome), cost

    def _descend(self) -> Costed:
        """Change one part, or else two, as long as that helps."""
        hood = self
        while True:
            better = hood.best_single()
            keys = iter(()) if better is not None else hood.block_keys()
            for key in keys:
                better = hood.best_pair(key, hood.cost)
                if better is not None:
                    break
            if better is None or hood.cost_of(better[0]) >= hood.cost - EPSILON:
                return hood.genome, hood.cost
            hood = hood.around(better[0])

    def _between(self, genome: Genome) -> Move:
        """Move from this network to another one with the same polarities."""
        there = genome.present[self.space.gene_slot]
        new = there & ~self.genome.present[self.space.gene_slot]
        changed = np.flatnonzero(new | (there & (genome.choice != self.genome.choice)))
        return Move(
            options=tuple((int(g), int(genome.choice[g])) for g in changed),
            slots=slots_between(self.genome.present, genome.present),
        )

    # -- places

    def best_per_place(self, most: int | None = None) -> list[BestMove]:
        """Return the best move of each place that lowers the cost, the best first.

        Parameters
        ----------
        most : int, optional
            Number wanted.

        Returns
        -------
        list of BestMove
            A place is a part, a compound as a whole, a way that may be turned, two parts that
            change places, an alternative as a whole, or a control.
        """
        found = [*self._best_parts(), *self._best_wholes()]
        found = [p for p in found if p.cost < self.cost - EPSILON]
        return sorted(found, key=lambda p: p.cost)[:most]

    def _best_parts(self) -> Iterator[BestMove]:
        singles = self.singles()
        cost = np.where(
            self.space.rules.fitting_singles(self.genome, singles.rows), singles.cost, np.inf
        )
        for g in np.unique(singles.rows.gene):
            if int(g) in self.held:
                continue
            mine = np.flatnonzero(singles.rows.gene == g)
            k = int(mine[np.argmin(cost[mine])])
            yield BestMove(
                places=frozenset({int(g)}),
                move=self.move((int(g), int(singles.rows.row[k]))),
                cost=float(cost[k]),
            )

    def _best_wholes(self) -> Iterator[BestMove]:
        """Value turns, swaps, and compounds left out or put in."""
        for move in (*self.toggles(), *self.swaps()):
            if self.space.rules.breaches(move.apply(self.genome)):
                continue
            yield BestMove(
                places=self.places_of(move), move=move, cost=self.cost_of(move.apply(self.genome))
            )
        for move, cost in self.switched():
            if not self.space.rules.breaches(move.apply(self.genome)):
                yield BestMove(places=self.places_of(move), move=move, cost=cost)
        for slot in self.compounds(filled=False):
            best = self.best_filling(slot, self.cost)
            if best is None:
                continue
            own = frozenset(int(g) for g in self.space.slot_genes[slot])
            move = self.move(*((g, int(best[0].choice[g])) for g in sorted(own)))
            yield BestMove(places=own, move=move, cost=best[1])
