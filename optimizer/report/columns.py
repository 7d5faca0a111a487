"""Columns: every figure by which networks are compared, said once and rendered everywhere.

A column says what a figure is called, its unit, its value for a candidate, and which way is
better. The tables of `fit`, `trade`, `check` and `voice`, the page with its points of the trade,
and JSON all read `COLUMNS`; a figure that is added here appears in each of them. Figures that a
design brings along itself (its goals, the crossovers between its ways) are families: they make
their columns from a candidate.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, Literal

from optimizer.problem.candidate import Candidate, GoalFigure
from optimizer.report.words import say_frequency, say_states

MORE: Literal["more"] = "more"
LESS: Literal["less"] = "less"

NONE = "-"
"""What is written where a candidate has no figure."""

Value = float | int | str | None


@dataclass(frozen=True, slots=True)
class Column:
    """One figure of a candidate.

    Parameters
    ----------
    name : str
        Key in JSON and on pages.
    title : str
        What it is called.
    unit : str
        Its unit, or what kind of figure it is.
    value : callable
        The figure of a candidate; None where it has none, text where it is no number.
    at : callable, optional
        Frequency in Hz at which the figure was found.
    better : {"more", "less"}, optional
        Which way is better; None where neither is.
    digits : int
        Decimals.
    short : str
        Name and unit where a column of a table is narrow, each on a line of its own.
    form : callable, optional
        How the figure is written, where not with so many decimals.
    broken : callable, optional
        Whether the figure breaks a hard limit.
    """

    name: str
    title: str
    unit: str
    value: Callable[[Candidate], Value]
    at: Callable[[Candidate], float | None] | None = None
    better: Literal["more", "less"] | None = None
    digits: int = 2
    short: str = ""
    form: Callable[[Any], str] | None = None
    broken: Callable[[Candidate], bool] | None = None

    def say(self, candidate: Candidate) -> str:
        """Write the figure of a candidate, without its unit; a dash where there is none."""
        return self.say_value(self.value(candidate))

    def say_value(self, value: Value) -> str:
        """Write a figure, without its unit."""
        if value is None or (isinstance(value, float) and math.isnan(value)):
            return NONE
        if self.form is not None:
            return self.form(value)
        if isinstance(value, str):
            return value
        return f"{value:.{self.digits}f}"

    def say_place(self, candidate: Candidate) -> str:
        """Write the frequency at which the figure was found."""
        return say_frequency(None if self.at is None else self.at(candidate))

    @property
    def head(self) -> str:
        """Name and unit for the head of a narrow column."""
        return self.short or "\n".join(filter(None, (self.title, self.unit)))

    def lead(self, candidates: Sequence[Candidate]) -> list[bool]:
        """Mark the candidates that lead by this figure as it is written, unless all are alike."""
        none = [False] * len(candidates)
        if self.better is None:
            return none
        sign = 1.0 if self.better == LESS else -1.0
        values = [self.value(c) for c in candidates]
        ranked = [
            sign * round(v, self.digits) if isinstance(v, int | float) and math.isfinite(v)
            else math.inf
            for v in values
        ]  # fmt: skip
        least = min(ranked)
        if max(ranked) <= least:
            return none
        broken = [self.broken is not None and self.broken(c) for c in candidates]
        return [v == least and not bad for v, bad in zip(ranked, broken, strict=True)]


@dataclass(frozen=True, slots=True)
class Family:
    """Columns that a design brings along: made from any candidate of its problem."""

    name: str
    expand: Callable[[Candidate], Sequence[Column]]


def _goal_column(index: int, goal: GoalFigure) -> Column:
    def find(candidate: Candidate) -> GoalFigure:
        return candidate.goals[index]

    words = goal.name.replace("_", " ")
    return Column(
        goal.name,
        f"  {words}",
        goal.unit,
        lambda c: find(c).value,
        better=LESS,
        digits=0 if goal.counted else 2,
        short=f"{words}\n{goal.unit}",
        broken=lambda c: not find(c).met,
    )


def _goals(candidate: Candidate) -> list[Column]:
    return [_goal_column(index, goal) for index, goal in enumerate(candidate.goals)]


def _crossover(index: int, low: str, high: str) -> Column:
    return Column(
        f"crossover_{low}_{high}",
        f"{low} to {high}",
        "crossover",
        lambda c: c.crossovers_hz[index][1],
        short=f"{low}/\n{high}",
        form=say_frequency,
    )


def _crossovers(candidate: Candidate) -> list[Column]:
    pairs = pairwise(way.name for way in candidate.network.ways)
    return [_crossover(index, low, high) for index, (low, high) in enumerate(pairs)]


COLUMNS: list[Column | Family] = [
    Column("cost", "cost", "", lambda c: c.cost, better=LESS, digits=3),
    Column("cost_expected", "expected cost", "", lambda c: c.expected_cost, better=LESS, digits=3),
    Column("doubts", "verdicts", "", lambda c: say_states(c), short="ver-\ndicts",
           broken=lambda c: c.doubtful),
    Family("goals", _goals),
    Column("impedance_min", "lowest impedance", "ohm", lambda c: c.impedance_min_ohm,
           at=lambda c: c.impedance_min_hz, better=MORE, short="lowest\nohm"),
    Column("epdr_min", "hardest load (EPDR)", "ohm", lambda c: c.epdr_min_ohm,
           at=lambda c: c.epdr_min_hz, better=MORE, short="EPDR\nohm"),
    Family("crossovers", _crossovers),
    Column("sensitivity_db", "sensitivity", "dB at 1 m", lambda c: c.sensitivity_db,
           better=MORE, digits=1, short="dB for\n2.83 V"),
    Column("preference", "preference score", "",
           lambda c: None if c.preference is None else c.preference.score,
           digits=1, short="pref.\nscore"),
    Column("no_better_change_of", "proved against", "part changes",
           lambda c: c.no_better_change_of, form=lambda count: str(count or NONE),
           short="proved\nagainst"),
    Column("parts", "pieces", "", lambda c: c.parts, better=LESS, digits=0),
    Column("price", "price", "", lambda c: c.price, better=LESS),
]  # fmt: skip
"""Every figure by which candidates are compared, in the order in which they are shown."""

COSTS = ("cost", "cost_expected")
"""Columns that cannot be compared along a front, where each candidate has its own weights."""


@contextlib.contextmanager
def with_column(column: Column) -> Iterator[Column]:
    """Have one column more for a while.

    Parameters
    ----------
    column : Column
        Shown after all others.

    Raises
    ------
    ValueError
        When there is one of this name already.
    """
    if any(one.name == column.name for one in COLUMNS):
        raise ValueError(f"there is a column {column.name!r} already")
    COLUMNS.append(column)
    try:
        yield column
    finally:
        COLUMNS.remove(column)


def list_columns(
    candidates: Sequence[Candidate],
    *,
    units: Mapping[str, str] | None = None,
    without: Sequence[str] = (),
) -> list[Column]:
    """List the columns that say anything of some candidates of one problem.

    Parameters
    ----------
    candidates : sequence of Candidate
        What is compared.
    units : mapping of str to str, optional
        Units by the name of the column, where only the problem knows them: the currency of prices.
    without : sequence of str
        Columns and families to leave out.

    Returns
    -------
    list of Column
        Those with a figure for at least one of them, and all of the families.
    """
    found: list[Column] = []
    for entry in COLUMNS:
        if entry.name in without:
            continue
        if isinstance(entry, Family):
            found += entry.expand(candidates[0])
        elif any(entry.say(c) != NONE for c in candidates):
            found.append(replace(entry, unit=(units or {}).get(entry.name, entry.unit)))
    return found


def own_columns() -> list[Column]:
    """List the columns that are no family's."""
    return [entry for entry in COLUMNS if isinstance(entry, Column)]
