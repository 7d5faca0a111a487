"""The best values for each set of places that change, a few places at most.

Where a neighbourhood's `best_pair` wants the one best network, here the best of every set of places
is wanted: a person at the bench chooses between changing this part and changing that one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations

import numpy as np

from optimizer.arrays import Flags, Index, Real
from optimizer.problem.neighbourhood import EPSILON, Costed, Neighbourhood, Pairs
from optimizer.problem.scan import BlockKey, PairBlock, Rows

BEAM = 40
"""Sets of two places from which a third is looked for."""

_PROBES = 32  # most promising values of two places that are computed to rule out the others

Places = frozenset[int]
"""Genes that change: another value, put in or left out. Their number is that of parts changed; a
control counts as one, see `Neighbourhood.places_of`."""


class ChangeSets:
    """The best values for each set of at most so many places.

    Parameters
    ----------
    hood : Neighbourhood
        Of the network as it stands. What each option costs in its space is what a change must earn.
    changes : int
        Most parts that change, 1 to 3.
    keep : int
        Sets of places of which the best values must be known exactly.
    any_gain : bool
        Whether changes count that leave things worse than they are.

    Notes
    -----
    Every change of one or two parts is valued or ruled out. Of three, those are that add a third to
    one of the `BEAM` best pairs, and compounds of three parts as a whole.
    """

    def __init__(
        self, hood: Neighbourhood, changes: int, *, keep: int, any_gain: bool = False
    ) -> None:
        self.hood = hood
        self.space = hood.space
        self.tables = hood.landscape.full
        self.changes = changes
        self.keep = max(keep, BEAM) if changes > 2 else keep
        self.any_gain = any_gain
        self.found: dict[Places, Costed] = {}
        self._run()

    def best(self, top: int) -> list[tuple[Places, Costed]]:
        """Return the best sets of places, each with its network and score."""
        ordered = sorted(self.found.items(), key=lambda item: (item[1][1], sorted(item[0])))
        # A set found early may be beaten by a smaller one found late.
        return [(places, b) for places, b in ordered if not self._beaten(places, b[1])][:top]

    def _run(self) -> None:
        self._singles(self.hood, frozenset())
        whole = list(self._wholes(self.hood, frozenset()))
        for other, places in whole:
            self._offer(places, (other.genome, other.cost))
        if self.changes < 2:
            return
        self._pairs()
        for other, places in whole:
            if len(places) < self.changes:
                self._singles(other, places)
                for third, both in self._wholes(other, places):
                    self._offer(both, (third.genome, third.cost))
        if self.changes > 2:
            self._extend()

    def _wholes(
        self, hood: Neighbourhood, places: Places
    ) -> Iterator[tuple[Neighbourhood, Places]]:
        """Compounds left out, and other alternatives taken, whose parts are few enough.

        On top of changes at some places, which these leave alone.
        """
        moves = [*hood.compounds_out(), *hood.switches(of_values=False)]
        if not places:
            moves += [move for move, _ in hood.switched()]
        for move in moves:
            own = hood.places_of(move)
            if len(own) + len(places) <= self.changes and not own & places:
                yield hood.around(move.apply(hood.genome)), own | places

    def _least_gain(self) -> float:
        return np.inf if self.any_gain else self.hood.cost

    def _threshold(self) -> float:
        scores = sorted(b[1] for p, b in self.found.items() if not self._beaten(p, b[1]))
        return scores[self.keep - 1] if len(scores) >= self.keep else np.inf

    def _beaten(self, places: Places, score: float) -> bool:
        """Whether a smaller set of the same places does as well."""
        if score >= self._least_gain() - EPSILON:
            return True
        smaller = (
            self.found.get(frozenset(some))
            for n in range(1, len(places))
            for some in combinations(places, n)
        )
        return any(better is not None and better[1] <= score + EPSILON for better in smaller)

    def _offer(self, places: Places, better: Costed) -> None:
        known = self.found.get(places)
        if known is not None and known[1] <= better[1]:
            return
        fits = self.space.rules.breaches(better[0]) == 0.0
        if fits and not self._beaten(places, better[1]):
            self.found[places] = better

    def _offer_best(
        self,
        hood: Neighbourhood,
        places: Places,
        scores: Real,
        changes: Sequence[Sequence[tuple[int, int]]],
    ) -> None:
        """Offer the best of some values for one set of places that the stock can serve."""
        for k in np.argsort(scores, kind="stable"):
            known = self.found.get(places)
            if self._beaten(places, float(scores[k])) or (known and known[1] <= scores[k]):
                return
            changed = hood.move(*changes[k]).apply(hood.genome)
            if self.space.rules.breaches(changed) == 0.0:
                self.found[places] = (changed, float(scores[k]))
                return

    def _row_before(self, g: int) -> int:
        """Alternative of a gene in the network as it stands."""
        return self.tables.row_of(self.hood.genome, g)

    def _singles(self, hood: Neighbourhood, places: Places) -> None:
        """Offer the best value for each further place, on top of changes already made."""
        for area, genes in enumerate(hood.genes()):
            further = [g for g in genes if g not in places]
            if not further:
                continue
            rows = hood.scan.rows(hood.scan.genes_of_area[area])
            scores = hood.scan.singles(area) + rows.price + hood.economy
            self.hood.tally.networks += len(scores)
            fits = self.space.rules.fitting_singles(hood.genome, rows)
            for g in further:
                mine = np.flatnonzero((rows.gene == g) & (rows.row != self._row_before(g)) & fits)
                self._offer_best(
                    hood, places | {g}, scores[mine], [(rows.change(k),) for k in mine]
                )

    def _pairs(self) -> None:
        for key in self.hood.block_keys():
            self._block(self.hood, key)
        for slot in self.hood.compounds(filled=False):
            genes = frozenset(int(g) for g in self.space.slot_genes[slot])
            if len(genes) <= self.changes:
                for other, key in self.hood.fillings(slot):
                    self._block(other, key, genes)

    def _block(self, hood: Neighbourhood, key: BlockKey, besides: Places = frozenset()) -> None:
        """Offer the best pair for every two places of a block."""
        first, second = hood.scan.sides(key)
        limit = min(self._threshold(), self._least_gain())
        # A pair must beat what either of its places can do alone.
        alone = np.minimum(self._alone(first)[:, None], self._alone(second))
        cap = np.minimum(alone, limit) - EPSILON
        cap[~self._changed(first)] = -np.inf
        cap[:, ~self._changed(second)] = -np.inf

        def narrow(left: Pairs, block: PairBlock, cap: Real) -> None:
            # The most promising few of two places, in full, soon rule the rest out.
            for mine in _by_genes(left):
                near = left[mine[np.argsort(left.cost[mine], kind="stable")[:_PROBES]]]
                price = first.price[near.i] + second.price[near.j] + hood.economy
                offer(near, block.some(near.i, near.j) + price)
                (g, _), (h, _) = near.changes(0)
                known = self.found.get(frozenset({g, h}) | besides)
                if known is not None:
                    here = np.ix_(first.gene == g, second.gene == h)
                    cap[here] = np.minimum(cap[here], known[1])

        def offer(pairs: Pairs, scores: Real) -> None:
            (g, _), (h, _) = pairs.changes(0)
            changes = [pairs.changes(k) for k in range(len(scores))]
            self._offer_best(hood, frozenset({g, h}) | besides, scores, changes)

        left = hood.pairs(key, cap, narrow)
        for mine in _by_genes(left):
            offer(left[mine], left.cost[mine])

    def _changed(self, rows: Rows) -> Flags:
        """Whether each alternative differs from the network as it stands."""
        now = {int(g): self._row_before(int(g)) for g in set(rows.gene)}
        return np.asarray(rows.row != np.array([now[int(g)] for g in rows.gene]))

    def _alone(self, rows: Rows) -> Real:
        """Return the best score of a change of each gene alone."""
        none = (None, np.inf)
        best = {int(g): self.found.get(frozenset({int(g)}), none)[1] for g in set(rows.gene)}
        return np.array([best[int(g)] for g in rows.gene])

    def _extend(self) -> None:
        """Look for a third change from the best pairs, then move each of the three once more."""
        for places, (genome, _) in self.best(BEAM):
            if len(places) == 2:
                self._singles(self.hood.around(genome), places)
        for places, _ in self.best(BEAM):
            if len(places) == 3:
                self._settle(places)

    def _settle(self, places: Places) -> None:
        """Change the values at the same places one at a time as long as that helps."""
        while True:
            score = self.found[places][1]
            for g in sorted(places):
                hood = self.hood.around(self.found[places][0])
                area = self.tables.area_of_gene[g]
                if g not in hood.scan.genes_of_area[area]:
                    continue
                rows = hood.scan.rows(hood.scan.genes_of_area[area])
                mine = np.flatnonzero((rows.gene == g) & (rows.row != self._row_before(g)))
                scores = hood.scan.singles(area)[mine] + rows.price[mine] + hood.economy
                self._offer_best(hood, places, scores, [(rows.change(k),) for k in mine])
            if self.found[places][1] >= score - EPSILON:
                return


def _by_genes(pairs: Pairs) -> list[Index]:
    """Places of the pairs of each two genes."""
    if not len(pairs.i):
        return []
    both = np.column_stack([pairs.first.gene[pairs.i], pairs.second.gene[pairs.j]])
    _, group = np.unique(both, axis=0, return_inverse=True)
    return [np.flatnonzero(group == k) for k in range(int(group.max()) + 1)]
