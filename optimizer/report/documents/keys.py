"""What `keys` says: every key of the files, or one of them in full, with an example."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from optimizer.report.document import Cell, Document, Note, Passage, Section, Table
from optimizer.report.reference import FILES, ReferenceKey

_HEAD = (
    "Keys of the files, as they are read. NAME is a name of yours, [0] an item of a list; * must be "
    "written."
)
_NAMED = {"values": "L1", "shared": "speaker"}
"""Whose name stands for NAME, where it is not a driver or way."""

_ELSEWHERE = (
    "Keys of a goal: laddersmith goals NAME. Places of a shared section have the keys of those of "
    "a way."
)
_MORE = (
    "laddersmith keys KEY shows one in full; laddersmith keys design, network or shelf a complete "
    "example of a file."
)


def document_keys(keys: Sequence[ReferenceKey]) -> Document:
    """List keys by file, each with how it is written and what it means.

    Parameters
    ----------
    keys : sequence of ReferenceKey
        In order; goals are listed by `goals`.

    Returns
    -------
    Document
    """
    sections = [Section(title="", parts=(Note(text=_HEAD),))]
    for file, found in groupby(keys, key=lambda key: key.file):
        told = [key for key in found if not (key.block.startswith("goals") or key.repeats)]
        rows: list[tuple[str | Cell, ...]] = []
        # Keys of a block stand together: those inside one of them follow after all of its own.
        for block in dict.fromkeys(key.block for key in told):
            rows += [(), (Cell(f"{block}:", "soft"),)] if block else []
            rows += [
                (Cell(f"{key.name}{'*' * key.needed}", "strong"), key.example, key.meaning)
                for key in told
                if key.block == block
            ]
        parts: list[Passage] = [
            Table(heads=("key", "for instance", "what it is"), rows=tuple(rows), align="lll")
        ]
        if file == "design":
            parts.append(Note(text=_ELSEWHERE, tone="soft"))
        sections.append(Section(title=FILES[file], parts=tuple(parts)))
    sections.append(Section(title="", parts=(Note(text=_MORE, tone="soft"),)))
    return Document(title="", sections=tuple(sections))


def document_key(keys: Sequence[ReferenceKey]) -> Document:
    """Explain keys of one name, each where it stands.

    Parameters
    ----------
    keys : sequence of ReferenceKey
        All that have the name.

    Returns
    -------
    Document
    """
    sections = []
    for key in keys:
        parts: list[Passage] = [
            Note(text=key.meaning),
            *(Note(lead=head, text=text) for head, text in _say_facts(key) if text),
            *(Note(text=f"  {line}", tone="strong") for line in show_in_place(key)),
        ]
        sections.append(Section(title=f"{key.dotted}, in a {FILES[key.file]}", parts=tuple(parts)))
    return Document(title="", sections=tuple(sections))


def _say_facts(key: ReferenceKey) -> list[tuple[str, str]]:
    return [
        ("written as", key.words),
        ("when not written", "the file is refused" if key.needed else key.default),
        ("instead of", ", ".join(key.guesses)),
    ]


def show_in_place(key: ReferenceKey) -> list[str]:
    """Show a key with its example as it stands in its file.

    Parameters
    ----------
    key : ReferenceKey
        Any.

    Returns
    -------
    list of str
        Lines of YAML; of a list of parts its heading and a cell.
    """
    if key.file == "shelf":
        return [key.dotted, key.example]
    lines = []
    indent = ""
    path = key.dotted.split(".")
    *outer, last = [_NAMED.get(path[0], "woofer") if one == "NAME" else one for one in path]
    for step in outer:
        lines.append(f"{indent}{step.removesuffix('[0]')}:")
        indent = f"{indent.replace('-', ' ')}  {'- ' * step.endswith('[0]')}"
    lines.append(f"{indent}{last}: {key.example}")
    return lines
