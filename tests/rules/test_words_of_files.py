"""Lower layers speak in nouns: no key of a design file, no option of the command line."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from optimizer.cli.options import say_as_option
from optimizer.design.keys import say_in_file
from optimizer.errors import Subject

PACKAGE = Path(__file__).resolve().parents[2] / "optimizer"
LOWER = ("measure", "acoustics", "stock", "network", "goals", "problem", "search", "parts.py")
WORDS = {
    "a dotted key": re.compile(r"(?<![\w./])[a-z_]+\.(?:[a-z_]{2,}|NAME)(?![\w(/])"),
    "a block of keys": re.compile(r"\{\w+: |\w: ?\{"),
    "an option": re.compile(r"(?<![\w-])--[a-z]"),
}


def lower_files() -> list[Path]:
    found = [PACKAGE / room for room in LOWER]
    return [f for room in found for f in ([room] if room.is_file() else sorted(room.rglob("*.py")))]


@cache
def parse(file: Path) -> ast.Module:
    """Syntax of a file, which every rule looks through."""
    return ast.parse(file.read_text(encoding="utf-8"))


def literals(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Text a user may see: every string literal that is no docstring and no bare note."""
    notes = {id(n.value) for n in ast.walk(tree) if isinstance(n, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            # A value in an f-string stands for a word, so that f"goals.{name}" is found too.
            parts = (str(p.value) if isinstance(p, ast.Constant) else "NAME" for p in node.values)
            yield node.lineno, "".join(parts)
        elif (
            isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in notes
        ):
            yield node.lineno, node.value


@pytest.mark.parametrize("what", WORDS)
def test_lower_layers_know_no_words_of_a_file(what: str) -> None:
    """No string of a lower layer holds what only a file or the command line can say."""
    found = [
        f"{file.relative_to(PACKAGE)}:{line}: {text!r}"
        for file in lower_files()
        for line, text in literals(parse(file))
        if WORDS[what].search(text)
    ]
    assert not found, "\n".join(found)


@pytest.mark.parametrize(
    ("what", "text"),
    [
        ("a dotted key", "goals.on_axis.band"),
        ("a dotted key", "state it under ways.NAME"),
        ("a block of keys", 'write "measured: {estimate: yes}"'),
        ("a block of keys", "limits: {lowest_hz: ...}"),
        ("an option", 'say what it is with --as FILE="woofer impedance"'),
    ],
)
def test_the_rule_sees_what_it_is_for(what: str, text: str) -> None:
    """The patterns match what lower layers used to say."""
    assert WORDS[what].search(text)


def test_every_remedy_has_words_at_an_edge() -> None:
    """What a lower layer asks to state is written somewhere: in a design file or as an option."""
    asked = set()
    for file in lower_files():
        for call in ast.walk(parse(file)):
            for keyword in call.keywords if isinstance(call, ast.Call) else ():
                if keyword.arg == "by_stating":
                    asked |= set(_subjects(keyword.value))
    assert len(asked) >= 5
    missing = [s for s in asked if not (say_in_file(s) or say_as_option(s))]
    assert not missing


def _subjects(tree: ast.AST) -> Iterator[Subject]:
    for call in ast.walk(tree):
        if isinstance(call, ast.Call) and ast.unparse(call.func) == "Subject":
            fields = dict(zip(("noun", "name", "part"), call.args, strict=False))
            fields |= {str(k.arg): k.value for k in call.keywords}
            said = {n: v.value for n, v in fields.items() if isinstance(v, ast.Constant)}
            if "part" in said or "part" not in fields:
                yield Subject(**{"name": "NAME", **said})
