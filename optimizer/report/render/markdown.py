"""Documents as Markdown that also reads well as it is."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import TextWrapper

from optimizer.report import document as doc
from optimizer.report.charts.plot import AnyPlot
from optimizer.report.charts.sketch import sketch_plot
from optimizer.text.quoting import quote_markdown

WIDTH = 98
"""Longest line of a paragraph of Markdown; tables are as wide as they must be."""


def _wrap(text: str, indent: str = "") -> list[str]:
    # A line may end after a hyphen only in print: Markdown sets a blank there.
    wrapper = TextWrapper(WIDTH, subsequent_indent=indent, break_on_hyphens=False)
    return wrapper.wrap(text)


def render_markdown(document: doc.Document) -> str:
    """Write a document as Markdown.

    Parameters
    ----------
    document : Document
        The document; pictures become their texts.

    Returns
    -------
    str
        With tables whose columns are in line.
    """
    lines = [f"# {document.title}", ""] if document.title else []
    if document.subtitle:
        lines += [document.subtitle, ""]
    for section in document.text_sections():
        lines += [f"## {section.title}", ""] if section.title else []
        for part in section.parts:
            lines += [*_write_part(part), ""]
    return quote_markdown("\n".join(lines).rstrip() + "\n")


def _write_part(part: doc.Passage) -> list[str]:
    if isinstance(part, doc.Table):
        return _write_table(part)
    if isinstance(part, doc.Note):
        return _wrap(f"**{part.head}:** {part.text}" if part.head else part.text)
    if isinstance(part, doc.Picture):
        title = ", ".join(filter(None, (part.title, part.caption)))
        return ["```", title, *part.lines(WIDTH), "```"]
    if isinstance(part, doc.Charts):
        return [line for one in part.items for line in _wrap(f"{one.title}: {one.text}")]
    if isinstance(part, doc.Graphs):
        return [line for one in part.items for line in _sketch(one)]
    if isinstance(part, doc.Scatter):
        return _wrap(f"{part.title}: {part.text}")
    if isinstance(part, doc.Heading):
        return [f"### {part.title}"]
    if isinstance(part, doc.Item):
        return _write_item(part)
    if isinstance(part, doc.Listing):
        return _write_listing(part)
    raise TypeError(f"Markdown cannot say {type(part).__name__}")


def _sketch(plot: AnyPlot) -> list[str]:
    """Draw a chart in characters: a file of text needs no other file beside it."""
    rows = ("".join(text for text, _ in row).rstrip() for row in sketch_plot(plot, width=WIDTH))
    return ["```", *rows, "```", *_wrap(plot.text), ""]


def _write_item(item: doc.Item) -> list[str]:
    lines = _wrap(f"**{item.lead}** {item.title}" if item.lead else f"**{item.title}**")
    said = [*item.lines, *(f"**{text}**" for text in item.bad)]
    if said:
        lines += ["", *(line for text in said for line in _bullet("- ", text))]
    return lines


def _write_listing(listing: doc.Listing) -> list[str]:
    lines: list[str] = []
    for number, item in enumerate(listing.items, 1):
        mark = {"plain": "- ", "numbered": f"{number}. ", "boxes": "- [ ] "}[listing.form]
        topic = f"**{listing.topics[number - 1]}:** " if listing.topics else ""
        lines += _bullet(mark, topic + item)
    return lines


def _bullet(mark: str, text: str) -> list[str]:
    return _wrap(mark + text, "  ")


def _write_table(table: doc.Table) -> list[str]:
    heads = tuple(head.replace("\n", " ") for head in table.heads)
    rows = [
        tuple(text.strip().replace("|", "\\|") for text in row)
        for row in (heads, *(tuple(c.whole for c in row) for row in table.full_rows() if row))
    ]
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
