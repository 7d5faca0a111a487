"""The wheel is what users get: built, installed into a fresh environment, run."""

from __future__ import annotations

import os
import subprocess
import sys
import venv
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


def run(*command: str | Path, cwd: Path) -> str:
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}
    done = subprocess.run(
        [str(c) for c in command],
        cwd=cwd,
        capture_output=True,
        text=True,
        check=False,
        env=environment,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.wheel
def test_wheel_runs_demo(tmp_path):
    """The built wheel holds the presets and runs the whole demo outside the checkout."""
    run(
        sys.executable,
        "-m",
        "build",
        "--wheel",
        "--no-isolation",
        "--outdir",
        tmp_path,
        ROOT,
        cwd=ROOT,
    )
    (wheel,) = tmp_path.glob("laddersmith-*.whl")
    venv.create(tmp_path / "env", with_pip=True)
    python = tmp_path / "env" / "bin" / "python"
    run(
        python,
        "-m",
        "pip",
        "install",
        "--quiet",
        "--disable-pip-version-check",
        wheel,
        cwd=tmp_path,
    )
    out = run(tmp_path / "env" / "bin" / "laddersmith", "demo", cwd=tmp_path)
    assert (tmp_path / "demo-speaker" / "design.yaml").is_file()
    assert (tmp_path / "demo-speaker" / "results.json").is_file()
    assert "tweeter" in out
    where = run(python, "-c", "import optimizer; print(optimizer.__file__)", cwd=tmp_path)
    assert str(tmp_path) in where
