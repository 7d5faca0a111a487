"""The most a network may have of what adds up over its parts: a purse, a number of pieces, copper.

They are counted as the pieces of a stock are, see `optimizer.problem.supply`, so every search, proof
and proposal that respects a shelf keeps them as well.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields

import numpy as np

from optimizer.arrays import Counts, Flags, Index, Real
from optimizer.errors import InputError, Subject
from optimizer.goals.economy import Copper, EconomyGoal, Parts, Price, option_amounts
from optimizer.parts import KEPT, Part
from optimizer.problem.genome import Genome

_ROUNDING = 1e-6
"""Of a step: sums of prices as printed are exact to far less."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkLimits:
    """What one speaker may have at most; None for as much as it takes. Parts that stay are free.

    Parameters
    ----------
    price : float or None
        Of all parts, in the currency of the stock; owned pieces cost nothing. A part without a
        price counts as the dearest of its place.
    pieces : float or None
        Number of new pieces, joined ones counted each.
    copper_kg : float or None
        Copper in coils, see `optimizer.goals.economy.copper_kg`.
    """

    price: float | None = None
    pieces: float | None = None
    copper_kg: float | None = None

    def stated(self) -> Iterator[tuple[Limited, float]]:
        """List what is limited, and to how much."""
        for field in fields(self):
            most = getattr(self, field.name)
            if most is not None:
                yield LIMITED[field.name], most


@dataclass(frozen=True, slots=True, kw_only=True)
class Limited:
    """Something that may be limited.

    Parameters
    ----------
    name : str
        What it is called.
    goal : EconomyGoal
        Says how much of it a part has.
    step : float
        It is counted in whole numbers of this, rounded against the network.
    form : str
        How an amount of it is written.
    """

    name: str
    goal: EconomyGoal
    step: float
    form: str = "g"

    def say(self, amount: float, unit: str) -> str:
        """Write an amount with its unit."""
        return f"{amount:{self.form}} {unit}"


LIMITED: dict[str, Limited] = {
    "price": Limited(name="price", goal=Price(weight=1.0), step=1e-3, form=".2f"),
    "pieces": Limited(name="pieces", goal=Parts(weight=1.0), step=1.0),
    "copper_kg": Limited(name="copper", goal=Copper(weight=1.0), step=1e-6, form=".3g"),
}
"""By the attribute of `NetworkLimits`."""

NO_LIMITS = NetworkLimits()


class Budgets:
    """What every option of every gene takes of what is limited.

    Parameters
    ----------
    limits : NetworkLimits
    options : sequence of sequence of Part
        Options of each gene.
    gene_slot : ndarray of int, shape (G,)
        Slot of each gene.
    built : sequence of int or None, length G, optional
        Option of each gene in a network that stands on the bench: what it has already it may have.
    needed : sequence of bool, length G, optional
        Genes whose slot is never empty. What all networks have at least is allowed even where it is
        over a limit: of networks that break it these are the nearest, and they are told to break it.

    Attributes
    ----------
    stated : list of (Limited, float)
        What is limited, and to how much, length B.
    amounts : list of ndarray, each (B, O)
        What the options of each gene have, in the unit of the limit.
    steps : list of ndarray of int, each (B, O + 1)
        The same in steps; the last of each gene stands for an empty place.
    available : ndarray of int, shape (B,)
        Steps there are.
    least : ndarray, shape (B,)
        What every network has at least, in the unit of the limit.

    Raises
    ------
    InputError
        When the price is limited and no part of a place has one.
    """

    def __init__(
        self,
        limits: NetworkLimits,
        options: Sequence[Sequence[Part]],
        gene_slot: Index,
        built: Sequence[int | None] | None = None,
        needed: Sequence[bool] = (),
    ) -> None:
        self.gene_slot = gene_slot
        self.stated = list(limits.stated())
        count = len(self.stated)
        step = np.array([limited.step for limited, _ in self.stated]).reshape(count, 1)
        self.amounts = [self._amounts(parts) for parts in options]
        self.steps: list[Counts] = [
            np.pad(np.ceil(a / step - _ROUNDING).astype(np.int64), ((0, 0), (0, 1)))
            for a in self.amounts
        ]
        most = np.array([most for _, most in self.stated])
        self.available: Counts = np.floor(most / step[:, 0] + _ROUNDING).astype(np.int64)
        self.least: Real = np.zeros(count)
        least = np.zeros(count, dtype=np.int64)
        for must, amounts, steps in zip(needed, self.amounts, self.steps, strict=False):
            if must:
                self.least += amounts.min(axis=1)
                least += steps[:, :-1].min(axis=1)
        self.available = np.maximum(self.available, least)
        self.weight = 100.0 / np.maximum(self.available, 1)
        if built is not None and count:
            own = [s[:, -1 if k is None else k] for s, k in zip(self.steps, built, strict=True)]
            self.available = np.maximum(self.available, np.sum(own, axis=0))

    def _amounts(self, parts: Sequence[Part]) -> Real:
        try:
            rows = [option_amounts(limited.goal, parts) for limited, _ in self.stated]
        except InputError as error:
            raise InputError(
                error.rule.replace("the goal needs", "a largest price needs"),
                subject=Subject("limits", part="price"),
                remedy="give prices in the lists of parts, or limit no price",
            ) from None
        return np.array(rows).reshape(len(rows), len(parts))

    def measure(self, part: Part) -> Real:
        """Return what a part has that is none of the options, shape (B,)."""
        own = [limited.goal.measure(part) for limited, _ in self.stated]
        return np.array(own) * (part.origin != KEPT)

    def __bool__(self) -> bool:
        return bool(self.stated)

    def used(self, genome: Genome, without: Sequence[int] = ()) -> Counts:
        """Return the steps that a network takes of each limit, shape (B,)."""
        total = np.zeros(len(self.stated), dtype=np.int64)
        for g, choice in enumerate(genome.choice):
            if genome.present[self.gene_slot[g]] and g not in without:
                total += self.steps[g][:, choice]
        return total

    def excess(self, filled: Flags, choice: Index) -> Real:
        """Say by how much several networks are over their limits.

        Parameters
        ----------
        filled : ndarray of bool, shape (P, G)
        choice : ndarray of int, shape (P, G)

        Returns
        -------
        ndarray, shape (P,)
            For each limit that is broken 1 and its excess in percent of it.
        """
        total = np.zeros((len(self.stated), len(choice)), dtype=np.int64)
        for g, steps in enumerate(self.steps):
            total += np.where(filled[:, g], steps[:, choice[:, g]], 0)
        return self._weigh(total)

    def least_excess(self, filled: Flags) -> Real:
        """Say by how much networks of several structures are over their limits at least, shape (P,).

        Parameters
        ----------
        filled : ndarray of bool, shape (P, G)
        """
        least = np.array([steps[:, :-1].min(axis=1) for steps in self.steps])
        return self._weigh((filled @ least).T)

    def _weigh(self, total: Counts) -> Real:
        over = np.maximum(total - self.available[:, None], 0)
        return np.asarray((over * self.weight[:, None] + (over > 0)).sum(axis=0))
