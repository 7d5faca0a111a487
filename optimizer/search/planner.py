"""What to try next: half from nevergrad, half around the best structures met so far.

Within one structure (which slots are filled, which way is turned) the relaxed cost has few local
optima, so what decides is the structure. nevergrad explores structures globally and learns from
relaxed results; neighbours and children of good structures, started from their values, exploit
them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.arrays import Real
from optimizer.problem.genome import structure_key
from optimizer.problem.space import Space
from optimizer.search.strategies import Proposal, Strategy

_ELITE = 8  # structures whose neighbours are tried
_TRIES = 3  # starts after which a structure counts as known
_JITTER = 0.25  # nepers: how far a neighbour's start values stray from its parent's
_AGAIN = 0.1  # share of those near good structures that start one of them anew, values anywhere
_CROSSED = 0.4  # share of the others that have two parents
_CHILD_JITTER = 0.1


@dataclass(slots=True)
class _Known:
    """Best relaxed point of one structure, how often it was started, where it was deepened."""

    proposal: Proposal
    cost: float
    starts: int
    deepened: float = np.inf


def structure_of(proposal: Proposal) -> bytes:
    """Identity of a structure: filled slots and polarities."""
    return structure_key(proposal.present, proposal.polarity)


class Planner:
    """Proposes batches of starts and learns from what they are relaxed to.

    Parameters
    ----------
    space : Space
    strategy : callable
        Makes the strategy of the global half when `prepare` is called.
    rng : numpy.random.Generator
        For the local half, and for everything before the strategy is there.

    Notes
    -----
    The first batch is drawn at random: it needs no strategy, so that nevergrad, which takes longer
    to load than a first round to compute, can be loaded meanwhile.
    """

    def __init__(
        self, space: Space, strategy: Callable[[], Strategy], rng: np.random.Generator
    ) -> None:
        self.space = space
        self.make_strategy = strategy
        self.strategy: Strategy | None = None
        self.rng = rng
        self.past: dict[bytes, float] = {}
        self.known: dict[bytes, _Known] = {}
        self.optional = np.flatnonzero(space.optional)
        self.turning = np.flatnonzero(space.polarity_free)
        self.ladder_of_gene = np.array([gene.ladder for gene in space.genes])
        self.ladder_of_slot = np.array(space.bank.slot_ladder)
        names = [ladder.name for ladder in space.topology.ladders]
        self.ladder_of_way = np.array([names.index(way.name) for way in space.topology.ways])

    @property
    def best(self) -> float:
        """Best relaxed cost since the last new start."""
        return min((k.cost for k in self.known.values()), default=np.inf)

    def start_anew(self) -> None:
        """Forget where the search has been, but not which structures were relaxed to the end."""
        for structure, known in self.known.items():
            self.past[structure] = min(known.deepened, self.past.get(structure, np.inf))
        self.known = {}
        self.strategy = None

    def prepare(self) -> None:
        """Load the strategy unless it is there."""
        if self.strategy is None:
            self.strategy = self.make_strategy()

    def draw(self, count: int) -> list[Proposal]:
        """Propose starts at random: half of the optional slots filled, values anywhere.

        Parameters
        ----------
        count : int
        """
        rng, space = self.rng, self.space
        out = []
        for _ in range(count):
            present = np.ones(len(space.slots), dtype=bool)
            present[self.optional] = rng.random(len(self.optional)) < 0.5
            present = space.alternatives.draw(present, rng)
            polarity = space.polarity_start.copy()
            polarity[self.turning] = np.where(rng.random(len(self.turning)) < 0.5, -1.0, 1.0)
            out.append(
                Proposal(
                    log_values=rng.uniform(space.log_low, space.log_high),
                    present=present,
                    polarity=polarity,
                )
            )
        return out

    def ask(self, count: int) -> list[Proposal]:
        """Propose a batch; those of the strategy come first and carry its token.

        Parameters
        ----------
        count : int
        """
        if self.strategy is None:
            return self.draw(count)
        around: list[Proposal] = []
        if self.known and len(self.optional) + len(self.turning):
            elite = sorted(self.known.values(), key=lambda k: k.cost)[:_ELITE]
            around = [self._near(elite) for _ in range(count // 2)]
        return self.strategy.ask(count - len(around)) + around

    def _near(self, elite: list[_Known]) -> Proposal:
        """Draw near good structures: a child of two, or a neighbour of one; a new one if it can."""
        rng, crossable = self.rng, len(elite) > 1 and len(self.space.polarity_start) > 1
        proposal = elite[0].proposal
        if rng.random() < _AGAIN:
            parent = elite[min(int(rng.geometric(0.5)) - 1, len(elite) - 1)].proposal
            return replace(parent, log_values=rng.uniform(self.space.log_low, self.space.log_high))
        for _ in range(8):
            proposal = (
                self._child(elite)
                if crossable and rng.random() < _CROSSED
                else self._neighbour(elite)
            )
            known = self.known.get(structure_of(proposal))
            if known is None or known.starts < _TRIES:
                break
        return proposal

    def _child(self, elite: list[_Known]) -> Proposal:
        """Take each ladder from one of two parents: most touch one another only where they cross."""
        rng, space = self.rng, self.space
        i, j = rng.choice(len(elite), 2, replace=False)
        a, b = elite[i].proposal, elite[j].proposal
        second = rng.random(len(space.topology.ladders)) < 0.5
        log_values = np.where(second[self.ladder_of_gene], b.log_values, a.log_values)
        log_values = log_values + rng.normal(0.0, _CHILD_JITTER, len(log_values))
        return Proposal(
            log_values=np.clip(log_values, space.log_low, space.log_high),
            present=np.where(second[self.ladder_of_slot], b.present, a.present),
            polarity=np.where(second[self.ladder_of_way], b.polarity, a.polarity),
        )

    def _neighbour(self, elite: list[_Known]) -> Proposal:
        """Change one or two things in the structure of one parent, and all its values a little."""
        rng, space = self.rng, self.space
        parent = elite[min(int(rng.geometric(0.35)) - 1, len(elite) - 1)].proposal
        present, polarity = parent.present, parent.polarity.copy()
        moves = len(self.optional) + len(self.turning)
        for move in rng.choice(moves, min(moves, int(rng.integers(1, 3))), replace=False):
            if move < len(self.optional):
                present = space.alternatives.flip(present, int(self.optional[move]))
            else:
                polarity[self.turning[move - len(self.optional)]] *= -1.0
        log_values = parent.log_values + rng.normal(0.0, _JITTER, len(parent.log_values))
        fresh = (present & ~parent.present)[space.gene_slot]
        log_values = np.where(fresh, rng.uniform(space.log_low, space.log_high), log_values)
        return Proposal(
            log_values=np.clip(log_values, space.log_low, space.log_high),
            present=present,
            polarity=polarity,
        )

    def tell(self, proposals: Sequence[Proposal], reached: Sequence[Proposal], costs: Real) -> None:
        """Learn what a batch was relaxed to.

        Parameters
        ----------
        proposals, reached : sequence of Proposal
            As asked, and where each was relaxed to.
        costs : ndarray, shape (len(proposals),)
            Relaxed costs.
        """
        asked = [i for i, p in enumerate(proposals) if p.token is not None]
        if self.strategy is not None:
            self.strategy.tell(
                [proposals[i] for i in asked], [reached[i] for i in asked], costs[asked]
            )
        for point, cost in zip(reached, costs, strict=True):
            known = self.known.get(structure_of(point))
            if known is None:
                structure = structure_of(point)
                self.known[structure] = _Known(
                    point, float(cost), 1, self.past.get(structure, np.inf)
                )
            else:
                known.starts += 1
                if cost < known.cost:
                    known.proposal, known.cost = point, float(cost)

    def promising(self, best: float, count: int) -> list[Proposal]:
        """List structures worth relaxing to the end, best first.

        Parameters
        ----------
        best : float
            Best buildable cost so far: what is not below it when relaxed cannot beat it.
        count : int
            How many at most.
        """
        open_ones = [
            k for k in self.known.values() if k.cost < best and k.cost < 0.995 * k.deepened
        ]
        return [k.proposal for k in sorted(open_ones, key=lambda k: k.cost)[:count]]

    def deepened(self, reached: Proposal, cost: float) -> None:
        """Note that a structure was relaxed to the end.

        Parameters
        ----------
        reached : Proposal
            Its relaxed optimum.
        cost : float
        """
        known = self.known[structure_of(reached)]
        known.deepened = cost
        if cost < known.cost:
            known.proposal, known.cost = reached, cost
