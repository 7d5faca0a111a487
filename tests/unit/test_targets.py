"""Targets from files and points: their shape, level, smoothing, band, and what is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from optimizer.acoustics.curves import Curves
from optimizer.design.read.target import read_target
from optimizer.errors import InputError
from optimizer.goals import OnAxis
from optimizer.goals.target import TargetCurve
from optimizer.problem.genome import Genome
from optimizer.problem.problem import Problem
from optimizer.testing import small_problem
from optimizer.testing.files import FILE_HZ, write_curve
from optimizer.text.yamltext import parse_yaml

POINTS = {100: 3.0, 1000: 0.0, 10000: -6.0}


def read(text: str, folder: Path) -> TargetCurve:
    """Read a target as a design in a folder states it."""
    return read_target(
        parse_yaml(f"target: {text}", file=str(folder / "d.yaml")).fields()["target"]
    )


def first(problem: Problem) -> Curves:
    """Curves of the first network of a problem."""
    space = problem.space
    genome = Genome(
        choice=np.zeros(len(space.genes), dtype=np.intp),
        present=np.ones(len(space.slots), dtype=bool),
        polarity=space.polarity_start.copy(),
    )
    solved = problem.bank.solve(space.population([genome])[0])
    return Curves(problem.evaluator.field, solved.transfer, solved.admittance)


def test_a_drawn_target_is_what_is_left_after_the_best_level() -> None:
    """The figure is the rms of curve less shape less its mean, within the points alone."""
    problem = small_problem(goals={"on_axis": {"target": POINTS, "band": "50 .. 20k"}})
    (goal,) = problem.prepared
    f = goal.frequency_hz
    assert f[0] >= 100.0 and f[-1] <= 10000.0 + 1e-6  # noqa: PT018
    curves = first(problem)
    level = curves.level_db("on_axis")[0 if curves.level_db("on_axis").ndim > 1 else slice(None)]
    inside = (problem.frequency_hz >= f[0] * 0.999) & (problem.frequency_hz <= f[-1] * 1.001)
    left = level[inside] - np.interp(np.log(f), np.log(list(POINTS)), list(POINTS.values()))
    wanted = np.sqrt(np.mean((left - left.mean()) ** 2))
    figure = np.sqrt(np.sum(goal.residuals(curves) ** 2))
    assert figure == pytest.approx(wanted, abs=1e-9)
    assert "target of points" in goal.describe(curves)
    # Another level is the same target; a slope that is stated comes on top of it.
    raised = {hz: 40.0 + db for hz, db in POINTS.items()}
    assert OnAxis(target=TargetCurve.read(raised)) == OnAxis(target=TargetCurve.read(POINTS))
    tilted = problem.replace(
        goals={"on_axis": {"target": POINTS, "tilt": -1.0, "band": "50 .. 20k"}}
    )
    more = left + np.log2(f / 1000.0)
    assert np.sqrt(np.sum(tilted.prepared[0].residuals(curves) ** 2)) == pytest.approx(
        np.sqrt(np.mean((more - more.mean()) ** 2)), abs=1e-9
    )


def test_a_file_is_smoothed_as_energy_and_loses_its_level(tmp_path: Path) -> None:
    """A slope survives, a comb of peaks becomes its mean energy, the level at 1 kHz is 0 dB."""
    octaves = np.log2(FILE_HZ / 1000.0)
    write_curve(tmp_path / "slope.txt", 83.0 - 1.5 * octaves)
    target = read("{file: slope.txt, smoothing: 1/3 octave}", tmp_path)
    f = np.array([100.0, 500.0, 1000.0, 5000.0])
    np.testing.assert_allclose(target.at(f), -1.5 * np.log2(f / 1000.0), atol=0.05)
    assert target.source == "slope.txt, smoothed over 1/3 octave"
    fine = np.geomspace(20.0, 20000.0, 2000)
    write_curve(
        tmp_path / "comb.txt", 80.0 + 6.0 * np.sign(np.sin(60.0 * np.log2(fine))), 0.0, fine
    )
    raw = read("{file: comb.txt, smoothing: none}", tmp_path)
    smooth = read("comb.txt", tmp_path)
    inside = np.geomspace(60.0, 8000.0, 300)
    assert np.ptp(raw.at(inside)) == pytest.approx(12.0, abs=0.1)
    # Two levels 12 dB apart, half of each: within a window of three and a half periods the mean stays.
    assert np.ptp(smooth.at(inside)) < 3.0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{file: gone.txt}", "d.yaml:1"),
        ("{file: bad.txt}", "bad.txt:3"),
        ("{points: {100: 0 dB}}", "at least two points"),
        ("{points: {100: 0 dB, 1k: 200 dB}}", "dB"),
        ("{points: {red: 0 dB, 1k: 0 dB}}", "red"),
        (
            "{file: slope.txt, points: {100: 0 dB, 1k: 0 dB}}",
            "a file or a curve through points, got both",
        ),
        ("{smoothing: 1/3 octave}", "got neither"),
        ("{file: slope.txt, smoothing: 1/300 octave}", "1/48 to 1"),
        ("{points: {100: 0 dB, 1k: 0 dB}, smoothing: none}", "points are not smoothed"),
        ("{curve: {100: 0 dB}}", "points"),
        ("{file: short.txt}", "at least an octave"),
    ],
)
def test_what_is_no_target_is_refused(text: str, said: str, tmp_path: Path) -> None:
    """One message, with the line of the design or of the file."""
    write_curve(tmp_path / "slope.txt", 83.0)
    (tmp_path / "bad.txt").write_text("100 80\n200 81\n300 eighty\n400 82\n", encoding="utf-8")
    narrow = np.geomspace(900.0, 1100.0, 30)
    write_curve(tmp_path / "short.txt", 83.0, 0.0, narrow)
    with pytest.raises(InputError) as caught:
        read(text, tmp_path)
    assert said in str(caught.value)
    assert caught.value.line is not None


def test_a_band_beyond_the_target_is_refused() -> None:
    """Where the target says nothing of a band, no goal can be made of it."""
    with pytest.raises(InputError, match="at least 3 points"):
        small_problem(goals={"on_axis": {"target": {20: 0.0, 60: 1.0}, "band": "1k .. 10k"}})
