"""Plug-ins of other distributions, found by their entry points in a folder on the path."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
GOAL = '''
from optimizer.goals.economy import Parts

class FewPieces(Parts, name="few_pieces", family="economy", unit="pieces", sells="pieces less",
                buys="pieces more"):
    """Pieces again, under another name."""
'''
DIALECT = """
import math

def read(name, raw):
    if not raw.startswith(b"OLD METER"):
        return None
    rows = [line.split("|") for line in raw.decode().splitlines()[1:]]
    return "\\n".join(["frequency Hz, level dB, phase deg", *(",".join(row) for row in rows)])
"""
POINTS = """\
[laddersmith.goals]
few_pieces = good_plugin:FewPieces
[laddersmith.dialects]
old_meter = old_meter:read
"""


def install(folder: Path, name: str, points: str, **modules: str) -> None:
    """Lay a distribution out as an installer would."""
    info = folder / f"{name}-1.2.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.2\n")
    (info / "entry_points.txt").write_text(points)
    for module, text in modules.items():
        (folder / f"{module}.py").write_text(text)


def run(folder: Path, *words: object) -> subprocess.CompletedProcess[str]:
    paths = [str(ROOT), str(folder / "site"), *filter(None, [os.environ.get("PYTHONPATH")])]
    return subprocess.run(
        [sys.executable, "-m", "optimizer", *map(str, words)],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
        cwd=folder, capture_output=True, text=True,
    )  # fmt: skip


SLOPES = """
import numpy as np
from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.goals.plugged import load_goals
from optimizer.search.descend.relax import relaxed_population
from optimizer.testing import small_problem

load_goals()
problem = small_problem(goals={"harshness": {"ceiling": "88 dB", "band": "500 .. 8k", "weight": 1.0}})
space, evaluator, laws = problem.space, problem.evaluator, problem.loss_laws
(goal,) = evaluator.goals
columns = space.free_genes
place = np.full(len(evaluator.bank.genes), -1)
place[columns] = np.arange(len(columns))


def look(log_values):
    present = np.ones((1, len(space.optional)), dtype=bool)
    polarity = np.ones((1, len(problem.topology.ways)))
    population = relaxed_population(space, laws, log_values[None], present, polarity)
    solved, tangents = evaluator.bank.solve_with_tangents(population, laws)
    curves = Curves(evaluator.field, solved.transfer, solved.admittance)
    slopes = CurveTangents(curves, len(columns), *tangents.into(place))
    return goal.residuals(curves)[0], goal.tangents(curves, slopes)[0]


middle = 0.5 * (space.log_low + space.log_high)
residuals, slopes = look(middle)
assert 5 < (residuals > 0.0).sum() < len(residuals) - 5, residuals
steps = 1e-6 * np.eye(len(middle))
differences = [(look(middle + step)[0] - look(middle - step)[0]) / 2e-6 for step in steps]
np.testing.assert_allclose(slopes, differences, rtol=1e-5, atol=1e-6)
"""
EXAMPLE = ROOT / "optimizer" / "guide" / "examples" / "plug-in"


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in whose `site` the example of the guide is installed from its wheel."""
    folder = tmp_path_factory.mktemp("house")
    source = folder / "plug-in"  # a build writes into no folder of the package
    shutil.copytree(EXAMPLE, source, ignore=shutil.ignore_patterns("__pycache__"))
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel"],
        cwd=source, check=True, capture_output=True,
    )  # fmt: skip
    (wheel,) = (source / "dist").glob("house_rules-1.0-*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder / "site")
    return folder


def test_the_example_of_the_guide_is_used(house: Path) -> None:
    """Built as it stands and installed, it brings a goal into a search and reads foreign files."""
    listed = run(house, "goals", "harshness")
    assert (listed.returncode, listed.stderr) == (0, "")
    assert "Level on the axis above a ceiling" in " ".join(listed.stdout.split())
    hz = [100.0 * 1.1**k for k in range(50)]
    bench = house / "bench"
    bench.mkdir()
    for name, level in (("woofer", 870), ("tweeter", 900)):
        rows = "\n".join(f"{f:.6g} {level}" for f in hz)
        (bench / f"{name}.txt").write_text(f"PEN RECORDER\n{rows}\n")
        rows = "\n".join(f"{f:.6g}, 6, 0" for f in hz)
        (bench / f"{name}_z.txt").write_text(f"frequency Hz, impedance ohm, phase deg\n{rows}\n")
    (bench / "design.yaml").write_text(
        "speaker: house\nmeasured: {clock: none}\n"
        "drivers:\n  woofer: {response: woofer.txt, impedance: woofer_z.txt}\n"
        "  tweeter: {response: tweeter.txt, impedance: tweeter_z.txt}\n"
        "ways:\n  woofer: {ladder: [{name: L1, series: inductor, from: 0.33 mH, to: 1 mH}]}\n"
        "  tweeter: {ladder: [{name: C1, series: capacitor, from: 4.7 uF, to: 10 uF}]}\n"
        "goals:\n  on_axis: {band: 200..8k}\n  harshness: {ceiling: 80 dB, weight: 1}\n"
        "grid: {per_octave: 6}\n"
    )
    done = run(house, "fit", "bench/design.yaml", "--exact", "--json", "found.json")
    assert done.returncode == 0, done.stderr
    best = json.loads((house / "found.json").read_text())["candidates"][0]
    assert best["goals"]["harshness"]["unit"] == "dB rms over"
    assert best["goals"]["harshness"]["value"] > 1.0  # both drivers are louder than the ceiling


def test_the_goal_of_the_example_has_the_slopes_of_its_figure(house: Path) -> None:
    """Its tangents are the differences of its residuals as one value is moved a little, on both sides of
    the ceiling."""
    done = subprocess.run(
        [sys.executable, "-c", SLOPES], cwd=house, capture_output=True, text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT), str(house / "site")])},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr


def test_goals_and_dialects_of_others_are_used(tmp_path: Path) -> None:
    """A goal is listed and weighed, a foreign file surveyed: nothing but installing is needed."""
    install(tmp_path / "site", "good-plugin", POINTS, good_plugin=GOAL, old_meter=DIALECT)
    listed = run(tmp_path, "goals", "few_pieces")
    assert listed.returncode == 0, listed.stderr
    assert "Pieces again, under another name." in listed.stdout
    assert listed.stderr == ""
    hz = [100.0 * 1.1**k for k in range(40)]
    bench = tmp_path / "bench"
    bench.mkdir()
    rows = "\n".join(f"{f:.6g}|{85.0:.3f}|{-f / 100.0:.3f}" for f in hz)
    (bench / "tweeter.txt").write_text(f"OLD METER\n{rows}\n")
    said = run(tmp_path, "survey", "bench", "--json", "s.json")
    assert said.returncode == 0, said.stderr
    assert "old_meter of good-plugin 1.2" in (tmp_path / "s.json").read_text()
    without = run(tmp_path / "bench", "survey", ".")
    assert without.returncode == 2


@pytest.mark.parametrize(
    ("points", "text", "why"),
    [
        ("[laddersmith.goals]\nx = broken:X", "1/0", "ZeroDivisionError: division by zero"),
        ("[laddersmith.goals]\nx = broken:X", "import sys; sys.exit(3)", "SystemExit: 3"),
        ("[laddersmith.goals]\nx = broken:X", "class X: pass", "it is no class derived from"),
        ("[laddersmith.goals]\nx = gone:X", "", "ModuleNotFoundError: No module named 'gone'"),
        (
            "[laddersmith.goals]\nx = broken:X",
            GOAL.replace('"few_pieces"', '"parts"'),
            "there is a goal of the name parts already",
        ),
    ],
)
def test_a_broken_plugin_is_one_warning(tmp_path: Path, points: str, text: str, why: str) -> None:
    """Which names the distribution, and everything else goes on."""
    install(tmp_path / "site", "bad-plugin", points, broken=text)
    done = run(tmp_path, "goals", "parts")
    assert done.returncode == 0
    (line,) = done.stderr.splitlines()
    assert line.startswith("laddersmith: warning: the plug-in x of bad-plugin 1.2 is left out (")
    assert why in line
    assert "Traceback" not in done.stderr
    assert "pieces" in done.stdout


def test_a_dialect_that_fails_names_itself(tmp_path: Path) -> None:
    """One line with the file and the distribution, code 2."""
    text = "def read(name, raw):\n    raise KeyError(name)\n"
    install(tmp_path / "site", "bad-plugin", "[laddersmith.dialects]\nd = broken:read", broken=text)
    (tmp_path / "design.yaml").write_text(
        "speaker: x\ndrivers: {w: {response: w.txt, impedance: w.txt}}\n"
        "ways: {w: {ladder: []}}\ngoals: {on_axis: {band: 200..5k}}\n"
    )
    (tmp_path / "w.txt").write_text("100 80 0\n200 80 0\n300 80 0\n")
    done = run(tmp_path, "fit", "design.yaml")
    assert done.returncode == 2
    (line,) = done.stderr.splitlines()
    assert "w.txt" in line
    assert "the plug-in d of bad-plugin 1.2 failed at this file (KeyError: 'w.txt')" in line
