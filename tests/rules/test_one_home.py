"""A public name has one home: who reads it in two rooms must not have to ask which one is meant."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

PACKAGE = Path(__file__).resolve().parents[2] / "optimizer"

PROTOCOL = {"add_parser", "run"}
"""What every verb of the command line defines."""


def list_public_names(tree: ast.Module) -> Iterator[str]:
    for node in tree.body:
        if isinstance(node, ast.ClassDef | ast.FunctionDef):
            yield node.name
        elif isinstance(node, ast.Assign):
            yield from (target.id for target in node.targets if isinstance(target, ast.Name))
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            yield node.target.id


def find_homes(texts: dict[str, str]) -> dict[str, list[str]]:
    homes: dict[str, list[str]] = {}
    for file, text in texts.items():
        for name in dict.fromkeys(list_public_names(ast.parse(text))):
            if not name.startswith("_"):
                homes.setdefault(name, []).append(file)
    return homes


def test_finder_sees_what_it_is_for():
    """Classes, functions and constants count; private names, imports and methods do not."""
    homes = find_homes(
        {
            "a": "from b import Coil\nWIDTH = 1\n_SIZE = 2\nclass Thing:\n    def run(self): ...",
            "b": "WIDTH: int = 2\n_SIZE = 2\nclass Coil: ...\ndef run(): ...",
        }
    )
    assert {name for name, files in homes.items() if len(files) > 1} == {"WIDTH"}
    assert homes["Coil"] == ["b"]


def test_no_name_has_two_homes():
    """Outside the verbs' own protocol nothing public is defined twice."""
    files = sorted(PACKAGE.rglob("*.py"))
    texts = {f.relative_to(PACKAGE).as_posix(): f.read_text(encoding="utf-8") for f in files}
    homes = find_homes(texts)
    assert len(homes) > 500
    twice = {name: where for name, where in homes.items() if len(where) > 1}
    assert not {name: where for name, where in twice.items() if name not in PROTOCOL}
