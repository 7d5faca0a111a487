"""A ranked, buildable network with every figure a report may print."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from optimizer.acoustics.averages import HalfWidths
from optimizer.acoustics.preference import PreferenceScore
from optimizer.arrays import Complex, Real
from optimizer.goals import GOALS
from optimizer.measure.curve import Direction
from optimizer.network.choices import Taken
from optimizer.network.network import Network
from optimizer.problem.agreement import NO_START, Agreement
from optimizer.problem.certificate import NEVER_SOUGHT, Certificate
from optimizer.problem.verdict import Verdict
from optimizer.text.brief import brief, clip, html_table


@dataclass(frozen=True, slots=True, kw_only=True)
class GoalFigure:
    """What one goal says of one candidate.

    Parameters
    ----------
    name : str
        Name of the goal ("on_axis").
    value : float
        The figure in `unit`.
    unit : str
        Unit of `value` ("dB rms").
    weight : float
        Weight of the goal.
    cost : float
        ``weight * value`` (0 for a hard limit that is met).
    met : bool
        False when a hard limit is broken.
    detail : str
        One short plain sentence for reports ("worst +1.3 dB at 2.1 kHz").
    known : str
        Within what the averages are known that the figure rests on; empty where all of them was
        measured.
    """

    name: str
    value: float
    unit: str
    weight: float
    cost: float
    met: bool = True
    detail: str = ""
    known: str = ""

    @property
    def told(self) -> str:
        """Everything that is to be said of the figure, wherever there is room for it."""
        return "; ".join(filter(None, (self.detail, self.known)))

    @property
    def counted(self) -> bool:
        """Whether `value` is a whole number."""
        return GOALS[self.name].counted


@dataclass(frozen=True, slots=True, kw_only=True)
class Completed:
    """What of the averages over directions was completed, not measured.

    Parameters
    ----------
    directions, of : int
        How many of the standard directions.
    mostly : tuple of str
        Curves of which more was completed than measured.
    band_db : dict of str to tuple of float
        Half widths by curve, see `optimizer.acoustics.averages.HalfWidths`.
    """

    directions: int
    of: int
    mostly: tuple[str, ...]
    band_db: dict[str, HalfWidths]


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveSet:
    """Every curve of one network on the grid of the problem; arrays are read-only.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
    named_db : dict of str to ndarray (F,)
        Level of each named curve in dB SPL at 1 m for 2.83 V: "on_axis" always,
        "listening_window", "early_reflections", "sound_power", "in_room" when directions exist.
    directivity_db : dict of str to ndarray (F,)
        "directivity_index" (sound power), "early_reflections_index".
    direction_db : ndarray, shape (A, F)
        Level in each direction.
    directions : tuple of Direction, length A
    way_db : ndarray, shape (W, F)
        On-axis level of each way alone, filtered.
    drive_db : ndarray, shape (W, F)
        Voltage at each driver's terminals re the amplifier's, in dB.
    impedance : ndarray, shape (F,), complex
        Input impedance in ohm.
    target_db : ndarray, shape (F,) or None
        The on-axis target at its fitted level; None without an on-axis goal.
    target_band_hz : tuple of float or None
        Band of the on-axis goal.
    way_pressure : ndarray, shape (W, F), complex, or None
        On-axis pressure of each way alone, filtered, polarity included; `way_db` is its level.
    completed : Completed or None
        How much of the averages was completed; None when nothing was.
    """

    frequency_hz: Real
    named_db: dict[str, Real]
    directivity_db: dict[str, Real]
    direction_db: Real
    directions: tuple[Direction, ...]
    way_db: Real
    drive_db: Real
    impedance: Complex
    target_db: Real | None = None
    target_band_hz: tuple[float, float] | None = None
    way_pressure: Complex | None = None
    completed: Completed | None = None

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A ranked result.

    Parameters
    ----------
    rank : int
        1 is best.
    cost : float
        Sum of the goals' costs; lower is better.
    network : Network
        What to build.
    goals : tuple of GoalFigure
        In the order of the problem.
    curves : CurveSet
        Every curve.
    impedance_min_ohm, impedance_min_hz : float
        Smallest modulus of the input impedance and where.
    epdr_min_ohm, epdr_min_hz : float
        Smallest equivalent peak dissipation resistance and where.
    sensitivity_db : float
        Mean on-axis level over 300 Hz to 3 kHz, dB at 1 m for 2.83 V.
    crossovers_hz : tuple of (float or None, float or None), one per way
        Frequencies where the way meets its lower and its upper neighbour in level.
    feasible : bool
        Whether every hard limit is met.
    certificate : Certificate
        What is known of better networks near it.
    relaxed_cost : float or None
        Best cost found for the same structure with values left continuous.
    expected_cost : float or None
        Mean cost of speakers whose parts deviate within their tolerances; it ranks in a robust fit.
    preference : PreferenceScore or None
        The score of Olive (2004), where the directions it needs are there.
    verdicts : tuple of Verdict
        What is in order and what is not.
    notes : tuple of str
        Warnings worth reading.
    taken : tuple of Taken
        Which alternative of each choice it builds, and where its controls stand.
    """

    rank: int
    cost: float
    network: Network
    goals: tuple[GoalFigure, ...]
    curves: CurveSet
    impedance_min_ohm: float
    impedance_min_hz: float
    epdr_min_ohm: float
    epdr_min_hz: float
    sensitivity_db: float
    crossovers_hz: tuple[tuple[float | None, float | None], ...]
    feasible: bool = True
    certificate: Certificate = NEVER_SOUGHT
    relaxed_cost: float | None = None
    expected_cost: float | None = None
    price: float | None = None
    preference: PreferenceScore | None = None
    verdicts: tuple[Verdict, ...] = ()
    notes: tuple[str, ...] = field(default=())
    taken: tuple[Taken, ...] = ()

    @property
    def no_better_change_of(self) -> int:
        """Every change of up to this many parts was computed or ruled out and none is better."""
        return self.certificate.changes

    @property
    def doubtful(self) -> bool:
        """Whether some verdict is bad: it stands behind those without one."""
        return any(verdict.state == "bad" for verdict in self.verdicts)

    @property
    def parts(self) -> int:
        """Number of pieces to buy or take from the shelf, for one speaker."""
        return self.network.piece_count

    def __repr__(self) -> str:
        return clip(
            f"<Candidate {self.rank}: cost {self.cost:.4g}, {self.parts} parts, "
            f"{'' if self.feasible else 'breaks a hard limit, '}{self.network}>"
        )

    def _repr_html_(self) -> str:
        rows: list[tuple[object, ...]] = [
            (goal.name, goal.value, goal.unit, goal.weight, goal.cost, goal.met)
            for goal in self.goals
        ]
        heads = ("goal", "figure", "unit", "weight", "cost", "met")
        return (
            html_table(f"Candidate {self.rank}: cost {self.cost:.4g}", heads, rows)
            + self.network._repr_html_()
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchResult:
    """What a search found and why it stopped.

    Parameters
    ----------
    candidates : tuple of Candidate
        Best first. When no network meets the hard limits, the nearest miss stands alone here
        with ``feasible=False``.
    stopped : {"converged", "budget", "interrupted"}
        Why the search ended.
    seconds : float
        Wall-clock time.
    evaluations : int
        Networks evaluated.
    seed : int
        Seed of the random generator.
    cost_relaxed_best : float or None
        Best cost with values left continuous, over all structures.
    notes : tuple of str
    agreement : Agreement
        How independent starts agree.
    counted : bool
        Whether the budget was one of networks, not of time.
    """

    candidates: tuple[Candidate, ...]
    stopped: Literal["converged", "budget", "interrupted"]
    seconds: float
    evaluations: int
    seed: int
    cost_relaxed_best: float | None = None
    notes: tuple[str, ...] = field(default=())
    agreement: Agreement = NO_START
    counted: bool = False

    @property
    def repeatable(self) -> bool:
        """Whether the same seed gives the same candidates, whatever the machine has to do besides."""
        return self.stopped == "converged" or (self.stopped == "budget" and self.counted)

    @property
    def best(self) -> Candidate:
        """The first candidate.

        Raises
        ------
        IndexError
            When an interrupted search has none.
        """
        return self.candidates[0]

    def __repr__(self) -> str:
        costs = ", ".join(f"{candidate.cost:.4g}" for candidate in self.candidates)
        return clip(
            f"<SearchResult {len(self.candidates)} candidates, cost {costs or 'none'}; "
            f"{self.stopped} after {self.seconds:.3g} s, seed {self.seed}>"
        )

    def _repr_html_(self) -> str:
        rows = [
            (c.rank, c.cost, c.parts, c.impedance_min_ohm, c.sensitivity_db, str(c.network))
            for c in self.candidates
        ]
        heads = ("no.", "cost", "parts", "lowest ohm", "dB at 1 m", "network")
        return html_table(f"{self.stopped} after {self.seconds:.3g} s", heads, rows)
