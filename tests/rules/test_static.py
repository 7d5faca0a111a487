"""The tree keeps its own rules: style, types, import order, size, words."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


def run_tool(*command: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_style():
    """Ruff finds nothing in the package, the tests and the benchmarks."""
    run_tool("ruff", "check", "optimizer", "tests", "benchmarks")


def test_format():
    """The formatter would change nothing."""
    run_tool("ruff", "format", "--check", ".")


@pytest.mark.slow
def test_types():
    """Mypy in strict mode finds nothing in the package."""
    run_tool("mypy")


def test_import_order():
    """Every module imports only from layers below its own."""
    script = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run(
        [str(script), "--no-cache"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def source_files() -> list[Path]:
    folders = ("optimizer", "tests", "benchmarks", "targets")
    return [
        p
        for folder in folders
        for p in sorted((ROOT / folder).rglob("*"))
        if p.suffix in {".py", ".yaml", ".md", ".html", ".css", ".js"}
    ]


@pytest.mark.parametrize(
    "words",
    [
        "seed " + "document",
        "tran" + "script",
        "pypi" + r"\.org",
        r"files\.python" + "hosted",
        "registry.npm" + "js",
    ],
)
def test_no_forbidden_word(words):
    """The tree names neither a package registry's host nor where the idea came from."""
    pattern = re.compile(words, re.IGNORECASE)
    found = [
        str(p.relative_to(ROOT))
        for p in [*source_files(), ROOT / "README.md"]
        if pattern.search(p.read_text(encoding="utf-8"))
    ]
    assert not found


@pytest.mark.parametrize(
    ("module", "allowed"),
    [
        ("nevergrad", ("optimizer/search/strategies.py",)),
        ("rich", ("optimizer/cli/screen.py", "optimizer/report/render/terminal.py")),
        (
            "yaml",
            (
                "optimizer/text/yamltext.py",
                "optimizer/design/build/problem.py",
            ),
        ),
    ],
)
def test_heavy_module_stays_home(module, allowed):
    """A third-party module is imported only where the layout says."""
    pattern = re.compile(rf"^\s*(?:import|from) {module}\b", re.MULTILINE)
    found = [
        name
        for p in source_files()
        if p.suffix == ".py"
        and p.is_relative_to(ROOT / "optimizer")
        and (name := p.relative_to(ROOT).as_posix())
        and pattern.search(p.read_text(encoding="utf-8"))
        and not name.startswith(allowed)
    ]
    assert not found
