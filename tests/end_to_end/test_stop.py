"""A search that is asked to stop, by real signals to real processes, keeps what it has found."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.end_to_end.judge import GRID, TWO_WAYS, write_drivers

ROOT = Path(__file__).resolve().parents[2]

GOALS = """\
goals: {on_axis: {band: 100..12k}, in_room: {band: 150..10k}, parts: {each: 0.03}}
stock: {series: E12}
"""

# As `laddersmith`, but it says on standard output when the first network is found.
COMMAND = """
import contextlib, sys
sys.path.insert(0, {root!r})
from optimizer.cli import main, screen

@contextlib.contextmanager
def follow(self):
    said = []
    def tell(now):
        if now.best_cost is not None and not said:
            said.append(print("found", flush=True))
    yield tell

screen.Screen.follow_search = follow
main.program()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="other signals there")
def test_impatient_stop_keeps_what_was_found(tmp_path: Path) -> None:
    """A closed terminal, Ctrl-C again and again and `kill`, for all processes: exit code 0, the
    file is there, nothing complains, and no process of the group is left."""
    design, found = tmp_path / "design.yaml", tmp_path / "found.json"
    drivers = write_drivers(tmp_path, "woofer", "tweeter")
    design.write_text(drivers + TWO_WAYS + GOALS + GRID, encoding="utf-8")
    words = ("fit", design, "--seconds", "600", "--workers", "2", "--quiet", "--json", found)
    with subprocess.Popen(
        [sys.executable, "-c", COMMAND.format(root=str(ROOT)), *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    ) as search:
        assert search.stdout is not None
        assert search.stderr is not None
        assert search.stdout.readline() == "found\n"
        for number in (signal.SIGHUP, signal.SIGINT, signal.SIGINT, signal.SIGTERM, signal.SIGINT):
            os.killpg(search.pid, number)
            time.sleep(0.02)
        # Standard error ends when the last process that holds it has ended.
        said = search.stderr.read()
        code = search.wait()
    assert (code, said) == (0, "")
    data = json.loads(found.read_text(encoding="utf-8"))
    assert data["stopped"] == "interrupted"
    assert data["candidates"]
    with pytest.raises(ProcessLookupError):
        os.killpg(search.pid, 0)
