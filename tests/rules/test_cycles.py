"""No module needs, directly or through others, a module that needs it."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def read_modules(root: Path, package: str) -> dict[str, ast.Module]:
    modules = {}
    for path in sorted((root / package).rglob("*.py")):
        name = ".".join(path.relative_to(root).with_suffix("").parts).removesuffix(".__init__")
        modules[name] = ast.parse(path.read_text(encoding="utf-8"))
    return modules


def list_needs(modules: dict[str, ast.Module]) -> dict[str, set[str]]:
    """Modules that each one imports: at its top, inside a function or for types alone.

    A package counts as needed only where a name of its own is imported, not for every module
    below it.
    """
    needs: dict[str, set[str]] = {}
    for module, tree in modules.items():
        found = set(_list_imports(tree, modules))
        needs[module] = (found & modules.keys()) - {module}
    return needs


def _list_imports(tree: ast.Module, modules: dict[str, ast.Module]) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                yield inner if inner in modules else node.module


def find_cycles(needs: dict[str, set[str]]) -> set[frozenset[str]]:
    """Groups of modules that reach each other."""
    reach = {module: set(direct) for module, direct in needs.items()}
    for middle in needs:
        for reached in reach.values():
            if middle in reached:
                reached |= reach[middle]
    return {
        frozenset(other for other in reach[module] if module in reach[other])
        for module in needs
        if module in reach[module]
    }


def test_finder_sees_every_kind_of_import():
    """A cycle through a type, a function and a package is found; a chain is none."""
    texts = {
        "p": "",
        "p.a": "from p import b",
        "p.b": "def run():\n    from p.c import thing",
        "p.c": "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    import p.a",
        "p.d": "from p.a import x\nimport numpy",
    }
    needs = list_needs({name: ast.parse(text) for name, text in texts.items()})
    assert needs["p.d"] == {"p.a"}
    assert find_cycles(needs) == {frozenset({"p.a", "p.b", "p.c"})}


def test_no_cycle():
    """The package has no cycle of imports, run time and types alike."""
    modules = read_modules(ROOT, "optimizer")
    assert len(modules) > 100
    assert not find_cycles(list_needs(modules))
