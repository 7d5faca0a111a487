"""Geometry of a front, its chart, and the sentences about its steps."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.errors import InputError
from optimizer.goals import Impedance, InRoom, OnAxis
from optimizer.report.documents.trade import place_marks, say_amount, say_shift, say_values
from optimizer.search.trade.between import choose_goals
from optimizer.search.trade.front import choose_spread, find_knee, keep_beside, keep_undominated

Points = st.lists(st.tuples(st.floats(0.0, 10.0), st.floats(0.0, 10.0)), min_size=1, max_size=30)


@settings(deadline=None)
@given(Points)
def test_undominated_points_are_what_brute_force_keeps(points: list[tuple[float, float]]) -> None:
    """A point stays when no other is nowhere worse and somewhere better; of equal ones one."""
    figures = np.round(np.array(points), 1)
    kept = keep_undominated(figures)

    def bettered(p: np.ndarray) -> bool:
        return any(np.all(q <= p) and np.any(q < p) for q in figures)

    expected = {tuple(p) for p in figures if not bettered(p)}
    assert {tuple(figures[k]) for k in kept} == expected
    assert len(kept) == len(expected)
    assert np.all(np.diff(figures[kept, 0]) > 0.0)


def test_points_beside_a_front_fill_its_gaps() -> None:
    """Only what neither betters a point of the front nor is bettered stands beside it."""
    front = np.array([[0.0, 4.0], [2.0, 2.0], [4.0, 0.0]])
    others = np.array(
        [
            [1.0, 3.5],  # in a gap
            [1.2, 3.6],  # bettered by the one before
            [1.9, 1.9],  # betters the middle
            [3.0, 3.0],  # bettered by the middle
            [2.0, 2.0],  # the middle again
            [5.0, -1.0],  # beyond an end
        ]
    )
    assert keep_beside(others, front) == [0, 5]
    assert keep_beside(others[:0], front) == []
    assert keep_beside(others, front[:0]) == keep_undominated(others)


def test_knee_is_the_point_furthest_below_the_chord() -> None:
    """On a hyperbola the knee is its middle; a straight front has none."""
    x = np.linspace(0.2, 5.0, 25)
    figures = np.stack([x, 1.0 / x], axis=1)
    knee = find_knee(figures)
    assert knee is not None
    # y = 1/x scaled to the unit square: furthest from the chord where the slope is that of the
    # chord, which is x = 1.
    assert figures[knee, 0] == pytest.approx(1.0, abs=0.11)
    assert find_knee(np.array([[0.0, 2.0], [1.0, 1.0], [2.0, 0.0]])) is None
    assert find_knee(figures[:2]) is None


def test_spread_keeps_ends_and_wanted_points() -> None:
    """The ends and the points asked for stay; the rest lie far apart."""
    x = np.linspace(0.0, 1.0, 41)
    figures = np.stack([x, 1.0 - x], axis=1)
    kept = choose_spread(figures, 5, always=[3])
    assert {0, 3, 40} <= set(kept)
    assert len(kept) == 5
    assert min(np.diff(sorted(set(kept) - {3}))) >= 8
    assert choose_spread(figures[:4], 5) == [0, 1, 2, 3]


def test_spread_prefers_points_that_are_best_for_some_weights() -> None:
    """Preferred points come first unless they crowd together."""
    x = np.linspace(0.0, 1.0, 41)
    figures = np.stack([x, 1.0 - x], axis=1)
    kept = choose_spread(figures, 5, preferred=[11, 12, 31])
    assert 31 in kept
    assert (11 in kept) != (12 in kept)


def test_marks_stay_apart() -> None:
    """Points of a chart lie by their figures; two on one spot stand beside each other."""
    marks = place_marks([0.0, 0.0, 1.0], [1.0, 1.0, 0.0], columns=20, rows=5)
    assert marks == {(0, 0): 0, (0, 1): 1, (4, 19): 2}


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.404, "dB rms", "0.40 dB"),
        (1.0, "pieces", "1 piece"),
        (3.0, "pieces", "3 pieces"),
        (12.34, "deg rms", "12.3 deg"),
        (0.5, "EUR", "0.50 EUR"),
        (1.0, "changes", "1 change"),
        (0.004, "dB rms", "less than 0.01 dB"),
        (0.0, "dB rms", "0.00 dB"),
    ],
)
def test_amounts_in_words(value: float, unit: str, text: str) -> None:
    """Differences are said with their unit, counts without decimals."""
    assert say_amount(value, unit, counted=unit in ("pieces", "changes")) == text


def test_figures_in_a_column_stay_apart() -> None:
    """Two decimals are enough unless two figures would read alike; counts have none."""
    assert say_values([0.2, 0.31]) == ["0.20", "0.31"]
    assert say_values([0.2, 0.2031, 0.31]) == ["0.200", "0.203", "0.310"]
    assert say_values([12.0, 11.0], counted=True) == ["12", "11"]


def test_a_range_names_a_common_unit_once() -> None:
    """Frequencies of one unit share it."""
    assert say_shift(1990.0, 1540.0) == "1.99 to 1.54 kHz"
    assert say_shift(950.0, 1200.0) == "950 Hz to 1.2 kHz"


def test_goals_are_chosen_from_the_design() -> None:
    """Without a choice: the direct sound against the first goal off the axis that is there."""
    specs = {
        "on_axis": OnAxis(),
        "in_room": InRoom(),
        "impedance": Impedance(),
    }
    assert choose_goals(specs, None) == ("on_axis", "in_room")
    assert choose_goals({"on_axis": OnAxis()}, None) == ("on_axis", "early_reflections")
    assert choose_goals(specs, ["in_room", "similarity"]) == ("in_room", "similarity")
    with pytest.raises(InputError, match="hard limit"):
        choose_goals(specs, ["on_axis", "impedance"])
