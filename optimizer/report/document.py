"""A printed document as plain parts, and its Markdown; the page folder turns it into HTML."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from textwrap import wrap
from typing import Any, Literal

WIDTH = 98
"""Longest line of a paragraph of Markdown; tables are as wide as they must be."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table of texts.

    Parameters
    ----------
    heads : tuple of str
        Headings.
    rows : tuple of tuple of str
        Cells.
    align : str
        One letter a column: "l" left, "r" right.
    """

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    align: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """Items with bullets, numbers, or boxes to tick; `topics` go before them and stand out."""

    items: tuple[str, ...]
    topics: tuple[str, ...] = ()
    form: Literal["plain", "numbered", "boxes"] = "plain"


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """A paragraph; a warning stands out."""

    text: str
    warns: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A drawing as SVG with a text that stands for it where it cannot be shown.

    `narrow` is the same for a phone, where the drawing would not fit.
    """

    svg: str
    text: str
    narrow: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A chart that the page draws from the numbers of the document.

    Parameters
    ----------
    key : str
        Its name on the page.
    title, text : str
        Heading, and what it shows.
    wide : bool
        Whether it takes the whole width.
    """

    key: str
    title: str
    text: str
    wide: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Charts:
    """Charts side by side; without a page only their texts are left."""

    items: tuple[Chart, ...]


Part = Table | Listing | Note | Picture | Charts


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A heading and what stands under it."""

    title: str
    parts: tuple[Part, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A title, a line under it, sections, and the numbers that its charts draw."""

    title: str
    subtitle: str = ""
    sections: tuple[Section, ...] = field(default=())
    numbers: Mapping[str, Any] | None = None


def render_markdown(document: Document) -> str:
    """Write a document as Markdown that also reads well as it is.

    Parameters
    ----------
    document : Document
        The document; pictures become their texts.

    Returns
    -------
    str
        With tables whose columns are in line.
    """
    lines = [f"# {document.title}", ""]
    if document.subtitle:
        lines += [document.subtitle, ""]
    for section in document.sections:
        lines += [f"## {section.title}", ""]
        for part in section.parts:
            lines += [*_markdown(part), ""]
    return "\n".join(lines).rstrip() + "\n"


def _markdown(part: Part) -> list[str]:
    if isinstance(part, Table):
        return _markdown_table(part)
    if isinstance(part, Note):
        return wrap(f"**Warning:** {part.text}" if part.warns else part.text, WIDTH)
    if isinstance(part, Picture):
        return ["```", *part.text.splitlines(), "```"]
    if isinstance(part, Charts):
        return [line for one in part.items for line in wrap(f"{one.title}: {one.text}", WIDTH)]
    lines = []
    for number, item in enumerate(part.items, 1):
        mark = {"plain": "- ", "numbered": f"{number}. ", "boxes": "- [ ] "}[part.form]
        topic = f"**{part.topics[number - 1]}:** " if part.topics else ""
        lines += wrap(mark + topic + item, WIDTH, subsequent_indent="  ")
    return lines


def _markdown_table(table: Table) -> list[str]:
    rows = [tuple(cell.replace("|", "\\|") for cell in row) for row in (table.heads, *table.rows)]
    widths = [max(3, *(len(row[k]) for row in rows)) for k in range(len(table.heads))]

    def line(cells: Sequence[str]) -> str:
        padded = (
            cell.rjust(w) if a == "r" else cell.ljust(w)
            for cell, w, a in zip(cells, widths, table.align, strict=True)
        )
        return f"| {' | '.join(padded)} |"

    rule = "|".join(
        f"{'-' * (w + 1)}{':' if a == 'r' else '-'}"
        for w, a in zip(widths, table.align, strict=True)
    )
    return [line(rows[0]), f"|{rule}|", *(line(row) for row in rows[1:])]
