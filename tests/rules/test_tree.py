"""The repository keeps its shape: what lies at the top, and what the package declares to need."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest
import yaml

ROOT = Path(__file__).resolve().parents[2]
PYTHON = "Programming Language :: Python :: "
TOP = {
    "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml",
    "optimizer", "targets", "tests", "benchmarks",
}  # fmt: skip


def list_tracked() -> list[str]:
    done = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if done.returncode != 0:
        pytest.skip("not a git checkout")
    return done.stdout.splitlines()


def test_the_top_level_stays_as_it_is() -> None:
    """Beside files that begin with a dot, a newcomer sees eight names."""
    top = {name.partition("/")[0] for name in list_tracked()}
    assert {name for name in top if not name.startswith(".")} == TOP


def test_every_room_says_what_it_is() -> None:
    """Each package of the tool has an __init__ with a docstring."""
    rooms = {file.parent for file in (ROOT / "optimizer").rglob("*.py")}
    examples = ROOT / "optimizer" / "guide" / "examples"
    for room in {room for room in rooms if not room.is_relative_to(examples)}:
        text = (room / "__init__.py").read_text(encoding="utf-8")
        assert ast.get_docstring(ast.parse(text)), room


def imported_packages() -> set[str]:
    """Third-party packages that the tool imports, wherever in a file it does."""
    found = set()
    for file in (ROOT / "optimizer").rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found |= {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
                found.add(node.module.partition(".")[0])
    return found - set(sys.stdlib_module_names) - {"optimizer"}


def test_every_import_is_a_declared_dependency() -> None:
    """What the tool imports, its wheel asks for; an environment of tests would hide a lack."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = project["dependencies"] + project["optional-dependencies"]["cluster"]
    declared = {re.split(r"[<>=!~\[ ;]", text)[0].lower() for text in wanted}
    homes = packages_distributions()
    for package in sorted(imported_packages()):
        assert {name.lower() for name in homes[package]} & declared, package


def test_hooks_fetch_nothing() -> None:
    """Hooks before a commit are the tools that are installed, from no address."""
    text = (ROOT / ".pre-commit-config.yaml").read_text(encoding="utf-8")
    repositories = yaml.safe_load(text)["repos"]
    assert [one["repo"] for one in repositories] == ["local"]
    entries = [hook["entry"] for one in repositories for hook in one["hooks"]]
    assert [entry.split()[2] for entry in entries] == ["ruff", "ruff", "mypy"]
    assert "://" not in text


def test_sessions_cover_every_python_that_is_promised() -> None:
    """The sessions of nox start at the oldest Python that the project asks for."""
    tree = ast.parse((ROOT / ".ci" / "noxfile.py").read_text(encoding="utf-8"))
    sessions = {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}
    assert sessions == {"lint", "types", "tests", "wheel"}
    pythons = next(
        ast.literal_eval(node.value)
        for node in tree.body
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "PYTHONS"
    )
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["requires-python"] == f">={pythons[0]}"
    assert pythons == ["3.11", "3.12", "3.13", "3.14"]
    said = [text.removeprefix(PYTHON) for text in project["classifiers"] if text.startswith(PYTHON)]
    assert [version for version in said if "." in version] == pythons


def test_sessions_are_those_that_nox_lists() -> None:
    """The file loads, where nox is installed, and each Python has its tests."""
    pytest.importorskip("nox")
    done = subprocess.run(
        [sys.executable, "-m", "nox", "-f", ".ci/noxfile.py", "--list"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    listed = re.findall(r"^\* (\S+) -> ", done.stdout, re.MULTILINE)
    for name in ("lint", "types", "tests-3.11", "tests-3.14", "wheel-3.11", "wheel-3.14"):
        assert name in listed


def test_every_dependency_is_weighed() -> None:
    """The tables of DEVELOPERS.md name what is always installed, and every extra for users."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = [project["optional-dependencies"][name] for name in ("cluster", "formats", "hear")]
    wanted = [*project["dependencies"], *(text for extra in extras for text in extra)]
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").partition("## Dependencies")[2]
    rows = "\n".join(line for line in text.splitlines() if line.startswith("|")).lower()
    for name in {re.split(r"[<>=!~\[ ;]", one)[0] for one in wanted}:
        assert name in rows, name
