"""What a front between two goals is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from optimizer.problem.candidate import Candidate
from optimizer.text.brief import brief, clip, html_table


@dataclass(frozen=True, slots=True, kw_only=True)
class TradePoint:
    """One point of a front.

    Parameters
    ----------
    a, b : float
        Figures of the two goals.
    weights : tuple of float
        Weights of the two goals that its cost and its certificate are for.
    candidate : Candidate
        The network; its cost is by those weights.
    cheapest : bool
        Whether nothing met costs less by these weights. A network in a dent of the front is the
        cheapest for no weights; it is proven at those for which its neighbours cost the same.
    knee : bool
        Whether the front bends most here.
    """

    a: float
    b: float
    weights: tuple[float, float]
    candidate: Candidate
    cheapest: bool = True
    knee: bool = False

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True)
class TradeResult:
    """A front and how it was found.

    Parameters
    ----------
    between : tuple of str
        Names of the two goals.
    units : tuple of str
        Units of their figures.
    points : tuple of TradePoint
        From the best of the first goal to the best of the second; none betters another in both.
    stopped : {"converged", "budget", "interrupted"}
        Why it ended.
    seconds : float
        Wall-clock time.
    evaluations : int
        Networks evaluated.
    seed : int
        Seed of the random generator.
    notes : tuple of str
        What happened that a reader should know.
    """

    between: tuple[str, str]
    units: tuple[str, str]
    points: tuple[TradePoint, ...]
    stopped: Literal["converged", "budget", "interrupted"]
    seconds: float
    evaluations: int
    seed: int
    notes: tuple[str, ...] = ()

    def __repr__(self) -> str:
        front = ", ".join(f"{point.a:.3g}/{point.b:.3g}" for point in self.points)
        return clip(
            f"<TradeResult {' against '.join(self.between)}: {len(self.points)} points {front}; "
            f"{self.stopped}>"
        )

    def _repr_html_(self) -> str:
        rows = [
            (p.a, p.b, p.candidate.parts, p.knee, str(p.candidate.network)) for p in self.points
        ]
        names = [f"{name} ({unit})" for name, unit in zip(self.between, self.units, strict=True)]
        return html_table(
            " against ".join(self.between), (*names, "parts", "knee", "network"), rows
        )
