"""Shared fixtures: where the measured data lies, and which programs are installed."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def measured_data() -> Path:
    """Folder of real measured drivers; skips the test when it is absent."""
    folder = Path(os.environ.get("LADDERSMITH_DATA", ROOT.parent / "shared" / "data"))
    if not folder.is_dir():
        pytest.skip(f"no measured data at {folder} (set LADDERSMITH_DATA)")
    return folder


@pytest.fixture(scope="session")
def ngspice() -> str:
    """Path of the ngspice program; skips the test when it is absent."""
    program = shutil.which("ngspice")
    if program is None:
        pytest.skip("ngspice is not installed (Debian package ngspice)")
    return program
