"""Which networks came from a file: it is then the past that they go back to."""

from __future__ import annotations

import re
from pathlib import Path

from optimizer.errors import InputError
from optimizer.text.yamltext import parse_yaml

_PARENT = re.compile(r"^parent: .*$", re.MULTILINE)
_LARGEST_BYTES = 1_000_000
_MOST_FILES = 1000


def find_descendant(path: Path) -> Path | None:
    """Find a network file that names another as what it came from.

    Parameters
    ----------
    path : Path
        The other: a network file, or results of which it was one.

    Returns
    -------
    Path or None
        Files beside it are looked through, one is enough.
    """
    if not path.is_file():
        return None
    for file in sorted(path.resolve().parent.glob("*.y*ml"))[:_MOST_FILES]:
        parent = _read_parent(file)
        named = file.parent / parent.rpartition("#")[0] if "#" in parent else file.parent / parent
        if parent and _is_same(path, named) and not _is_same(path, file):
            return file
    return None


def _is_same(one: Path, other: Path) -> bool:
    try:
        return other.is_file() and one.samefile(other)
    except (OSError, ValueError):
        return False


def _read_parent(file: Path) -> str:
    try:
        if not file.is_file() or file.stat().st_size > _LARGEST_BYTES:
            return ""
        found = _PARENT.search(file.read_text(encoding="utf-8", errors="replace"))
        entry = parse_yaml(found[0], file=str(file)) if found else None
        return "" if entry is None else entry.fields()["parent"].text()
    except (OSError, InputError):
        return ""


def check_no_descendant(path: Path, *, option: str | None = None) -> None:
    """Refuse to replace what another network came from, whatever is forced.

    Raises
    ------
    InputError
        There is one.
    """
    child = find_descendant(path)
    if child is not None:
        raise InputError(
            "what another network came from is never overwritten",
            key=option,
            value=f"{path}, the parent of {child.name}",
            remedy="name another file: the old one stays to go back to",
        )
