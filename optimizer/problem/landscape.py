"""The cost of every network of a space, tabulated so that changes can be valued exactly."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

from optimizer.problem.evaluator import Evaluator
from optimizer.problem.space import Space
from optimizer.problem.tables import Tables


class Landscape:
    """A space under some goals: tables of its options on ever finer grids.

    Parameters
    ----------
    space : Space
        What may be chosen, and what choosing costs.
    evaluators : sequence of Evaluator
        Lower bounds first, the roughest and cheapest of all at the head; the last one is exact.

    Notes
    -----
    A goal is the norm of its residuals, and leaving residuals out can only make it smaller: the
    cost on some of the points is a lower bound of the cost on all of them.
    """

    def __init__(self, space: Space, evaluators: Sequence[Evaluator]) -> None:
        self.space = space
        self._evaluators = tuple(evaluators)

    @cached_property
    def full(self) -> Tables:
        """Exact costs."""
        return Tables(self._evaluators[-1], self.space)

    @cached_property
    def levels(self) -> tuple[Tables, ...]:
        """Bounds, the cheapest first, and last the exact costs."""
        return (*(Tables(e, self.space) for e in self._evaluators[:-1]), self.full)
