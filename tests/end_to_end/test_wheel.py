"""The wheel is what users get: built, installed into a fresh environment, run, type-checked."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import sysconfig
import venv
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

SCRIPT = """\
from pathlib import Path

import optimizer

folder = Path("demo-speaker")
woofer = optimizer.Driver.from_files(
    "woofer", response=folder / "woofer.txt", impedance=folder / "woofer_z.txt"
)
topology = optimizer.Topology.of(woofer=[optimizer.series_inductor("L1", "1 mH", "6 mH")])
problem = optimizer.Problem(
    drivers=[woofer], topology=topology, stock=optimizer.Stock.of("E12"), goals={"on_axis": 1.0}
)
result: optimizer.SearchResult = optimizer.fit(problem, seconds=1.0, seed=1)
cost: float = optimizer.check(problem, result.best).candidate.cost
print(f"{cost:.3f}", result.best)
"""


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


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with an environment that holds the wheel, and the demo written by its command.

    What the wheel depends on is taken from the environment of the tests, which pip has filled
    already; that all of it is declared is a test of its own, in tests/rules.
    """
    folder = tmp_path_factory.mktemp("wheel")
    build = ("-m", "build", "--wheel", "--no-isolation", "--outdir", folder, ROOT)
    run(sys.executable, *build, cwd=ROOT)
    (wheel,) = folder.glob("laddersmith-*.whl")
    venv.create(folder / "env", with_pip=False)
    python = folder / "env" / "bin" / "python"
    install = ("-m", "pip", "--python", python, "--disable-pip-version-check", "install")
    run(sys.executable, *install, "--quiet", "--no-deps", wheel, cwd=folder)
    (site,) = (folder / "env" / "lib").glob("python*/site-packages")
    # Paths in a .pth file come after the environment's own packages.
    (site / "tests.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    quick = ("--seconds", "1.5", "--workers", "1", "--quiet")
    run(folder / "env" / "bin" / "laddersmith", "demo", *quick, cwd=folder)
    (folder / "script.py").write_text(SCRIPT, encoding="utf-8")
    return folder


@pytest.mark.wheel
def test_wheel_runs_demo(folder: Path) -> None:
    """The built wheel holds presets, guide and type marker, and runs the demo outside the tree."""
    for name in ("design.yaml", "results.json", "page.html", "build-sheet.html"):
        assert (folder / "demo-speaker" / name).is_file()
    code = "import optimizer; print(optimizer.__file__)"
    home = Path(run(folder / "env" / "bin" / "python", "-c", code, cwd=folder).strip()).parent
    assert home.is_relative_to(folder)
    for name in ("py.typed", "targets/living-room.yaml", "guide/changes.md"):
        assert (home / name).is_file()


@pytest.mark.wheel
def test_a_script_runs_on_the_wheel(folder: Path) -> None:
    """Fifteen lines lead from files to a checked network, without a design file."""
    assert len(SCRIPT.splitlines()) <= 18
    out = run(folder / "env" / "bin" / "python", "script.py", cwd=folder)
    assert float(out.split()[0]) > 0.0
    assert "L1" in out


@pytest.mark.wheel
def test_a_script_is_typed_by_the_wheel(folder: Path) -> None:
    """Mypy in strict mode finds nothing in a user's script, and finds what is wrong with another."""
    python = folder / "env" / "bin" / "python"
    strict = ("-m", "mypy", "--strict", "--cache-dir", folder / "cache")
    wrong = SCRIPT.replace("cost: float", "cost: str")
    (folder / "wrong.py").write_text(wrong, encoding="utf-8")
    with pytest.raises(AssertionError) as said:
        run(python, *strict, "script.py", "wrong.py", cwd=folder)
    (error,) = re.findall(r"^.*: error: .*$", str(said.value), re.MULTILINE)
    assert error.startswith("wrong.py:")
    assert "Incompatible types in assignment" in error
