"""Named averages from incomplete sets of directions: what is used, and what is said."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.acoustics.averages import CURVE_NAMES, named_averages
from optimizer.measure.curve import ON_AXIS, Direction


def right(*angles: float) -> list[Direction]:
    return [ON_AXIS, *(Direction(horizontal_deg=a) for a in angles)]


def weights(name: str, directions: list[Direction], **options: bool) -> dict[str, float]:
    average = named_averages(directions, **options)[name]
    return {str(d): float(w) for d, w in zip(directions, average.weights, strict=True) if w}


def said(name: str, directions: list[Direction], **options: bool) -> str:
    return "; ".join(named_averages(directions, **options)[name].assumed)


def test_axis_alone_gives_no_averages() -> None:
    """With one direction there is only the axis."""
    assert list(named_averages([ON_AXIS])) == ["on_axis"]


def test_every_average_sums_to_one() -> None:
    """Weights of every curve sum to 1, however few directions there are."""
    for directions in (
        right(15.0, 30.0, 45.0, 60.0),
        right(180.0),
        right(90.0),
        [ON_AXIS, Direction(vertical_deg=-20.0)],
    ):
        for average in named_averages(directions).values():
            assert average.weights.sum() == pytest.approx(1.0)
            assert np.all(average.weights >= 0.0)


def test_one_side_in_steps_of_fifteen() -> None:
    """The usual incomplete set, right side 0 to 60 in steps of 15: the window is interpolated in
    energy and mirrored, and both are said."""
    directions = right(15.0, 30.0, 45.0, 60.0)
    # 0; +-10 = 1/3 of 0 and 2/3 of 15; +-20 = 2/3 of 15 and 1/3 of 30; +-30
    expected = {"0": 1 + 2 / 3, "15 right": 2 * (2 / 3 + 2 / 3), "30 right": 2 * (1 / 3 + 1)}
    total = sum(expected.values())
    got = weights("listening_window", directions, mirror=True)
    assert got == pytest.approx({k: v / total for k, v in expected.items()})
    words = said("listening_window", directions, mirror=True)
    assert "mirror images, as stated" in words
    assert "interpolated between angles up to 15 degrees apart" in words
    assert "without vertical 10 degrees (not measured)" in words


def test_mirror_that_was_not_stated_is_said() -> None:
    """One side only is taken for both, and the report says that nobody stated it."""
    assert "because one side only was measured" in said("front", right(10.0, 20.0, 30.0))


def test_missing_bounces_are_named() -> None:
    """Without vertical directions floor and ceiling are missing, and early reflections say so."""
    averages = named_averages(right(*range(10, 190, 10)), mirror=True)
    assert "floor" not in averages
    assert "without floor, ceiling" in "; ".join(averages["early_reflections"].assumed)


def test_wide_gaps_are_not_bridged() -> None:
    """Between angles more than 45 degrees apart nothing is invented."""
    averages = named_averages(right(90.0), mirror=True)
    assert "side" not in averages
    assert "without horizontal 10 to 30" in said("listening_window", right(90.0), mirror=True)


def test_no_interpolation_on_measured_angles() -> None:
    """On the standard grid nothing is interpolated and nothing is said to be missing."""
    turn = [s * a for a in range(10, 180, 10) for s in (1, -1)]
    directions = [
        *right(180.0, *map(float, turn)),
        *(Direction(vertical_deg=float(a)) for a in turn),
    ]
    for name in CURVE_NAMES:
        words = said(name, directions)
        assert "interpolated" not in words
        assert "not measured" not in words


def test_straight_behind_belongs_to_both_orbits() -> None:
    """180 degrees closes both orbits, from either end."""
    directions = [
        ON_AXIS,
        *(Direction(horizontal_deg=s * a) for a in (40.0, 80.0, 120.0, 160.0) for s in (1.0, -1.0)),
        Direction(horizontal_deg=180.0),
    ]
    got = weights("rear", directions)
    assert got["180 right"] > 0.0
    assert got["160 right"] == pytest.approx(got["160 left"])


def test_interpolation_is_said_of_each_curve() -> None:
    """Each curve names the widest gap it bridges, early reflections for their bounces together."""
    vertical = [Direction(vertical_deg=s * a) for a in (10.0, 20.0, 40.0, 60.0) for s in (1, -1)]
    directions = right(*range(10, 100, 10), 120.0, 150.0, 180.0) + vertical
    assert "interpolated" not in said("listening_window", directions, mirror=True)
    words = said("in_room", directions, mirror=True)
    for curve in ("early reflections", "sound power"):
        assert f"{curve}: energy interpolated between angles up to 30 degrees apart" in words
    assert words.count("interpolated") == 2
