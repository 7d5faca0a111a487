"""Every verb that takes a network warns when measurements, design or stock are others than then.

What it says it cost then is what the saved file says; what it costs now is what `check --json` says
of the same files without the saved results.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from optimizer.testing import FILE_HZ, write_driver
from tests.conftest import Done, Once
from tests.end_to_end.test_files_not_lost import make_project

Run = Callable[..., Done]

VERBS = {
    "check": ["check", "design.yaml", "NETWORK"],
    "against": ["check", "design.yaml", "network.yaml", "--against", "NETWORK"],
    "voice": ["voice", "design.yaml", "NETWORK", "--wish", "above 4k -1 dB", "--changes", "1"],
    "verify": ["verify", "design.yaml", "NETWORK", "built.txt"],
    "hear": ["hear", "design.yaml", "network.yaml", "NETWORK"],
    "sheet": ["sheet", "design.yaml", "NETWORK"],
    "netlist": ["netlist", "design.yaml", "NETWORK"],
}


@pytest.fixture
def project(once: Once, laddersmith: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    made = once("files-not-lost", lambda folder: make_project(folder, laddersmith))
    folder = tmp_path / "project"
    shutil.copytree(made, folder)
    monkeypatch.chdir(folder)
    return folder


def measure_anew() -> None:
    """Another woofer was measured: 3 dB louder, with another file of impedance untouched."""
    low = 90.0 - 10.0 * np.log10(1.0 + (FILE_HZ / 3000.0) ** 4)
    write_driver(Path(), "woofer", level_db=low)
    Path("woofer.txt").replace("on_axis.txt")


def say_plainly(done: Done) -> str:
    return " ".join((done.stdout + done.stderr).replace("*", "").split())


def read_cost(laddersmith: Run, *words: str) -> float:
    assert laddersmith("check", "design.yaml", *words, "--json", "now.json").returncode == 0
    return float(json.loads(Path("now.json").read_text())["candidate"]["cost"])


@pytest.mark.parametrize("verb", VERBS)
def test_a_new_measurement_is_said_with_both_costs(
    verb: str, project: Path, laddersmith: Run
) -> None:
    """Its file is named, and no other; before, nothing is said."""
    words = [word.replace("NETWORK", "results.json#1") for word in VERBS[verb]]
    assert "was computed on" not in say_plainly(laddersmith(*words))
    then = json.loads(Path("results.json").read_text())["candidates"][0]["cost"]
    measure_anew()
    said = say_plainly(laddersmith(*words))
    now = read_cost(laddersmith, "results.json#1")
    assert abs(now - then) > 0.1
    date = re.escape(json.loads(Path("results.json").read_text())["made"]["date"][:10])
    assert re.search(
        rf"(?i)warning: results.json#1 was computed on {date} ..:.. UTC by version \S+ with other "
        rf"measured data \(on_axis.txt\): its cost was {then:.3f} then and is {now:.3f} now\.",
        said,
    ), said


def test_design_and_stock_are_told_apart(project: Path, laddersmith: Run) -> None:
    """A weight is a goal, a range a place, a count the stock; and JSON says it too."""
    changes = {
        "goals": ("band: 100..15k", "band: 100..15k, weight: 2"),
        "places for parts": ("to: 15 uF", "to: 22 uF"),
        "stock": ("series: E6", "series: E12"),
    }
    design = Path("design.yaml").read_text()
    for what, (old, new) in changes.items():
        assert old in design
        Path("design.yaml").write_text(design.replace(old, new))
        done = laddersmith("check", "design.yaml", "results.json#1", "--json", "now.json")
        assert done.returncode == 0, done
        changed = json.loads(Path("now.json").read_text())["changed"]
        assert len(changed) == 1
        article = "another" if what == "stock" else "other"
        assert f"with {article} {what}: its cost" in changed[0]
        assert ("now as then" in changed[0]) == (what != "goals")
        assert done.stdout.split("\n")[2].startswith("Warning: results.json#1 was computed")


def test_results_that_tell_nothing_are_known_by_their_cost(project: Path, laddersmith: Run) -> None:
    """Those of an older version hold no fingerprints, but what they cost."""
    results = json.loads(Path("results.json").read_text())
    del results["made"]
    Path("results.json").write_text(json.dumps(results))
    words = ("check", "design.yaml", "results.json#1")
    assert "with something" not in laddersmith(*words).stdout
    measure_anew()
    assert "with something else, which it does not tell" in say_plainly(laddersmith(*words))


def test_a_saved_answer_keeps_what_it_was_made_with(project: Path, laddersmith: Run) -> None:
    """A network file warns as results do; one whose parts were edited by hand only says so."""
    use = ("--use", "tweeter.C1 4.7 uF", "--save", "softer.yaml", "--accept", "0")
    done = laddersmith("voice", "design.yaml", "network.yaml", "--changes", "1", *use)
    assert Path("softer.yaml").is_file(), done
    words = ("check", "design.yaml", "softer.yaml")
    assert "was computed on" not in laddersmith(*words).stdout
    text = Path("softer.yaml").read_text()
    value = re.search(r"value: ([\d.]+) uF", text)
    assert value is not None
    Path("edited.yaml").write_text(text.replace(value[0], "value: 5.5 uF"))
    said = say_plainly(laddersmith("check", "design.yaml", "edited.yaml"))
    assert "edited.yaml was computed on" in said
    assert "with other parts: its cost was" in said
    assert "Warning: edited.yaml" not in said
    measure_anew()
    assert "Warning: softer.yaml was computed on" in say_plainly(laddersmith(*words))
