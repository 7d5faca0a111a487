"""The structures of a search: what is known of them, and which portion of work comes next.

A structure says which slots are filled and which ways are turned. Within one, the relaxed cost has
a few basins; what decides is the structure, and each polarity is a funnel of its own that changes
of slots do not lead out of. So every polarity is a niche: a first pass starts in each with all
slots filled and leaves out what is not missed; from its best structures single toggles lead on.

Work is dealt out in rounds of as many portions as there are islands. Between rounds the islands
exchange what they found, so that what is dealt depends on the seed and on their number, never on
how many processes work, nor on how fast they are.
"""

from __future__ import annotations

import heapq
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from itertools import product

import numpy as np

from optimizer.arrays import Real
from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem
from optimizer.problem.structures import Structures
from optimizer.search.explorer import RelaxedPoint, lie_apart
from optimizer.search.portions import (
    COMMON,
    STARTS_OF_PASS,
    Climb,
    Finish,
    FirstPass,
    Haul,
    Portion,
    Wander,
    open_structures,
)
from optimizer.search.strategies import Adviser

ISLANDS = 16
"""Portions of one round: enough for a usual machine; the answer depends on it."""

STARTS_FAIL = 0.03
"""Chance that a start with `ISLANDS` portions a round, or more, fails on a problem of which nothing is
known (``benchmarks/quality/starts.py`` counted it); with fewer portions more starts fail."""

NICHES = 64
"""Niches at most; where there are more polarities, several share one."""

STALE_ROUNDS = 4
"""Rounds without anything better after which a start has come to its end."""

_FEW = 64  # structures that are all met without advice
_FEWEST_PASSES = 4  # so many are done before anything else; of more only some are needed
_FEWEST_STARTS = 6
_USUAL_GENES = 48  # parts up to which a first pass has all its starts: a portion is to stay short
_SCATTERED_FIRST, _SCATTERED = 8, 1  # scattered first passes at the beginning, and a round
_ALLOWANCE = 800  # networks of a climb
_FINISHED_A_ROUND = 2  # 1 while better structures keep coming: most would soon be left behind
_SECOND_LOOKS = 2  # in a round after one in which nothing got better
_WORSE = 1.02  # relaxed cost over the best network up to which a structure is tried in need
_SATED = 0.02  # how much less a second look is wanted after each
_SHIPPED = 40  # structures of a niche that a climb is told of
_NICHE_RANK = 0.4  # of the geometric law by which niches are chosen, best first
_WARM = 12  # points of good structures that a finish starts from
_REFINISHED = 0.995  # share of the relaxed cost below which a structure is finished again
_WANDERERS = 12  # networks that are disturbed in turn
_DISTURBANCES = 6
_OF_SCARCE, _OF_OTHERS = 0.75, 0.25  # share of the portions that disturb networks
_FLOOR, _CEILING = 0.05, 0.5  # share of the portions that the adviser gets
_ADAPT = 0.1


class Niche(dict[bytes, RelaxedPoint]):
    """The best relaxed point of each structure known of some polarities.

    Attributes
    ----------
    least : float
        Lowest cost among them.
    """

    least = np.inf

    def meet(self, met: RelaxedPoint) -> None:
        """Note a point where it is the best of its structure."""
        if met.structure not in self or met.cost < self[met.structure].cost:
            self[met.structure] = met
            self.least = min(self.least, met.cost)


class Islands:
    """One start after the other, each from nothing; deals its portions and learns from the hauls.

    Parameters
    ----------
    problem : Problem
    seed : int
    count : int
        Portions of a round.
    adviser : callable, optional
        Makes what proposes structures from outside, given a seed; None goes without.
    board : bool
        Whether parts stand on a board, near which good networks lie.

    Attributes
    ----------
    starts : int
        Starts begun.
    found : dict of bytes to (Genome, float)
        Buildable networks of this start.
    """

    def __init__(
        self,
        problem: Problem,
        seed: int,
        *,
        count: int = ISLANDS,
        adviser: Callable[[int], Adviser] | None = None,
        board: bool = False,
    ) -> None:
        self.space = problem.space
        self.seed = seed
        self.count = count
        self.times = max(1, count // ISLANDS)  # larger than usual that a round is
        self.make_adviser = adviser
        self.structures = Structures(problem.space, kept=True)
        self.scarce = problem.space.supply.counted or board
        self.turning = np.flatnonzero(self.space.polarity_free)
        self.telling = self.turning[: NICHES.bit_length() - 1]  # ways that tell niches apart
        self.choosing = problem.space.structures() > _FEW
        self.starts = 0
        self.start_anew()

    def start_anew(self) -> None:
        """Begin a start of its own: nothing is known, and other numbers are drawn."""
        self.starts += 1
        self.rng = np.random.default_rng((self.seed, self.starts))
        self.niches: dict[int, Niche] = {}
        self.closed: dict[bytes, float] = {}
        self.finished: dict[bytes, float] = {}
        self.looks: Counter[bytes] = Counter()
        self.started: Counter[bytes] = Counter()
        self.found: dict[bytes, tuple[Genome, float]] = {}
        self.best = np.inf
        self.visits: dict[bytes, int] = defaultdict(int)
        self.stale = 0
        self.serial = 0
        self.adviser: Adviser | None = None
        self.asked: dict[tuple[int, ...], object] = {}
        self.share = 2.0 * _FLOOR
        self.passes = self._list_passes()
        self._relaxed_before = self._best_before = np.inf

    @property
    def relaxed_best(self) -> float:
        """Lowest relaxed cost of this start."""
        return min((niche.least for niche in self.niches.values()), default=np.inf)

    def _next_seed(self) -> tuple[int, ...]:
        self.serial += 1
        return (self.seed, self.starts, self.serial)

    def _polarity(self, signs: tuple[float, ...]) -> Real:
        polarity = self.space.polarity_start.copy()
        polarity[self.telling] = signs
        rest = self.turning[len(self.telling) :]
        polarity[rest] = self.rng.choice([-1.0, 1.0], len(rest))
        return polarity

    def _niche_of(self, polarity: Real) -> int:
        return int(((polarity[self.telling] < 0.0) * (1 << np.arange(len(self.telling)))).sum())

    def _list_passes(self) -> list[FirstPass]:
        """First passes in every niche; a few at least."""
        signs = list(product((1.0, -1.0), repeat=len(self.telling)))
        genes = max(_USUAL_GENES, len(self.space.genes))
        count = max(_FEWEST_STARTS, STARTS_OF_PASS * _USUAL_GENES // genes)
        again = -(-_FEWEST_PASSES // len(signs)) if self.space.optional.any() else 1
        return [
            FirstPass(
                polarity=np.array([self._polarity(sign) for _ in range(count)]),
                fill=1.0,
                seed=self._next_seed(),
            )
            for _ in range(again)
            for sign in signs
        ]

    def _scatter(self) -> FirstPass:
        """Draw starts of any polarity, half filled: quick looks all over the space."""
        signs = self.rng.choice([-1.0, 1.0], (STARTS_OF_PASS, len(self.telling)))
        polarity = np.array([self._polarity(tuple(row)) for row in signs])
        return FirstPass(polarity=polarity, fill=0.5, seed=self._next_seed())

    # ------------------------------------------------------------------------------------ dealing

    def deal(self) -> list[Portion]:
        """Deal out the next round.

        Returns
        -------
        list of Portion
            Empty when nothing is left to be tried in this start.
        """
        if self.choosing and not self.niches and len(self.passes) > _FEWEST_PASSES:
            # Quick looks first: there is something to bring to networks soon.
            return [self._scatter() for _ in range(_SCATTERED_FIRST)]
        portions: list[Portion] = []
        portions += self.passes[: self.count]
        del self.passes[: self.count]
        # Networks first: time may be up before the round is done.
        portions[:0] = self._finishes()
        if self.niches and len(portions) < self.count:
            if self.choosing:
                portions += [self._scatter() for _ in range(_SCATTERED)]
            portions += self._advised()
            portions += self._wanders()
        taken: dict[bytes, float] = {}
        while len(portions) < self.count:
            climb = self._climb(taken)
            if climb is None:
                break
            portions.append(climb)
        return portions

    def _finishes(self) -> list[Finish]:
        """Take the best structures that may be better and are not brought to networks yet."""
        limit = self.best * (_WORSE if self.stale else 1.0)
        open_ones = [
            (cost, key, niche)
            for cost, key, niche in self._known()
            if cost < limit and cost < _REFINISHED * self.finished.get(key, np.inf)
        ]
        count = _FINISHED_A_ROUND if self.stale else 1
        chosen = heapq.nsmallest(count * self.times, open_ones, key=lambda o: o[:2])
        self.finished.update({key: cost for cost, key, _ in chosen})
        finishes = [self._finish(key, niche) for _, key, niche in chosen]
        return finishes + (self._second_looks() if self.stale else [])

    def _second_looks(self) -> list[Finish]:
        """Finish the best structures again from elsewhere: their basins may not all be met."""
        looked = [
            (cost * (1.0 + _SATED * self.looks[key]), key, niche)
            for cost, key, niche in self._known()
            if cost < self.best and self.finished.get(key, np.inf) <= cost
        ]
        chosen = heapq.nsmallest(_SECOND_LOOKS * self.times, looked, key=lambda o: o[:2])
        self.looks.update(key for _, key, _ in chosen)
        return [self._finish(key, niche, warm=0) for _, key, niche in chosen]

    def _known(self) -> Iterator[tuple[float, bytes, Niche]]:
        """Yield the relaxed cost of every structure met, and its niche."""
        for niche in self.niches.values():
            for key, met in niche.items():
                yield met.cost, key, niche

    def _finish(self, key: bytes, niche: Niche, warm: int = _WARM) -> Finish:
        """Bring one structure to networks, from its own point and those of its neighbours."""
        point = niche[key].point
        others = [niche[k].point.log_values for k in _best_of(niche, warm) if k != key]
        return Finish(
            present=point.present,
            polarity=point.polarity,
            log_values=np.stack([point.log_values, *others]),
            best=self.best,
            seed=self._next_seed(),
        )

    def in_haste(self, wanted: int) -> list[Finish]:
        """List what brings the best structures to networks at once, where those found are too few.

        Parameters
        ----------
        wanted : int
            Structures of which there should be networks.
        """
        done = {self.structures.key(g.present, g.polarity) for g, _ in self.found.values()}
        known = (one for one in self._known() if one[1] not in done)
        chosen = heapq.nsmallest(max(0, wanted - len(done)), known, key=lambda k: k[:2])
        return [self._finish(key, niche) for _, key, niche in chosen]

    def _advised(self) -> list[Finish]:
        """Structures that the adviser wants tried; the more, the more it has helped.

        It is asked where the climbs have come to a stand: a structure that nothing is known of takes
        as long to bring to networks as a whole climb.
        """
        if self.make_adviser is None or not self.choosing or not self.stale:
            return []
        count = int(self.rng.binomial(self.count, self.share))
        if not count:
            return []
        if self.adviser is None:
            self.adviser = self.make_adviser(self.seed + self.starts - 1)
        finishes = []
        for present, polarity, token in self.adviser.ask(count):
            key = self.structures.key(present, polarity)
            known = self.niches.get(self._niche_of(polarity), Niche()).get(key)
            finishes.append(
                Finish(
                    present=present if known is None else known.point.present,
                    polarity=polarity,
                    log_values=np.empty((0, len(self.space.log_low)))
                    if known is None
                    else known.point.log_values[None],
                    best=self.best,
                    seed=self._next_seed(),
                )
            )
            self.asked[finishes[-1].seed] = token
        return finishes

    def _wanders(self) -> list[Wander]:
        """Disturb the best networks of different structures and basins, least visited first.

        Scarce pieces make a landscape of their own: what is better mostly differs by several exchanged
        pieces at once, which nothing else finds, so that there the same ones are disturbed again
        where others are few. Elsewhere it is a last resort.
        """
        if not (self.scarce or self.stale):
            return []
        count = max(1, int((_OF_SCARCE if self.scarce else _OF_OTHERS) * self.count))
        key_of = self.space.gene_slot
        several = self._different()
        order = sorted(
            range(len(several)),
            key=lambda i: (i + _WANDERERS // 4 * self.visits[several[i][0].key(key_of)], i),
        )
        wanders = []
        for i in (order * count if self.scarce else order)[:count]:
            genome, cost = several[i]
            self.visits[genome.key(key_of)] += 1
            wanders.append(
                Wander(genome=genome, cost=cost, tries=_DISTURBANCES, seed=self._next_seed())
            )
        return wanders

    def _different(self) -> list[tuple[Genome, float]]:
        """List the best networks of this start that differ in structure or in basin."""
        space = self.space
        chosen: dict[bytes, list[tuple[Genome, Real]]] = defaultdict(list)
        several: list[tuple[Genome, float]] = []
        for genome, cost in self.networks():
            if len(several) == _WANDERERS:
                break
            values = space.log_values(genome)
            alike = chosen[self.structures.key(genome.present, genome.polarity)]
            if all(
                (other.present == genome.present).all()
                and lie_apart(space.gene_slot, genome.present, np.stack([theirs, values]))
                for other, theirs in alike
            ):
                alike.append((genome, values))
                several.append((genome, cost))
        return several

    def _climb(self, taken: dict[bytes, float]) -> Climb | None:
        """Choose a niche to climb in; `taken` is what this round's other climbs begin with."""
        if not self.space.optional.any() or not self.niches:
            return None
        order = sorted(self.niches, key=lambda n: (self.niches[n].least, n))
        at = order[min(int(self.rng.geometric(_NICHE_RANK)) - 1, len(order) - 1)]
        niche = self.niches[at]
        closed = self.closed | taken
        first = open_structures(niche, closed)[:2]
        taken.update({key: niche[key].cost for key in first})
        shipped = _best_of(niche, _SHIPPED)
        return Climb(
            known=tuple(niche[k] for k in shipped),
            closed={k: closed[k] for k in shipped if k in closed},
            common=frozenset(k for k, n in self.started.items() if n >= COMMON),
            allowance=_ALLOWANCE,
            seed=self._next_seed(),
        )

    def networks(self) -> list[tuple[Genome, float]]:
        """List the buildable networks of this start, cheapest first."""
        return sorted(self.found.values(), key=lambda item: (item[1], item[0].choice.tolist()))

    def best_structures(self, count: int) -> list[RelaxedPoint]:
        """List the best relaxed points of this start, one a structure.

        Parameters
        ----------
        count : int
            How many at most.
        """
        best = heapq.nsmallest(count, self._known(), key=lambda k: k[:2])
        return [niche[key] for _, key, niche in best]

    # ----------------------------------------------------------------------------------- learning

    def tell(self, portion: Portion, haul: Haul) -> None:
        """Learn what a portion brought; hauls are told in the order of their portions.

        Parameters
        ----------
        portion : Portion
        haul : Haul
        """
        self.started.update(dict(haul.started))
        for met in haul.met:
            self.niches.setdefault(self._niche_of(met.point.polarity), Niche()).meet(met)
            if isinstance(portion, Finish):
                before = self.finished.get(met.structure, np.inf)
                self.finished[met.structure] = min(met.cost, before)
        for key, cost in haul.expanded:
            self.closed[key] = min(cost, self.closed.get(key, np.inf))
        before = self.best
        for genome, cost in haul.genomes:
            self.learn(genome, cost)
        token = self.asked.pop(portion.seed, None)
        if token is not None and self.adviser is not None:
            relaxed = min(m.cost for m in haul.met)
            reached = min((c for _, c in haul.genomes), default=2.0 * relaxed)
            self.adviser.tell(token, reached)
            won = 1.0 if reached < before - 1e-9 else 0.0
            self.share += _ADAPT * (won - self.share)
            self.share = float(np.clip(self.share, _FLOOR, _CEILING))

    def learn(self, genome: Genome, cost: float) -> None:
        """Learn of a buildable network.

        Parameters
        ----------
        genome : Genome
        cost : float
            Its full cost.
        """
        self.found[genome.key(self.space.gene_slot)] = (genome, cost)
        self.best = min(self.best, cost)

    def end_round(self, patience: int = STALE_ROUNDS) -> bool:
        """Note whether the round brought anything better; True when this start is at its end.

        Parameters
        ----------
        patience : int
            Rounds in vain, one after the other, that end a start.
        """
        relaxed = self.relaxed_best
        better = self.best < self._best_before - 1e-9 or relaxed < 0.999 * self._relaxed_before
        self.stale = 0 if better else self.stale + 1
        self._relaxed_before = min(relaxed, self._relaxed_before)
        self._best_before = self.best
        return not self.passes and self.stale >= patience


def _best_of(niche: Niche, count: int) -> list[bytes]:
    """Structures of a niche with the lowest relaxed costs, best first."""
    return heapq.nsmallest(count, niche, key=lambda key: (niche[key].cost, key))
