"""What a command tells of its work: nothing unless asked, then on standard error or in a log."""

from __future__ import annotations

import logging
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.conftest import Done

Run = Callable[..., Done]
FEW = ("--evaluations", "100", "--workers", "1")


@pytest.fixture
def design(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A speaker of one part."""
    from optimizer.testing import write_driver

    monkeypatch.chdir(tmp_path)
    write_driver(tmp_path, "woofer")
    path = tmp_path / "design.yaml"
    path.write_text(
        "speaker: One way\n"
        "drivers: {woofer: {response: woofer.txt, impedance: woofer_z.txt}}\n"
        "ways: {woofer: {ladder: [{name: L1, series: inductor, from: 1 mH, to: 3 mH}]}}\n"
        "goals: {on_axis: {band: 200..5k}}\n"
        "stock: {series: E6}\n"
        "grid: {per_octave: 6}\n",
        encoding="utf-8",
    )
    return path


def test_work_is_told_only_when_asked(design: Path, laddersmith: Run) -> None:
    """Files, rounds and the end of the search, on standard error and in the log; results stay."""
    plain = laddersmith("fit", "design.yaml", *FEW)
    assert plain.returncode == 0, plain.stderr
    assert plain.stderr == ""
    told = laddersmith("fit", "design.yaml", *FEW, "-v", "--log", "work.log", "--json", "r.json")
    assert told.returncode == 0, told.stderr
    log = Path("work.log").read_text(encoding="utf-8")
    for what in ("laddersmith fit", "design.yaml", "woofer_z.txt", "search: 10^", "r.json ("):
        assert what in told.stderr
        assert what in log
    assert re.search(r"search (converged|budget) after [\d.]+ s, \d+ networks", log)
    lines = log.splitlines()
    assert lines[0] == "# laddersmith log"
    stamp = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z (INFO|DEBUG|WARNING) optimizer\S*: "
    assert all(re.match(stamp, line) for line in lines[1:])
    # Once more: it is added to, and nobody listens any more afterwards.
    assert laddersmith("check", "design.yaml", "r.json#1", "--log", "work.log").returncode == 0
    assert Path("work.log").read_text(encoding="utf-8").startswith(log)
    assert "laddersmith check" in Path("work.log").read_text(encoding="utf-8")
    assert logging.getLogger("optimizer").handlers == []
    assert not logging.getLogger("optimizer").isEnabledFor(logging.INFO)


@pytest.mark.parametrize("name", ["design.yaml", "woofer.txt", ".", "no/such.log", "r.json"])
def test_nothing_else_is_taken_for_a_log(design: Path, laddersmith: Run, name: str) -> None:
    """What is no log stays as it is: one line, code 2; nor is another output written over one."""
    Path("r.json").write_text("{}")
    before = {path: path.read_bytes() for path in Path().iterdir() if path.is_file()}
    done = laddersmith("fit", "design.yaml", *FEW, "--log", name)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert {path: path.read_bytes() for path in Path().iterdir() if path.is_file()} == before
    both = laddersmith("fit", "design.yaml", *FEW, "--log", "one", "--json", "one")
    assert both.returncode == 2
    assert "every output needs a file of its own" in both.stderr
