"""Other weights on a problem whose tables stand: the answers are those of a design that states
them."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

import optimizer
from tests.end_to_end.judge import GRID, write_drivers

DESIGN = """\
ways:
  woofer:
    ladder:
      - {name: L1, series: inductor, from: 0.3 mH, to: 3.3 mH}
      - {name: C1, shunt: capacitor, from: 3.3 uF, to: 33 uF, optional: yes}
  tweeter:
    polarity: free
    ladder:
      - {name: C1, series: capacitor, from: 2.2 uF, to: 22 uF}
      - {name: L1, shunt: inductor, from: 0.1 mH, to: 1 mH, optional: yes}
goals:
  on_axis: {band: 150..12k, weight: ON_AXIS}
  in_room: {band: 150..10k, weight: IN_ROOM}
  directivity: {band: 200..8k, weight: DIRECTIVITY}
  impedance: {floor: 4 ohm, hard: yes}
  parts: {each: PARTS}
stock: {series: E6}
"""

FIRST = {"on_axis": 1.0, "in_room": 0.5, "directivity": 0.3, "parts": 0.03}
OTHER = {"on_axis": 0.0, "in_room": 0.5, "directivity": 5.0, "parts": 0.2}


def write(folder: Path, name: str, weights: dict[str, float]) -> Path:
    text = DESIGN
    for goal, weight in weights.items():
        text = text.replace(goal.upper(), f"{weight}")
    path = folder / name
    drivers = write_drivers(folder, "woofer", "tweeter")
    path.write_text(f"{drivers}{text}{GRID}", encoding="utf-8")
    return path


def search(problem: optimizer.Problem) -> list[optimizer.Candidate]:
    return list(optimizer.fit(problem, exact=True, top=5).candidates)


def networks(candidates: list[optimizer.Candidate]) -> list[str]:
    return [repr(candidate.network) for candidate in candidates]


@pytest.fixture
def first(tmp_path: Path) -> optimizer.Problem:
    return optimizer.load(write(tmp_path, "first.yaml", FIRST))


@pytest.fixture
def stated(tmp_path: Path) -> optimizer.Problem:
    return optimizer.load(write(tmp_path, "other.yaml", OTHER))


@pytest.mark.thorough
def test_a_reweighted_problem_searches_under_its_own_weights(
    first: optimizer.Problem, stated: optimizer.Problem
) -> None:
    """After a search, a copy with other weights finds what a design with these weights finds, at
    the same costs; each is the sum of weight times figure; the first problem answers as before."""
    before = search(first)
    changed = {name: weight for name, weight in OTHER.items() if weight != FIRST[name]}
    other = first.replace(goals=first.goals.weighted(**changed))
    found, wanted = search(other), search(stated)
    assert networks(found) == networks(wanted)
    assert [c.cost for c in found] == pytest.approx([c.cost for c in wanted], abs=1e-9)
    # The weights matter: under the first ones other networks are best.
    assert networks(found) != networks(before)
    for candidate in found:
        figures = {goal.name: goal for goal in candidate.goals}
        assert {n: figures[n].weight for n in OTHER} == OTHER
        by_hand = sum(weight * figures[name].value for name, weight in OTHER.items())
        assert candidate.cost == pytest.approx(by_hand + figures["impedance"].cost, abs=1e-9)
    again = search(first)
    assert networks(again) == networks(before)
    assert [c.cost for c in again] == [c.cost for c in before]


def test_a_front_after_a_fit_is_true(tmp_path: Path) -> None:
    """On a problem that was fitted before, each point of a front is the best network of all by its
    own weights, as a design that states these weights says."""

    def write_few(name: str, **weights: float) -> Path:
        # The sound in the room, which goes with that on the axis, hardly counts.
        path = write(tmp_path, name, FIRST | {"in_room": 0.01, "directivity": 1.0} | weights)
        lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
        path.write_text(
            "".join(line for line in lines if "L1, shunt" not in line), encoding="utf-8"
        )
        return path

    fitted = optimizer.load(write_few("few.yaml"))
    optimizer.fit(fitted, exact=True, top=1)
    between = ("on_axis", "directivity")
    front = optimizer.trade(fitted, between, points=3, seconds=math.inf, seed=1)
    assert front.stopped == "converged"
    assert len(front.points) >= 3
    for point in front.points:
        if point.cheapest:
            weights = dict(zip(between, point.weights, strict=True))
            stated = optimizer.load(write_few("point.yaml", **weights))
            best = optimizer.fit(stated, exact=True, top=1).best
            assert point.candidate.cost == pytest.approx(best.cost, abs=1e-6)
