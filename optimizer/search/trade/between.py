"""Which two goals a front lies between, and problems that lack one of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from optimizer.errors import InputError, Subject
from optimizer.goals import GOALS, Goal
from optimizer.problem.problem import Problem
from optimizer.text.suggest import suggest

FIRST_GOALS = ("on_axis", "listening_window")
SECOND_GOALS = (
    "early_reflections",
    "in_room",
    "off_axis",
    "sound_power",
    "similarity",
    "directivity",
)
"""Goals that a front lies between unless told otherwise: the first of each that there is."""


def choose_goals(goals: Mapping[str, Goal], asked: Sequence[str] | None) -> tuple[str, str]:
    """Choose the two goals of the front.

    Parameters
    ----------
    goals : mapping of str to Goal
        Those that there are.
    asked : sequence of str or None
        What the user named.

    Raises
    ------
    InputError
        Not two goals, unknown, hard or equal ones.
    """
    front = Subject("front", part="goals")
    if asked is None:
        first = next((n for n in FIRST_GOALS if n in goals), FIRST_GOALS[0])
        second = next((n for n in SECOND_GOALS if n in goals), SECOND_GOALS[0])
        return first, second
    for name in asked:
        if name not in GOALS:
            raise InputError(
                "there is no goal of this name",
                subject=front,
                value=repr(name),
                remedy=suggest(name, GOALS),
            )
        if name in goals and goals[name].hard:
            raise InputError(
                "a hard limit cannot be traded",
                subject=front,
                value=name,
                remedy="let it be a goal",
                by_stating=(Subject("goal", name, "hard"),),
            )
    if len(asked) != 2 or asked[0] == asked[1]:
        raise InputError(
            "a front lies between two different goals", subject=front, value=" and ".join(asked)
        )
    return asked[0], asked[1]


def with_goals(problem: Problem, names: tuple[str, str]) -> Problem:
    """Return the problem with goals of these names, at their defaults where it has none.

    Raises
    ------
    InputError
        When the data of the problem cannot tell such a goal.
    """
    missing = [name for name in names if name not in problem.goals]
    if not missing:
        return problem
    added = [GOALS[name]() for name in missing]
    added = [replace(goal, hard=False) if goal.hard else goal for goal in added]
    said = f"{', '.join(missing)}: not among the goals, taken with default options"
    return problem.replace(
        goals={**problem.goals, **{goal.name: goal for goal in added}},
        assumed=(*problem.assumed, said),
    )
