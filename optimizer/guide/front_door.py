"""The chapter on Python: every public name, from its own signature and docstring."""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable, Iterator
from types import FunctionType, MethodType
from typing import Any

import optimizer

_HEAD = """\
# From Python

Every verb of the command line is a function on values, and what it needs can be made without a design
file: `import optimizer`, then `optimizer.fit(...)`. Arrays are SI, frequency last; what is wrong with
what you give is told as an `InputError`. A script from files to a build sheet comes with the package,
`optimizer/guide/examples/files_to_networks.py`; it runs on the folder that `laddersmith demo`
writes. This chapter is made of what each name says of itself, as `help(optimizer.fit)` shows it too.
"""

_RULED = re.compile(r"^(\w[\w ]*)\n-{3,}$", re.MULTILINE)
_ENTRY = re.compile(r"^(?P<name>[\w*, ]+?)(?: : (?P<kind>.+))?$")


def write_front_door() -> str:
    """Write the chapter.

    Returns
    -------
    str
        Markdown: verbs, other functions, then classes, each by its name.
    """
    public = {name: getattr(optimizer, name) for name in optimizer.__all__}
    functions = {name: one for name, one in public.items() if inspect.isfunction(one)}
    verbs = {n: one for n, one in functions.items() if one.__module__ == "optimizer.verbs"}
    groups: dict[str, dict[str, Any]] = {
        "Verbs": verbs,
        "Functions": {n: one for n, one in functions.items() if n not in verbs},
        "Classes": {name: one for name, one in public.items() if inspect.isclass(one)},
        "Modules": {name: one for name, one in public.items() if inspect.ismodule(one)},
    }
    lines = [_HEAD]
    for title, group in groups.items():
        lines += [f"## {title}", ""]
        for name, one in group.items():
            lines += [*_tell(name, one), ""]
    return "\n".join(lines).rstrip() + "\n"


def _tell(name: str, one: Any) -> Iterator[str]:
    """Tell one name: how it is called, and what its docstring says."""
    yield f"### {name}"
    yield ""
    if inspect.isfunction(one):
        yield f"`{_say_call(name, one)}`"
        yield ""
    first, *rest = _RULED.split(inspect.getdoc(one) or "")
    yield _mark_code(first.strip())
    for title, body in zip(rest[::2], rest[1::2], strict=True):
        yield ""
        yield f"**{title}**"
        yield ""
        if title in ("Notes", "Examples"):
            yield from _write_prose(body.strip())
        else:
            yield from _write_entries(body)
    if inspect.isclass(one):
        yield from _list_methods(one)


def _say_call(name: str, function: Callable[..., Any]) -> str:
    """Write how a function is called: names and defaults; kinds stand with the parameters."""
    signature = inspect.signature(function)
    bare = [p.replace(annotation=p.empty) for p in signature.parameters.values()]
    return f"{name}{signature.replace(parameters=bare, return_annotation=signature.empty)}"


def _write_entries(body: str) -> Iterator[str]:
    """Write entries of a section, "name : kind" or a kind, each with what stands below it."""
    lines = body.strip("\n").splitlines()
    for line, after in zip(lines, [*lines[1:], ""], strict=True):
        if line.startswith(" ") or not line:
            yield f"  {_mark_code(line.strip())}".rstrip()
            continue
        found = _ENTRY.match(line)
        name, kind = (found["name"], found["kind"]) if found else (line, None)
        yield f"* `{name}`{f' ({kind})' if kind else ''}{':' * after.startswith(' ')}"


def _write_prose(body: str) -> Iterator[str]:
    """Write paragraphs; what a person types at a prompt, and gets, is code."""
    for block in re.split(r"\n{2,}", body):
        if block.startswith(">>>"):
            yield from ("```python", block, "```", "")
        else:
            yield from (_mark_code(block), "")


def _mark_code(text: str) -> str:
    """Write double marks of code as single ones, as Markdown has them."""
    return text.replace("``", "`")


def _list_methods(one: type) -> Iterator[str]:
    """List what an object of a class offers besides what it holds, with one line each."""
    ours = [base for base in one.__mro__ if base.__module__.startswith("optimizer.")]
    every = {name: held for base in reversed(ours) for name, held in vars(base).items()}
    told = []
    for name, held in every.items():
        found = getattr(one, name) if isinstance(held, classmethod | staticmethod) else held
        text = inspect.getdoc(found.fget if isinstance(held, property) else found)
        if name.startswith("_") or not text:
            continue
        line = _mark_code(" ".join(text.split("\n\n")[0].split()))
        if isinstance(held, property):
            told.append(f"* `{name}`: {line}")
        elif isinstance(found, FunctionType | MethodType):
            call = _say_call(name, found).replace("(self, ", "(").replace("(self)", "()")
            told.append(f"* `{call}`: {line}")
    if told:
        yield from ("", "**It can tell and do**", "", *told)
