"""Plug-ins of other distributions, found by their entry points in a folder on the path."""

from __future__ import annotations

import os
import subprocess
import sys
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
