"""Let the benchmarks be found from a plain `pytest benchmarks/speed`, and print their rates."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

_NOTES = pytest.StashKey[list[str]]()


@pytest.fixture
def note(request: pytest.FixtureRequest) -> Callable[[str], None]:
    """Return a function that keeps a line for the end of the session."""
    return request.config.stash.setdefault(_NOTES, []).append


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    """Print the lines that tests kept."""
    for line in config.stash.get(_NOTES, []):
        terminalreporter.write_line(line)
