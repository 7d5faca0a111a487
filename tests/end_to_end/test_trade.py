"""`laddersmith trade` from files to front, and what goals on reflections do to a design."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from itertools import count, pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer.demo.write import build_files
from optimizer.design.build import build_problem, load_design
from optimizer.problem.certificate import Certificate
from optimizer.problem.problem import Problem
from optimizer.report.document import Document
from optimizer.report.documents.trade import document_trade, front_sections, say_step
from optimizer.report.render.json import candidate_to_json
from optimizer.report.render.terminal import print_text
from optimizer.search.fit import search
from optimizer.search.progress import SearchProgress
from optimizer.search.trade.explore import search_trade
from optimizer.search.trade.result import TradeResult
from optimizer.search.trade.tasks import reweight
from tests.conftest import fronts_kept

ROOT = Path(__file__).resolve().parents[2]

TWO_WAYS = """\
ways:
  midrange:
    ladder:
      - {name: L1, series: inductor, from: 0.15 mH, to: 1.5 mH}
      - {name: C1, shunt: capacitor, from: 3.3 uF, to: 33 uF, optional: yes}
  tweeter:
    polarity: free
    ladder:
      - {name: C1, series: capacitor, from: 2.2 uF, to: 15 uF}
      - {name: L1, shunt: inductor, from: 0.1 mH, to: 1 mH, optional: yes}
      - {name: P1, series: pad, series_resistor: 0.5 .. 10 ohm, shunt_resistor: 2.2 .. 47 ohm,
         optional: yes}

"""

GOALS = """\
goals:
  on_axis: {tilt: -0.3 dB/oct, band: 300..16k, weight: 1}
  in_room: {tilt: -1.0 dB/oct, band: 300..16k, weight: 1}
  impedance: {floor: 3.2 ohm, hard: yes}
  parts: {each: 0.03}

"""


POINTS = 3


def write_design(folder: Path, *, ways: str = "", goals: str = "", axis_only: bool = False) -> Path:
    """Write the demo's files with other ways or goals, or with the axis alone."""
    for name, content in build_files().items():
        (folder / name).write_bytes(content)
    path = folder / "design.yaml"
    text = path.read_text(encoding="utf-8")
    if axis_only:
        text = re.sub(r"\n      (?!0:)[^\n]*: (?:woofer|midrange|tweeter)_[hv][^\n]*", "", text)
        text = text.replace(
            "mirror: left-right", "mirror: left-right, estimate: yes, baffle: 0.34 m"
        )
    if ways:
        start, end = text.index("ways:\n"), text.index("# What is wanted")
        text = text[:start] + ways + text[end:]
    if goals:
        start, end = text.index("goals:\n"), text.index("# Where parts come from")
        text = text[:start] + goals + text[end:]
    if ways:
        text = text.replace("series: E12", "series: E6")
    # A quarter of the usual points: a front is what its costs say on any grid.
    path.write_text(text + "grid: {per_octave: 6}\n", encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def run_trade(laddersmith: Callable[..., Any]) -> Callable[..., Any]:
    return lambda *arguments: laddersmith("trade", *arguments)


def show(result: TradeResult) -> str:
    """What a terminal shows of a front."""
    return print_text(Document(title="", sections=front_sections(result)))


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_design(tmp_path_factory.mktemp("small"), ways=TWO_WAYS, goals=GOALS)


@pytest.fixture(scope="module")
def told(run_trade: Callable[..., Any], small: Path) -> tuple[dict[str, Any], str, TradeResult]:
    """The front of the small design as JSON, what was printed, and what that was told of."""
    file = small.parent / "front.json"
    quick = ("--points", POINTS, "--workers", 1, "--seconds", 3_000)
    with fronts_kept() as found:
        done = run_trade(small, *quick, "--json", file)
    assert done.returncode == 0, done.stderr
    assert not done.stderr
    return json.loads(file.read_text(encoding="utf-8")), done.stdout, found[0]


@pytest.fixture(scope="module")
def answer(told: tuple[dict[str, Any], str, TradeResult]) -> tuple[dict[str, Any], str]:
    """The front as JSON, and what was printed."""
    return told[:2]


@pytest.fixture(scope="module")
def problem(small: Path) -> Problem:
    return build_problem(load_design(small))


@pytest.fixture(scope="module")
def front(told: tuple[dict[str, Any], str, TradeResult]) -> TradeResult:
    return told[2]


def test_front_as_json(answer: tuple[dict[str, Any], str]) -> None:
    """Points in order, none bettered in both goals, each proven, one knee, curves and all."""
    data, _ = answer
    assert data["schema"] == 1
    assert data["between"] == ["on_axis", "in_room"]
    assert data["stopped"] == "converged"
    assert any("mean of 26 directions" in said for said in data["assumed"])
    points = data["points"]
    assert 3 <= len(points) <= POINTS
    assert all(x["a"] < y["a"] and x["b"] > y["b"] for x, y in pairwise(points))
    assert sum(p["knee"] for p in points) <= 1
    for point in points:
        candidate = point["candidate"]
        assert candidate["no_better_change_of"] == 2
        assert candidate["goals"]["on_axis"]["value"] == pytest.approx(point["a"], abs=1e-5)
        assert candidate["goals"]["in_room"]["value"] == pytest.approx(point["b"], abs=1e-5)
        assert candidate["goals"]["on_axis"]["weight"] == pytest.approx(point["weights"][0])
        assert candidate["feasible"]
        assert len(candidate["curves"]["in_room_db"]) == len(candidate["curves"]["frequency_hz"])


def test_front_in_words(answer: tuple[dict[str, Any], str]) -> None:
    """A chart with every point, a table, and a sentence for each step that names both goals."""
    data, text = answer
    assert "in room, dB rms  (less is better)" in text
    assert "Every point is proven" in text
    words = " ".join(text.split())
    # A reader takes the differences of what the table shows.
    rows = [re.match(r" *(\d+) +(\d\.\d+) +(\d\.\d+) ", line) for line in text.splitlines()]
    table = [(float(row[2]), float(row[3])) for row in rows if row]
    assert len(table) == len(data["points"])
    for before, after, point in zip(table, table[1:], data["points"][1:], strict=False):
        assert " ".join(point["step"].split()) in words
        said = re.match(
            r"([\d.]+) dB of ripple on the axis buys ([\d.]+) dB smoother in the room",
            point["step"],
        )
        assert said
        assert float(said[1]) == pytest.approx(after[0] - before[0], abs=0.0051)
        assert float(said[2]) == pytest.approx(before[1] - after[1], abs=0.0051)


@pytest.mark.thorough
def test_same_seed_same_front(problem: Problem, trials: Callable[..., int]) -> None:
    """The front does not depend on the number of processes, wherever it is stopped.

    Routinely that is when structures are known for two of the weights that it begins with.
    """
    last = trials(routine=2, full=1_000)

    def find(workers: int) -> list[tuple[float, ...]]:
        reports = count(1)

        def follow(_: SearchProgress) -> None:
            if next(reports) == last:
                raise KeyboardInterrupt

        between = ("on_axis", "in_room")
        result = search_trade(
            problem, between, points=POINTS, seconds=None, workers=workers, progress=follow
        )
        return [(p.a, p.b, p.candidate.cost, *p.weights) for p in result.points]

    first = find(1)
    assert len(first) >= 2
    assert find(2) == first


def test_no_fit_betters_a_point(
    problem: Problem, front: TradeResult, trials: Callable[..., int]
) -> None:
    """Fits with random weights of the two goals find nothing that is better in both goals without
    costing more in the others, and nothing cheaper by more than 1 %."""

    def figures(candidate: Any) -> tuple[float, float, float]:
        values = {g.name: g for g in candidate.goals}
        rest = sum(g.cost for n, g in values.items() if n not in front.between)
        return values["on_axis"].value, values["in_room"].value, rest

    rng = np.random.default_rng(5)
    for k in range(trials(routine=2, full=4)):
        share = float(rng.uniform(0.05, 0.95))
        weights = (("on_axis", 2 * share), ("in_room", 2 * (1 - share)))
        fitted = search(reweight(problem, weights), seconds=None, evaluations=10_000, seed=k, top=1)
        best = fitted.candidates[0]
        found = np.array(figures(best))
        costs = []
        for point in front.points:
            own = np.array(figures(point.candidate))
            assert not (np.all(found <= own + 1e-9) and np.any(found < own - 1e-9))
            costs.append(weights[0][1] * own[0] + weights[1][1] * own[1] + own[2])
        assert min(costs) < 1.01 * best.cost + 1e-9


def test_words_keep_to_what_is_known(front: TradeResult) -> None:
    """Weights at which something else is cheaper stand in brackets, points without a proof are
    named, and a single point has a table but no chart."""
    assert "less is better" in show(front)
    first, second, *_ = points = front.points
    dent = replace(front, points=(first, replace(second, cheapest=False), *points[2:]))
    weights = " : ".join(f"{w:.2f}" for w in second.weights)
    assert f"({weights})" in show(dent)
    assert "Weights in brackets" in show(dent)
    unproven = replace(
        second, candidate=replace(second.candidate, certificate=Certificate.of_search(1))
    )
    assert f"No. {second.candidate.rank} could not be proven" in show(
        replace(front, points=(first, unproven, *points[2:]))
    )
    alone = show(replace(front, points=(unproven,)))
    assert "No point could be proven" in alone
    assert "less is better" not in alone


def test_what_happened_is_told(problem: Problem, front: TradeResult) -> None:
    """A note of the search stands in the text and in the data; without one there is no such key."""
    noted = document_trade(problem, replace(front, notes=("a worker was lost",)), "d.yaml")
    assert "a worker was lost" in print_text(noted)
    assert noted.data()["notes"] == ["a worker was lost"]
    assert "notes" not in document_trade(problem, front, "d.yaml").data()


def test_cheapest_is_what_the_costs_say(front: TradeResult) -> None:
    """A point counts as the cheapest for its weights when no other point of the front costs less
    by them."""
    for point in front.points:
        costs = []
        for other in front.points:
            rest = sum(g.cost for g in other.candidate.goals if g.name not in front.between)
            costs.append(point.weights[0] * other.a + point.weights[1] * other.b + rest)
        if point.cheapest:
            assert point.candidate.cost <= min(costs) + 1e-9
    assert any(p.cheapest for p in front.points)


@pytest.mark.usefixtures("ticking")
def test_no_time_for_proofs(problem: Problem) -> None:
    """When time ends before anything is proven, what was met is shown, and not called proven."""
    result = search_trade(problem, ("on_axis", "in_room"), points=POINTS, seconds=1.0)
    assert result.stopped == "budget"
    assert len(result.points) > 1
    assert all(x.a < y.a and x.b > y.b for x, y in pairwise(result.points))
    assert all(p.candidate.no_better_change_of < 2 for p in result.points)


@pytest.mark.thorough
def test_pieces_can_be_traded(tmp_path: Path) -> None:
    """A goal on the parts trades like any other: fewer pieces cost evenness."""
    ways = re.sub(r" *- \{name: P1.*?\}\n", "", TWO_WAYS, flags=re.DOTALL)  # fewer places will do
    problem = build_problem(load_design(write_design(tmp_path, ways=ways, goals=GOALS)))
    result = search_trade(problem, ("on_axis", "parts"), points=3, seconds=None)
    assert result.units == ("dB rms", "pieces")
    pieces = [p.candidate.parts for p in result.points]
    assert pieces == sorted(pieces, reverse=True)
    assert pieces[0] > pieces[-1]
    assert [p.b for p in result.points] == pieces
    text = show(result)
    shown = text.partition("What each step buys")[0]
    assert shown.count("pieces") == 2  # the unit of the chart and of its column, and no column more
    assert f"  {pieces[0]} ┤" in text
    assert say_step(1, result).count("fewer") == 1


@pytest.mark.parametrize(
    ("between", "message"),
    [
        (("on_axis", "in_rom"), "no goal of this name.*in_room"),
        (("on_axis", "on_axis"), "two different goals"),
        (("on_axis", "impedance"), "hard limit cannot be traded"),
    ],
)
def test_bad_goals_are_refused(
    run_trade: Callable[..., Any], small: Path, between: tuple[str, str], message: str
) -> None:
    """One message, exit code 2, nothing on standard output."""
    done = run_trade(str(small), "--between", *between)
    assert done.returncode == 2
    assert re.search(message, done.stderr)
    assert done.stderr.count("\n") == 1
    assert not done.stdout


def test_too_few_points_are_refused(run_trade: Callable[..., Any], small: Path) -> None:
    """A front of two points is no front."""
    done = run_trade(str(small), "--points", "2")
    assert done.returncode == 2
    assert "at least 3 points" in done.stderr


@pytest.mark.thorough
def test_vertical_smoothness_lowers_the_crossover(tmp_path: Path) -> None:
    """On the demo with nothing measured off the axis, estimated directions are enough for the
    search to cross lower when vertical evenness is asked for."""
    crossovers = []
    for weight in (0, 1):
        folder = tmp_path / str(weight)
        folder.mkdir()
        goals = (
            "goals:\n  on_axis: {tilt: -0.3 dB/oct, band: 80..16k, weight: 1}\n"
            f"  lobe_depth: {{angle: 20, allow: 0 dB, band: 100..16k, weight: {weight}}}\n"
            "  impedance: {floor: 3.2 ohm}\n  parts: {each: 0.03}\n  crossing: off\n\n"
        )
        problem = build_problem(load_design(write_design(folder, goals=goals, axis_only=True)))
        assert problem.estimated
        assert any(note.startswith("estimated, not measured") for note in problem.notes)
        best = search(problem, seconds=None, evaluations=16_000, seed=1, top=1).candidates[0]
        assert any("estimated" in note for note in candidate_to_json(best)["notes"])
        crossovers.append(best.crossovers_hz[1][1])
    # The upper one: where woofer and midrange meet, waves are longer than the way between them.
    before, after = crossovers
    assert after < 0.9 * before
