"""The goals of a problem as one immutable value, and goals stated in Python."""

from __future__ import annotations

import pickle

import numpy as np
import pytest

from optimizer.errors import InputError, Subject
from optimizer.goals import GOALS, GoalSet, Impedance, InRoom, OnAxis, Parts, goal_cost
from optimizer.problem.space import Genome
from optimizer.testing import small_problem


def test_other_weights_make_another_value() -> None:
    """`weighted` changes the named weights alone and leaves the set it was asked of as it is."""
    goals = GoalSet([OnAxis(tilt_db_per_octave=-0.5), Parts(weight=0.03)])
    other = goals.weighted(on_axis=0.0, parts=0.1)
    assert other == GoalSet([OnAxis(tilt_db_per_octave=-0.5, weight=0.0), Parts(weight=0.1)])
    assert goals["on_axis"].weight == 1.0
    assert list(other) == list(goals)
    with pytest.raises(TypeError):
        goals["parts"] = Parts()  # type: ignore[index]
    for wrong, value in (("in_room", 1.0), ("on_axis", -1.0), ("on_axis", float("nan"))):
        with pytest.raises(InputError):
            goals.weighted(**{wrong: value})


def test_goals_are_replaced_added_and_left_out() -> None:
    """`replace` keeps the order, adds at the end and leaves out what is None."""
    goals = GoalSet([OnAxis(), Impedance(), Parts()])
    other = goals.replace(impedance=Impedance(floor_ohm=6.0), parts=None, in_room=InRoom())
    assert list(other) == ["on_axis", "impedance", "in_room"]
    assert other["impedance"] == Impedance(floor_ohm=6.0)
    assert list(goals) == ["on_axis", "impedance", "parts"]


def test_a_set_holds_goals_under_their_names() -> None:
    """Anything else is refused where it is written."""
    for wrong in ({"on_axis": Parts()}, {"on_axis": {"weight": 1.0}}, {"on_axis": None}):
        with pytest.raises(TypeError, match="must be a goal of that name"):
            GoalSet(wrong)  # type: ignore[arg-type]


def test_equal_choices_are_equal_values() -> None:
    """Sets compare, hash and travel between processes by what they ask for."""
    one = GoalSet([OnAxis(band_hz=(80.0, 16000.0)), Parts()])
    again = pickle.loads(pickle.dumps(one))
    assert again == one
    assert hash(again) == hash(one)
    assert one != one.weighted(parts=0.2)
    assert repr(one) == "<GoalSet OnAxis(band_hz=(80.0, 16000.0)), Parts()>"
    assert len(repr(GoalSet(goal() for goal in GOALS.values()))) <= 240


@pytest.mark.parametrize(
    ("wanted", "rule", "part"),
    [
        ({"on_axis": {"band": "60"}}, "a range is two values", "band"),
        ({"on_axis": {"band": 60.0}}, "a band is a range", "band"),
        ({"on_axis": {"band": "18k .. 60"}}, "must rise", "band"),
        ({"on_axis": {"band": (0.0, 100.0)}}, "above 0 Hz", "band"),
        ({"on_axis": {"weight": -1}}, "at least 0", "weight"),
        ({"on_axis": {"tilt": "steep"}}, "dB/oct", "tilt"),
        ({"impedance": {"floor": 0}}, "above 0 ohm", "floor"),
        ({"impedance": {"hard": "yes"}}, "True or False", "hard"),
        ({"on_axis": {"tlit": 0}}, "unknown option", ""),
    ],
)
def test_what_python_states_keeps_the_rules(wanted: dict, rule: str, part: str) -> None:
    """A value that breaks the rule of its option names goal, option and rule."""
    with pytest.raises(InputError, match=rule) as caught:
        GoalSet.stated(wanted)
    (name,) = wanted
    assert caught.value.subject == Subject("goal", name, part)


def test_what_python_states_is_read_by_the_options_of_the_class() -> None:
    """Text with a unit, plain SI numbers, pairs, the word free, and a weight alone."""
    goals = GoalSet.stated(
        {
            "parts": 0.05,
            "on_axis": {"band": "60 .. 18k", "level": "86 dB", "tilt": "-0.5 dB/oct"},
            "in_room": {"band": (80, 16e3), "tilt": "free", "level": None},
            "impedance": Impedance(floor_ohm=5.0),
        }
    )
    assert list(goals) == ["on_axis", "in_room", "impedance", "parts"]
    assert goals["on_axis"] == OnAxis(
        band_hz=(60.0, 18000.0), level_db=(86.0, 86.0), tilt_db_per_octave=-0.5
    )
    assert goals["in_room"] == InRoom(band_hz=(80.0, 16000.0))
    assert goals["parts"] == Parts(weight=0.05)
    assert GoalSet.stated(goals) is goals


def test_another_weight_of_a_prepared_goal_scales_its_cost() -> None:
    """The residuals stay, the cost follows the weight."""
    problem = small_problem()
    space = problem.space
    genome = Genome(
        choice=np.zeros(len(space.genes), dtype=np.intp),
        present=np.ones(len(space.slots), dtype=bool),
        polarity=space.polarity_start.copy(),
    )
    curves = problem.evaluator.curves(space.population([genome]))
    (on_axis,) = [g for g in problem.evaluator.goals if g.name == "on_axis"]
    residuals = on_axis.residuals(curves)
    cost = goal_cost(on_axis, residuals)
    assert cost > 0.0
    heavier = on_axis.weighted(3.0 * on_axis.weight)
    assert np.array_equal(heavier.residuals(curves), residuals)
    assert goal_cost(heavier, residuals) == pytest.approx(3.0 * cost)
