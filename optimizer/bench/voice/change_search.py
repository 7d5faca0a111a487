"""The best part changes for given goals, exactly for one and two of them.

A change is another value from stock, an optional part added or left out, or an optional compound
left out; an optional compound of two parts may be added as two changes. Three changes are looked
for from the best pairs onwards. For every set of places only the best values count, and a set must
beat each smaller set it contains: what does not earn its place is not an answer.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

import numpy as np

from optimizer.arrays import Flags, Index, Real
from optimizer.bench.layout import Bench
from optimizer.problem.problem import Evaluator
from optimizer.problem.scan import Block, BlockKey, Rows, Scan
from optimizer.problem.space import Genome
from optimizer.problem.tables import Tables
from optimizer.stock.ledger import Ledger
from optimizer.stock.lots import SHELF

CHANGE_DB = 0.1
"""What each change must earn, dB rms: smaller gains are not worth a soldering iron."""

BOUGHT_DB = 0.02
"""What each piece that must be bought counts more than one from the shelf, where there is one."""

BEAM = 40
"""Pairs from which three changes are looked for."""

_BOUNDS = ((12, True), (32, True), (72, False))
"""Points of ever finer lower bounds, and whether goals on further curves are left out."""

_PROBES = 32
_EPSILON = 1e-9

Places = frozenset[int]
"""Genes that change; a compound left out counts as -1 - its slot."""


@dataclass(slots=True)
class ChangeSearch:
    """Goes through the changes of a bench's network and keeps the best for each set of places.

    Parameters
    ----------
    bench : Bench
        The network and what its parts may become.
    evaluator : Evaluator
        Goals that say how good a changed network is, the one that tells most first.
    keep : int
        Sets of places of which the best values must be known exactly.
    any_gain : bool
        Whether changes count that leave things worse than they are.
    """

    bench: Bench
    evaluator: Evaluator
    keep: int
    any_gain: bool = False
    evaluations: int = 0
    base: float = 0.0
    found: dict[Places, tuple[float, Genome]] = field(default_factory=dict)
    full: Tables = field(init=False)
    bounds: list[Tables] = field(init=False)
    price: list[Real] = field(init=False)
    ledger: Ledger | None = field(init=False)

    def __post_init__(self) -> None:
        space, genome = self.bench.space, self.bench.genome
        self.full = Tables(self.evaluator, space)
        points = len(self.evaluator.bank.omega)
        self.bounds = []
        for wanted, one_curve in _BOUNDS:
            if wanted < points // 2:
                index = np.unique(np.linspace(0, points - 1, wanted).round().astype(np.intp))
                thin = self.evaluator.thinned(index, bound=True)
                if one_curve:
                    first = set(thin.goals[0].curve_names)
                    thin = Evaluator(
                        thin.bank,
                        thin.field,
                        [g for g in thin.goals if set(g.curve_names) <= first],
                    )
                self.bounds.append(Tables(thin, space))
        stock = self.bench.problem.stock
        shelf = any(lot.part.origin == SHELF for lot in stock.lots)
        self.price = []
        for g, options in enumerate(space.options):
            price = np.full(len(options.values) + 1, CHANGE_DB)
            if shelf:
                price[:-1] += [
                    BOUGHT_DB * p.piece_count if p.origin != SHELF else 0.0 for p in options.parts
                ]
            price[self.full.row_of(genome, g)] = 0.0
            self.price.append(price)
        counted = any(lot.count is not None for lot in stock.lots)
        self.ledger = Ledger(stock) if counted else None

    def run(self, changes: int) -> None:
        """Fill `found`."""
        genome = self.bench.genome
        self.base = Scan(self.full, genome).cost()
        self._singles(genome, frozenset(), 0.0)
        toggled = [(t, frozenset({-1 - k})) for k, t in self._toggles(genome)]
        for other, places in toggled:
            self._offer(places, Scan(self.full, other).cost() + CHANGE_DB, other)
        if changes > 1:
            self._pairs(genome)
            for other, places in toggled:
                self._singles(other, places, CHANGE_DB)
                for k, third in self._toggles(other):
                    self._offer(
                        places | {-1 - k}, Scan(self.full, third).cost() + 2 * CHANGE_DB, third
                    )
        if changes > 2:
            self._extend()

    def best(self, top: int) -> list[tuple[Places, tuple[float, Genome]]]:
        """Return the best sets of places with their scores and networks."""
        ordered = sorted(self.found.items(), key=lambda item: (item[1][0], sorted(item[0])))
        # A set found early may be beaten by a smaller one found late.
        return [(p, e) for p, e in ordered if not self._beaten(p, e[0])][:top]

    def _threshold(self) -> float:
        scores = sorted(score for p, (score, _) in self.found.items() if not self._beaten(p, score))
        return scores[self.keep - 1] if len(scores) >= self.keep else np.inf

    def _least_gain(self) -> float:
        return np.inf if self.any_gain else self.base

    def _beaten(self, places: Places, score: float) -> bool:
        """Whether a smaller set of the same places does as well."""
        if score >= self._least_gain() - _EPSILON:
            return True
        smaller = (
            self.found.get(frozenset(some))
            for n in range(1, len(places))
            for some in combinations(places, n)
        )
        return any(entry is not None and entry[0] <= score + _EPSILON for entry in smaller)

    def _offer(self, places: Places, score: float, genome: Genome) -> None:
        known = self.found.get(places)
        if known is not None and known[0] <= score:
            return
        if not self._beaten(places, score) and self._available(genome):
            self.found[places] = (score, genome)

    def _available(self, genome: Genome) -> bool:
        """Whether the stock holds all pieces at once; what is on the board already is there."""
        if self.ledger is None:
            return True
        self.ledger.clear()
        space, mine = self.bench.space, self.bench.genome
        for g in range(len(space.genes)):
            part = self.bench.part(genome, g)
            if part is None or part.origin == "kept":
                continue
            if not self.ledger.take(part) and part != self.bench.part(mine, g):
                return False
        return True

    def _toggles(self, genome: Genome) -> Iterator[tuple[int, Genome]]:
        """Networks with one optional compound left out."""
        space = self.bench.space
        for k, genes in enumerate(space.slot_genes):
            if (
                space.optional[k]
                and len(genes) > 1
                and genome.present[k]
                and all(g in space.free_genes for g in genes)
            ):
                present = genome.present.copy()
                present[k] = False
                yield k, replace(genome, present=present)

    def _apply(self, genome: Genome, changes: Sequence[tuple[int, int]]) -> Genome:
        present, choice = genome.present.copy(), genome.choice.copy()
        for g, row in changes:
            filled = row < len(self.bench.space.options[g].values)
            present[self.bench.space.gene_slot[g]] = filled
            if filled:
                choice[g] = row
        return replace(genome, present=present, choice=choice)

    def _prices(self, genes: Index, rows: Index) -> Real:
        out = np.empty(len(genes))
        for g in set(genes.tolist()):
            mine = genes == g
            # Left out stands last, whether or not the gene may be left out.
            out[mine] = self.price[g][np.minimum(rows[mine], len(self.price[g]) - 1)]
        return out

    def _price_row(self, g: int, row: int) -> int:
        return row if row < len(self.bench.space.options[g].values) else -1

    def _singles(self, genome: Genome, places: Places, spent: float) -> None:
        """Offer the best value for each place, on top of the changes already made."""
        scan = Scan(self.full, genome)
        for w, genes in enumerate(scan.genes_of_way):
            genes = [g for g in genes if g not in places]
            if not genes:
                continue
            rows = scan.rows(scan.genes_of_way[w])
            total = scan.singles(w) + self._prices(rows.gene, rows.row) + spent
            self.evaluations += len(total)
            for g in genes:
                mine = np.flatnonzero((rows.gene == g) & (rows.row != self.full.row_of(genome, g)))
                self._offer_best(
                    places | {g}, total[mine], [((g, int(rows.row[k])),) for k in mine], genome
                )

    def _offer_best(
        self,
        places: Places,
        total: Real,
        changes: Sequence[Sequence[tuple[int, int]]],
        genome: Genome,
    ) -> None:
        """Offer the best of some values for one set of places that the stock can serve."""
        for k in np.argsort(total, kind="stable"):
            known = self.found.get(places)
            if self._beaten(places, float(total[k])) or (known and known[0] <= total[k]):
                return
            changed = self._apply(genome, changes[k])
            if self._available(changed):
                self.found[places] = (float(total[k]), changed)
                return

    def _pairs(self, genome: Genome) -> None:
        keys = Scan(self.full, genome).block_keys()
        scans = [Scan(t, genome) for t in (*self.bounds, self.full)]
        for key in keys:
            self._block(scans, key)
        space, place = self.bench.space, self.full.place_of_gene
        for k, genes in enumerate(space.slot_genes):
            if not space.optional[k] or len(genes) != 2 or genome.present[k]:
                continue
            present = genome.present.copy()
            present[k] = True
            filled = replace(genome, present=present)
            a, b = int(genes[0]), int(genes[1])
            key = BlockKey(
                first=(a,), second=(b,), ways=(place[a][0],) * 2, same_section=place[a] == place[b]
            )
            self._block([Scan(t, filled) for t in (*self.bounds, self.full)], key)

    def _block(self, scans: Sequence[Scan], key: BlockKey) -> None:
        """Offer the best pair for every two places of a block."""
        first, second = scans[-1].rows(key.first), scans[-1].rows(key.second)
        changed = [self._changed(rows) for rows in (first, second)]
        price = self._prices(first.gene, first.row)[:, None] + self._prices(second.gene, second.row)
        self.evaluations += price.size
        limit = min(self._threshold(), self._least_gain())
        # A pair must beat what either of its places can do alone.
        cap = (
            np.minimum(
                np.minimum(self._alone(first.gene)[:, None], self._alone(second.gene)), limit
            )
            - _EPSILON
        )
        i, j = np.nonzero(changed[0][:, None] & changed[1] & (price < cap))
        blocks = [Block(scan, key) for scan in scans]

        def change(k: int) -> tuple[tuple[int, int], tuple[int, int]]:
            return (
                (int(first.gene[i[k]]), int(first.row[i[k]])),
                (int(second.gene[j[k]]), int(second.row[j[k]])),
            )

        for level, block in enumerate(blocks):
            if not len(i):
                return
            bound = (block.all()[i, j] if level == 0 else block.some(i, j)) + price[i, j]
            keep = bound < cap[i, j]
            i, j, bound = i[keep], j[keep], bound[keep]
            pairs = first.gene[i] * len(self.price) + second.gene[j]
            last = level == len(blocks) - 1
            for pair in np.unique(pairs):
                mine = np.flatnonzero(pairs == pair)
                g, h = divmod(int(pair), len(self.price))
                total = bound[mine]
                if not last:
                    # The most promising few, in full, soon rule the rest out.
                    mine = mine[np.argsort(total, kind="stable")[:_PROBES]]
                    total = blocks[-1].some(i[mine], j[mine]) + price[i[mine], j[mine]]
                self._offer_best(
                    frozenset({g, h}), total, [change(int(k)) for k in mine], scans[-1].genome
                )
                known = self.found.get(frozenset({g, h}))
                if known is not None:
                    rows, columns = first.gene == g, second.gene == h
                    block_cap = cap[np.ix_(rows, columns)]
                    cap[np.ix_(rows, columns)] = np.minimum(block_cap, known[0])
            keep = bound < cap[i, j]
            i, j = i[keep], j[keep]

    def _changed(self, rows: Rows) -> Flags:
        """Whether each alternative differs from the network as it stands."""
        now = {int(g): self.full.row_of(self.bench.genome, int(g)) for g in set(rows.gene)}
        return np.asarray(rows.row != np.array([now[int(g)] for g in rows.gene]))

    def _alone(self, genes: Index) -> Real:
        """Return the best score of a change of each gene alone."""
        best = {int(g): self.found.get(frozenset({int(g)}), (np.inf,))[0] for g in set(genes)}
        return np.array([best[int(g)] for g in genes])

    def _extend(self) -> None:
        """Look for a third change from the best pairs, then move each of the three once more."""
        pairs = [(p, e) for p, e in self.best(BEAM) if len(p) == 2]
        for places, (_, genome) in pairs:
            self._singles(genome, places, self._spent(genome))
        for places, (_, genome) in self.best(BEAM):
            if len(places) < 3 or min(places) < 0:
                continue
            self._settle(places, genome)

    def _spent(self, genome: Genome) -> float:
        """Price of the changes that a genome has already."""
        space = self.bench.space
        total = 0.0
        for k, genes in enumerate(space.slot_genes):
            if self.bench.genome.present[k] and not genome.present[k] and len(genes) > 1:
                total += CHANGE_DB
                continue
            total += sum(
                float(self.price[g][self._price_row(int(g), self.full.row_of(genome, int(g)))])
                for g in genes
                if genome.present[k] or len(genes) == 1
            )
        return total

    def _settle(self, places: Places, genome: Genome) -> None:
        """Change the values at the same places one at a time as long as that helps."""
        while True:
            score = self.found[places][0]
            for g in sorted(places):
                genome = self.found[places][1]
                rest = self._spent(genome) - float(
                    self.price[g][self._price_row(g, self.full.row_of(genome, g))]
                )
                scan = Scan(self.full, genome)
                w = self.full.place_of_gene[g][0]
                if g not in scan.genes_of_way[w]:
                    continue
                rows = scan.rows(scan.genes_of_way[w])
                mine = np.flatnonzero(
                    (rows.gene == g) & (rows.row != self.full.row_of(self.bench.genome, g))
                )
                total = scan.singles(w)[mine] + self._prices(rows.gene[mine], rows.row[mine]) + rest
                self._offer_best(places, total, [((g, int(rows.row[k])),) for k in mine], genome)
            if self.found[places][0] >= score - _EPSILON:
                return
