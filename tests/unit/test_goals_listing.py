"""The list of goals and presets, and that every one of them can be used on the demo."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from optimizer.cli.main import main
from optimizer.demo.write import build_files
from optimizer.design.build import build_problem, load_design
from optimizer.design.presets import list_presets
from optimizer.design.read.goals import DEFAULT_PRESET
from optimizer.goals import GOALS
from optimizer.problem.figures import build_candidate
from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem
from tests.conftest import cases

pytestmark = pytest.mark.slow

SIX = {
    "living-room",
    "flat-on-axis",
    "off-axis-first",
    "bench-start",
    "near-wall",
    "small-amplifier",
}

LIMITS = (
    "limits: {watts: 50, lowest_hz: 180, highest_hz: 5 kHz, excursion: 4 mm, "
    "force_factor: 6.5, resistance: 5.7 ohm}"
)


@pytest.fixture
def build(tmp_path: Path) -> Callable[[str], Problem]:
    """Return a function that builds the demo with other goals."""
    for name, content in build_files().items():
        (tmp_path / name).write_bytes(content)

    def run(goals: str) -> Problem:
        path = tmp_path / "design.yaml"
        text = build_files()["design.yaml"].decode("utf-8")
        start, end = text.index("goals:\n"), text.index("# Where parts come from")
        text = text[:start] + goals + "\n" + text[end:]
        text = re.sub(r"limits: \{watts: 50[^}]*\}", LIMITS, text)
        path.write_text(text, encoding="utf-8")
        return build_problem(load_design(path))

    return run


def middle(problem: Problem) -> Genome:
    space = problem.space
    return Genome(
        choice=np.array([len(o.values) // 2 for o in space.options]),
        present=np.ones(len(space.slots), dtype=bool),
        polarity=space.polarity_start,
    )


def test_six_presets() -> None:
    """The six presets are there."""
    assert set(list_presets()) >= SIX


@pytest.mark.parametrize("preset", cases(sorted(SIX), routine=2))
def test_preset_works_on_the_demo(build: Callable[[str], Problem], preset: str) -> None:
    """Every goal of every preset gives a figure with a sentence for a network of the demo."""
    problem = build(f"goals:\n  preset: {preset}\n")
    candidate = build_candidate(problem, middle(problem))
    assert {g.name for g in candidate.goals} == set(problem.goals)
    assert all(np.isfinite(g.value) and g.detail for g in candidate.goals)
    assert not any("left out" in note for note in problem.notes)


def test_every_goal_works_from_a_design_file(build: Callable[[str], Problem]) -> None:
    """All goals at once, written in a design file with their defaults."""
    names = [n for n in GOALS if n != "price"]  # the demo's stock has no prices
    problem = build("goals:\n" + "".join(f"  {n}: {{}}\n" for n in names))
    candidate = build_candidate(problem, middle(problem))
    assert [g.name for g in candidate.goals if g.name not in ("parts", "copper")] == [
        n for n in names if n not in ("parts", "copper")
    ]
    details = {g.name: g.detail for g in candidate.goals}
    assert "of 4 mm" in details["excursion"]
    assert "of 15 W" in details["power"]
    assert "kg" in {g.unit for g in candidate.goals}


def test_every_goal_has_a_meaning() -> None:
    """Each goal of a design file is explained, with each of its options."""
    for goal in GOALS.values():
        assert goal.meaning
        assert goal.family
        options = goal.options()
        assert options
        assert all(one.key and one.say_default() and one.meaning for one in options)


def test_units_are_those_of_the_figures(build: Callable[[str], Problem]) -> None:
    """The unit in the list is the unit of the figure in reports."""
    problem = build("goals:\n" + "".join(f"  {n}: {{}}\n" for n in GOALS if n != "price"))
    for goal in build_candidate(problem, middle(problem)).goals:
        assert goal.unit == GOALS[goal.name].unit


def test_list_names_goals_and_presets(capsys: pytest.CaptureFixture[str]) -> None:
    """`laddersmith goals` names every goal, option and preset."""
    assert main(["goals"]) == 0
    text = capsys.readouterr().out
    for name in [*GOALS, *SIX]:
        assert re.search(rf"^{name}\b", text, re.MULTILINE), name
    assert re.search(rf"^{DEFAULT_PRESET} .*taken when a design", text, re.MULTILINE)
    assert text.count("taken when a design") == 1


@pytest.mark.parametrize("name", ["excursion", "near-wall"])
def test_one_goal_or_preset_in_full(capsys: pytest.CaptureFixture[str], name: str) -> None:
    """One goal with its options, or the text of one preset with all its reasons."""
    assert main(["goals", name]) == 0
    text = capsys.readouterr().out
    assert ("amplifier" in text) if name == "excursion" else ("# Falling slightly" in text)


def test_unknown_name_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    """A misspelt name gets one message with a suggestion, and exit code 2."""
    assert main(["goals", "in_rom"]) == 2
    assert 'did you mean "in_room"' in capsys.readouterr().err


@pytest.mark.parametrize(
    ("limits", "message"),
    [
        ("{excursion: 4}", "at most 50 mm"),
        ("{lowest_hz: 300, highest_hz: 200}", "above its lowest"),
        ("{force_factor: 0}", "force_factor"),
    ],
)
def test_senseless_limits_are_refused(
    tmp_path: Path, limits: str, message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A limit that cannot be meant is refused with its line."""
    for name, content in build_files().items():
        (tmp_path / name).write_bytes(content)
    path = tmp_path / "design.yaml"
    text = re.sub(r"limits: \{watts: 50[^}]*\}", f"limits: {limits}", path.read_text("utf-8"))
    path.write_text(text, encoding="utf-8")
    assert main(["fit", str(path)]) == 2
    assert re.search(rf"design.yaml:\d+: .*{message}", capsys.readouterr().err)
