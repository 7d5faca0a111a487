"""The commands of the readme exist as they are written there."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from optimizer.cli.main import build_parser

README = Path(__file__).resolve().parents[2] / "README.md"
BLOCK = re.compile(r"```(?:sh|console)\n(.*?)```", re.DOTALL)
COMMANDS = [
    line.removeprefix("$ ").partition("  #")[0]
    for block in BLOCK.findall(README.read_text(encoding="utf-8"))
    for line in block.replace("\\\n", " ").splitlines()
    if line.removeprefix("$ ").startswith("laddersmith ")
]


def test_there_are_commands():
    """The readme shows how to go from measurements to a verified speaker."""
    verbs = {shlex.split(c)[1] for c in COMMANDS}
    assert verbs >= {"start", "fit", "demo", "voice", "sheet", "verify"}


@pytest.mark.parametrize("command", COMMANDS)
def test_commands_are_understood(command):
    """Every verb and option in the readme is one that the program knows."""
    args = build_parser().parse_args(shlex.split(command)[1:])
    assert callable(args.run)


def test_python_runs(demo_design, monkeypatch):
    """The lines for Python do on the demo's files what they say."""
    (block,) = re.findall(r"```python\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    monkeypatch.chdir(demo_design.parent)
    names = {}
    exec(block.replace("seconds=5", "seconds=0.5"), names)
    assert names["result"].best.cost > 0.0
